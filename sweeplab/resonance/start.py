"""Where a fit begins: the best of a bank of resonance shapes, whatever the background's phase.

Each shape of the bank is a Lorentzian in linear detuning. From bank and data alike the slow
background (a parabola over the span, complex) is projected out, so that a line's phase does not
hide the resonance; the phase is then scanned for the best shapes alone.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from sweeplab.resonance.kernel import BoolArray, Rows, lorentz
from sweeplab.sweep import ComplexArray, FloatArray

# Phase of the line over the span, in radians: a long line on a wide sweep turns several times.
_THETAS = np.concatenate([np.arange(-2.0, 12.1, 0.5), np.arange(13.0, 40.0, 1.0)])
_NARROWEST_POINTS = 1.5
_BACKGROUND_DEGREE = 2


@lru_cache(maxsize=32)
def _shapes(points: int) -> FloatArray:
    """Return the bank's (x0, kappa), shape (k, 2)."""
    shapes = []
    kappa = 0.7
    while kappa <= max(points / _NARROWEST_POINTS, 2.0):
        count = max(21, int(2.5 * kappa) | 1)
        shapes += [(x0, kappa) for x0 in np.linspace(-0.52, 0.52, count)]
        kappa *= 1.7
    return np.array(shapes)


def _bank(u: FloatArray) -> ComplexArray:
    """Return orthonormalised shapes over places `u`, shape (n, k)."""
    shapes = _shapes(u.size)
    bank = 1 / (1 + 2j * shapes[:, 1] * (u[:, None] - shapes[:, 0]))
    background = np.linalg.qr(np.vander(u, _BACKGROUND_DEGREE + 1))[0]
    bank = bank - background @ (background.T @ bank)
    return np.asarray(bank / np.linalg.norm(bank, axis=0))


@lru_cache(maxsize=16)
def _uniform_bank(points: int) -> ComplexArray:
    return _bank(np.linspace(-0.5, 0.5, points))


def _scores(rows: Rows) -> FloatArray:
    """Return how much of each row's variation each shape explains, shape (b, k)."""
    points = rows.f_hz.shape[1]
    u = (rows.f_hz - rows.f_mid_hz) / rows.span_hz
    even = np.abs(u - np.linspace(-0.5, 0.5, points)).max(axis=1) < 0.05 / points
    # Points that don't count take the background's value: they neither help nor hurt a shape.
    flat = np.where(rows.weight > 0, rows.gamma, _local_mean(rows))
    scores = np.empty((len(flat), len(_shapes(points))))
    if even.any():
        scores[even] = np.abs(flat[even] @ _uniform_bank(points).conj()) ** 2
    for i in np.flatnonzero(~even):
        scores[i] = np.abs(flat[i] @ _bank(u[i]).conj()) ** 2
    return scores


def _local_mean(rows: Rows) -> ComplexArray:
    """Return each point's interpolation between its counted neighbours, shape (b, n)."""
    if np.all(rows.weight > 0):
        return rows.gamma
    mean = np.empty_like(rows.gamma)
    for i, (f, gamma, weight) in enumerate(zip(rows.f_hz, rows.gamma, rows.weight, strict=True)):
        kept = weight > 0
        mean[i] = np.interp(f, f[kept], gamma[kept]) if kept.any() else 0
    return mean


def _best_theta(rows: Rows, x0: FloatArray, kappa: FloatArray, delay_free: BoolArray) -> FloatArray:
    """Return the phase of the scan that leaves the least residual, shape (b,)."""
    p = np.stack([x0, np.log(kappa), np.zeros_like(x0)], axis=1)
    shape, _, _ = lorentz(rows, p)
    w = rows.weight
    centred = w * (shape - (w * shape).sum(axis=1, keepdims=True) / w.sum(axis=1, keepdims=True))
    norm = np.linalg.norm(centred, axis=1, keepdims=True) + 1e-300
    u = (rows.f_hz - rows.f_mid_hz) / rows.span_hz
    # One matrix serves the batch where the places are the same in every row.
    if np.abs(u - u[:1]).max() < 1e-6:
        turns = np.exp(1j * u[0][:, None] * _THETAS)
        level = (w * rows.gamma) @ turns
        along = (centred.conj() * rows.gamma) @ turns
    else:
        turns = np.exp(1j * u[:, :, None] * _THETAS)
        level = np.einsum("bn,bnt->bt", w * rows.gamma, turns)
        along = np.einsum("bn,bnt->bt", centred.conj() * rows.gamma, turns)
    explained = np.abs(level) ** 2 / w.sum(axis=1, keepdims=True) + np.abs(along / norm) ** 2
    return np.where(delay_free, _THETAS[np.argmax(explained, axis=1)], 0.0)


def starts(rows: Rows, delay_free: BoolArray, count: int = 2) -> list[FloatArray]:
    """Return `count` starts a row, best first, each of shape (b, 3): (x0, ln kappa, theta).

    Later starts differ from the first by at least a factor of two in width or a bandwidth in
    place, so that one of them lies in the right valley.
    """
    shapes = _shapes(rows.f_hz.shape[1])
    scores = _scores(rows)
    chosen = []
    for _ in range(count):
        best = np.argmax(scores, axis=1)
        x0, kappa = shapes[best, 0], shapes[best, 1]
        theta = _best_theta(rows, x0, kappa, delay_free)
        chosen.append(np.stack([x0, np.log(kappa), theta], axis=1))
        width = np.abs(np.log(shapes[:, 1] / kappa[:, None])) < 0.8
        place = np.abs(shapes[:, 0] - x0[:, None]) * np.minimum(shapes[:, 1], kappa[:, None]) < 1
        scores = np.where(width & place, -1.0, scores)
    return chosen
