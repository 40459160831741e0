"""From a batch of sweeps to fitted circles: start, least squares, interference set aside."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sweeplab.resonance.kernel import (
    BoolArray,
    Rows,
    Solution,
    information,
    residuals,
    solve,
)
from sweeplab.resonance.start import starts
from sweeplab.sweep import FloatArray

# Complex white noise of spread s a quadrature: median of abs(r) is s sqrt(2 ln 2).
_MEDIAN_TO_SIGMA = 1 / np.sqrt(2 * np.log(2))
# One sweep in a hundred without interference loses a point: 0.005 % of the information.
_FALSE_ALARMS_A_SWEEP = 0.01
_ROUNDS = 8
_MOST_SET_ASIDE = 0.15
# Chi-square, one degree of freedom: 1 % of sweeps whose described line is right fit a rest of it.
_REST_OF_LINE_CHI2 = 6.63
MIN_POINTS = 8


@dataclass(frozen=True, eq=False)
class Fitted:
    """A batch's fits.

    Parameters
    ----------
    rows : Rows
        With the weights that the fit ended with.
    solution : Solution
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
    """

    rows: Rows
    solution: Solution
    delay_free: BoolArray
    sigma: FloatArray
    covariance: FloatArray
    correlation: FloatArray
    background_rss: FloatArray


def fit_rows(rows: Rows, line_known: BoolArray) -> Fitted:
    """Fit every row of a batch.

    Parameters
    ----------
    rows : Rows
        At least `MIN_POINTS` counted points a row, not all alike.
    line_known : ndarray of bool, shape (b,)
        The line has been taken out: its delay is fitted only where the data insist on a rest.
    """
    solution = _best(rows, ~line_known)
    delay_free = ~line_known
    rows, solution = _without_interference(rows, solution, delay_free)
    if line_known.any():
        rows, solution, delay_free = _with_rest_of_line(rows, solution, delay_free)
    return _summed_up(rows, solution, delay_free)


def _best(rows: Rows, delay_free: BoolArray) -> Solution:
    first, second = starts(rows, delay_free)
    return solve(rows, first, delay_free).better_of(solve(rows, second, delay_free))


def _without_interference(
    rows: Rows, solution: Solution, delay_free: BoolArray
) -> tuple[Rows, Solution]:
    """Set aside points that white noise would not reach, and fit again, until none changes."""
    weight = rows.weight.copy()
    measured = rows.weight > 0
    pending = np.arange(len(weight))
    for _ in range(_ROUNDS):
        part = rows.take(pending)
        size = np.abs(residuals(part, _rows_of(solution, pending)))
        kept = _kept(size, measured[pending])
        changed = np.any(kept != (weight[pending] > 0), axis=1)
        pending, kept = pending[changed], kept[changed]
        if pending.size == 0:
            break
        weight[pending] = kept
        trimmed = Rows(rows.f_hz[pending], rows.gamma[pending], weight[pending])
        old = solve(trimmed, solution.p[pending], delay_free[pending])
        solution = solution.put(pending, old.better_of(_best(trimmed, delay_free[pending])))
    return Rows(rows.f_hz, rows.gamma, weight), solution


def _kept(size: FloatArray, measured: BoolArray) -> BoolArray:
    n = measured.sum(axis=1)
    median = np.nanmedian(np.where(measured, size, np.nan), axis=1)
    limit = median * _MEDIAN_TO_SIGMA * np.sqrt(2 * np.log(n / _FALSE_ALARMS_A_SWEEP))
    kept = np.asarray(measured & (size <= limit[:, None]))
    # A misfit over a good part of the sweep is no interference: there, every point counts.
    too_many = kept.sum(axis=1) < (1 - _MOST_SET_ASIDE) * n
    kept[too_many] = measured[too_many]
    return kept


def _rows_of(solution: Solution, index: NDArray[np.intp]) -> Solution:
    return Solution(
        solution.p[index], solution.linear[index], solution.rss[index], solution.converged[index]
    )


def _with_rest_of_line(
    rows: Rows, solution: Solution, delay_free: BoolArray
) -> tuple[Rows, Solution, BoolArray]:
    """Free the delay where a rest of line, or the coupling loop's own reactance, shows clearly."""
    fixed = np.flatnonzero(~delay_free)
    part = rows.take(fixed)
    freed = solve(part, solution.p[fixed], np.ones(fixed.size, dtype=bool))
    dof = 2 * part.weight.sum(axis=1) - 7
    gain = (solution.rss[fixed] - freed.rss) / np.maximum(freed.rss / dof, 1e-300)
    insisted = gain > _REST_OF_LINE_CHI2
    index = fixed[insisted]
    solution = solution.put(index, _rows_of(freed, np.flatnonzero(insisted)))
    delay_free = delay_free.copy()
    delay_free[index] = True
    return rows, solution, delay_free


def _summed_up(rows: Rows, solution: Solution, delay_free: BoolArray) -> Fitted:
    n = rows.weight.sum(axis=1)
    unknowns = np.where(delay_free, 7, 6)
    sigma = np.sqrt(solution.rss / np.maximum(2 * n - unknowns, 1))
    inverse = _inverse(information(rows, solution), delay_free)
    return Fitted(
        rows=rows,
        solution=solution,
        delay_free=delay_free,
        sigma=sigma,
        covariance=inverse * (sigma**2)[:, None, None],
        correlation=_lag_one_correlation(rows, solution),
        background_rss=_background_rss(rows),
    )


def _inverse(matrix: FloatArray, delay_free: BoolArray) -> FloatArray:
    """Invert row by row, a frozen delay left out; NaN where singular."""
    matrix = matrix.copy()
    frozen = np.flatnonzero(~delay_free)
    matrix[frozen, 2, :] = matrix[frozen, :, 2] = 0
    matrix[frozen, 2, 2] = 1
    scale = np.sqrt(np.maximum(np.einsum("bii->bi", matrix), 1e-300))
    scaled = matrix / scale[:, :, None] / scale[:, None, :]
    bad = ~np.isfinite(scaled).all(axis=(1, 2))
    scaled[bad] = np.eye(7)
    bad |= np.linalg.cond(scaled) > 1e13
    scaled[bad] = np.eye(7)
    inverse = np.linalg.inv(scaled) / scale[:, :, None] / scale[:, None, :]
    inverse[bad] = np.nan
    inverse[frozen, 2, 2] = 0
    return np.asarray(inverse)


def _lag_one_correlation(rows: Rows, solution: Solution) -> FloatArray:
    r = residuals(rows, solution)
    pair = rows.weight[:, 1:] * rows.weight[:, :-1]
    product = (pair * (r[:, 1:] * r[:, :-1].conj()).real).sum(axis=1)
    power = (pair * (np.abs(r[:, 1:]) ** 2 + np.abs(r[:, :-1]) ** 2)).sum(axis=1) / 2
    return np.asarray(product / np.maximum(power, 1e-300))


def _background_rss(rows: Rows) -> FloatArray:
    u = (rows.f_hz - rows.f_mid_hz) / rows.span_hz
    design = rows.weight[:, :, None] * np.stack([np.ones_like(u), u, u * u], axis=2)
    data = rows.weight * rows.gamma
    gram = design.transpose(0, 2, 1) @ design
    right = design.transpose(0, 2, 1) @ data[:, :, None]
    best = design @ np.linalg.solve(gram + 0j, right)
    return np.asarray((np.abs(data[:, :, None] - best) ** 2).sum(axis=(1, 2)))
