"""Figures of a batch of resonances from its fitted circles and their covariances."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sweeplab.estimate import Estimate
from sweeplab.finding import Threshold
from sweeplab.resonance.circle.fit import BatchFit
from sweeplab.resonance.result import Circle, Coupling
from sweeplab.sweep import FloatArray

# A coupling factor whose interval lies between these counts as critical.
_CRITICAL_LOW: Threshold = 0.8
_CRITICAL_HIGH: Threshold = 1.25
# A residual's correlation below this many standard deviations is consistent with white noise.
CORRELATION_LIMIT: Threshold = 3.0
# Beyond this correlation the first-order autoregressive law diverges.
_MOST_CORRELATION: Threshold = 0.98


@dataclass(frozen=True, eq=False)
class RelativeEstimates:
    """A positive figure per row, with its relative standard uncertainty.

    Parameters
    ----------
    value, u_relative : ndarray, shape (b,)
    dof : ndarray, shape (b,)
        Degrees of freedom of the noise estimate.
    """

    value: FloatArray
    u_relative: FloatArray
    dof: FloatArray

    def estimates(self) -> list[Estimate]:
        """Return every row's estimate, normal in its logarithm."""
        return Estimate.lognormals(self.value, self.value * self.u_relative, self.dof)


@dataclass(frozen=True, eq=False)
class CircleEstimates:
    """Circles, covariances and derived figures of a batch.

    Parameters
    ----------
    circles : list of Circle
    covariance : ndarray, shape (b, 7, 7)
        Of (f_loaded_hz, q_loaded, delay_s, Re Gd, Im Gd, Re B, Im B); NaN where it does not
        exist; inflated.
    f_loaded, q_loaded, half_power_bandwidth : RelativeEstimates
    q_unloaded, coupling_factor : RelativeEstimates
        NaN where abs(B)/abs(Gd) reaches 2: no lossless coupling does.
    diameter, detuned_magnitude : RelativeEstimates
        ``d = abs(B)/abs(Gd)`` and ``abs(Gd)``.
    inflation : ndarray, shape (b,)
        Factor on every standard uncertainty for correlated residuals.
    """

    circles: list[Circle]
    covariance: FloatArray
    f_loaded: RelativeEstimates
    q_loaded: RelativeEstimates
    half_power_bandwidth: RelativeEstimates
    q_unloaded: RelativeEstimates
    coupling_factor: RelativeEstimates
    diameter: RelativeEstimates
    detuned_magnitude: RelativeEstimates
    inflation: FloatArray

    @property
    def determined(self) -> list[bool]:
        """Whether each row's covariance exists."""
        return [bool(one) for one in np.isfinite(self.covariance).all(axis=(1, 2)).ravel()]

    @property
    def has_unloaded_q(self) -> list[bool]:
        """Whether each row has an unloaded Q and a coupling factor."""
        return [bool(one) for one in np.isfinite(self.q_unloaded.value)]

    def f_loaded_estimates(self) -> list[Estimate]:
        """Return every row's loaded frequency, with normal instead of log-normal intervals."""
        f = self.f_loaded
        return Estimate.normals(f.value, f.value * f.u_relative, f.dof)


def circle_estimates(fitted: BatchFit) -> CircleEstimates:
    """Return the figures of a batch."""
    fit, batch = fitted.fit, fitted.batch
    points = batch.weight.sum(axis=1)
    inflation = correlation_inflation(fitted.correlation, points)
    f = batch.f_mid_hz + fit.p[:, 0] * batch.span_hz
    q = np.exp(fit.p[:, 1]) * f / batch.span_hz
    covariance = _covariance_in_si(fitted, f, q) * (inflation**2)[:, None, None]
    gd, b = fit.linear[:, 0], fit.linear[:, 1]
    # Divisors: their squares must not vanish.
    gd_magnitude, drop = np.maximum(np.abs(gd), 1e-150), np.maximum(np.abs(b), 1e-150)
    d = drop / gd_magnitude
    headroom = np.where(d < 2, 2 - d, np.nan)
    # Gradients of logarithms over (f_loaded, q_loaded, delay, Re Gd, Im Gd, Re B, Im B).
    by_f, by_q, by_gd, by_d = (np.zeros((len(f), 7)) for _ in range(4))
    by_f[:, 0], by_q[:, 1] = 1 / f, 1 / q
    by_gd[:, 3], by_gd[:, 4] = gd.real / gd_magnitude**2, gd.imag / gd_magnitude**2
    by_d[:, 3:5] = -by_gd[:, 3:5]
    by_d[:, 5], by_d[:, 6] = b.real / drop**2, b.imag / drop**2

    def relative(value: FloatArray, gradient: FloatArray) -> RelativeEstimates:
        variance = np.einsum("bi,bij,bj->b", gradient, covariance, gradient)
        return RelativeEstimates(value, np.sqrt(np.maximum(variance, 0)), 2 * points - 7)

    # beta = d/(2-d), Q0 = QL (1 + beta) = 2 QL/(2-d): their slopes by ln d.
    return CircleEstimates(
        circles=_circles(fitted, f, q),
        covariance=covariance,
        f_loaded=relative(f, by_f),
        q_loaded=relative(q, by_q),
        half_power_bandwidth=relative(f / q, by_f - by_q),
        q_unloaded=relative(2 * q / headroom, by_q + by_d * (d / headroom)[:, None]),
        coupling_factor=relative(d / headroom, by_d * (2 / headroom)[:, None]),
        diameter=relative(d, by_d),
        detuned_magnitude=relative(gd_magnitude, by_gd),
        inflation=inflation,
    )


def correlation_inflation(correlation: FloatArray, points: FloatArray) -> FloatArray:
    """Return the factor on u for residuals with lag-one correlation rho, same shape.

    ``sqrt((1 + rho)/(1 - rho))``, the first-order autoregressive law (e.g. D. B. Percival,
    Metrologia 30, 289, 1993, memory), where rho is more than white noise gives.
    """
    rho = np.minimum(correlation, _MOST_CORRELATION)
    notable = correlation * np.sqrt(2 * points) >= CORRELATION_LIMIT
    return np.asarray(np.where(notable, np.sqrt((1 + rho) / (1 - rho)), 1.0))


def _circles(fitted: BatchFit, f: FloatArray, q: FloatArray) -> list[Circle]:
    batch = fitted.batch
    delay = fitted.fit.p[:, 2] / (2 * math.pi * batch.span_hz)
    linear = fitted.fit.linear
    columns = (f, q, linear[:, 0], linear[:, 1], delay, batch.f_mid_hz)
    return [Circle(*row) for row in zip(*(column.tolist() for column in columns), strict=True)]


def _covariance_in_si(fitted: BatchFit, f: FloatArray, q: FloatArray) -> FloatArray:
    """Transform the covariance of (x0, ln kappa, theta, ...) into that of (fL, QL, tau, ...)."""
    span = fitted.batch.span_hz
    jacobian = np.zeros((len(f), 7, 7))
    jacobian[:, range(3, 7), range(3, 7)] = 1
    jacobian[:, 0, 0] = span
    jacobian[:, 1, 0] = q * span / f
    jacobian[:, 1, 1] = q
    jacobian[:, 2, 2] = 1 / (2 * math.pi * span)
    return np.asarray(jacobian @ fitted.covariance @ jacobian.transpose(0, 2, 1))


def coupling_of(beta: Estimate | None) -> Coupling:
    """Return the kind of coupling where the interval decides it."""
    if beta is None:
        return "unknown"
    if beta.high < 1:
        return "under"
    if beta.low > 1:
        return "over"
    return "critical" if beta.low >= _CRITICAL_LOW and beta.high <= _CRITICAL_HIGH else "unknown"
