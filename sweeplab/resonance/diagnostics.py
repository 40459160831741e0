"""Diagnostics of a fit: its gain over the null models, its residual, and its uncertainties."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sweeplab.resonance.circle.batch import SweepBatch
from sweeplab.resonance.circle.fit import BatchFit
from sweeplab.resonance.circle.uncertainty import CORRELATION_LIMIT, CircleEstimates
from sweeplab.resonance.circle.varpro import detuning
from sweeplab.resonance.drift.correct import Drift, DriftCorrectedFit
from sweeplab.resonance.next_sweep import next_sweep
from sweeplab.sweep import FloatArray


class FitDiagnostics(NamedTuple):
    """What the quality of one fit is judged by.

    Parameters
    ----------
    f_loaded_hz, q_loaded : float
    position : float
        Of the resonance in the span, from -1/2 to 1/2.
    span_bandwidths : float
        Half-power bandwidths in the span.
    chi_square_gain : float
        Over a bare background.
    null_advantage : float
        Chi-square by which a null model, a line's ripple or a step, fits better than the
        resonance; negative where it fits worse.
    step_gain : float
        Chi-square that one step in a sweep of magnitudes alone would gain.
    drift : Drift or None
        Noticed in a sweep of complex reflections, and allowed for.
    points_in_bandwidth : int
        Points used within half a half-power bandwidth of the resonance.
    max_point_share : float
        See `largest_point_share`.
    u_q_loaded, u_q_unloaded : float
        Relative; the second NaN where there is no unloaded Q.
    diameter, u_diameter : float
        ``abs(B)/abs(Gd)`` and its standard uncertainty.
    misfit : float
        Correlated residual, relative to the circle's diameter.
    inflation : float
        Factor on every standard uncertainty for correlated residuals.
    detuned_magnitude, u_detuned_magnitude : float
        ``abs(Gd)`` and its standard uncertainty.
    largest_reflection : float
        Largest magnitude measured.
    noise : float
        Per quadrature.
    points_set_aside, points_measured : int
    """

    f_loaded_hz: float
    q_loaded: float
    position: float
    span_bandwidths: float
    chi_square_gain: float
    null_advantage: float
    step_gain: float
    drift: Drift | None
    points_in_bandwidth: int
    max_point_share: float
    u_q_loaded: float
    u_q_unloaded: float
    diameter: float
    u_diameter: float
    misfit: float
    inflation: float
    detuned_magnitude: float
    u_detuned_magnitude: float
    largest_reflection: float
    noise: float
    points_set_aside: int
    points_measured: int

    @property
    def next_sweep(self) -> str:
        """The sweep to take next, in words."""
        return str(next_sweep(self.f_loaded_hz, self.q_loaded, self.diameter, self.noise))


def fit_diagnostics(
    fitted: DriftCorrectedFit, estimates: CircleEstimates, measured: SweepBatch
) -> list[FitDiagnostics]:
    """Return the diagnostics of every row of a batch.

    Parameters
    ----------
    fitted : DriftCorrectedFit
    estimates : CircleEstimates
        Of `fitted`.
    measured : SweepBatch
        The batch as measured: no resonance subtracted, no point set aside.
    """
    batch, fit = fitted.batch, fitted.fit
    used = batch.weight > 0
    x, _ = detuning(batch, fit.p)
    count = measured.weight.sum(axis=1)
    noise2 = np.maximum(fitted.sigma**2, 1e-300)
    columns = (
        estimates.f_loaded.value,
        estimates.q_loaded.value,
        fit.p[:, 0],
        np.exp(fit.p[:, 1]),
        (fitted.background_rss - fit.rss) / noise2,
        (fit.rss - fitted.null_rss) / noise2,
        np.zeros(len(batch)),
        _drift_of_rows(fitted),
        ((np.abs(x) <= 1) & used).sum(axis=1),
        largest_point_share(x, batch.weight),
        estimates.q_loaded.u_relative,
        estimates.q_unloaded.u_relative,
        estimates.diameter.value,
        estimates.diameter.value * estimates.diameter.u_relative,
        _misfit(fitted),
        estimates.inflation,
        estimates.detuned_magnitude.value,
        estimates.detuned_magnitude.value * estimates.detuned_magnitude.u_relative,
        np.abs(measured.gamma).max(axis=1),
        fitted.sigma,
        (count - used.sum(axis=1)).astype(int),
        count.astype(int),
    )
    return [
        FitDiagnostics._make(row)
        for row in zip(*(column.tolist() for column in columns), strict=True)
    ]


def _drift_of_rows(fitted: DriftCorrectedFit) -> NDArray[np.object_]:
    column = np.full(len(fitted.batch), None, dtype=object)
    for row, drift in fitted.drift.items():
        column[row] = drift
    return column


def largest_point_share(x: FloatArray, weight: FloatArray) -> FloatArray:
    """Return the largest share of one point in what distinguishes the resonance from a constant.

    The shape ``L = s - j x s``, ``s = |L|^2 = 1/(1 + x^2)``, deviates from its mean by
    ``|L|^2 - 2 Re(L mean*) + |mean|^2``.
    """
    total = weight.sum(axis=1, keepdims=True)
    power = 1 / (1 + x * x)
    across = x * power
    real = (weight * power).sum(axis=1, keepdims=True) / total
    imag = -(weight * across).sum(axis=1, keepdims=True) / total
    deviation = weight * (power * (1 - 2 * real) + across * (2 * imag) + (real**2 + imag**2))
    return np.asarray(deviation.max(axis=1) / np.maximum(deviation.sum(axis=1), 1e-300))


def _misfit(fitted: BatchFit) -> FloatArray:
    rho = np.maximum(fitted.correlation, 0)
    notable = rho * np.sqrt(2 * fitted.batch.weight.sum(axis=1)) >= CORRELATION_LIMIT
    shared = np.sqrt(2 * rho) * fitted.sigma
    diameter = np.maximum(np.abs(fitted.fit.linear[:, 1]), 1e-300)
    return np.asarray(np.where(notable, shared / diameter, 0.0))
