"""From fitted circles and their covariances to the figures of resonances, a batch at a time."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sweeplab.estimate import Estimate
from sweeplab.finding import Threshold
from sweeplab.resonance.circle.fit import BatchFit
from sweeplab.resonance.result import Circle, Coupling
from sweeplab.sweep import FloatArray

# A coupling factor known to lie within this band about 1 counts as critical.
_CRITICAL_LOW: Threshold = 0.8
_CRITICAL_HIGH: Threshold = 1.25
# Correlated residuals below this many standard deviations are what white noise gives.
CORRELATION_LIMIT: Threshold = 3.0
# Beyond this correlation the first-order law runs away.
_MOST_CORRELATION: Threshold = 0.98


@dataclass(frozen=True, eq=False)
class Relative:
    """A positive figure of each row, with its relative standard uncertainty.

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
    f_loaded, q_loaded, half_power_bandwidth : Relative
    q_unloaded, coupling_factor : Relative
        NaN where abs(B)/abs(Gd) reaches 2: no lossless coupling does.
    diameter, detuned_size : Relative
        ``d = abs(B)/abs(Gd)`` and ``abs(Gd)``.
    inflation : ndarray, shape (b,)
        Factor on every standard uncertainty for residuals that hang together.
    """

    circles: list[Circle]
    covariance: FloatArray
    f_loaded: Relative
    q_loaded: Relative
    half_power_bandwidth: Relative
    q_unloaded: Relative
    coupling_factor: Relative
    diameter: Relative
    detuned_size: Relative
    inflation: FloatArray

    @property
    def known(self) -> list[bool]:
        """Whether each row's covariance exists."""
        return [bool(one) for one in np.isfinite(self.covariance).all(axis=(1, 2)).ravel()]

    @property
    def coupled(self) -> list[bool]:
        """Whether each row has an unloaded Q and a coupling factor."""
        return [bool(one) for one in np.isfinite(self.q_unloaded.value)]

    def f_loaded_estimates(self) -> list[Estimate]:
        """Return every row's loaded frequency, normal and not log-normal."""
        f = self.f_loaded
        return Estimate.normals(f.value, f.value * f.u_relative, f.dof)


def circle_estimates(fitted: BatchFit) -> CircleEstimates:
    """Return the figures of a batch."""
    solution, rows = fitted.solution, fitted.rows
    points = rows.weight.sum(axis=1)
    inflation = correlation_inflation(fitted.correlation, points)
    f = rows.f_mid_hz + solution.p[:, 0] * rows.span_hz
    q = np.exp(solution.p[:, 1]) * f / rows.span_hz
    covariance = _in_si(fitted, f, q) * (inflation**2)[:, None, None]
    gd, b = solution.linear[:, 0], solution.linear[:, 1]
    # Their squares are divided by, and shall not vanish.
    size, drop = np.maximum(np.abs(gd), 1e-150), np.maximum(np.abs(b), 1e-150)
    d = drop / size
    room = np.where(d < 2, 2 - d, np.nan)
    # Gradients of logarithms over (f_loaded, q_loaded, delay, Re Gd, Im Gd, Re B, Im B).
    by_f, by_q, by_gd, by_d = (np.zeros((len(f), 7)) for _ in range(4))
    by_f[:, 0], by_q[:, 1] = 1 / f, 1 / q
    by_gd[:, 3], by_gd[:, 4] = gd.real / size**2, gd.imag / size**2
    by_d[:, 3:5] = -by_gd[:, 3:5]
    by_d[:, 5], by_d[:, 6] = b.real / drop**2, b.imag / drop**2

    def relative(value: FloatArray, gradient: FloatArray) -> Relative:
        variance = np.einsum("bi,bij,bj->b", gradient, covariance, gradient)
        return Relative(value, np.sqrt(np.maximum(variance, 0)), 2 * points - 7)

    # beta = d/(2-d), Q0 = QL (1 + beta) = 2 QL/(2-d): their slopes by ln d.
    return CircleEstimates(
        circles=_circles(fitted, f, q),
        covariance=covariance,
        f_loaded=relative(f, by_f),
        q_loaded=relative(q, by_q),
        half_power_bandwidth=relative(f / q, by_f - by_q),
        q_unloaded=relative(2 * q / room, by_q + by_d * (d / room)[:, None]),
        coupling_factor=relative(d / room, by_d * (2 / room)[:, None]),
        diameter=relative(d, by_d),
        detuned_size=relative(size, by_gd),
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
    rows = fitted.rows
    delay = fitted.solution.p[:, 2] / (2 * math.pi * rows.span_hz)
    linear = fitted.solution.linear
    columns = (f, q, linear[:, 0], linear[:, 1], delay, rows.f_mid_hz)
    return [Circle(*row) for row in zip(*(column.tolist() for column in columns), strict=True)]


def _in_si(fitted: BatchFit, f: FloatArray, q: FloatArray) -> FloatArray:
    """Turn the covariance of (x0, ln kappa, theta, ...) into that of (fL, QL, tau, ...)."""
    span = fitted.rows.span_hz
    turn = np.zeros((len(f), 7, 7))
    turn[:, range(3, 7), range(3, 7)] = 1
    turn[:, 0, 0] = span
    turn[:, 1, 0] = q * span / f
    turn[:, 1, 1] = q
    turn[:, 2, 2] = 1 / (2 * math.pi * span)
    return np.asarray(turn @ fitted.covariance @ turn.transpose(0, 2, 1))


def coupling_of(beta: Estimate | None) -> Coupling:
    """Return the coupling's name as far as the interval tells."""
    if beta is None:
        return "unknown"
    if beta.high < 1:
        return "under"
    if beta.low > 1:
        return "over"
    return "critical" if beta.low >= _CRITICAL_LOW and beta.high <= _CRITICAL_HIGH else "unknown"
