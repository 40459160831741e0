"""What else a weak dip may be: the ripple of a mismatched line, or a step while sweeping."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from sweeplab.finding import Threshold
from sweeplab.resonance.circle.batch import SweepBatch
from sweeplab.resonance.circle.varpro import eliminated
from sweeplab.sweep import ComplexArray, FloatArray

# A resonance that leaves this much less than the smooth background alone is nothing else: no null
# model is compared with it. A ratio of sums of squares.
STRONG_RESONANCE: Threshold = 60.0
_STEPS = 6
_MOST_POINTS = 1024
_TURNS = np.concatenate([np.arange(-4.0, 20.1, 0.25), np.arange(20.5, 45.0, 0.5)])
# Two turns nearer than this are one turn and a slope.
_APART = 2.0
# Slow ripples hide beside the stronger turn: they are looked for at these distances too.
_OFFSETS = (-5.0, 3.0, 5.0, 8.0)


def ripple_rss(rows: SweepBatch) -> FloatArray:
    """Return what two reflections down a line leave, shape (b,).

    ``G = a exp(-j p u) + b exp(-j q u)``: the stronger turn p from a grid, the weaker q from what
    it leaves, then both by Gauss-Newton. Of many points neighbours are averaged to find the turns.
    """
    averaged = rows.binned(_MOST_POINTS)
    least, phases = _searched(averaged)
    return least if averaged is rows else _refined(rows, phases)[0]


def _searched(rows: SweepBatch) -> tuple[FloatArray, FloatArray]:
    shared = len(rows) == 1 or bool(np.abs(rows.u - rows.u[:1]).max() < 0.01)
    turns = _turns_at(rows.u[0].tobytes())[None] if shared else _turns(rows.u)
    weighted = rows.gamma * rows.weight
    along = (weighted[:, None, :] @ turns.conj())[:, 0]
    strong = np.abs(along).argmax(axis=1)
    p = _TURNS[strong]
    size = along[np.arange(len(rows)), strong] / rows.weight.sum(axis=1)
    rest = weighted - rows.weight * size[:, None] * np.exp(-1j * rows.u * p[:, None])
    left = np.abs((rest[:, None, :] @ turns.conj())[:, 0])
    q = _TURNS[np.where(np.abs(_TURNS - p[:, None]) < _APART, 0, left).argmax(axis=1)]
    weaker = np.stack([q, *(p + offset for offset in _OFFSETS)])
    phases = np.stack([np.broadcast_to(p, weaker.shape), weaker], axis=-1)
    every = np.tile(np.arange(len(rows)), len(weaker))
    least, refined = _refined(rows.take(every), phases.reshape(-1, 2))
    best = least.reshape(weaker.shape).argmin(axis=0), np.arange(len(rows))
    return least.reshape(weaker.shape)[best], refined.reshape(phases.shape)[best]


def _turns(u: FloatArray) -> ComplexArray:
    return np.asarray(np.exp(-1j * u[..., None] * _TURNS))


@lru_cache(maxsize=4)
def _turns_at(places: bytes) -> ComplexArray:
    """Return the turns at the places of one row; those of one sweep are asked for twice."""
    return _turns(np.frombuffer(places, dtype=np.float64))


def _refined(rows: SweepBatch, phases: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Follow Gauss-Newton from the grid's phases, shape (b, 2).

    Returns
    -------
    least : ndarray, shape (b,)
        The least misfit met.
    phases : ndarray, shape (b, 2)
        Where it was met.
    """
    least, there = np.full(len(rows), np.inf), phases
    for _ in range(_STEPS):
        turns = np.exp(-1j * rows.u[:, None, :] * phases[:, :, None])
        vectors = np.concatenate([turns, rows.u[:, None] * turns, rows.gamma[:, None]], axis=1)
        products = (vectors.conj() * rows.weight[:, None]) @ vectors.transpose(0, 2, 1)
        plane = products[:, 0:2, 0:2] + 1e-12 * rows.weight.sum(axis=1)[:, None, None] * np.eye(2)
        linear = np.linalg.solve(plane, products[:, 0:2, -1:])[:, :, 0]
        explained = (linear.conj() * products[:, 0:2, -1]).sum(axis=1).real
        left = np.maximum(products[:, -1, -1].real - explained, 0)
        there = np.where((left < least)[:, None], phases, there)
        least = np.minimum(least, left)
        normal, right = eliminated(products, linear, -1j * linear)
        normal += (1e-9 * np.trace(normal, axis1=1, axis2=2) + 1e-300)[:, None, None] * np.eye(2)
        step = np.linalg.solve(normal, right[:, :, None])[:, :, 0]
        phases = phases + np.clip(step, -0.5, 0.5)
    return least, there


def step_gain(value: ComplexArray, weight: FloatArray) -> FloatArray:
    """Return the squares that one step at the best place explains over a constant, shape (b,).

    Parameters
    ----------
    value : ndarray of complex, shape (b, n)
    weight : ndarray, shape (b, n)
    """
    count = np.cumsum(weight, axis=1)
    total = np.cumsum(weight * value, axis=1)
    n, whole = count[:, -1:], total[:, -1:]
    off = total - whole * count / n
    inside = (count > 0) & (count < n)
    room = np.where(inside, count * (n - count) / n, 1.0)
    return np.asarray(np.where(inside, np.abs(off) ** 2 / room, 0).max(axis=1))
