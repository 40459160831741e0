"""Drift during a sweep: detected, and allowed for in the circle and its uncertainty.

A resonance that drifts steadily looks like another Q, and a phase that drifts steadily like a
line: no single sweep shows either. What can be detected, and how, is in
`sweeplab.resonance.drift.score`, what it makes of the circle in
`sweeplab.resonance.drift.model_average`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from sweeplab.finding import Finding, Threshold
from sweeplab.resonance.circle.batch import CircleFit, SweepBatch
from sweeplab.resonance.circle.fit import BatchFit
from sweeplab.resonance.circle.thresholds import (
    MIN_CHI_SQUARE_GAIN,
    MIN_SPAN_BANDWIDTHS,
    NULL_MODEL_MARGIN,
    SPAN_EDGE,
)
from sweeplab.resonance.circle.uncertainty import correlation_inflation
from sweeplab.resonance.circle.varpro import solve
from sweeplab.resonance.drift.model_average import (
    DRIFT_MODELS,
    DriftPosterior,
    drift_posteriors,
    model_average,
    residual_without,
)
from sweeplab.resonance.drift.prefilter import may_have_drifted
from sweeplab.resonance.drift.score import (
    TANGENTS,
    DriftModel,
    DriftQuantity,
    DriftShape,
    RowScore,
    drift_detected,
    rss_with_step,
)
from sweeplab.sweep import FloatArray, IndexArray

_COARSE_BINS = 64
# More would take seconds and gigabytes to test point by point.
MOST_POINTS: Threshold = 20_000
_MAX_ITERATIONS = 4
# Converged where the tangents follow the last shift to this share of every uncertainty.
_CONVERGED = 0.03
# A model whose log evidence is this much below the best one's has no weight.
_NEGLIGIBLE_EVIDENCE = 12.0
# Share of a log evidence that testing between bins instead of points may cost.
_BINNING_LOSS = 0.05
# A circle that a drift shifts further, in spans or in ln kappa, diverges.
_MAX_SHIFT: Threshold = 0.3
# A step that leaves up to this many times what two resonances leave is fitted in their place.
_MAX_STEP_RSS_RATIO: Threshold = 1.5
_LARGE_DRIFT: Threshold = 0.03  # of the circle's diameter: worth a warning


@dataclass(frozen=True)
class Drift:
    """A drift that was detected in one sweep, and allowed for.

    Parameters
    ----------
    quantity : {'reflection', 'resonance', 'loss'}
    shape : {'step', 'smooth'}
    chi_square : float
        Gained by allowing for it.
    f_hz : float or None
        Of a step, the first point after it [Hz].
    rms_change : float
        Root mean square of the reflection's change over the points that changed.
    """

    quantity: DriftQuantity
    shape: DriftShape
    chi_square: float
    f_hz: float | None
    rms_change: float


_STEP_TEXTS: dict[DriftQuantity, str] = {
    "reflection": "The reflection's size or phase jumps",
    "resonance": "The resonance jumps",
    "loss": "Loss or coupling jumps",
}


def drift_finding(drift: Drift, diameter: float) -> Finding:
    """Return the finding for a drift, relative to the circle's diameter."""
    height = drift.rms_change / max(diameter, 1e-12)
    by = f"by about {100 * height:.2g} % of the circle"
    evidence = {"chi_square_gain": drift.chi_square, "height_relative": height}
    if drift.f_hz is not None:
        evidence["f_step_hz"] = drift.f_hz
        text = (
            f"{_STEP_TEXTS[drift.quantity]} during the sweep at {drift.f_hz / 1e6:.5g} MHz, {by}; "
            "the figures are those about the dip, with the jump allowed for."
        )
    else:
        subject = "The resonance" if drift.quantity == "resonance" else "The reflection"
        text = (
            f"{subject} drifts or sways during the sweep, {by}, or the background is not a simple "
            "one; the intervals are widened for it."
        )
    return Finding(
        code="step-in-sweep" if drift.shape == "step" else "drift-in-sweep",
        level="warning" if height > _LARGE_DRIFT else "note",
        text=text,
        evidence=evidence,
        action="Keep hands, people and the lead still; let the loop cool; sweep up and down in "
        "turn.",
    )


def drift_not_tested_finding(points: int) -> Finding:
    """Return the finding for a sweep of more points than are tested for drift."""
    return Finding(
        code="movement-not-looked-for",
        level="note",
        text=f"In a sweep of {points} points no movement is looked for; the intervals hold if "
        "nothing moved.",
        evidence={"points": float(points), "most_points": float(MOST_POINTS)},
        action="Sweep again with fewer points about the dip, where something may have moved.",
    )


@dataclass(frozen=True, eq=False)
class DriftCorrectedFit(BatchFit):
    """Fits that were tested for drift.

    Parameters
    ----------
    drift : dict of int to Drift
        Rows in which drift was detected; their circles and covariances allow for it.
    """

    drift: dict[int, Drift]


def correct_drift(fitted: BatchFit, measured: SweepBatch) -> DriftCorrectedFit:
    """Test a batch of fits for drift and allow for what is detected.

    Sweeps of over `MOST_POINTS` are left as they are: see `drift_not_tested_finding`.

    Parameters
    ----------
    fitted : BatchFit
    measured : SweepBatch
        The batch as it was measured, with nothing subtracted.
    """
    own = {field.name: getattr(fitted, field.name) for field in fields(BatchFit)}
    corrected = DriftCorrectedFit(**own, drift={})
    if measured.position.shape[1] > MOST_POINTS:
        return corrected
    for row in np.flatnonzero(may_have_drifted(fitted) & _has_resonance(fitted)).tolist():
        # With several resonances all their unknowns would have to be carried along.
        if row not in fitted.multi:
            corrected = _corrected_row(corrected, row)
    for row in fitted.multi:
        corrected = _step_for_second_resonance(corrected, row, measured)
    return corrected


def _has_resonance(fitted: BatchFit) -> NDArray[np.bool_]:
    """Return which rows have a resonance that no null model explains, shape (b,).

    With drift allowed for, the ripple of a line without one would pass for a resonance.
    """
    rss, noise_variance = fitted.fit.rss, fitted.sigma**2
    return np.asarray(
        (np.abs(fitted.fit.p[:, 0]) < SPAN_EDGE)
        & (fitted.fit.p[:, 1] > np.log(MIN_SPAN_BANDWIDTHS))
        & (fitted.background_rss - rss > MIN_CHI_SQUARE_GAIN * noise_variance)
        & (fitted.null_rss - rss > NULL_MODEL_MARGIN * noise_variance)
        & np.isfinite(fitted.covariance).all(axis=(1, 2))
    )


def _corrected_row(fits: DriftCorrectedFit, row: int) -> DriftCorrectedFit:
    """Return the fits with one row's drift allowed for, or unchanged where none is detected."""
    one = np.array([row])
    batch, fit = fits.batch.take(one), fits.fit.take(one)
    row_score = RowScore.from_fit(batch, fit, _free_unknowns(fits, row), _bin_points(batch))
    if not drift_detected(row_score):
        return fits
    corrected = _fit_with_drift(batch, fit, row_score)
    if corrected is None:
        return fits
    put = _with_circle if corrected.explains_residual else _with_uncertainty
    return put(fits, row, corrected)


def _step_for_second_resonance(
    fits: DriftCorrectedFit, row: int, measured: SweepBatch
) -> DriftCorrectedFit:
    """Return the fits with a step in place of one row's second resonance, if it fits as well.

    What a step leaves near the dip is easily taken for another resonance.
    """
    one = np.array([row])
    batch = measured.take(one).with_weight(fits.batch.weight[one])
    free = _free_unknowns(fits, row)
    fit = solve(batch, fits.fit.p[one], fits.delay_free[one])
    if abs(float(fit.p[0, 0])) > SPAN_EDGE:
        return fits
    # To first order, from the circle that ignores the step: not yet all that it explains.
    limit = _MAX_STEP_RSS_RATIO * fits.fit.rss[row]
    if rss_with_step(RowScore.from_fit(batch, fit, free, 1)) > limit:
        return fits
    row_score = RowScore.from_fit(batch, fit, free, _bin_points(batch))
    corrected = _fit_with_drift(batch, fit, row_score)
    if corrected is None or not corrected.explains_residual:
        return fits
    if corrected.fit.rss[0] > fits.fit.rss[row]:
        return fits
    others = {other: several for other, several in fits.multi.items() if other != row}
    single = replace(fits, batch=fits.batch.put(one, batch), multi=others)
    return _with_circle(single, row, corrected)


def _free_unknowns(fits: DriftCorrectedFit, row: int) -> IndexArray:
    """Return which of the circle's unknowns were fitted."""
    return np.flatnonzero(np.arange(TANGENTS) != (-1 if fits.delay_free[row] else 2))


def _bin_points(batch: SweepBatch) -> int:
    return max(1, int(batch.position.shape[1]) // _COARSE_BINS)


@dataclass(frozen=True, eq=False)
class _DriftFit:
    """One row's drift and the circle with it allowed for.

    Parameters
    ----------
    drift : Drift
    explains_residual : bool
        It is a step, and what it leaves is noise.
    fit : CircleFit
    covariance : ndarray, shape (7, 7)
        Of the circle's unknowns.
    noise_variance, correlation : float
        Of the residual: variance per quadrature, and lag-one correlation.
    """

    drift: Drift
    explains_residual: bool
    fit: CircleFit
    covariance: FloatArray
    noise_variance: float
    correlation: float


def _fit_with_drift(batch: SweepBatch, fit: CircleFit, row_score: RowScore) -> _DriftFit | None:
    """Return one row's drift and circle by iterated score tests; None where it diverges."""
    models, free = DRIFT_MODELS, row_score.free
    for iteration in range(_MAX_ITERATIONS):
        if iteration > 0:
            # First all models with steps between bins, then the likely ones at every point.
            row_score = RowScore.from_fit(batch, fit, free, 1)
        posteriors, noise_variance = drift_posteriors(row_score, models)
        mean, covariance = model_average(posteriors)
        shift = np.zeros(TANGENTS)
        shift[free] = mean
        if abs(shift[0]) > _MAX_SHIFT or abs(shift[1]) > _MAX_SHIFT:
            return None
        linear = fit.linear + shift[3::2] + 1j * shift[4::2]
        fit = replace(fit, p=fit.p + shift[None, :3], linear=linear)
        # What the tangents miss of a shift is of the order of its square.
        missed = mean**2 * np.where(free == 0, np.exp(fit.p[0, 1]), 1.0)
        converged = np.all(missed < _CONVERGED * np.sqrt(np.diag(covariance)))
        if converged and row_score.bin_points == 1:
            break
        models = _likely_models(posteriors, _BINNING_LOSS if iteration == 0 else 0.0)
    best = max(posteriors, key=lambda posterior: posterior.log_evidence)
    residual = residual_without(row_score, best)
    every = np.zeros((TANGENTS, TANGENTS))
    every[np.ix_(free, free)] = covariance
    rss = float((residual**2).sum())
    left = row_score.with_residual(residual, _bin_points(batch))
    return _DriftFit(
        drift=_drift(batch, best, (row_score.rss - rss) / noise_variance),
        explains_residual=best.step_index is not None and not drift_detected(left),
        fit=replace(fit, rss=np.array([rss])),
        covariance=every,
        noise_variance=noise_variance,
        correlation=float((residual[:, 1:] * residual[:, :-1]).sum()) / max(rss, 1e-300),
    )


def _likely_models(posteriors: list[DriftPosterior], loss: float) -> tuple[DriftModel, ...]:
    """Return the models with weight, where each evidence may lack a share of the best one."""
    best = max(posterior.log_evidence for posterior in posteriors)
    least = best - max(_NEGLIGIBLE_EVIDENCE, loss * best)
    return tuple(posterior.model for posterior in posteriors if posterior.log_evidence > least)


def _drift(batch: SweepBatch, best: DriftPosterior, chi_square: float) -> Drift:
    changed = max(int(np.any(best.best_drift != 0, axis=0).sum()), 1)
    return Drift(
        quantity=best.model.quantity,
        shape=best.model.shape,
        chi_square=chi_square,
        f_hz=None if best.step_index is None else float(batch.f_hz[0, best.step_index]),
        rms_change=math.sqrt(float((best.best_drift**2).sum()) / changed),
    )


def _with_circle(fits: DriftCorrectedFit, row: int, corrected: _DriftFit) -> DriftCorrectedFit:
    """Return the fits with the circle in one row that allows for a step."""
    covariance = fits.covariance.copy()
    sigma, correlation = fits.sigma.copy(), fits.correlation.copy()
    covariance[row], sigma[row] = corrected.covariance, math.sqrt(corrected.noise_variance)
    correlation[row] = corrected.correlation
    return replace(
        fits,
        fit=fits.fit.put(np.array([row]), corrected.fit),
        sigma=sigma,
        covariance=covariance,
        correlation=correlation,
        drift={**fits.drift, row: corrected.drift},
    )


def _with_uncertainty(fits: DriftCorrectedFit, row: int, corrected: _DriftFit) -> DriftCorrectedFit:
    """Return the fits with one row's uncertainties widened by what a drift may have done.

    A smooth residual may be drift, or a background that is not simple: the circle stays, and how
    far the drift would shift it is an error of its own.
    """
    uncorrected = fits.fit.take(np.array([row]))
    linear = corrected.fit.linear[0] - uncorrected.linear[0]
    shift = np.concatenate(
        [
            (corrected.fit.p - uncorrected.p)[0],
            np.stack([linear.real, linear.imag], axis=1).ravel(),
        ]
    )
    points = fits.batch.weight[row].sum(keepdims=True)
    # The whole covariance is multiplied by the square of this for correlated residuals.
    inflation = float(correlation_inflation(fits.correlation[row : row + 1], points)[0])
    covariance = fits.covariance.copy()
    covariance[row] += (np.outer(shift, shift) + corrected.covariance) / inflation**2
    return replace(fits, covariance=covariance, drift={**fits.drift, row: corrected.drift})
