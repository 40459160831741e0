"""Least squares of the reflection's squared magnitude, for one sweep whose phase is not known.

    |G|^2 = |Gd + B/(1 + jx)|^2 = a0 + (a1 + a2 x)/(1 + x^2),   x = QL t

is linear in three reals for given (fL, QL); those two are found by variable projection. Noise of
standard deviation s per quadrature makes the measured square biased and its variance uneven
(`noisy_power_moments`), so the fit is iteratively reweighted, with s estimated from the residual.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sweeplab.finding import Threshold
from sweeplab.resonance.circle.batch import SweepBatch
from sweeplab.resonance.circle.initial_guess import initial_guesses
from sweeplab.resonance.circle.null_models import STRONG_RESONANCE
from sweeplab.resonance.circle.varpro import detuning
from sweeplab.resonance.interference import (
    HALF_NORMAL_MEDIAN,
    noise_from_neighbours,
    without_outliers,
)
from sweeplab.sweep import BoolArray, FloatArray, Sweep

UNKNOWNS = 5
_MAX_STEPS = 30
_MAX_REWEIGHTINGS = 8
_MAX_OUTLIER_ROUNDS = 8
_CONVERGED = 1e-6
_NOISE_CONVERGED = 1e-3
_DAMPING = 1e-5
_MAX_DAMPING = 1e8
_MAX_STEP = np.array([0.25, 0.7])
LEAST_P, MOST_P = np.array([-1.5, -4.0]), np.array([1.5, 15.0])
_COARSE_POINTS = 72
_COARSE_STEPS = 3
_INITIAL_GUESSES = 3
# A table of a few digits is no better than this.
_MIN_NOISE = 1e-6
# Nor is a point off by this much ever interference.
_MIN_OUTLIER: Threshold = 1e-5
# Phases that a ripple turns over the span [rad].
_RIPPLE_PHASES = np.arange(1.0, 45.0, 0.25)


def noisy_power_moments(power: FloatArray, noise: float) -> tuple[FloatArray, FloatArray]:
    """Return mean and variance of the measured ``|G + n|^2``.

    ``|G|^2 + 2 s^2`` and ``4 s^2 |G|^2 + 4 s^4`` for normal noise of s per quadrature, the sum of
    two squares of GUM Supplement 1 (JCGM 101:2008, 9.4).

    Parameters
    ----------
    power : ndarray
        The true ``|G|^2``.
    noise : float
        Standard deviation s per quadrature.
    """
    return power + 2 * noise**2, 4 * noise**2 * (power + noise**2)


@dataclass(frozen=True, eq=False)
class PowerFit:
    """The fit of one sweep's squared magnitude.

    Parameters
    ----------
    batch : SweepBatch
        One row; its weights say which points were used.
    p : ndarray, shape (2,)
        The nonlinear unknowns (x0, ln kappa), as in `sweeplab.resonance.circle.varpro`.
    a : ndarray, shape (3,)
        The linear unknowns (a0, a1, a2).
    noise : float
        Standard deviation per quadrature.
    covariance : ndarray, shape (5, 5), or None
        Of (x0, ln kappa, a0, a1, a2); None where it does not exist.
    residual : ndarray, shape (n,)
        Over its standard deviation; zero where not used.
    chi_square_gain : float
        Gained over a parabola.
    ripple_advantage : float
        Chi-square by which a line's ripple fits better; minus infinity where the resonance is too
        strong for the comparison.
    """

    batch: SweepBatch
    p: FloatArray
    a: FloatArray
    noise: float
    covariance: FloatArray | None
    residual: FloatArray
    chi_square_gain: float
    ripple_advantage: float

    @property
    def used(self) -> BoolArray:
        """Which points were used, shape (n,)."""
        return np.asarray(self.batch.weight[0] > 0)

    @property
    def x(self) -> FloatArray:
        """Detuning ``QL t`` of every point, shape (n,)."""
        return np.asarray(detuning(self.batch, self.p[None])[0][0])

    @property
    def power(self) -> FloatArray:
        """The model's ``|G|^2`` at every point, shape (n,)."""
        return _basis(self.x) @ self.a

    @property
    def dof(self) -> float:
        """Degrees of freedom of the noise estimate."""
        return float(self.used.sum()) - UNKNOWNS


def fit_power(sweep: Sweep) -> PowerFit:
    """Fit a sweep with enough usable points, not all alike; its phase is ignored."""
    finite = np.isfinite(sweep.gamma)
    magnitude = np.abs(np.where(finite, sweep.gamma, 0))
    batch = SweepBatch.of(
        sweep.f_hz[None], magnitude[None].astype(complex) ** 2, finite[None].astype(float)
    )
    noise = max(noise_from_neighbours(magnitude[finite]), _MIN_NOISE)
    p, a, noise = _reweighted_fit(batch, magnitude, noise)
    for _ in range(_MAX_OUTLIER_ROUNDS):
        power = _basis(detuning(batch, p[None])[0][0]) @ a
        used = _used_points(magnitude, power, noise, finite)
        if np.array_equal(used, batch.weight[0] > 0):
            break
        batch = batch.with_weight(used[None].astype(float))
        p, a, noise = _reweighted_fit(batch, magnitude, noise)
    return _power_fit(batch, magnitude, p, a, noise)


def _reweighted_fit(
    batch: SweepBatch, magnitude: FloatArray, noise: float
) -> tuple[FloatArray, FloatArray, float]:
    """Fit with bias and weights from the noise, and the noise from the residual, in turn."""
    points = np.flatnonzero(batch.weight[0])
    power = np.maximum(magnitude**2, 0)
    guesses = _initial_guesses(batch)
    p, a = guesses[0], np.zeros(3)
    for iteration in range(_MAX_REWEIGHTINGS):
        y, weight = _without_bias(batch, magnitude, power, noise)
        if len(guesses) > 1:
            found = [_gauss_newton(batch, y, weight, guess, _COARSE_STEPS) for guess in guesses]
            guesses = [min(found, key=lambda point: point.rss).p]
        best = _gauss_newton(batch, y, weight, guesses[0])
        p, a, power = best.p, best.a, best.model
        previous = noise
        noise = max(math.sqrt(best.rss / max(points.size - UNKNOWNS, 1)), _MIN_NOISE)
        guesses = [p]
        if iteration > 0 and abs(noise / previous - 1) < _NOISE_CONVERGED:
            break
    return p, a, noise


def _without_bias(
    batch: SweepBatch, magnitude: FloatArray, power: FloatArray, noise: float
) -> tuple[FloatArray, FloatArray]:
    """Return ``|G|^2`` less the noise's bias, and weights for unit noise variance, by point.

    The weights follow the model's square, not the point's own: else points that the noise made
    small would weigh more.
    """
    mean, variance = noisy_power_moments(np.maximum(power, 0), noise)
    y = magnitude**2 - (mean - np.maximum(power, 0))
    return y, batch.weight[0] * noise**2 / variance


def _initial_guesses(batch: SweepBatch) -> list[FloatArray]:
    delay_free = np.zeros(1, dtype=bool)
    coarse = batch.binned(_COARSE_POINTS)
    found, narrow = initial_guesses(coarse, delay_free, count=_INITIAL_GUESSES)
    if narrow[0] and coarse is not batch:
        found += initial_guesses(batch, delay_free, count=_INITIAL_GUESSES)[0]
    return [start[0, :2] for start in found]


def _basis(x: FloatArray) -> FloatArray:
    """Return the functions that a0, a1, a2 multiply, shape (n, 3)."""
    lorentzian = 1 / (1 + x * x)
    return np.stack([np.ones_like(x), lorentzian, x * lorentzian], axis=1)


@dataclass(frozen=True, eq=False)
class _Point:
    """The least squares over ``a`` for one p, and the normal equations for all five unknowns."""

    p: FloatArray
    a: FloatArray
    model: FloatArray
    rss: float
    normal: FloatArray
    gradient: FloatArray


def _evaluate(batch: SweepBatch, y: FloatArray, weight: FloatArray, p: FloatArray) -> _Point:
    x, by_x0 = (part[0] for part in detuning(batch, p[None]))
    basis = _basis(x)
    weighted = basis.T * weight
    a = _solve_normal(weighted @ basis, weighted @ y)
    model = np.asarray(basis @ a, dtype=np.float64)
    residual = y - model
    slope = (-2 * a[1] * x + a[2] * (1 - x * x)) * basis[:, 1] ** 2
    jacobian = np.column_stack([slope * by_x0, slope * x, basis])
    weighted = jacobian.T * weight
    return _Point(
        p=p,
        a=a,
        model=model,
        rss=float(weight @ residual**2),
        normal=weighted @ jacobian,
        gradient=weighted @ residual,
    )


def _solve_normal(normal: FloatArray, gradient: FloatArray) -> FloatArray:
    """Solve normal equations; a floor keeps them regular where an unknown has no effect."""
    scale = 1 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
    scaled = normal * scale[:, None] * scale
    scaled[range(scale.size), range(scale.size)] += 1e-13
    return np.asarray(np.linalg.solve(scaled, gradient * scale) * scale)


def _gauss_newton(
    batch: SweepBatch, y: FloatArray, weight: FloatArray, start: FloatArray, steps: int = _MAX_STEPS
) -> _Point:
    """Return the local minimum by damped Gauss-Newton on (x0, ln kappa), the rest eliminated."""
    point = _evaluate(batch, y, weight, start)
    damping = _DAMPING
    for _ in range(steps):
        step = _damped_step(point, damping)
        trial = _evaluate(batch, y, weight, np.clip(point.p + step, LEAST_P, MOST_P))
        if trial.rss <= point.rss * (1 + 1e-14):
            converged = bool(np.abs(trial.p - point.p).max() < _CONVERGED)
            point, damping = trial, damping / 10
            if converged:
                break
        else:
            damping *= 30
            if damping > _MAX_DAMPING:
                break
    return point


def _damped_step(point: _Point, damping: float) -> FloatArray:
    normal = point.normal.copy()
    normal[[0, 1], [0, 1]] *= 1 + damping
    step = _solve_normal(normal, point.gradient)[:2]
    return np.asarray(np.clip(step, -_MAX_STEP, _MAX_STEP))


def _used_points(
    magnitude: FloatArray, power: FloatArray, noise: float, finite: BoolArray
) -> BoolArray:
    """Return which points are no outliers.

    Compared as magnitudes, whose noise has the same standard deviation at a match and far from
    one; it is real, the part along the reflection.
    """
    deviation = np.abs(magnitude - np.sqrt(np.maximum(power, 0) + noise**2))
    (used,) = without_outliers(deviation[None], finite[None], HALF_NORMAL_MEDIAN, _MIN_OUTLIER)
    return np.asarray(used)


def _power_fit(
    batch: SweepBatch, magnitude: FloatArray, p: FloatArray, a: FloatArray, noise: float
) -> PowerFit:
    model = _basis(detuning(batch, p[None])[0][0]) @ a
    y, weight = _without_bias(batch, magnitude, model, noise)
    point = _evaluate(batch, y, weight, p)
    gain, ripple_advantage = _null_model_comparison(batch, y, point.model, noise)
    return PowerFit(
        batch=batch,
        p=p,
        a=point.a,
        noise=noise,
        covariance=_covariance(point.normal, noise),
        residual=np.sqrt(weight) * (y - point.model) / noise,
        chi_square_gain=gain,
        ripple_advantage=ripple_advantage,
    )


def _covariance(normal: FloatArray, noise: float) -> FloatArray | None:
    scale = np.sqrt(np.maximum(np.diag(normal), 1e-300))
    scaled = normal / scale[:, None] / scale
    if not np.isfinite(scaled).all() or np.linalg.cond(scaled) > 1e13:
        return None
    return np.asarray(np.linalg.inv(scaled) / scale[:, None] / scale * noise**2)


def _null_model_comparison(
    batch: SweepBatch, y: FloatArray, model: FloatArray, noise: float
) -> tuple[float, float]:
    """Return the chi-square gained over a parabola, and by which a ripple fits better.

    Both with the parabola's own weights: those of the resonance would favour the resonance.
    """
    u, used = batch.position[0], batch.weight[0]
    columns = np.vander(u, 3)
    parabola = columns @ np.linalg.lstsq(columns * used[:, None], y * used, rcond=None)[0]
    weight = used / (4 * (np.maximum(parabola, 0) + noise**2)) / noise**2
    resonance_rss = float((weight * (y - model) ** 2).sum())
    parabola_rss = float((weight * (y - parabola) ** 2).sum())
    gain = parabola_rss - resonance_rss
    if parabola_rss > STRONG_RESONANCE * resonance_rss:
        return gain, -math.inf
    return gain, resonance_rss - _ripple_rss(u, y, weight)


def _ripple_rss(u: FloatArray, y: FloatArray, weight: FloatArray) -> float:
    """Return what the ripple of two reflections down a line leaves: ``c0 + c1 cos(pu + c2)``."""
    angle = u[:, None] * _RIPPLE_PHASES
    columns = np.stack([np.broadcast_to(1.0, angle.T.shape), np.cos(angle.T), np.sin(angle.T)], 1)
    weighted = columns * weight
    normal = weighted @ columns.transpose(0, 2, 1)
    normal[:, range(3), range(3)] *= 1 + 1e-12
    right = weighted @ y
    coefficients = np.linalg.solve(normal, right[:, :, None])[:, :, 0]
    rss = (weight * y**2).sum() - (coefficients * right).sum(axis=1)
    # Between the grid's phases the sum of squares is a parabola.
    i = int(np.clip(rss.argmin(), 1, rss.size - 2))
    low, middle, high = rss[i - 1], rss[i], rss[i + 1]
    curvature = low - 2 * middle + high
    vertex = middle - (high - low) ** 2 / (8 * curvature) if curvature > 0 else middle
    return float(max(min(vertex, rss.min()), 0.0))
