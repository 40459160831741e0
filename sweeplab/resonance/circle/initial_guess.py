"""Initial guesses of a fit: the best of a bank of resonance shapes, for any background phase.

Each shape of the bank is a Lorentzian in linear detuning. From bank and data alike the slow
background (a parabola over the span, complex) is projected out, so that a line's phase does not
hide the resonance; the phase is then scanned for the best shape alone.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from sweeplab.resonance.circle.batch import SweepBatch
from sweeplab.resonance.circle.varpro import detuning
from sweeplab.sweep import BoolArray, ComplexArray, FloatArray

# Phase of the line over the span [rad]: several turns for a long line and a wide sweep.
_THETAS = np.concatenate([np.arange(-2.0, 12.1, 0.5), np.arange(13.0, 40.0, 1.0)])
_NARROWEST_POINTS = 1.5
_BACKGROUND_DEGREE = 2
# The bank grows as the square of the points.
_MOST_POINTS = 512
_WINDOW = 16.0  # averaged points to either side
_LEAST_POINTS = 24
# No simple fraction, so that no usual position lies where rounding is ambiguous.
_ROUNDING_PER_POINT = 20.3


@lru_cache(maxsize=32)
def _bank_shapes(points: int) -> FloatArray:
    """Return the bank's (x0, kappa), shape (k, 2)."""
    shapes = []
    kappa = 0.7
    while kappa <= max(points / _NARROWEST_POINTS, 2.0):
        count = max(15, int(2.0 * kappa) | 1)
        shapes += [(x0, kappa) for x0 in np.linspace(-0.52, 0.52, count)]
        kappa *= 1.8
    return np.array(shapes)


def _bank(position: FloatArray) -> ComplexArray:
    """Return the shapes at `position`, normalized and without background, shape (n, k)."""
    shapes = _bank_shapes(position.size)
    bank = 1 / (1 + 2j * shapes[:, 1] * (position[:, None] - shapes[:, 0]))
    background = np.linalg.qr(np.vander(position, _BACKGROUND_DEGREE + 1))[0]
    bank = bank - background @ (background.T @ bank)
    return np.asarray((bank / np.linalg.norm(bank, axis=0)).conj())


@lru_cache(maxsize=8)
def _cached_bank(positions: bytes) -> ComplexArray:
    """Return the bank for one row of positions; most sweeps share theirs with others."""
    return _bank(np.frombuffer(positions, dtype=np.float64))


def _matched_filter_scores(batch: SweepBatch) -> FloatArray:
    """Return how much of each row's variation each shape explains, shape (b, k)."""
    points = batch.position.shape[1]
    # Points of zero weight take the background's value: they favour no shape.
    data = batch.gamma if np.all(batch.weight > 0) else _interpolated(batch)
    scores = np.empty((len(batch), len(_bank_shapes(points))))
    keys = [row.tobytes() for row in _rounded_positions(batch.position)]
    for key in dict.fromkeys(keys):
        same = np.array([other == key for other in keys])
        along = (data if same.all() else data[same]) @ _cached_bank(key)
        scores[same] = along.real**2 + along.imag**2
    return scores


def _rounded_positions(position: FloatArray) -> FloatArray:
    """Return positions rounded by less than matters to a start, so that sweeps share banks.

    The distance from an even comb is rounded, not the position itself, so that instruments that
    round their frequencies share one bank.
    """
    points = position.shape[1]
    fine = _ROUNDING_PER_POINT * points
    first, last = (np.round(end * fine) / fine for end in (position[:, :1], position[:, -2:-1]))
    comb = first + (last - first) * np.arange(points) / (points - 2)
    return np.asarray(comb + np.round((position - comb) * fine) / fine)


def _interpolated(batch: SweepBatch) -> ComplexArray:
    """Return the data with each point of zero weight interpolated from its neighbours."""
    data = np.array(batch.gamma)
    for i in np.flatnonzero(np.any(batch.weight <= 0, axis=1)):
        used = batch.weight[i] > 0
        position, gamma = batch.position[i], batch.gamma[i]
        data[i] = np.interp(position, position[used], gamma[used]) if used.any() else 0
    return data


def _best_delay_phase(
    batch: SweepBatch, x0: FloatArray, kappa: FloatArray, delay_free: BoolArray
) -> FloatArray:
    """Return the delay's phase over the span with the least residual, shape (b,)."""
    if not delay_free.any():
        return np.zeros_like(x0)
    x, _ = detuning(batch, np.stack([x0, np.log(kappa), np.zeros_like(x0)], axis=1))
    shape = 1 / (1 + 1j * x)
    w = batch.weight
    total = w.sum(axis=1, keepdims=True)
    centred = w * (shape - (w * shape).sum(axis=1, keepdims=True) / total)
    norm = np.sqrt((centred.conj() * shape).sum(axis=1, keepdims=True).real) + 1e-150
    data = np.stack([w * batch.gamma, centred.conj() * batch.gamma])
    # One product serves the batch where the positions are nearly the same in every row.
    if bool(np.abs(batch.position - batch.position[:1]).max() < 0.01):
        level, along = data @ np.exp(1j * batch.position[0][:, None] * _THETAS)
    else:
        rotations = np.exp(1j * batch.position[:, :, None] * _THETAS)
        level, along = (data[:, :, None] @ rotations)[:, :, 0]
    explained = (level.real**2 + level.imag**2) / total
    explained += (along.real**2 + along.imag**2) / norm**2
    return np.where(delay_free, _THETAS[np.argmax(explained, axis=1)], 0.0)


def initial_guesses(
    batch: SweepBatch, delay_free: BoolArray, count: int = 1
) -> tuple[list[FloatArray], BoolArray]:
    """Return `count` starts per row, best first, each of shape (b, 3): (x0, ln kappa, theta).

    Later starts differ from the first by a factor of two in width or a bandwidth in position, so
    that one of them leads to the global minimum. Where there are many points neighbours are
    averaged, and a best shape as narrow as the averages is searched for again in a window.

    Returns
    -------
    starts : list of ndarray, shape (b, 3)
    narrow : ndarray of bool, shape (b,)
        Whether the best shape is as narrow as the points allow.
    """
    averaged = batch.binned(_MOST_POINTS)
    chosen, narrow = _best_of_bank(averaged, delay_free, count)
    if averaged is batch:
        return chosen, narrow
    for row in np.flatnonzero(narrow):
        chosen[0][row] = _from_window(batch, int(row), chosen[0][row])
    return chosen, np.exp(chosen[0][:, 1]) > batch.position.shape[1] / 4


def _from_window(batch: SweepBatch, row: int, start: FloatArray) -> FloatArray:
    """Return a narrow start, shape (3,), from a search in a window about it."""
    near = np.flatnonzero(np.abs(batch.position[row] - start[0]) < _WINDOW / _MOST_POINTS)
    if near.size < _LEAST_POINTS or not (batch.weight[row, near] > 0).any():
        return start
    f_hz = batch.f_mid_hz[row] + batch.span_hz[row] * batch.position[row, near]
    window = SweepBatch.of(f_hz[None], batch.gamma[row, near][None], batch.weight[row, near][None])
    (inner,), _ = initial_guesses(window, np.zeros(1, dtype=bool))
    f_loaded_hz = window.f_mid_hz[0] + inner[0, 0] * window.span_hz[0]
    wider = batch.span_hz[row] / window.span_hz[0]
    x0 = (f_loaded_hz - batch.f_mid_hz[row]) / batch.span_hz[row]
    return np.array([x0, inner[0, 1] + np.log(wider), start[2]])


def _best_of_bank(
    batch: SweepBatch, delay_free: BoolArray, count: int
) -> tuple[list[FloatArray], BoolArray]:
    shapes = _bank_shapes(batch.position.shape[1])
    scores = _matched_filter_scores(batch)
    chosen = []
    narrow = np.zeros(len(batch), dtype=bool)
    for rank in range(count):
        best = np.argmax(scores, axis=1)
        x0, kappa = shapes[best, 0], shapes[best, 1]
        theta = _best_delay_phase(batch, x0, kappa, delay_free)
        chosen.append(np.stack([x0, np.log(kappa), theta], axis=1))
        if rank == 0:
            narrow = kappa > batch.position.shape[1] / 4
        if rank < count - 1:
            width = np.abs(np.log(shapes[:, 1] / kappa[:, None])) < 0.8
            reach = np.minimum(shapes[:, 1], kappa[:, None])
            near = np.abs(shapes[:, 0] - x0[:, None]) * reach < 1
            scores = np.where(width & near, -1.0, scores)
    return chosen, narrow
