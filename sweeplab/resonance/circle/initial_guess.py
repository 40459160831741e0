"""Where a fit begins: the best of a bank of resonance shapes, whatever the background's phase.

Each shape of the bank is a Lorentzian in linear detuning. From bank and data alike the slow
background (a parabola over the span, complex) is projected out, so that a line's phase does not
hide the resonance; the phase is then scanned for the best shape alone.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from sweeplab.resonance.circle.batch import BoolArray, SweepBatch
from sweeplab.resonance.circle.varpro import lorentz
from sweeplab.sweep import ComplexArray, FloatArray

# Phase of the line over the span, in radians: a long line on a wide sweep turns several times.
_THETAS = np.concatenate([np.arange(-2.0, 12.1, 0.5), np.arange(13.0, 40.0, 1.0)])
_NARROWEST_POINTS = 1.5
_BACKGROUND_DEGREE = 2
# The bank grows as the square of the points.
_MOST_POINTS = 512
_WINDOW = 16.0  # averaged points to either side
_LEAST_POINTS = 24
# No simple fraction, so that no usual place lies where rounding turns over.
_PARTS_OF_A_STEP = 20.3


@lru_cache(maxsize=32)
def _shapes(points: int) -> FloatArray:
    """Return the bank's (x0, kappa), shape (k, 2)."""
    shapes = []
    kappa = 0.7
    while kappa <= max(points / _NARROWEST_POINTS, 2.0):
        count = max(15, int(2.0 * kappa) | 1)
        shapes += [(x0, kappa) for x0 in np.linspace(-0.52, 0.52, count)]
        kappa *= 1.8
    return np.array(shapes)


def _bank(u: FloatArray) -> ComplexArray:
    """Return orthonormalised shapes over places `u`, shape (n, k)."""
    shapes = _shapes(u.size)
    bank = 1 / (1 + 2j * shapes[:, 1] * (u[:, None] - shapes[:, 0]))
    background = np.linalg.qr(np.vander(u, _BACKGROUND_DEGREE + 1))[0]
    bank = bank - background @ (background.T @ bank)
    return np.asarray((bank / np.linalg.norm(bank, axis=0)).conj())


@lru_cache(maxsize=8)
def _known_bank(points: int, places: bytes) -> ComplexArray:
    """Return the bank for one row of places; the same places come again and again."""
    return _bank(np.frombuffer(places, dtype=np.float64))


def scores(rows: SweepBatch) -> FloatArray:
    """Return how much of each row's variation each shape explains, shape (b, k)."""
    points = rows.u.shape[1]
    # Points that don't count take the background's value: they neither help nor hurt a shape.
    data = rows.gamma if np.all(rows.weight > 0) else _filled(rows)
    found = np.empty((len(rows), len(_shapes(points))))
    keys = [row.tobytes() for row in _nearby(rows.u)]
    for key in dict.fromkeys(keys):
        same = np.array([other == key for other in keys])
        along = (data if same.all() else data[same]) @ _known_bank(points, key)
        found[same] = along.real**2 + along.imag**2
    return found


def _nearby(u: FloatArray) -> FloatArray:
    """Return places that differ from `u` by less than matters to a start, and often recur.

    What is rounded is the distance from an even comb, not the place, so that instruments that
    round their frequencies share one bank.
    """
    fine = _PARTS_OF_A_STEP * u.shape[1]
    first, last = (np.round(end * fine) / fine for end in (u[:, :1], u[:, -2:-1]))
    comb = first + (last - first) * np.arange(u.shape[1]) / (u.shape[1] - 2)
    return np.asarray(comb + np.round((u - comb) * fine) / fine)


def _filled(rows: SweepBatch) -> ComplexArray:
    """Return the data with each point that doesn't count interpolated from its neighbours."""
    data = np.array(rows.gamma)
    for i in np.flatnonzero(np.any(rows.weight <= 0, axis=1)):
        kept = rows.weight[i] > 0
        data[i] = np.interp(rows.u[i], rows.u[i, kept], rows.gamma[i, kept]) if kept.any() else 0
    return data


def _best_theta(
    rows: SweepBatch, x0: FloatArray, kappa: FloatArray, delay_free: BoolArray
) -> FloatArray:
    """Return the phase of the scan that leaves the least residual, shape (b,)."""
    if not delay_free.any():
        return np.zeros_like(x0)
    x, _ = lorentz(rows, np.stack([x0, np.log(kappa), np.zeros_like(x0)], axis=1))
    shape = 1 / (1 + 1j * x)
    w = rows.weight
    total = w.sum(axis=1, keepdims=True)
    centred = w * (shape - (w * shape).sum(axis=1, keepdims=True) / total)
    norm = np.sqrt((centred.conj() * shape).sum(axis=1, keepdims=True).real) + 1e-150
    data = np.stack([w * rows.gamma, centred.conj() * rows.gamma])
    # One product serves the batch where the places are nearly the same in every row.
    if bool(np.abs(rows.u - rows.u[:1]).max() < 0.01):
        level, along = data @ np.exp(1j * rows.u[0][:, None] * _THETAS)
    else:
        turns = np.exp(1j * rows.u[:, :, None] * _THETAS)
        level, along = (data[:, :, None] @ turns)[:, :, 0]
    explained = (level.real**2 + level.imag**2) / total
    explained += (along.real**2 + along.imag**2) / norm**2
    return np.where(delay_free, _THETAS[np.argmax(explained, axis=1)], 0.0)


def starts(
    rows: SweepBatch, delay_free: BoolArray, count: int = 1
) -> tuple[list[FloatArray], BoolArray]:
    """Return `count` starts a row, best first, each of shape (b, 3): (x0, ln kappa, theta).

    Later starts differ from the first by a factor of two in width or a bandwidth in place, so
    that one of them lies in the right valley. Of many points neighbours are averaged, and where
    the best shape is as narrow as that allows, its surroundings are looked at again.

    Returns
    -------
    starts : list of ndarray, shape (b, 3)
    narrow : ndarray of bool, shape (b,)
        The best shape is as narrow as the points allow.
    """
    averaged = rows.binned(_MOST_POINTS)
    chosen, narrow = _from_bank(averaged, delay_free, count)
    if averaged is rows:
        return chosen, narrow
    for row in np.flatnonzero(narrow):
        chosen[0][row] = _zoomed(rows, int(row), chosen[0][row])
    return chosen, np.exp(chosen[0][:, 1]) > rows.u.shape[1] / 4


def _zoomed(rows: SweepBatch, row: int, start: FloatArray) -> FloatArray:
    """Return a narrow start, shape (3,), from a closer look at the places about it."""
    near = np.flatnonzero(np.abs(rows.u[row] - start[0]) < _WINDOW / _MOST_POINTS)
    if near.size < _LEAST_POINTS or not (rows.weight[row, near] > 0).any():
        return start
    f_hz = rows.f_mid_hz[row] + rows.span_hz[row] * rows.u[row, near]
    window = SweepBatch.of(f_hz[None], rows.gamma[row, near][None], rows.weight[row, near][None])
    (inner,), _ = starts(window, np.zeros(1, dtype=bool))
    f_loaded_hz = window.f_mid_hz[0] + inner[0, 0] * window.span_hz[0]
    wider = rows.span_hz[row] / window.span_hz[0]
    return np.array([
        (f_loaded_hz - rows.f_mid_hz[row]) / rows.span_hz[row],
        inner[0, 1] + np.log(wider),
        start[2],
    ])  # fmt: skip


def _from_bank(
    rows: SweepBatch, delay_free: BoolArray, count: int
) -> tuple[list[FloatArray], BoolArray]:
    shapes = _shapes(rows.u.shape[1])
    found = scores(rows)
    chosen = []
    narrow = np.zeros(len(rows), dtype=bool)
    for turn in range(count):
        best = np.argmax(found, axis=1)
        x0, kappa = shapes[best, 0], shapes[best, 1]
        theta = _best_theta(rows, x0, kappa, delay_free)
        chosen.append(np.stack([x0, np.log(kappa), theta], axis=1))
        if turn == 0:
            narrow = kappa > rows.u.shape[1] / 4
        if turn < count - 1:
            width = np.abs(np.log(shapes[:, 1] / kappa[:, None])) < 0.8
            reach = np.minimum(shapes[:, 1], kappa[:, None])
            place = np.abs(shapes[:, 0] - x0[:, None]) * reach < 1
            found = np.where(width & place, -1.0, found)
    return chosen, narrow
