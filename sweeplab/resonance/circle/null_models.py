"""Null models of a weak dip: the ripple of a mismatched line, or a step while sweeping."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from sweeplab.finding import Threshold
from sweeplab.resonance.circle.batch import SweepBatch
from sweeplab.resonance.circle.varpro import projected_normal_equations
from sweeplab.sweep import ComplexArray, FloatArray

# Where the background leaves this many times the resonance's residual no null model explains it.
STRONG_RESONANCE: Threshold = 60.0
_STEPS = 6
_MOST_POINTS = 1024
_PHASES = np.concatenate([np.arange(-4.0, 20.1, 0.25), np.arange(20.5, 45.0, 0.5)])
# Two phasors nearer than this, in radians over the span, act as one phasor and a slope.
_MIN_SEPARATION = 2.0
# A slow ripple is masked by the stronger phasor: these separations are tried as well.
_OFFSETS = (-5.0, 3.0, 5.0, 8.0)


def ripple_rss(batch: SweepBatch) -> FloatArray:
    """Return the rss of two reflections on a line, shape (b,).

    ``G = a exp(-j p u) + b exp(-j q u)`` over the position u: the stronger phasor's p from a grid,
    the weaker one's q from the residual, then both by Gauss-Newton. The grid search averages
    neighbours where there are many points.
    """
    averaged = batch.binned(_MOST_POINTS)
    best_rss, phases = _grid_search(averaged)
    return best_rss if averaged is batch else _refined(batch, phases)[0]


def _grid_search(batch: SweepBatch) -> tuple[FloatArray, FloatArray]:
    shared = len(batch) == 1 or bool(np.abs(batch.position - batch.position[:1]).max() < 0.01)
    phasors = (
        _cached_phasors(batch.position[0].tobytes())[None] if shared else _phasors(batch.position)
    )
    weighted = batch.gamma * batch.weight
    along = (weighted[:, None, :] @ phasors.conj())[:, 0]
    strongest = np.abs(along).argmax(axis=1)
    p = _PHASES[strongest]
    amplitude = along[np.arange(len(batch)), strongest] / batch.weight.sum(axis=1)
    rest = weighted - batch.weight * amplitude[:, None] * np.exp(-1j * batch.position * p[:, None])
    remaining = np.abs((rest[:, None, :] @ phasors.conj())[:, 0])
    q = _PHASES[
        np.where(np.abs(_PHASES - p[:, None]) < _MIN_SEPARATION, 0, remaining).argmax(axis=1)
    ]
    weaker = np.stack([q, *(p + offset for offset in _OFFSETS)])
    phases = np.stack([np.broadcast_to(p, weaker.shape), weaker], axis=-1)
    repeated = np.tile(np.arange(len(batch)), len(weaker))
    best_rss, refined = _refined(batch.take(repeated), phases.reshape(-1, 2))
    best = best_rss.reshape(weaker.shape).argmin(axis=0), np.arange(len(batch))
    return best_rss.reshape(weaker.shape)[best], refined.reshape(phases.shape)[best]


def _phasors(position: FloatArray) -> ComplexArray:
    return np.asarray(np.exp(-1j * position[..., None] * _PHASES))


@lru_cache(maxsize=4)
def _cached_phasors(positions: bytes) -> ComplexArray:
    """Return the phasors at the positions of one row; a sweep needs them twice."""
    return _phasors(np.frombuffer(positions, dtype=np.float64))


def _refined(batch: SweepBatch, phases: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Refine phases, shape (b, 2), by Gauss-Newton.

    Returns
    -------
    best_rss : ndarray, shape (b,)
        The least residual sum of squares of all iterations.
    best_phases : ndarray, shape (b, 2)
        Its phases.
    """
    best_rss, best_phases = np.full(len(batch), np.inf), phases
    for _ in range(_STEPS):
        phasors = np.exp(-1j * batch.position[:, None, :] * phases[:, :, None])
        vectors = np.concatenate(
            [phasors, batch.position[:, None] * phasors, batch.gamma[:, None]], axis=1
        )
        products = (vectors.conj() * batch.weight[:, None]) @ vectors.transpose(0, 2, 1)
        plane = products[:, 0:2, 0:2] + 1e-12 * batch.weight.sum(axis=1)[:, None, None] * np.eye(2)
        linear = np.linalg.solve(plane, products[:, 0:2, -1:])[:, :, 0]
        explained = (linear.conj() * products[:, 0:2, -1]).sum(axis=1).real
        remaining = np.maximum(products[:, -1, -1].real - explained, 0)
        best_phases = np.where((remaining < best_rss)[:, None], phases, best_phases)
        best_rss = np.minimum(best_rss, remaining)
        normal, right = projected_normal_equations(products, linear, -1j * linear)
        normal += (1e-9 * np.trace(normal, axis1=1, axis2=2) + 1e-300)[:, None, None] * np.eye(2)
        step = np.linalg.solve(normal, right[:, :, None])[:, :, 0]
        phases = phases + np.clip(step, -0.5, 0.5)
    return best_rss, best_phases


def step_gain(value: ComplexArray, weight: FloatArray) -> FloatArray:
    """Return the decrease in rss of one step, at its best position, over a constant, shape (b,).

    Parameters
    ----------
    value : ndarray of complex, shape (b, n)
    weight : ndarray, shape (b, n)
    """
    count = np.cumsum(weight, axis=1)
    total = np.cumsum(weight * value, axis=1)
    all_counts, all_values = count[:, -1:], total[:, -1:]
    excess = total - all_values * count / all_counts
    inside = (count > 0) & (count < all_counts)
    norm = np.where(inside, count * (all_counts - count) / all_counts, 1.0)
    return np.asarray(np.where(inside, np.abs(excess) ** 2 / norm, 0).max(axis=1))
