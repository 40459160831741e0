"""What a verdict rests on: how far a fit stands above its rivals, and what is left of the sweep."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sweeplab.resonance.circle.batch import SweepBatch
from sweeplab.resonance.circle.fit import BatchFit
from sweeplab.resonance.circle.uncertainty import CORRELATION_LIMIT, CircleEstimates
from sweeplab.resonance.circle.varpro import lorentz
from sweeplab.resonance.drift.correct import Drift, DriftCorrectedFit
from sweeplab.resonance.next_sweep import next_sweep
from sweeplab.sweep import FloatArray


class FitDiagnostics(NamedTuple):
    """What one row's verdict rests on.

    Parameters
    ----------
    f_loaded_hz, q_loaded : float
    place : float
        Of the resonance in the span, from -1/2 to 1/2.
    widths : float
        Half-power bandwidths in the span.
    gain : float
        Chi-square gained over a bare background.
    rival : float
        Chi-square by which a line's ripple or a step fits better than the resonance; negative
        where worse.
    step : float
        Chi-square that one step in sizes alone would gain.
    moved : Moved or None
        What moved during a sweep of complex reflections; allowed for.
    points : int
        Kept within half a half-power bandwidth of the resonance.
    one_point : float
        Largest share of one point in what tells the resonance from a constant.
    u_q_loaded, u_q_unloaded : float
        Relative; the second NaN where there is no unloaded Q.
    diameter, u_diameter : float
        ``abs(B)/abs(Gd)`` and its standard uncertainty.
    misfit : float
        Residual that neighbouring points share, against the circle's diameter.
    inflation : float
    detuned_size, u_detuned_size : float
        ``abs(Gd)`` and its standard uncertainty.
    largest, noise : float
        The largest reflection measured, and the noise a quadrature.
    set_aside, measured : int
        Points.
    """

    f_loaded_hz: float
    q_loaded: float
    place: float
    widths: float
    gain: float
    rival: float
    step: float
    drift: Drift | None
    points: int
    one_point: float
    u_q_loaded: float
    u_q_unloaded: float
    diameter: float
    u_diameter: float
    misfit: float
    inflation: float
    detuned_size: float
    u_detuned_size: float
    largest: float
    noise: float
    set_aside: int
    measured: int

    @property
    def next_sweep(self) -> str:
        """The sweep to take next, in words."""
        return str(next_sweep(self.f_loaded_hz, self.q_loaded, self.diameter, self.noise))


def gather(
    fitted: DriftCorrectedFit, figures: CircleEstimates, measured: SweepBatch
) -> list[FitDiagnostics]:
    """Return the evidence of every row of a batch; `measured` is the batch as it was measured."""
    rows, solution = fitted.rows, fitted.solution
    kept = rows.weight > 0
    x, _ = lorentz(rows, solution.p)
    count = measured.weight.sum(axis=1)
    noise2 = np.maximum(fitted.sigma**2, 1e-300)
    columns = (
        figures.f_loaded.value,
        figures.q_loaded.value,
        solution.p[:, 0],
        np.exp(solution.p[:, 1]),
        (fitted.background_rss - solution.rss) / noise2,
        (solution.rss - fitted.rival_rss) / noise2,
        np.zeros(len(rows)),
        _moved(fitted),
        ((np.abs(x) <= 1) & kept).sum(axis=1),
        share_of_one_point(x, rows.weight),
        figures.q_loaded.u_relative,
        figures.q_unloaded.u_relative,
        figures.diameter.value,
        figures.diameter.value * figures.diameter.u_relative,
        _misfit(fitted),
        figures.inflation,
        figures.detuned_size.value,
        figures.detuned_size.value * figures.detuned_size.u_relative,
        np.abs(measured.gamma).max(axis=1),
        fitted.sigma,
        (count - kept.sum(axis=1)).astype(int),
        count.astype(int),
    )
    return [
        FitDiagnostics._make(row)
        for row in zip(*(column.tolist() for column in columns), strict=True)
    ]


def _moved(fitted: DriftCorrectedFit) -> NDArray[np.object_]:
    column = np.full(len(fitted.rows), None, dtype=object)
    for row, moved in fitted.drift.items():
        column[row] = moved
    return column


def share_of_one_point(x: FloatArray, weight: FloatArray) -> FloatArray:
    """Return the largest share that one point has in what tells the resonance from a constant.

    The shape ``L = s - j x s``, ``s = |L|^2 = 1/(1 + x^2)``, has off its mean the part
    ``|L|^2 - 2 Re(L mean*) + |mean|^2``.
    """
    total = weight.sum(axis=1, keepdims=True)
    size = 1 / (1 + x * x)
    across = x * size
    real = (weight * size).sum(axis=1, keepdims=True) / total
    imag = -(weight * across).sum(axis=1, keepdims=True) / total
    off = weight * (size * (1 - 2 * real) + across * (2 * imag) + (real**2 + imag**2))
    return np.asarray(off.max(axis=1) / np.maximum(off.sum(axis=1), 1e-300))


def _misfit(fitted: BatchFit) -> FloatArray:
    rho = np.maximum(fitted.correlation, 0)
    notable = rho * np.sqrt(2 * fitted.rows.weight.sum(axis=1)) >= CORRELATION_LIMIT
    shared = np.sqrt(2 * rho) * fitted.sigma
    diameter = np.maximum(np.abs(fitted.solution.linear[:, 1]), 1e-300)
    return np.asarray(np.where(notable, shared / diameter, 0.0))
