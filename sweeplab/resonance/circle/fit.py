"""From a batch of sweeps to fitted circles: start, least squares, interference set aside."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sweeplab.finding import Threshold
from sweeplab.resonance.circle.batch import SPAN_END, BoolArray, CircleFit, IndexArray, SweepBatch
from sweeplab.resonance.circle.initial_guess import starts
from sweeplab.resonance.circle.multi import LEAST_WIDTHS, MultiResonance, separate_resonances
from sweeplab.resonance.circle.null_models import ripple_rss, step_gain
from sweeplab.resonance.circle.varpro import residuals, solve, solve_rows
from sweeplab.sweep import ComplexArray, FloatArray

# Complex white noise of spread s a quadrature: median of abs(r) is s sqrt(2 ln 2).
_MEDIAN_TO_SIGMA = 1 / np.sqrt(2 * np.log(2))
# One sweep in a hundred without interference loses a point: 0.005 % of the information.
_FALSE_ALARMS_A_SWEEP: Threshold = 0.01
_ROUNDS = 5
_MOST_SET_ASIDE: Threshold = 0.15
_FEW = 2
# Chi-square, one degree of freedom: of sweeps whose described line is right one in a thousand fits
# a rest of it; more would cost the spread over narrow spans.
REST_OF_LINE_CHI2: Threshold = 10.83
# A residual so many standard deviations above what neighbours do not share may be the wrong valley.
_SUSPECT = 5.0
# No instrument and no file is better than this: a cleaner sweep was computed.
_LEAST_NOISE: Threshold = 1e-8
# A resonance that takes this much off the background's misfit is nothing else.
_STRONG: Threshold = 60.0
# Standard deviations of the residual's correlation at which a second resonance is looked for.
_STRUCTURE: Threshold = 4.0
# A rival that leaves less than so many times what neighbours do not share has explained the sweep.
_EXPLAINED: Threshold = 2.0
# A scaled inverse with an element beyond this is that of a resonance the data do not determine.
_UNDETERMINED: Threshold = 1e13
_COARSE_POINTS = 72
_COARSE_STEPS = 4
_COARSE_ACCURACY = 0.2
_NEAR_STEPS = 6
_FAR_STEPS = 12
_VALLEYS = 3
MIN_POINTS: Threshold = 12
# Chi-square that a resonance must gain over a bare background. A bank of some thousand shapes on
# noise alone gains about 2 ln(1000) + 5; this is out of its reach.
LEAST_GAIN: Threshold = 60.0
# A rival hypothesis this much better, or not this much worse, in chi-square.
RIVAL: Threshold = 12.0


@dataclass(frozen=True, eq=False)
class BatchFit:
    """A batch's fits.

    Parameters
    ----------
    rows : Rows
        With the weights that the fit ended with.
    solution : Solution
    misfit : ndarray of complex, shape (b, n)
        Data minus model in the turned frame, unweighted.
    delay_free : ndarray of bool, shape (b,)
        Whether the delay was fitted.
    sigma : ndarray, shape (b,)
        Noise a quadrature, from the residual.
    covariance : ndarray, shape (b, 7, 7)
        Of (x0, ln kappa, theta, Re Gd, Im Gd, Re B, Im B); NaN where it does not exist.
    correlation : ndarray, shape (b,)
        Lag-one correlation of the residual between neighbouring points.
    background_rss : ndarray, shape (b,)
        What a parabola over the span, without a resonance, leaves.
    rival_rss : ndarray, shape (b,)
        What a line's ripple or a step leaves, whichever is less; infinite where the resonance
        stands far above either.
    told : dict of int to Told
        Rows in which more than one resonance was found.
    """

    rows: SweepBatch
    solution: CircleFit
    misfit: ComplexArray
    delay_free: BoolArray
    sigma: FloatArray
    covariance: FloatArray
    correlation: FloatArray
    background_rss: FloatArray
    rival_rss: FloatArray
    told: dict[int, MultiResonance]


def fit_batch(rows: SweepBatch, line_known: BoolArray, near_hz: float | None = None) -> BatchFit:
    """Fit every row of a batch.

    Parameters
    ----------
    rows : Rows
        At least `MIN_POINTS` counted points a row, not all alike.
    line_known : ndarray of bool, shape (b,)
        The line has been taken out: its delay is fitted only where the data insist on a rest.
    near_hz : float or None
        Which resonance is wanted where there are several.
    """
    delay_free = ~line_known
    solution = _coarse_to_fine(rows, delay_free)
    misfit = residuals(rows, solution)
    solution, misfit = _out_of_wrong_valleys(rows, solution, misfit, delay_free)
    first, first_misfit = solution, misfit
    trimmed, solution, misfit = _without_interference(rows, solution, misfit, delay_free)
    if line_known.any():
        solution, misfit, delay_free = _with_rest_of_line(trimmed, solution, misfit, delay_free)
    told = {}
    structured, beaten = _with_structure(rows, solution, misfit, first_misfit)
    for row in structured:
        # A second resonance may have passed for interference: every measured point is looked at.
        one = np.array([row])
        several = separate_resonances(
            rows.take(one), first.take(one), bool(delay_free[row]), near_hz
        )
        if several is not None:
            told[int(row)] = several
            trimmed = trimmed.put(one, several.rows)
            solution = solution.put(one, several.wanted)
            misfit[row] = residuals(several.rows, several.wanted)[0]
    return _summed_up(trimmed, solution, misfit, delay_free, told, rows, beaten)


def _with_structure(
    rows: SweepBatch, solution: CircleFit, misfit: ComplexArray, first_misfit: ComplexArray
) -> tuple[IndexArray, IndexArray]:
    """Return the rows that may hold several resonances, and those that a rival explains better.

    The former have a resonance in the span and a residual that hangs together, and what a line's
    ripple or a step leaves of them hangs together too.
    """
    correlation = np.maximum(
        _lag_one_correlation(rows, misfit), _lag_one_correlation(rows, first_misfit)
    )
    structured = correlation * np.sqrt(2 * rows.weight.sum(axis=1)) > _STRUCTURE
    index = np.flatnonzero(structured & _in_the_span(solution))
    if index.size == 0:
        return index, index
    part = rows.take(index)
    rival = _rivals(part)
    better = rival < solution.rss[index]
    explained = rival < _EXPLAINED * _noise_of_neighbours(part, misfit[index])
    return index[~(better & explained)], index[better]


def _in_the_span(solution: CircleFit) -> BoolArray:
    """Return in which rows the resonance, and a half-power bandwidth of it, lie in the span."""
    place, ln_widths = solution.p[:, 0], solution.p[:, 1]
    return np.asarray((np.abs(place) < SPAN_END) & (ln_widths > np.log(LEAST_WIDTHS)))


def _out_of_wrong_valleys(
    rows: SweepBatch, solution: CircleFit, misfit: ComplexArray, delay_free: BoolArray
) -> tuple[CircleFit, ComplexArray]:
    """Fit again from other starts where the noise says that the valley is not the right one."""
    noise = _noise_of_neighbours(rows, misfit)
    limit = 1 + _SUSPECT / np.sqrt(rows.weight.sum(axis=1))
    suspect = np.flatnonzero(solution.rss > limit * noise + 1e-20)
    if suspect.size == 0:
        return solution, misfit
    part, free = rows.take(suspect), delay_free[suspect]
    best = solution.take(suspect)
    others = starts(part, free, count=_VALLEYS)[0]
    every = np.tile(np.arange(suspect.size), _VALLEYS)
    tried = solve(part.take(every), np.concatenate(others), free[every], _FAR_STEPS)
    for turn in range(_VALLEYS):
        other = tried.take(np.arange(suspect.size) + turn * suspect.size)
        better = np.flatnonzero(other.rss < best.rss)
        best = best.put(better, other.take(better))
    misfit = misfit.copy()
    misfit[suspect] = residuals(part, best)
    return solution.put(suspect, best), misfit


def _coarse_to_fine(rows: SweepBatch, delay_free: BoolArray) -> CircleFit:
    """Find the valley on averaged neighbours, its bottom on every point."""
    coarse = rows.binned(_COARSE_POINTS)
    if coarse is not rows:
        coarse = coarse.sharpened(-(-rows.u.shape[1] // _COARSE_POINTS))
    (start,), narrow = starts(coarse, delay_free)
    start = solve(coarse, start, delay_free, _COARSE_STEPS, _COARSE_ACCURACY).p
    again = np.flatnonzero(narrow)
    if again.size and coarse is not rows:
        # A resonance as narrow as the averages hides in them.
        (start[again],), _ = starts(rows.take(again), delay_free[again])
    return solve(rows, start, delay_free)


def _noise_of_neighbours(rows: SweepBatch, misfit: ComplexArray) -> FloatArray:
    """Return the residual that neighbours do not share, as a sum of squares, shape (b,)."""
    step = np.abs(misfit[:, 1:] - misfit[:, :-1]) ** 2
    if not rows.all_count:
        step = np.where((rows.weight[:, 1:] > 0) & (rows.weight[:, :-1] > 0), step, 0)
    return np.asarray(step.sum(axis=1) / 2)


def _without_interference(
    rows: SweepBatch, solution: CircleFit, misfit: ComplexArray, delay_free: BoolArray
) -> tuple[SweepBatch, CircleFit, ComplexArray]:
    """Set aside points that white noise would not reach, and fit again, until none changes."""
    weight = rows.weight.copy()
    misfit = misfit.copy()
    measured = rows.weight > 0
    pending = np.arange(len(rows))
    for turn in range(_ROUNDS):
        kept = _kept(np.abs(misfit[pending]), measured[pending])
        changed = np.any(kept != (weight[pending] > 0), axis=1)
        pending, kept = pending[changed], kept[changed]
        if pending.size == 0:
            break
        weight[pending] = kept
        trimmed = rows.take(pending).weighted(weight[pending])
        free = delay_free[pending]
        near = solve(trimmed, solution.p[pending], free, _NEAR_STEPS)
        # A point or two leave the valley where it is; many may have moved it.
        many = np.flatnonzero((measured[pending] & ~kept).sum(axis=1) > _FEW)
        if many.size and turn == 0:
            far = _coarse_to_fine(trimmed.take(many), free[many])
            better = np.flatnonzero(far.rss < near.rss[many])
            near = near.put(many[better], far.take(better))
        solution = solution.put(pending, near)
        misfit[pending] = residuals(trimmed, near)
        # What will be refused for its place or width needs no more rounds.
        pending = pending[_in_the_span(near)]
    return rows.weighted(weight), solution, misfit


def _kept(size: FloatArray, measured: BoolArray) -> BoolArray:
    n = measured.sum(axis=1)
    # What was not measured sorts last.
    ordered = np.sort(np.where(measured, size, np.inf), axis=1)
    row = np.arange(len(n))
    median = (ordered[row, (n - 1) // 2] + ordered[row, n // 2]) / 2
    limit = median * _MEDIAN_TO_SIGMA * np.sqrt(2 * np.log(n / _FALSE_ALARMS_A_SWEEP))
    kept = np.asarray(measured & (size <= np.maximum(limit, _LEAST_NOISE)[:, None]))
    # A misfit over a good part of the sweep is no interference: there, every point counts.
    too_many = kept.sum(axis=1) < (1 - _MOST_SET_ASIDE) * n
    kept[too_many] = measured[too_many]
    return kept


def _with_rest_of_line(
    rows: SweepBatch, solution: CircleFit, misfit: ComplexArray, delay_free: BoolArray
) -> tuple[CircleFit, ComplexArray, BoolArray]:
    """Free the delay where a rest of line, or the coupling loop's own reactance, shows clearly."""
    fixed = np.flatnonzero(~delay_free)
    part = rows.take(fixed)
    freed = solve(part, solution.p[fixed], np.ones(fixed.size, dtype=bool))
    dof = 2 * part.weight.sum(axis=1) - 7
    gain = (solution.rss[fixed] - freed.rss) / np.maximum(freed.rss / dof, 1e-300)
    insisted = np.flatnonzero(gain > REST_OF_LINE_CHI2)
    delay_free, misfit = delay_free.copy(), misfit.copy()
    index = fixed[insisted]
    delay_free[index] = True
    misfit[index] = residuals(part.take(insisted), freed.take(insisted))
    return solution.put(index, freed.take(insisted)), misfit, delay_free


def _summed_up(
    rows: SweepBatch,
    solution: CircleFit,
    misfit: ComplexArray,
    delay_free: BoolArray,
    told: dict[int, MultiResonance],
    measured: SweepBatch,
    beaten: IndexArray,
) -> BatchFit:
    n = rows.weight.sum(axis=1)
    unknowns = np.where(delay_free, 7, 6)
    for row, several in told.items():
        unknowns[row] = several.unknowns
    sigma = np.sqrt(solution.rss / np.maximum(2 * n - unknowns, 1))
    sigma = np.maximum(sigma, _LEAST_NOISE)
    inverse = _inverse(solution.information, delay_free)
    background = _background_rss(rows)
    return BatchFit(
        rows=rows,
        solution=solution,
        misfit=misfit,
        delay_free=delay_free,
        sigma=sigma,
        covariance=inverse * (sigma**2)[:, None, None],
        correlation=_lag_one_correlation(rows, misfit),
        background_rss=background,
        rival_rss=_rival_rss(rows, measured, solution, background, [*told, *beaten]),
        told=told,
    )


def _inverse(matrix: FloatArray, delay_free: BoolArray) -> FloatArray:
    """Invert row by row, a frozen delay left out; NaN where singular."""
    matrix = matrix.copy()
    frozen = np.flatnonzero(~delay_free)
    matrix[frozen, 2, :] = matrix[frozen, :, 2] = 0
    matrix[frozen, 2, 2] = 1
    scale = np.sqrt(np.maximum(np.einsum("bii->bi", matrix), 1e-300))
    with np.errstate(invalid="ignore"):
        scaled = matrix / scale[:, :, None] / scale[:, None, :]
    bad = ~np.isfinite(scaled).all(axis=(1, 2))
    scaled[bad] = 0
    # Far below what any sweep determines, and enough to let a singular row through to its check.
    scaled[:, range(7), range(7)] += 1e-15
    inverse = np.linalg.inv(scaled)
    bad |= np.abs(inverse).max(axis=(1, 2)) > _UNDETERMINED
    scale[bad] = 1  # nothing of theirs stays, and nothing shall overflow
    inverse = inverse / scale[:, :, None] / scale[:, None, :]
    inverse[bad] = np.nan
    inverse[frozen, 2, 2] = 0
    return np.asarray(inverse)


def _rival_rss(
    rows: SweepBatch,
    measured: SweepBatch,
    solution: CircleFit,
    background: FloatArray,
    suspects: list[int],
) -> FloatArray:
    """Return the rivals' misfit of what was measured, where the resonance is not far above them.

    Several resonances can ape a line's ripple: there the rivals always have their say.
    """
    rival = np.full(len(rows), np.inf)
    weak = background < _STRONG * solution.rss
    weak[suspects] = True
    index = np.flatnonzero(weak)
    if index.size:
        rival[index] = _rivals(measured.take(index).weighted(rows.weight[index]))
    return rival


def _rivals(rows: SweepBatch) -> FloatArray:
    """Return what a line's ripple or a step leaves, whichever is less, shape (b,)."""
    power = (rows.weight * np.abs(rows.gamma) ** 2).sum(axis=1)
    mean = np.abs((rows.weight * rows.gamma).sum(axis=1)) ** 2 / rows.weight.sum(axis=1)
    step = power - mean - step_gain(rows.gamma, rows.weight)
    return np.asarray(np.minimum(ripple_rss(rows), step))


def _lag_one_correlation(rows: SweepBatch, r: ComplexArray) -> FloatArray:
    re, im = r.real, r.imag
    size = re * re + im * im
    if rows.all_count:
        parts = r.view(float)
        product = np.einsum("bi,bi->b", parts[:, 2:], parts[:, :-2])
        power = size.sum(axis=1) - (size[:, 0] + size[:, -1]) / 2
    else:
        pair = rows.weight[:, 1:] * rows.weight[:, :-1]
        along = re[:, 1:] * re[:, :-1] + im[:, 1:] * im[:, :-1]
        product = np.einsum("bi,bi->b", pair, along)
        power = np.einsum("bi,bi->b", pair, size[:, 1:] + size[:, :-1]) / 2
    return np.asarray(product / np.maximum(power, 1e-300))


def _background_rss(rows: SweepBatch) -> FloatArray:
    """Return what a parabola over the span leaves, complex, shape (b,)."""
    parts = rows.gamma.view(float).reshape(*rows.u.shape, 2)
    size = np.einsum("bij,bij->bi", parts, parts)
    vectors = np.empty((len(rows), 3, rows.u.shape[1]))
    vectors[:, 0], vectors[:, 1] = 1, rows.u
    np.multiply(rows.u, rows.u, out=vectors[:, 2])
    weighed = vectors if rows.all_count else vectors * rows.weight[:, None, :]
    right = weighed @ parts
    found = solve_rows(weighed @ vectors.transpose(0, 2, 1), right)
    return np.asarray(np.einsum("bi,bi->b", weighed[:, 0], size) - (right * found).sum(axis=(1, 2)))
