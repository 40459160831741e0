"""Least squares of the reflection's squared size, for one sweep whose phase is not known.

    |G|^2 = |Gd + B/(1 + jx)|^2 = a0 + (a1 + a2 x)/(1 + x^2),   x = QL t

is linear in three reals for given (fL, QL); those two are found by variable projection. Noise of
s a quadrature makes the measured square neither unbiased nor equally sure everywhere:
`noisy_square` has both laws, and s is found from the residual along with the rest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sweeplab.finding import Threshold
from sweeplab.resonance.circle.batch import BoolArray, SweepBatch
from sweeplab.resonance.circle.initial_guess import starts
from sweeplab.resonance.circle.null_models import STRONG_RESONANCE
from sweeplab.resonance.circle.varpro import lorentz
from sweeplab.resonance.interference import (
    HALF_NORMAL_MEDIAN,
    noise_from_neighbours,
    without_outliers,
)
from sweeplab.sweep import FloatArray, Sweep

UNKNOWNS = 5
_MAX_STEPS = 30
_ROUNDS = 8
_CONVERGED = 1e-6
_DAMPING = 1e-5
_LONGEST_STEP = np.array([0.25, 0.7])
LEAST_P, MOST_P = np.array([-1.5, -4.0]), np.array([1.5, 15.0])
_COARSE_POINTS = 72
_COARSE_STEPS = 3
_STARTS = 3
# A table of a few digits is no better than this.
_LEAST_NOISE = 1e-6
# Nor is a point off by this much ever interference.
_NEVER_INTERFERENCE: Threshold = 1e-5
# Half-turns of a ripple over the span, in radians.
_TURNS = np.arange(1.0, 45.0, 0.25)


def noisy_square(square: FloatArray, noise: float) -> tuple[FloatArray, FloatArray]:
    """Return mean and variance of the measured ``|G + n|^2``.

    ``|G|^2 + 2 s^2`` and ``4 s^2 |G|^2 + 4 s^4`` for normal noise of s a quadrature, the sum of
    two squares of GUM Supplement 1 (JCGM 101:2008, 9.4).

    Parameters
    ----------
    square : ndarray
        The true ``|G|^2``.
    noise : float
        Standard deviation s a quadrature.
    """
    return square + 2 * noise**2, 4 * noise**2 * (square + noise**2)


@dataclass(frozen=True, eq=False)
class PowerFit:
    """Where the fit of one sweep's squared size ended.

    Parameters
    ----------
    rows : Rows
        One row; its weights say which points were kept.
    p : ndarray, shape (2,)
        (x0, ln kappa), as in the kernel.
    a : ndarray, shape (3,)
        (a0, a1, a2).
    noise : float
        Standard deviation a quadrature.
    covariance : ndarray, shape (5, 5), or None
        Of (x0, ln kappa, a0, a1, a2); None where it does not exist.
    residual : ndarray, shape (n,)
        Over its standard deviation; zero where not kept.
    gain, rival : float
        Chi-square gained over a parabola, and by which a line's ripple fits better.
    """

    rows: SweepBatch
    p: FloatArray
    a: FloatArray
    noise: float
    covariance: FloatArray | None
    residual: FloatArray
    gain: float
    rival: float

    @property
    def kept(self) -> BoolArray:
        """Which points count, shape (n,)."""
        return np.asarray(self.rows.weight[0] > 0)

    @property
    def x(self) -> FloatArray:
        """Detuning ``QL t`` of every point, shape (n,)."""
        return np.asarray(lorentz(self.rows, self.p[None])[0][0])

    @property
    def square(self) -> FloatArray:
        """The model's ``|G|^2`` at every point, shape (n,)."""
        return _columns(self.x) @ self.a

    @property
    def dof(self) -> float:
        """Degrees of freedom of the noise estimate."""
        return float(self.kept.sum()) - UNKNOWNS


def fit_power(sweep: Sweep) -> PowerFit:
    """Fit a sweep with enough usable points, not all alike; its phase is not looked at."""
    finite = np.isfinite(sweep.gamma)
    size = np.abs(np.where(finite, sweep.gamma, 0))
    rows = SweepBatch.of(
        sweep.f_hz[None], size[None].astype(complex) ** 2, finite[None].astype(float)
    )
    noise = max(noise_from_neighbours(size[finite]), _LEAST_NOISE)
    p, a, noise = _settled(rows, size, noise)
    for _ in range(_ROUNDS):
        kept = _kept(size, _columns(lorentz(rows, p[None])[0][0]) @ a, noise, finite)
        if np.array_equal(kept, rows.weight[0] > 0):
            break
        rows = rows.weighted(kept[None].astype(float))
        p, a, noise = _settled(rows, size, noise)
    return _summed_up(rows, size, p, a, noise)


def _settled(
    rows: SweepBatch, size: FloatArray, noise: float
) -> tuple[FloatArray, FloatArray, float]:
    """Fit, with weights and bias by the noise, the noise by the residual, until neither moves."""
    points = np.flatnonzero(rows.weight[0])
    square = np.maximum(size**2, 0)
    candidates = _starts(rows)
    p, a = candidates[0], np.zeros(3)
    for turn in range(_ROUNDS):
        y, weight = _unbiased(rows, size, square, noise)
        if len(candidates) > 1:
            found = [_descended(rows, y, weight, start, _COARSE_STEPS) for start in candidates]
            candidates = [min(found, key=lambda point: point.rss).p]
        best = _descended(rows, y, weight, candidates[0])
        p, a, square = best.p, best.a, best.model
        before, noise = noise, max(
            math.sqrt(best.rss / max(points.size - UNKNOWNS, 1)), _LEAST_NOISE
        )  # fmt: skip
        candidates = [p]
        if turn > 0 and abs(noise / before - 1) < 1e-3:
            break
    return p, a, noise


def _unbiased(
    rows: SweepBatch, size: FloatArray, square: FloatArray, noise: float
) -> tuple[FloatArray, FloatArray]:
    """Return ``|G|^2`` without the noise's bias, and weights for unit noise variance, by point.

    Weights go by the model's square, not the point's own: else points that the noise made small
    would count more.
    """
    mean, variance = noisy_square(np.maximum(square, 0), noise)
    y = size**2 - (mean - np.maximum(square, 0))
    return y, rows.weight[0] * noise**2 / variance


def _starts(rows: SweepBatch) -> list[FloatArray]:
    known = np.zeros(1, dtype=bool)
    coarse = rows.binned(_COARSE_POINTS)
    found, narrow = starts(coarse, known, count=_STARTS)
    if narrow[0] and coarse is not rows:
        found += starts(rows, known, count=_STARTS)[0]
    return [start[0, :2] for start in found]


def _columns(x: FloatArray) -> FloatArray:
    size = 1 / (1 + x * x)
    return np.stack([np.ones_like(x), size, x * size], axis=1)


@dataclass(frozen=True, eq=False)
class _Point:
    """What one p gives."""

    p: FloatArray
    a: FloatArray
    model: FloatArray
    rss: float
    normal: FloatArray
    right: FloatArray


def _evaluate(rows: SweepBatch, y: FloatArray, weight: FloatArray, p: FloatArray) -> _Point:
    x, by_x0 = (part[0] for part in lorentz(rows, p[None]))
    columns = _columns(x)
    weighted = columns.T * weight
    a = _solved(weighted @ columns, weighted @ y)
    model = np.asarray(columns @ a, dtype=np.float64)
    misfit = y - model
    slope = (-2 * a[1] * x + a[2] * (1 - x * x)) * columns[:, 1] ** 2
    jacobian = np.column_stack([slope * by_x0, slope * x, columns])
    weighted = jacobian.T * weight
    return _Point(
        p, a, model, float(weight @ misfit**2), weighted @ jacobian, weighted @ misfit
    )  # fmt: skip


def _solved(normal: FloatArray, right: FloatArray) -> FloatArray:
    """Solve normal equations; a floor keeps an unseen unknown from making them singular."""
    scale = 1 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
    scaled = normal * scale[:, None] * scale
    scaled[range(scale.size), range(scale.size)] += 1e-13
    return np.asarray(np.linalg.solve(scaled, right * scale) * scale)


def _descended(
    rows: SweepBatch, y: FloatArray, weight: FloatArray, start: FloatArray, steps: int = _MAX_STEPS
) -> _Point:
    """Return the valley's bottom: Gauss-Newton on (x0, ln kappa), damped, the rest eliminated."""
    here = _evaluate(rows, y, weight, start)
    damping = _DAMPING
    for _ in range(steps):
        step = _step(here, damping)
        there = _evaluate(rows, y, weight, np.clip(here.p + step, LEAST_P, MOST_P))
        if there.rss <= here.rss * (1 + 1e-14):
            done = bool(np.abs(there.p - here.p).max() < _CONVERGED)
            here, damping = there, damping / 10
            if done:
                break
        else:
            damping *= 30
            if damping > 1e8:
                break
    return here


def _step(point: _Point, damping: float) -> FloatArray:
    normal = point.normal.copy()
    normal[[0, 1], [0, 1]] *= 1 + damping
    step = _solved(normal, point.right)[:2]
    return np.asarray(np.clip(step, -_LONGEST_STEP, _LONGEST_STEP))


def _kept(size: FloatArray, square: FloatArray, noise: float, finite: BoolArray) -> BoolArray:
    """Return which points white noise would reach.

    Weighed as sizes, whose spread is the noise's at a match and far from one alike.
    """
    off = np.abs(size - np.sqrt(np.maximum(square, 0) + noise**2))
    # A magnitude's noise is real: that along the reflection.
    (kept,) = without_outliers(off[None], finite[None], HALF_NORMAL_MEDIAN, _NEVER_INTERFERENCE)
    return np.asarray(kept)


def _summed_up(
    rows: SweepBatch, size: FloatArray, p: FloatArray, a: FloatArray, noise: float
) -> PowerFit:
    model = _columns(lorentz(rows, p[None])[0][0]) @ a
    y, weight = _unbiased(rows, size, model, noise)
    point = _evaluate(rows, y, weight, p)
    residual = np.sqrt(weight) * (y - point.model) / noise
    gain, rival = _alternatives(rows, y, point.model, noise)
    return PowerFit(
        rows, p, point.a, noise, _inverse(point.normal, noise), residual, gain, rival
    )  # fmt: skip


def _inverse(normal: FloatArray, noise: float) -> FloatArray | None:
    scale = np.sqrt(np.maximum(np.diag(normal), 1e-300))
    scaled = normal / scale[:, None] / scale
    if not np.isfinite(scaled).all() or np.linalg.cond(scaled) > 1e13:
        return None
    return np.asarray(np.linalg.inv(scaled) / scale[:, None] / scale * noise**2)


def _alternatives(
    rows: SweepBatch, y: FloatArray, model: FloatArray, noise: float
) -> tuple[float, float]:
    """Return the chi-square gained over a parabola, and by which a ripple fits better.

    Both under the parabola's own weights: under the resonance's they would favour the resonance.
    """
    u, counted = rows.u[0], rows.weight[0]
    parabola = np.vander(u, 3)
    level = parabola @ np.linalg.lstsq(parabola * counted[:, None], y * counted, rcond=None)[0]
    weight = counted / (4 * (np.maximum(level, 0) + noise**2)) / noise**2
    resonant = float((weight * (y - model) ** 2).sum())
    flat = float((weight * (y - level) ** 2).sum())
    strong = flat > STRONG_RESONANCE * resonant
    return flat - resonant, -math.inf if strong else resonant - _ripple(u, y, weight)


def _ripple(u: FloatArray, y: FloatArray, weight: FloatArray) -> float:
    """Return what the ripple of two reflections down a line leaves: ``c0 + c1 cos(pu + c2)``."""
    angle = u[:, None] * _TURNS
    columns = np.stack([np.broadcast_to(1.0, angle.T.shape), np.cos(angle.T), np.sin(angle.T)], 1)
    weighted = columns * weight
    normal = weighted @ columns.transpose(0, 2, 1)
    normal[:, range(3), range(3)] *= 1 + 1e-12
    right = weighted @ y
    found = np.linalg.solve(normal, right[:, :, None])[:, :, 0]
    left = (weight * y**2).sum() - (found * right).sum(axis=1)
    # Between the grid's turns the misfit is a parabola.
    i = int(np.clip(left.argmin(), 1, left.size - 2))
    low, middle, high = left[i - 1], left[i], left[i + 1]
    bend = low - 2 * middle + high
    vertex = middle - (high - low) ** 2 / (8 * bend) if bend > 0 else middle
    return float(max(min(vertex, left.min()), 0.0))
