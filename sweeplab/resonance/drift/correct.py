"""Movement during a sweep: noticed, and allowed for in the circle and its uncertainty.

A resonance that drifts steadily is another Q and a phase that turns steadily is a line: no single
sweep shows them. What can be seen, and how, stands in `sweeplab.resonance.drift.score`, what
it makes of the circle in `sweeplab.resonance.drift.model_average`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from sweeplab.finding import Finding, Threshold
from sweeplab.resonance.circle.batch import CircleFit, IndexArray, SweepBatch
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
    KINDS,
    DriftPosterior,
    answers_of,
    averaged,
    left_by,
)
from sweeplab.resonance.drift.prefilter import may_have_drifted
from sweeplab.resonance.drift.score import TANGENTS, How, RowScore, What, left_by_a_step, noticed
from sweeplab.sweep import FloatArray

_PLACES = 64
# More would take seconds and gigabytes to look through, point by point.
MOST_POINTS: Threshold = 20_000
_ROUNDS = 4
# A round whose step the tangents follow to this share of every uncertainty is the last.
_SETTLED = 0.03
# A kind of movement less likely than the likeliest by so much (a logarithm) has no weight.
_HOPELESS = 12.0
# What looking at every few points alone may cost a likelihood.
_BLURRED = 0.05
# A circle that a movement shifts further, in spans or in ln kappa, runs away.
_FARTHEST: Threshold = 0.3
# A step that leaves less than so many times what two resonances leave is looked at closely.
_ROUGHLY: Threshold = 1.5
_POOR: Threshold = 0.03  # of the circle: no small movement


@dataclass(frozen=True)
class Drift:
    """A movement that was noticed in one sweep, and allowed for.

    Parameters
    ----------
    what : {'reflection', 'resonance', 'loss'}
    how : {'step', 'course'}
    chi_square : float
        Gained by allowing for it.
    f_hz : float or None
        Of a step, the first point after it [Hz].
    size : float
        Root mean square of the reflection's change over the points that changed.
    """

    what: What
    how: How
    chi_square: float
    f_hz: float | None
    size: float


_JUMPED: dict[What, str] = {
    "reflection": "The reflection's size or phase jumps",
    "resonance": "The resonance jumps",
    "loss": "Loss or coupling jumps",
}


def drift_finding(moved: Drift, circle_size: float) -> Finding:
    """Return what to say of a movement, its size held against the circle's diameter."""
    height = moved.size / max(circle_size, 1e-12)
    by = f"by about {100 * height:.2g} % of the circle"
    evidence = {"chi_square_gain": moved.chi_square, "height_relative": height}
    if moved.f_hz is not None:
        evidence["f_step_hz"] = moved.f_hz
        text = (
            f"{_JUMPED[moved.what]} during the sweep at {moved.f_hz / 1e6:.5g} MHz, {by}; the "
            "figures are those about the dip, with the jump allowed for."
        )
    else:
        course = "The resonance" if moved.what == "resonance" else "The reflection"
        text = (
            f"{course} drifts or sways during the sweep, {by}, or the background is not a simple "
            "one; the intervals are widened for it."
        )
    return Finding(
        "step-in-sweep" if moved.how == "step" else "drift-in-sweep",
        "warning" if height > _POOR else "note",
        text, evidence,
        "Keep hands, people and the lead still; let the loop cool; sweep up and down in turn.",
    )  # fmt: skip


def not_looked_for(points: int) -> Finding:
    """Return what to say of a sweep of more points than movement is looked for in."""
    return Finding(
        "movement-not-looked-for", "note",
        f"In a sweep of {points} points no movement is looked for; the intervals hold if nothing "
        "moved.",
        {"points": float(points), "most_points": float(MOST_POINTS)},
        "Sweep again with fewer points about the dip, where something may have moved.",
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class DriftCorrectedFit(BatchFit):
    """Fits in which movement was looked for.

    Parameters
    ----------
    moved : dict of int to Moved
        Rows in which something moved; their circles and covariances allow for it.
    """

    moved: dict[int, Drift]


def correct_drift(fitted: BatchFit, measured: SweepBatch) -> DriftCorrectedFit:
    """Look for movement in a batch of fits and allow for what is noticed.

    Sweeps of over `MOST_POINTS` are taken as they are: see `not_looked_for`.

    Parameters
    ----------
    fitted : Fitted
    measured : Rows
        The batch as it was measured, with nothing subtracted.
    """
    own = {field.name: getattr(fitted, field.name) for field in fields(BatchFit)}
    watched = DriftCorrectedFit(**own, moved={})
    if measured.position.shape[1] > MOST_POINTS:
        return watched
    for row in np.flatnonzero(may_have_drifted(fitted) & _credible(fitted)).tolist():
        # With several resonances told apart their unknowns would have to be carried along.
        if row not in fitted.multi:
            watched = _allowed_for(watched, row)
    for row in fitted.multi:
        watched = _in_place_of_several(watched, row, measured)
    return watched


def _credible(fitted: BatchFit) -> NDArray[np.bool_]:
    """Return in which rows a resonance stands that nothing else explains, shape (b,).

    With a movement allowed for, a bare line's ripple would pass for a resonance.
    """
    left, noise2 = fitted.fit.rss, fitted.sigma**2
    return np.asarray(
        (np.abs(fitted.fit.p[:, 0]) < SPAN_EDGE)
        & (fitted.fit.p[:, 1] > np.log(MIN_SPAN_BANDWIDTHS))
        & (fitted.background_rss - left > MIN_CHI_SQUARE_GAIN * noise2)
        & (fitted.null_rss - left > NULL_MODEL_MARGIN * noise2)
        & np.isfinite(fitted.covariance).all(axis=(1, 2))
    )


def _allowed_for(watched: DriftCorrectedFit, row: int) -> DriftCorrectedFit:
    """Return the fits with one row's movement allowed for, or as they are where it is still."""
    one = np.array([row])
    rows, fit = watched.batch.take(one), watched.fit.take(one)
    free = _free(watched, row)
    look = RowScore.at(rows, fit, free, _width(rows))
    if not noticed(look):
        return watched
    found = _found(rows, fit, look)
    if found is None:
        return watched
    return _replaced(watched, row, found) if found.mended else _widened(watched, row, found)


def _in_place_of_several(
    watched: DriftCorrectedFit, row: int, measured: SweepBatch
) -> DriftCorrectedFit:
    """Return the fits with one step in one row in place of a second resonance, if it does as well.

    What a step leaves about the dip is taken for another resonance easily.
    """
    one = np.array([row])
    rows = measured.take(one).with_weight(watched.batch.weight[one])
    free = _free(watched, row)
    fit = solve(rows, watched.fit.p[one], watched.delay_free[one])
    if abs(float(fit.p[0, 0])) > SPAN_EDGE:
        return watched
    # Seen from the circle that ignores the step, the step explains it all but roughly.
    if left_by_a_step(RowScore.at(rows, fit, free, 1)) > _ROUGHLY * watched.fit.rss[row]:
        return watched
    found = _found(rows, fit, RowScore.at(rows, fit, free, _width(rows)))
    if found is None or not found.mended or found.fit.rss[0] > watched.fit.rss[row]:
        return watched
    told = {place: told for place, told in watched.multi.items() if place != row}
    alone = replace(watched, batch=watched.batch.put(one, rows), multi=told)
    return _replaced(alone, row, found)


def _free(watched: DriftCorrectedFit, row: int) -> IndexArray:
    """Return which of the circle's unknowns were fitted."""
    return np.flatnonzero(np.arange(TANGENTS) != (-1 if watched.delay_free[row] else 2))


@dataclass(frozen=True, eq=False)
class _Found:
    """One row's movement and the circle with it allowed for.

    Parameters
    ----------
    mended : bool
        One step explains everything: what is left is noise.
    """

    moved: Drift
    mended: bool
    fit: CircleFit
    covariance: FloatArray
    noise2: float
    correlation: float


def _found(rows: SweepBatch, fit: CircleFit, look: RowScore) -> _Found | None:
    """Return what moved in one row; None where the circle would run away."""
    kinds, free = KINDS, look.free
    for turn in range(_ROUNDS):
        # All kinds at places a few points apart, the likely ones then at every point.
        look = look if turn == 0 else RowScore.at(rows, fit, free, 1)
        answers, noise2 = answers_of(look, kinds)
        mean, covariance = averaged(answers)
        step = np.zeros(TANGENTS)
        step[free] = mean
        if abs(step[0]) > _FARTHEST or abs(step[1]) > _FARTHEST:
            return None
        linear = fit.linear + step[3::2] + 1j * step[4::2]
        fit = replace(fit, p=fit.p + step[None, :3], linear=linear)
        # A step so small that the tangents held along it: what they miss goes with its square.
        missed = mean**2 * np.where(free == 0, np.exp(fit.p[0, 1]), 1.0)
        settled = np.all(missed < _SETTLED * np.sqrt(np.diag(covariance)))
        if settled and look.width == 1:
            break
        likeliest = max(answer.likelihood for answer in answers)
        hopeless = max(_HOPELESS, _BLURRED * likeliest if turn == 0 else 0.0)
        kinds = tuple(a.kind for a in answers if a.likelihood > likeliest - hopeless)
    best = max(answers, key=lambda answer: answer.likelihood)
    rest = left_by(look, best)
    whole = np.zeros((TANGENTS, TANGENTS))
    whole[np.ix_(free, free)] = covariance
    rss = float((rest**2).sum())
    return _Found(
        _told(rows, look, best, (look.left - rss) / noise2),
        best.place is not None and not noticed(look.of(rest, _width(rows))),
        replace(fit, rss=np.array([rss])),
        whole,
        noise2,
        float((rest[:, 1:] * rest[:, :-1]).sum()) / max(rss, 1e-300),
    )


def _width(rows: SweepBatch) -> int:
    return max(1, int(rows.position.shape[1]) // _PLACES)


def _told(rows: SweepBatch, look: RowScore, best: DriftPosterior, chi_square: float) -> Drift:
    touched = max(int(np.any(best.change != 0, axis=0).sum()), 1)
    return Drift(
        best.kind.what,
        best.kind.how,
        chi_square,
        None if best.place is None else float(rows.f_hz[0, best.place]),
        math.sqrt(float((best.change**2).sum()) / touched),
    )


def _replaced(watched: DriftCorrectedFit, row: int, found: _Found) -> DriftCorrectedFit:
    """Return the fits with the circle in one row that allows for a step."""
    covariance = watched.covariance.copy()
    sigma, correlation = watched.sigma.copy(), watched.correlation.copy()
    covariance[row], sigma[row] = found.covariance, math.sqrt(found.noise2)
    correlation[row] = found.correlation
    return replace(
        watched,
        fit=watched.fit.put(np.array([row]), found.fit),
        sigma=sigma, covariance=covariance, correlation=correlation,
        moved={**watched.moved, row: found.moved},
    )  # fmt: skip


def _widened(watched: DriftCorrectedFit, row: int, found: _Found) -> DriftCorrectedFit:
    """Return the fits with one row's uncertainties reaching over what a movement may have done.

    What is left of a circle in many ways may be movement, or a background that is not simple: the
    circle stays, and how far the movement would shift it is an error of its own.
    """
    plain = watched.fit.take(np.array([row]))
    shift = np.concatenate([
        (found.fit.p - plain.p)[0],
        np.stack([(d := found.fit.linear[0] - plain.linear[0]).real, d.imag], axis=1).ravel(),
    ])  # fmt: skip
    points = watched.batch.weight[row].sum(keepdims=True)
    # The whole covariance is multiplied by this for residuals that hang together.
    inflation = float(correlation_inflation(watched.correlation[row : row + 1], points)[0])
    covariance = watched.covariance.copy()
    covariance[row] += (np.outer(shift, shift) + found.covariance) / inflation**2
    return replace(watched, covariance=covariance, moved={**watched.moved, row: found.moved})
