"""Signs for a phase that was saved without them.

An analyzer that shows R and the size of X gives the reflection or its conjugate at every point.
The size alone tells fL, QL and the two circles that coupling may have; what is left to find are
which of them, its angle, and the line's turn over the span. Signs follow from the model, the model
from signs, a few rounds from several starts; causality (a circle turns clockwise: QL > 0) settles
the sign of the whole. The signs stand only where every other reading fits clearly worse.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from sweeplab.finding import Finding, Threshold
from sweeplab.line import embed
from sweeplab.resonance.circle.batch import CircleFit, SweepBatch
from sweeplab.resonance.circle.varpro import lorentz, residuals, solve
from sweeplab.resonance.interference import RAYLEIGH_MEDIAN, without_outliers
from sweeplab.resonance.result import Resonance
from sweeplab.resonance.scalar.coupling_branches import CouplingBranches
from sweeplab.resonance.scalar.power_fit import PowerFit, fit_power
from sweeplab.sweep import ComplexArray, FloatArray, Sweep

# Phase that a line turns over the span [rad].
_THETAS = np.arange(-2.0, 40.0, 0.5)
# Angle of the detuned reflection in mid span [rad].
_ANGLES = np.linspace(-math.pi, math.pi, 24, endpoint=False)
_FINE_ANGLES = np.linspace(-0.25, 0.25, 9)
_FINE_THETAS = np.linspace(-0.5, 0.5, 9)
_STARTS_A_SIDE = 4
_GRID_POINTS = 50
_VALLEY_STEPS = 8
_MOST_READINGS = 3
_ALIKE: Threshold = 0.01
# A misfit so many times the best reading's does not come near it when fitted freely.
_HOPELESS: Threshold = 30.0
# Rounds of signs, and steps of the fit in each.
_ROUNDS = 4
_STEPS = 8
_UNKNOWNS = 7
# Chi-square by which every other reading must fit worse, and their difference in coupling that
# makes it another.
_CLEAR: Threshold = 25.0
_SAME: Threshold = 0.02
# A sign is a guess where the model is within so many standard deviations of the real axis.
_AMBIGUOUS: Threshold = 2.0
_MOST_AMBIGUOUS: Threshold = 0.25
# Wrong signs leave a residual far above the sizes' own.
_WORST_EXCESS: Threshold = 2.5
# Residual that neighbours share, against the circle's diameter.
_WORST_MISFIT: Threshold = 0.05
# What white noise of 400 points reaches in one sweep of a hundred, whatever the number of points:
# only the signs depend on it, and no borderline point decides those.
_OUTLIER: Threshold = 4.6
_LEAST_NOISE = 1e-6


@dataclass(frozen=True, eq=False)
class Signed:
    """A sweep whose signs were found.

    Parameters
    ----------
    sweep : Sweep
        The complex reflection; a point near the real axis has its sign's expectation.
    finding : Finding
    """

    sweep: Sweep
    finding: Finding


def with_signs(sweep: Sweep) -> Signed | None:
    """Return an unsigned sweep with its signs, or None where the data do not tell them.

    Parameters
    ----------
    sweep : Sweep
        As measured, with enough usable points that are not all alike.
    """
    sizes = fit_power(sweep)
    if sizes.covariance is None or sizes.dof < _UNKNOWNS:
        return None
    finite = np.isfinite(sweep.gamma)
    gamma = np.where(finite, sweep.gamma, 0)
    gamma = np.asarray(gamma.real + 1j * np.abs(gamma.imag))
    rows, solution = _readings(sizes, gamma)
    quiet = _without_interference(rows, solution, int(np.argmin(solution.rss)))
    if quiet is not rows:
        rows, solution = _alternated(quiet, solution.p)
    best = int(np.argmin(solution.rss))
    points = float(rows.weight[0].sum())
    noise2 = max(float(solution.rss[best]) / (2 * points - _UNKNOWNS), _LEAST_NOISE**2)
    height = _model(rows, solution)[best].imag
    ambiguous = int((finite & (np.abs(height) < _AMBIGUOUS * math.sqrt(noise2))).sum())
    good = math.sqrt(noise2) < _WORST_EXCESS * sizes.noise
    if (
        not good
        or not _stands_alone(rows, solution, best, noise2)
        or ambiguous > _MOST_AMBIGUOUS * points
    ):
        return None
    # Near the axis a sign is as sure as the noise allows: its expectation takes its place.
    sign = np.tanh(np.clip(gamma.imag * height / noise2, -20, 20))
    signed = np.where(finite, gamma.real + 1j * gamma.imag * sign, complex(math.nan, math.nan))
    return Signed(replace(sweep, gamma=signed, content="complex"), _finding(ambiguous, len(sweep)))


def signed_like(sweep: Sweep, fit: Resonance) -> Sweep:
    """Return an unsigned sweep with the signs of a fit that found them; any other as it is."""
    if sweep.content != "unsigned" or fit.circle is None:
        return sweep
    model = sweep.with_gamma(fit.circle.reflection(sweep.f_hz))
    model = model if fit.line is None else embed(model, fit.line)
    return replace(sweep, gamma=_facing(sweep.gamma, model.gamma), content="complex")


def signs_unknown() -> Finding:
    """Return the finding for a sweep whose signs the data do not tell."""
    return Finding(
        "signs-not-recovered", "warning",
        "The file leaves out the sign of the reactance and the sweep does not tell it: only the "
        "size of the reflection was used.",
        {}, "Save complex data (Touchstone), or sweep six half-power bandwidths about the dip.",
    )  # fmt: skip


def _finding(ambiguous: int, points: int) -> Finding:
    return Finding(
        "signs-recovered", "note",
        "The file leaves out the sign of the reactance; the fit tells it"
        + (f", but for {ambiguous} of {points} points so near zero that it does not matter."
           if ambiguous else " at every point."),
        {"points_ambiguous": float(ambiguous), "points": float(points)},
        "Nothing to do; Touchstone files keep the sign.",
    )  # fmt: skip


def _readings(sizes: PowerFit, gamma: ComplexArray) -> tuple[SweepBatch, CircleFit]:
    """Return the few best readings of a sweep, each a row: signs and the fit that goes with them.

    For each side of the match the size of everything is known: every angle of the detuned
    reflection and every turn of the line is held against the real part and the size of the
    imaginary part, the best valleys are followed down, and the deepest are fitted freely.
    """
    weight = sizes.rows.weight[0]
    gamma = np.where(sizes.kept, gamma, 0)
    circles = CouplingBranches.of(sizes, np.concatenate([sizes.p, sizes.a])[None])
    found = []
    for over in (False, True):
        shape = np.asarray(circles.detuned + circles.drop(over) / (1 + 1j * sizes.x), complex)
        found.append(_valleys(sizes.rows.u[0], shape, gamma, weight))
    models, thetas, misfits = (np.concatenate(parts) for parts in zip(*found, strict=True))
    few = _distinct(models, misfits)
    every = np.zeros(few.size, dtype=np.intp)
    rows = replace(sizes.rows, gamma=gamma[None]).take(every)
    rows = replace(rows, gamma=_facing(rows.gamma, models[few]))
    start = np.column_stack([np.tile(sizes.p, (few.size, 1)), thetas[few]])
    return _alternated(rows, start)


def _valleys(
    u: FloatArray, shape: ComplexArray, gamma: ComplexArray, weight: FloatArray
) -> tuple[ComplexArray, FloatArray, FloatArray]:
    """Return the models, shape (k, n), line's turns and misfits at the bottoms of valleys."""
    points = np.s_[:: max(1, u.size // _GRID_POINTS)]
    turned = shape[points] * np.exp(-1j * _THETAS[:, None] * u[points])
    real, height = (weight * gamma.real)[points], (weight * gamma.imag)[points]
    places = [
        _nearby(u[points], shape[points], real, height, _ANGLES[i], _THETAS[j])
        for i, j in _lowest(_misfit(turned, real, height))
    ]
    angles, thetas = np.array(places).T
    model = shape * np.exp(1j * (angles[:, None] - thetas[:, None] * u))
    # Gauss-Newton in angle and turn alone: i m and -i u m, and the size of m stays.
    size = weight * np.abs(shape) ** 2
    normal = np.array([[size.sum(), -(size @ u)], [-(size @ u), size @ u**2]])
    for _ in range(_VALLEY_STEPS):
        across = weight * (model.conj() * (_facing(gamma, model) - model)).imag
        step = np.linalg.solve(normal, np.stack([across.sum(axis=1), -(across @ u)]))
        thetas = thetas + step[1]
        model = model * np.exp(1j * (step[0][:, None] - step[1][:, None] * u))
    return model, thetas, np.abs(_facing(gamma, model) - model) ** 2 @ weight


def _distinct(models: ComplexArray, misfits: FloatArray) -> np.ndarray[Any, np.dtype[np.intp]]:
    """Return the places of the best readings, each but once."""
    chosen: list[int] = []
    hopeless = _HOPELESS * float(misfits.min())
    for i in np.argsort(misfits).tolist():
        if misfits[i] > hopeless:
            break
        near = (float(np.abs(models[i] - models[j]).max()) for j in chosen)
        if len(chosen) < _MOST_READINGS and all(off > _ALIKE for off in near):
            chosen.append(i)
    return np.array(chosen, dtype=np.intp)


def _misfit(turned: ComplexArray, real: FloatArray, height: FloatArray) -> FloatArray:
    """Return each angle's and turn's misfit, but for what is alike in all, shape (angles, turns).

    ``(Re m - Re g)^2 + (|Im m| - |Im g|)^2`` where only m's angle and turn vary.
    """
    half = _ANGLES[: _ANGLES.size // 2]
    cosine, sine = np.cos(half)[:, None], np.sin(half)[:, None]
    along = cosine * (turned.real @ real) - sine * (turned.imag @ real)
    across = np.abs(sine[:, None] * turned.real + cosine[:, None] * turned.imag) @ height
    # Half a turn on, the real part changes sign and the imaginary part's size does not.
    return np.concatenate([-along - across, along - across])


def _nearby(
    u: FloatArray,
    shape: ComplexArray,
    real: FloatArray,
    height: FloatArray,
    angle: float,
    theta: float,
) -> tuple[float, float]:
    """Return the best angle and turn of a finer grid within a step of a coarse one.

    Wrong signs make small valleys of their own: a step downhill would end in one.
    """
    angles, thetas = angle + _FINE_ANGLES, theta + _FINE_THETAS
    model = np.exp(1j * angles[:, None, None]) * (shape * np.exp(-1j * thetas[:, None] * u))
    likeness = model.real @ real + np.abs(model.imag) @ height
    i, j = np.unravel_index(likeness.argmax(), likeness.shape)
    return float(angles[i]), float(thetas[j])


def _lowest(misfit: FloatArray) -> list[tuple[int, int]]:
    """Return the places of the lowest valleys over angles, which come round, and turns."""
    walled = np.pad(misfit, ((0, 0), (1, 1)), constant_values=np.inf)
    valley = (misfit <= walled[:, :-2]) & (misfit <= walled[:, 2:])
    valley &= (misfit <= np.roll(misfit, 1, axis=0)) & (misfit <= np.roll(misfit, -1, axis=0))
    places = np.argwhere(valley)
    order = np.argsort(misfit[valley])[:_STARTS_A_SIDE]
    return [(int(angle), int(theta)) for angle, theta in places[order]]


def _facing(gamma: ComplexArray, model: ComplexArray) -> ComplexArray:
    """Return reflections or their conjugates, whichever is nearer to the model."""
    return np.asarray(gamma.real + 1j * np.where(model.imag < 0, -1, 1) * np.abs(gamma.imag))


def _alternated(rows: SweepBatch, start: FloatArray) -> tuple[SweepBatch, CircleFit]:
    """Fit, choose signs by the fit, and again, until no sign changes."""
    free = np.ones(len(rows), dtype=bool)
    solution = solve(rows, start, free, steps=_STEPS)
    for _ in range(_ROUNDS):
        gamma = _facing(rows.gamma, _model(rows, solution))
        changed = np.flatnonzero((gamma != rows.gamma).any(axis=1))
        if changed.size == 0:
            break
        rows = replace(rows, gamma=gamma)
        part = solve(rows.take(changed), solution.p[changed], free[changed], steps=_STEPS)
        solution = solution.put(changed, part)
    return rows, solution


def _model(rows: SweepBatch, solution: CircleFit) -> ComplexArray:
    x, _ = lorentz(rows, solution.p)
    picture = solution.linear[:, :1] + solution.linear[:, 1:] / (1 + 1j * x)
    return np.asarray(picture * np.exp(-1j * solution.p[:, 2:] * rows.u))


def _without_interference(rows: SweepBatch, solution: CircleFit, best: int) -> SweepBatch:
    """Set aside, for every reading alike, what white noise about the best one would not reach."""
    off = np.abs(residuals(rows, solution)[best])
    counted = rows.weight[0] > 0
    (kept,) = without_outliers(
        off[None], counted[None], RAYLEIGH_MEDIAN, _OUTLIER * _LEAST_NOISE, _OUTLIER
    )
    if np.array_equal(kept, counted):
        return rows
    return rows.weighted(np.broadcast_to(kept.astype(float), rows.u.shape))


def _stands_alone(rows: SweepBatch, solution: CircleFit, best: int, noise2: float) -> bool:
    """Say whether one reading fits well, and every other clearly worse."""
    rest = residuals(rows, solution)[best]
    pair = rows.weight[best, 1:] * rows.weight[best, :-1]
    alone = float((pair * np.abs(np.diff(rest)) ** 2).sum()) / 2
    rss, points = float(solution.rss[best]), float(rows.weight[best].sum())
    drop = abs(complex(solution.linear[best, 1]))
    if drop == 0:
        return False
    if math.sqrt(max(rss - alone, 0.0) / points) > _WORST_MISFIT * drop:
        return False
    # What neighbours share counts as one point's noise, not as many.
    together = max(rss / max(alone, points * _LEAST_NOISE**2), 1.0)
    d = np.abs(solution.linear[:, 1]) / np.maximum(np.abs(solution.linear[:, 0]), 1e-9)
    other = (np.abs(d / d[best] - 1) > _SAME) | (
        np.abs(solution.p[:, 1] - solution.p[best, 1]) > _SAME
    )
    return bool(np.all(solution.rss[other] - rss > _CLEAR * noise2 * together))
