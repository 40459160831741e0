"""From a batch of sweeps to fitted circles: initial guess, least squares, interference removed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sweeplab.finding import Threshold
from sweeplab.resonance.circle.batch import CircleFit, SweepBatch
from sweeplab.resonance.circle.initial_guess import initial_guesses
from sweeplab.resonance.circle.multi import MultiResonance, separate_resonances
from sweeplab.resonance.circle.null_models import STRONG_RESONANCE, ripple_rss, step_gain
from sweeplab.resonance.circle.thresholds import (
    EXTRA_PARAMETER_CHI2,
    MIN_SPAN_BANDWIDTHS,
    SPAN_EDGE,
)
from sweeplab.resonance.circle.varpro import residuals, solve, solve_rows
from sweeplab.resonance.interference import RAYLEIGH_MEDIAN, without_outliers
from sweeplab.sweep import BoolArray, ComplexArray, FloatArray, IndexArray

_ROUNDS = 5
_FEW = 2
# A residual this many standard deviations above its uncorrelated part may be a local minimum's.
_SUSPECT_DEVIATIONS = 5.0
# No instrument and no file is better than this: a sweep with less noise was computed.
_MIN_NOISE: Threshold = 1e-8
# Standard deviations of the residual's correlation from which a second resonance is looked for.
_CORRELATION_DEVIATIONS: Threshold = 4.0
# A null model that leaves less than this times the uncorrelated residual explains the sweep.
_EXPLAINED_BY_NULL: Threshold = 2.0
# A scaled inverse with an element beyond this: the data do not determine the resonance.
_UNDETERMINED: Threshold = 1e13
_COARSE_POINTS = 72
_COARSE_STEPS = 4
_COARSE_ACCURACY = 0.2
_NEAR_STEPS = 6
_FAR_STEPS = 12
_RESTARTS = 3


@dataclass(frozen=True, eq=False)
class BatchFit:
    """A batch's fits.

    Parameters
    ----------
    batch : SweepBatch
        With the final weights; of a sweep in `multi`, with the other resonances subtracted.
    fit : CircleFit
    residual : ndarray of complex, shape (b, n)
        Data minus model in the derotated frame, unweighted.
    delay_free : ndarray of bool, shape (b,)
        Whether the delay was fitted.
    sigma : ndarray, shape (b,)
        Noise per quadrature, from the residual.
    covariance : ndarray, shape (b, 7, 7)
        Of (x0, ln kappa, theta, Re Gd, Im Gd, Re B, Im B); NaN where it does not exist.
    correlation : ndarray, shape (b,)
        Lag-one correlation of the residual between neighbouring points.
    background_rss : ndarray, shape (b,)
        Residual sum of squares of a parabola over the span, without a resonance.
    null_rss : ndarray, shape (b,)
        Residual sum of squares of a line's ripple or a step, whichever is less; infinite where
        the resonance is far too strong for either.
    multi : dict of int to MultiResonance
        By row: the sweeps in which more than one resonance was found.
    """

    batch: SweepBatch
    fit: CircleFit
    residual: ComplexArray
    delay_free: BoolArray
    sigma: FloatArray
    covariance: FloatArray
    correlation: FloatArray
    background_rss: FloatArray
    null_rss: FloatArray
    multi: dict[int, MultiResonance]


def fit_batch(batch: SweepBatch, line_known: BoolArray, near_hz: float | None = None) -> BatchFit:
    """Fit every row of a batch.

    Parameters
    ----------
    batch : SweepBatch
        At least `MIN_POINTS` points of non-zero weight per row, not all equal.
    line_known : ndarray of bool, shape (b,)
        The line has been de-embedded: a remaining delay is fitted only where it is significant.
    near_hz : float or None
        Where the resonance of interest is expected if there are several.
    """
    delay_free = ~line_known
    fit = _coarse_to_fine(batch, delay_free)
    residual = residuals(batch, fit)
    fit, residual = _escape_local_minima(batch, fit, residual, delay_free)
    first, first_residual = fit, residual
    trimmed, fit, residual = _without_interference(batch, fit, residual, delay_free)
    if line_known.any():
        fit, residual, delay_free = _fit_residual_delay(trimmed, fit, residual, delay_free)
    multi = {}
    candidates, null_preferred = _candidates_for_multi(batch, fit, residual, first_residual)
    for row in candidates:
        # A second resonance may have been taken for interference: every measured point is used.
        one = np.array([row])
        resonances = separate_resonances(
            batch.take(one), first.take(one), bool(delay_free[row]), near_hz
        )
        if resonances is not None:
            multi[int(row)] = resonances
            trimmed = trimmed.put(one, resonances.batch)
            fit = fit.put(one, resonances.selected)
            residual[row] = residuals(resonances.batch, resonances.selected)[0]
    return _batch_fit(trimmed, fit, residual, delay_free, multi, batch, null_preferred)


def _candidates_for_multi(
    batch: SweepBatch, fit: CircleFit, residual: ComplexArray, first_residual: ComplexArray
) -> tuple[IndexArray, IndexArray]:
    """Return the rows that may hold several resonances, and those a null model explains better.

    The former have a resonance in the span and a correlated residual, and the null models'
    residual is correlated too.
    """
    correlation = np.maximum(
        _lag_one_correlation(batch, residual), _lag_one_correlation(batch, first_residual)
    )
    correlated = correlation * np.sqrt(2 * batch.weight.sum(axis=1)) > _CORRELATION_DEVIATIONS
    index = np.flatnonzero(correlated & _lies_in_span(fit))
    if index.size == 0:
        return index, index
    part = batch.take(index)
    null = _best_null_rss(part)
    better = null < fit.rss[index]
    explained = null < _EXPLAINED_BY_NULL * _uncorrelated_rss(part, residual[index])
    return index[~(better & explained)], index[better]


def _lies_in_span(fit: CircleFit) -> BoolArray:
    """Return in which rows the resonance, and a half-power bandwidth of it, lie in the span."""
    position, ln_kappa = fit.p[:, 0], fit.p[:, 1]
    return np.asarray((np.abs(position) < SPAN_EDGE) & (ln_kappa > np.log(MIN_SPAN_BANDWIDTHS)))


def _escape_local_minima(
    batch: SweepBatch, fit: CircleFit, residual: ComplexArray, delay_free: BoolArray
) -> tuple[CircleFit, ComplexArray]:
    """Fit again from other starts where the residual is well above the noise."""
    noise = _uncorrelated_rss(batch, residual)
    limit = 1 + _SUSPECT_DEVIATIONS / np.sqrt(batch.weight.sum(axis=1))
    suspect = np.flatnonzero(fit.rss > limit * noise + 1e-20)
    if suspect.size == 0:
        return fit, residual
    part, free = batch.take(suspect), delay_free[suspect]
    best = fit.take(suspect)
    starts = initial_guesses(part, free, count=_RESTARTS)[0]
    repeated = np.tile(np.arange(suspect.size), _RESTARTS)
    refits = solve(part.take(repeated), np.concatenate(starts), free[repeated], _FAR_STEPS)
    for restart in range(_RESTARTS):
        other = refits.take(np.arange(suspect.size) + restart * suspect.size)
        better = np.flatnonzero(other.rss < best.rss)
        best = best.put(better, other.take(better))
    residual = residual.copy()
    residual[suspect] = residuals(part, best)
    return fit.put(suspect, best), residual


def _coarse_to_fine(batch: SweepBatch, delay_free: BoolArray) -> CircleFit:
    """Find the minimum on averaged neighbours, then refine it on every point."""
    coarse = batch.binned(_COARSE_POINTS)
    if coarse is not batch:
        coarse = coarse.sharpened(-(-batch.position.shape[1] // _COARSE_POINTS))
    (start,), narrow = initial_guesses(coarse, delay_free)
    start = solve(coarse, start, delay_free, _COARSE_STEPS, _COARSE_ACCURACY).p
    restart = np.flatnonzero(narrow)
    if restart.size and coarse is not batch:
        # The averages hide a resonance as narrow as themselves.
        (start[restart],), _ = initial_guesses(batch.take(restart), delay_free[restart])
    return solve(batch, start, delay_free)


def _uncorrelated_rss(batch: SweepBatch, residual: ComplexArray) -> FloatArray:
    """Return the sum of squares of the residual's uncorrelated part, shape (b,).

    Half the squared difference of neighbours, after J. von Neumann (Ann. Math. Stat. 12, 367,
    1941, memory).
    """
    step = np.abs(residual[:, 1:] - residual[:, :-1]) ** 2
    if not batch.unweighted:
        step = np.where((batch.weight[:, 1:] > 0) & (batch.weight[:, :-1] > 0), step, 0)
    return np.asarray(step.sum(axis=1) / 2)


def _without_interference(
    batch: SweepBatch, fit: CircleFit, residual: ComplexArray, delay_free: BoolArray
) -> tuple[SweepBatch, CircleFit, ComplexArray]:
    """Set aside points that white noise would not reach, and fit again, until none changes."""
    weight = batch.weight.copy()
    residual = residual.copy()
    measured = batch.weight > 0
    pending = np.arange(len(batch))
    for iteration in range(_ROUNDS):
        kept = without_outliers(
            np.abs(residual[pending]), measured[pending], RAYLEIGH_MEDIAN, _MIN_NOISE
        )
        changed = np.any(kept != (weight[pending] > 0), axis=1)
        pending, kept = pending[changed], kept[changed]
        if pending.size == 0:
            break
        weight[pending] = kept
        trimmed = batch.take(pending).with_weight(weight[pending])
        free = delay_free[pending]
        near = solve(trimmed, fit.p[pending], free, _NEAR_STEPS)
        # A point or two leave the minimum where it is; many may have moved it.
        many = np.flatnonzero((measured[pending] & ~kept).sum(axis=1) > _FEW)
        if many.size and iteration == 0:
            far = _coarse_to_fine(trimmed.take(many), free[many])
            better = np.flatnonzero(far.rss < near.rss[many])
            near = near.put(many[better], far.take(better))
        fit = fit.put(pending, near)
        residual[pending] = residuals(trimmed, near)
        # What will be refused for its place or width needs no more rounds.
        pending = pending[_lies_in_span(near)]
    return batch.with_weight(weight), fit, residual


def _fit_residual_delay(
    batch: SweepBatch, fit: CircleFit, residual: ComplexArray, delay_free: BoolArray
) -> tuple[CircleFit, ComplexArray, BoolArray]:
    """Fit the delay where one is left of the line, or of the coupling loop's own reactance.

    Of sweeps whose described line is right one in a thousand gets such a fit; more would cost
    precision over narrow spans.
    """
    fixed = np.flatnonzero(~delay_free)
    part = batch.take(fixed)
    with_delay = solve(part, fit.p[fixed], np.ones(fixed.size, dtype=bool))
    dof = 2 * part.weight.sum(axis=1) - 7
    gain = (fit.rss[fixed] - with_delay.rss) / np.maximum(with_delay.rss / dof, 1e-300)
    significant = np.flatnonzero(gain > EXTRA_PARAMETER_CHI2)
    delay_free, residual = delay_free.copy(), residual.copy()
    index = fixed[significant]
    delay_free[index] = True
    residual[index] = residuals(part.take(significant), with_delay.take(significant))
    return fit.put(index, with_delay.take(significant)), residual, delay_free


def _batch_fit(
    batch: SweepBatch,
    fit: CircleFit,
    residual: ComplexArray,
    delay_free: BoolArray,
    multi: dict[int, MultiResonance],
    measured: SweepBatch,
    null_preferred: IndexArray,
) -> BatchFit:
    """Return the fits with their noise, covariance, correlation and null models."""
    n = batch.weight.sum(axis=1)
    unknowns = np.where(delay_free, 7, 6)
    for row, resonances in multi.items():
        unknowns[row] = resonances.unknowns
    sigma = np.sqrt(fit.rss / np.maximum(2 * n - unknowns, 1))
    sigma = np.maximum(sigma, _MIN_NOISE)
    inverse = _inverse(fit.information, delay_free)
    background = _background_rss(batch)
    return BatchFit(
        batch=batch,
        fit=fit,
        residual=residual,
        delay_free=delay_free,
        sigma=sigma,
        covariance=inverse * (sigma**2)[:, None, None],
        correlation=_lag_one_correlation(batch, residual),
        background_rss=background,
        null_rss=_null_rss(batch, measured, fit, background, [*multi, *null_preferred]),
        multi=multi,
    )


def _inverse(matrix: FloatArray, delay_free: BoolArray) -> FloatArray:
    """Invert row by row, leaving out a fixed delay; NaN where singular."""
    matrix = matrix.copy()
    fixed_delay = np.flatnonzero(~delay_free)
    matrix[fixed_delay, 2, :] = matrix[fixed_delay, :, 2] = 0
    matrix[fixed_delay, 2, 2] = 1
    scale = np.sqrt(np.maximum(np.einsum("bii->bi", matrix), 1e-300))
    with np.errstate(invalid="ignore"):
        scaled = matrix / scale[:, :, None] / scale[:, None, :]
    bad = ~np.isfinite(scaled).all(axis=(1, 2))
    scaled[bad] = 0
    # Far below what any sweep determines, yet enough for a singular row to reach its check.
    scaled[:, range(7), range(7)] += 1e-15
    inverse = np.linalg.inv(scaled)
    bad |= np.abs(inverse).max(axis=(1, 2)) > _UNDETERMINED
    scale[bad] = 1  # replaced by NaN below: only an overflow is avoided
    inverse = inverse / scale[:, :, None] / scale[:, None, :]
    inverse[bad] = np.nan
    inverse[fixed_delay, 2, 2] = 0
    return np.asarray(inverse)


def _null_rss(
    batch: SweepBatch,
    measured: SweepBatch,
    fit: CircleFit,
    background: FloatArray,
    null_tested: list[int],
) -> FloatArray:
    """Return the null models' rss of the measured data where the resonance is not far too strong.

    Several resonances can look like a line's ripple: rows in `null_tested` are always tested.
    """
    null = np.full(len(batch), np.inf)
    weak = background < STRONG_RESONANCE * fit.rss
    weak[null_tested] = True
    index = np.flatnonzero(weak)
    if index.size:
        null[index] = _best_null_rss(measured.take(index).with_weight(batch.weight[index]))
    return null


def _best_null_rss(batch: SweepBatch) -> FloatArray:
    """Return the rss of a line's ripple or of a step, whichever is less, shape (b,)."""
    power = (batch.weight * np.abs(batch.gamma) ** 2).sum(axis=1)
    mean = np.abs((batch.weight * batch.gamma).sum(axis=1)) ** 2 / batch.weight.sum(axis=1)
    step = power - mean - step_gain(batch.gamma, batch.weight)
    return np.asarray(np.minimum(ripple_rss(batch), step))


def _lag_one_correlation(batch: SweepBatch, residual: ComplexArray) -> FloatArray:
    re, im = residual.real, residual.imag
    squares = re * re + im * im
    if batch.unweighted:
        parts = residual.view(float)
        product = np.einsum("bi,bi->b", parts[:, 2:], parts[:, :-2])
        power = squares.sum(axis=1) - (squares[:, 0] + squares[:, -1]) / 2
    else:
        pair = batch.weight[:, 1:] * batch.weight[:, :-1]
        along = re[:, 1:] * re[:, :-1] + im[:, 1:] * im[:, :-1]
        product = np.einsum("bi,bi->b", pair, along)
        power = np.einsum("bi,bi->b", pair, squares[:, 1:] + squares[:, :-1]) / 2
    return np.asarray(product / np.maximum(power, 1e-300))


def _background_rss(batch: SweepBatch) -> FloatArray:
    """Return the rss of a complex parabola over the span, shape (b,)."""
    parts = batch.gamma.view(float).reshape(*batch.position.shape, 2)
    power = np.einsum("bij,bij->bi", parts, parts)
    vectors = np.empty((len(batch), 3, batch.position.shape[1]))
    vectors[:, 0], vectors[:, 1] = 1, batch.position
    np.multiply(batch.position, batch.position, out=vectors[:, 2])
    weighted = vectors if batch.unweighted else vectors * batch.weight[:, None, :]
    right = weighted @ parts
    coefficients = solve_rows(weighted @ vectors.transpose(0, 2, 1), right)
    return np.asarray(
        np.einsum("bi,bi->b", weighted[:, 0], power) - (right * coefficients).sum(axis=(1, 2))
    )
