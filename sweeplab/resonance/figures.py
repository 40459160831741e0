"""From a fitted circle and its covariance to the figures of a resonance."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sweeplab.estimate import Estimate
from sweeplab.resonance.fit import Fitted
from sweeplab.resonance.result import Circle, Coupling
from sweeplab.sweep import FloatArray

# A coupling factor known to lie within this band about 1 counts as critical.
_CRITICAL = (0.8, 1.25)
# Correlated residuals below this many standard deviations are what white noise gives.
_CORRELATION_LIMIT = 3.0


@dataclass(frozen=True, eq=False)
class Figures:
    """One row's circle, covariance and derived estimates.

    Parameters
    ----------
    circle : Circle
    covariance : ndarray, shape (7, 7)
        Of (f_loaded_hz, q_loaded, delay_s, Re Gd, Im Gd, Re B, Im B).
    f_loaded, q_loaded, half_power_bandwidth : Estimate
    q_unloaded, coupling_factor : Estimate or None
        None where abs(B)/abs(Gd) reaches 2: no lossless coupling does.
    diameter : Estimate
        ``d = abs(B)/abs(Gd)``.
    detuned_size : Estimate
        ``abs(Gd)``.
    coupling : str
    inflation : float
        Factor on every standard uncertainty for residuals that hang together.
    """

    circle: Circle
    covariance: FloatArray
    f_loaded: Estimate
    q_loaded: Estimate
    half_power_bandwidth: Estimate
    q_unloaded: Estimate | None
    coupling_factor: Estimate | None
    diameter: Estimate
    detuned_size: Estimate
    coupling: Coupling
    inflation: float


def figures(fitted: Fitted, row: int) -> Figures:
    """Return the figures of one row of a batch."""
    circle = _circle(fitted, row)
    points = float(fitted.rows.weight[row].sum())
    inflation = correlation_inflation(float(fitted.correlation[row]), points)
    covariance = _in_si(fitted, row, circle) * inflation**2
    dof = 2 * points - 7
    q = circle.q_loaded
    f = circle.f_loaded_hz
    gd, b = circle.detuned, circle.drop
    d = abs(b) / abs(gd)
    # Gradients over (f_loaded, q_loaded, delay, Re Gd, Im Gd, Re B, Im B).
    by_gd = np.array([0, 0, 0, gd.real, gd.imag, 0, 0]) / abs(gd) ** 2
    by_b = np.array([0, 0, 0, 0, 0, b.real, b.imag]) / abs(b) ** 2
    by_q = np.array([0, 1 / q, 0, 0, 0, 0, 0])
    by_f = np.array([1 / f, 0, 0, 0, 0, 0, 0])

    def positive(value: float, relative: FloatArray) -> Estimate:
        u = value * math.sqrt(max(float(relative @ covariance @ relative), 0.0))
        return Estimate.lognormal(value, u, dof)

    beta = q0 = None
    if d < 2:
        # beta = d/(2-d), Q0 = QL (1 + beta) = 2 QL/(2-d): their relative slopes by ln d.
        beta = positive(d / (2 - d), (by_b - by_gd) * 2 / (2 - d))
        q0 = positive(2 * q / (2 - d), by_q + (by_b - by_gd) * d / (2 - d))
    return Figures(
        circle=circle,
        covariance=covariance,
        f_loaded=Estimate.normal(f, math.sqrt(covariance[0, 0]), dof),
        q_loaded=positive(q, by_q),
        half_power_bandwidth=positive(f / q, by_f - by_q),
        q_unloaded=q0,
        coupling_factor=beta,
        diameter=positive(d, by_b - by_gd),
        detuned_size=positive(abs(gd), by_gd),
        coupling=_coupling(beta),
        inflation=inflation,
    )


def correlation_inflation(correlation: float, points: float) -> float:
    """Return the factor on u for residuals with lag-one correlation rho.

    ``sqrt((1 + rho)/(1 - rho))``, the first-order autoregressive law (e.g. D. B. Percival,
    Metrologia 30, 289, 1993, memory), where rho is more than white noise gives.
    """
    if correlation * math.sqrt(2 * points) < _CORRELATION_LIMIT:
        return 1.0
    rho = min(correlation, 0.98)
    return math.sqrt((1 + rho) / (1 - rho))


def _circle(fitted: Fitted, row: int) -> Circle:
    x0, log_kappa, theta = fitted.solution.p[row]
    span = float(fitted.rows.span_hz[row])
    f_mid = float(fitted.rows.f_mid_hz[row])
    f_loaded = f_mid + float(x0) * span
    return Circle(
        f_loaded_hz=f_loaded,
        q_loaded=math.exp(log_kappa) * f_loaded / span,
        detuned=complex(fitted.solution.linear[row, 0]),
        drop=complex(fitted.solution.linear[row, 1]),
        delay_s=float(theta) / (2 * math.pi * span),
        f_ref_hz=f_mid,
    )


def _in_si(fitted: Fitted, row: int, circle: Circle) -> FloatArray:
    """Turn the covariance of (x0, ln kappa, theta, ...) into that of (fL, QL, tau, ...)."""
    span = float(fitted.rows.span_hz[row])
    turn = np.eye(7)
    turn[0, 0] = span
    turn[1, 0] = circle.q_loaded * span / circle.f_loaded_hz
    turn[1, 1] = circle.q_loaded
    turn[2, 2] = 1 / (2 * math.pi * span)
    return np.asarray(turn @ fitted.covariance[row] @ turn.T)


def _coupling(beta: Estimate | None) -> Coupling:
    if beta is None:
        return "unknown"
    if beta.high < 1:
        return "under"
    if beta.low > 1:
        return "over"
    return "critical" if _CRITICAL[0] <= beta.low and beta.high <= _CRITICAL[1] else "unknown"
