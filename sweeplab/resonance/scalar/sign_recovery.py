"""Recovers the signs of a phase that was saved without them.

An analyzer that shows R and the magnitude of X gives the reflection or its conjugate at every
point. The magnitude alone gives fL, QL and the two circles that coupling may have; what is left to
find are which of the two it is, its angle, and the phase that the line turns over the span. A sign
pattern follows from a model and a model from a sign pattern, so the two are found in turn, from
several starts; causality (a circle is run through clockwise: QL > 0) gives the overall sign. The
signs count as recovered only where every other pattern fits clearly worse.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from sweeplab.finding import Finding, Threshold
from sweeplab.line import embed
from sweeplab.resonance.circle.batch import CircleFit, SweepBatch
from sweeplab.resonance.circle.varpro import detuning, residuals, solve
from sweeplab.resonance.interference import RAYLEIGH_MEDIAN, without_outliers
from sweeplab.resonance.result import Resonance
from sweeplab.resonance.scalar.coupling_branches import CouplingBranches
from sweeplab.resonance.scalar.power_fit import PowerFit, fit_power
from sweeplab.sweep import ComplexArray, FloatArray, IndexArray, Sweep

# Phase that a line turns over the span [rad].
_THETAS = np.arange(-2.0, 40.0, 0.5)
# Angle of the detuned reflection in mid span [rad].
_ANGLES = np.linspace(-math.pi, math.pi, 24, endpoint=False)
_FINE_ANGLES = np.linspace(-0.25, 0.25, 9)
_FINE_THETAS = np.linspace(-0.5, 0.5, 9)
_STARTS_PER_BRANCH = 4
_GRID_POINTS = 50
_ANGLE_STEPS = 8
_MAX_PATTERNS = 3
# Models nearer to one another than this have the same pattern.
_SAME_MODEL: Threshold = 0.01
# A pattern whose misfit is this many times the best one's does not become the best when fitted.
_MAX_MISFIT_RATIO: Threshold = 30.0
# Rounds of choosing signs, and steps of the fit in each.
_MAX_ROUNDS = 4
_FIT_STEPS = 8
_UNKNOWNS = 7
# Chi-square by which every other pattern must fit worse, and the relative difference in coupling or
# loaded Q that makes it another.
_MIN_CHI2_MARGIN: Threshold = 25.0
_SAME_FIGURES: Threshold = 0.02
# A sign is ambiguous where the model is within this many standard deviations of the real axis.
_AMBIGUOUS_DEVIATIONS: Threshold = 2.0
_MAX_AMBIGUOUS_SHARE: Threshold = 0.25
# Wrong signs leave a residual far above the noise of the magnitudes.
_MAX_NOISE_RATIO: Threshold = 2.5
# Correlated residual, relative to the circle's diameter.
_MAX_MISFIT: Threshold = 0.05
# What white noise of 400 points reaches in one sweep of a hundred, whatever the number of points:
# only the signs depend on it, and no borderline point decides those.
_OUTLIER_DEVIATIONS: Threshold = 4.6
_MIN_NOISE = 1e-6


@dataclass(frozen=True, eq=False)
class SignRecovery:
    """A sweep whose signs were recovered.

    Parameters
    ----------
    sweep : Sweep
        The complex reflection; a point near the real axis has its sign's expectation.
    finding : Finding
    """

    sweep: Sweep
    finding: Finding


def recover_signs(sweep: Sweep) -> SignRecovery | None:
    """Return an unsigned sweep with its signs, or None where the data do not determine them.

    Parameters
    ----------
    sweep : Sweep
        As measured, with enough usable points that are not all alike.
    """
    power_fit = fit_power(sweep)
    if power_fit.covariance is None or power_fit.dof < _UNKNOWNS:
        return None
    finite = np.isfinite(sweep.gamma)
    gamma = np.where(finite, sweep.gamma, 0)
    gamma = np.asarray(gamma.real + 1j * np.abs(gamma.imag))
    batch, fit = _fitted_patterns(power_fit, gamma)
    trimmed = _without_interference(batch, fit, int(np.argmin(fit.rss)))
    if trimmed is not batch:
        batch, fit = _alternate(trimmed, fit.p)
    best = int(np.argmin(fit.rss))
    points = float(batch.weight[0].sum())
    noise_variance = max(float(fit.rss[best]) / (2 * points - _UNKNOWNS), _MIN_NOISE**2)
    imag = _model(batch, fit)[best].imag
    near_axis = np.abs(imag) < _AMBIGUOUS_DEVIATIONS * math.sqrt(noise_variance)
    ambiguous = int((finite & near_axis).sum())
    recovered = (
        math.sqrt(noise_variance) < _MAX_NOISE_RATIO * power_fit.noise
        and _is_unambiguous(batch, fit, best, noise_variance)
        and ambiguous <= _MAX_AMBIGUOUS_SHARE * points
    )
    if not recovered:
        return None
    # Near the axis a sign is as sure as the noise allows: its expectation takes its place.
    sign = np.tanh(np.clip(gamma.imag * imag / noise_variance, -20, 20))
    signed = np.where(finite, gamma.real + 1j * gamma.imag * sign, complex(math.nan, math.nan))
    return SignRecovery(
        sweep=replace(sweep, gamma=signed, content="complex"),
        finding=_signs_recovered_finding(ambiguous, len(sweep)),
    )


def with_signs_of_fit(sweep: Sweep, fit: Resonance) -> Sweep:
    """Return an unsigned sweep with the signs of a fit that recovered them; any other unchanged."""
    if sweep.content != "unsigned" or fit.circle is None:
        return sweep
    model = sweep.with_gamma(fit.circle.reflection(sweep.f_hz))
    model = model if fit.line is None else embed(model, fit.line)
    return replace(sweep, gamma=_with_signs(sweep.gamma, model.gamma), content="complex")


def signs_unknown_finding() -> Finding:
    """Return the finding for a sweep whose signs the data do not determine."""
    return Finding(
        code="signs-not-recovered",
        level="warning",
        text="The file leaves out the sign of the reactance and the sweep does not tell it: only "
        "the size of the reflection was used.",
        evidence={},
        action="Save complex data (Touchstone), or sweep six half-power bandwidths about the dip.",
    )


def _signs_recovered_finding(ambiguous: int, points: int) -> Finding:
    where = " at every point."
    if ambiguous:
        where = f", but for {ambiguous} of {points} points so near zero that it does not matter."
    return Finding(
        code="signs-recovered",
        level="note",
        text=f"The file leaves out the sign of the reactance; the fit tells it{where}",
        evidence={"points_ambiguous": float(ambiguous), "points": float(points)},
        action="Nothing to do; Touchstone files keep the sign.",
    )


def _fitted_patterns(power_fit: PowerFit, gamma: ComplexArray) -> tuple[SweepBatch, CircleFit]:
    """Return the few best sign patterns of a sweep, one per row, and their fits.

    For each side of the match the magnitude is known everywhere: every angle of the detuned
    reflection and every phase of the line is compared with the real part and the magnitude of the
    imaginary part, the best are refined to local minima, and the lowest are fitted freely.
    """
    weight = power_fit.batch.weight[0]
    gamma = np.where(power_fit.used, gamma, 0)
    unknowns = np.concatenate([power_fit.p, power_fit.a])[None]
    branches = CouplingBranches.from_unknowns(power_fit, unknowns)
    found = []
    for over in (False, True):
        drop = branches.drop(over)
        locus = np.asarray(branches.detuned + drop / (1 + 1j * power_fit.x), dtype=np.complex128)
        found.append(_local_minima(power_fit.batch.position[0], locus, gamma, weight))
    models, thetas, misfits = (np.concatenate(parts) for parts in zip(*found, strict=True))
    chosen = _distinct(models, misfits)
    batch = replace(power_fit.batch, gamma=gamma[None]).take(np.zeros(chosen.size, dtype=np.intp))
    batch = replace(batch, gamma=_with_signs(batch.gamma, models[chosen]))
    start = np.column_stack([np.tile(power_fit.p, (chosen.size, 1)), thetas[chosen]])
    return _alternate(batch, start)


def _local_minima(
    u: FloatArray, locus: ComplexArray, gamma: ComplexArray, weight: FloatArray
) -> tuple[ComplexArray, FloatArray, FloatArray]:
    """Return models, shape (k, n), phases of the line and misfits at the lowest local minima."""
    subset = np.s_[:: max(1, u.size // _GRID_POINTS)]
    turned = locus[subset] * np.exp(-1j * _THETAS[:, None] * u[subset])
    real, imag = (weight * gamma.real)[subset], (weight * gamma.imag)[subset]
    starts = [
        _refined_on_grid(u[subset], locus[subset], real, imag, _ANGLES[i], _THETAS[j])
        for i, j in _lowest_on_grid(_grid_misfit(turned, real, imag))
    ]
    angles, thetas = np.array(starts).T
    model = locus * np.exp(1j * (angles[:, None] - thetas[:, None] * u))
    # Gauss-Newton in angle and phase alone: the model's derivatives i m and -i u m have its
    # magnitude, which does not change.
    power = weight * np.abs(locus) ** 2
    normal = np.array([[power.sum(), -(power @ u)], [-(power @ u), power @ u**2]])
    for _ in range(_ANGLE_STEPS):
        across = weight * (model.conj() * (_with_signs(gamma, model) - model)).imag
        step = np.linalg.solve(normal, np.stack([across.sum(axis=1), -(across @ u)]))
        thetas = thetas + step[1]
        model = model * np.exp(1j * (step[0][:, None] - step[1][:, None] * u))
    return model, thetas, np.abs(_with_signs(gamma, model) - model) ** 2 @ weight


def _distinct(models: ComplexArray, misfits: FloatArray) -> IndexArray:
    """Return the indices of the best models, each but once."""
    chosen: list[int] = []
    limit = _MAX_MISFIT_RATIO * float(misfits.min())
    for i in np.argsort(misfits).tolist():
        if misfits[i] > limit:
            break
        distances = (float(np.abs(models[i] - models[j]).max()) for j in chosen)
        if len(chosen) < _MAX_PATTERNS and all(distance > _SAME_MODEL for distance in distances):
            chosen.append(i)
    return np.array(chosen, dtype=np.intp)


def _grid_misfit(turned: ComplexArray, real: FloatArray, imag: FloatArray) -> FloatArray:
    """Return the misfit of each angle and phase, less what is common, shape (angles, phases).

    ``(Re m - Re g)^2 + (|Im m| - |Im g|)^2``, of which only the products vary.
    """
    half = _ANGLES[: _ANGLES.size // 2]
    cosine, sine = np.cos(half)[:, None], np.sin(half)[:, None]
    of_real = cosine * (turned.real @ real) - sine * (turned.imag @ real)
    of_imag = np.abs(sine[:, None] * turned.real + cosine[:, None] * turned.imag) @ imag
    # Half a turn on, the real part changes sign and the imaginary part's magnitude does not.
    return np.concatenate([-of_real - of_imag, of_real - of_imag])


def _refined_on_grid(
    u: FloatArray,
    locus: ComplexArray,
    real: FloatArray,
    imag: FloatArray,
    angle: float,
    theta: float,
) -> tuple[float, float]:
    """Return the best angle and phase of a finer grid around a point of the coarse one.

    Wrong signs make small local minima of their own: a descent would end in one.
    """
    angles, thetas = angle + _FINE_ANGLES, theta + _FINE_THETAS
    model = np.exp(1j * angles[:, None, None]) * (locus * np.exp(-1j * thetas[:, None] * u))
    product = model.real @ real + np.abs(model.imag) @ imag
    i, j = np.unravel_index(product.argmax(), product.shape)
    return float(angles[i]), float(thetas[j])


def _lowest_on_grid(misfit: FloatArray) -> list[tuple[int, int]]:
    """Return the indices of the lowest local minima over angles, which are periodic, and phases."""
    padded = np.pad(misfit, ((0, 0), (1, 1)), constant_values=np.inf)
    minimum = (misfit <= padded[:, :-2]) & (misfit <= padded[:, 2:])
    minimum &= (misfit <= np.roll(misfit, 1, axis=0)) & (misfit <= np.roll(misfit, -1, axis=0))
    indices = np.argwhere(minimum)
    order = np.argsort(misfit[minimum])[:_STARTS_PER_BRANCH]
    return [(int(angle), int(theta)) for angle, theta in indices[order]]


def _with_signs(gamma: ComplexArray, model: ComplexArray) -> ComplexArray:
    """Return reflections or their conjugates, whichever is nearer to the model."""
    return np.asarray(gamma.real + 1j * np.where(model.imag < 0, -1, 1) * np.abs(gamma.imag))


def _alternate(batch: SweepBatch, start: FloatArray) -> tuple[SweepBatch, CircleFit]:
    """Fit, choose signs by the fit, and repeat until no sign changes."""
    delay_free = np.ones(len(batch), dtype=bool)
    fit = solve(batch, start, delay_free, steps=_FIT_STEPS)
    for _ in range(_MAX_ROUNDS):
        gamma = _with_signs(batch.gamma, _model(batch, fit))
        changed = np.flatnonzero((gamma != batch.gamma).any(axis=1))
        if changed.size == 0:
            break
        batch = replace(batch, gamma=gamma)
        part = solve(batch.take(changed), fit.p[changed], delay_free[changed], steps=_FIT_STEPS)
        fit = fit.put(changed, part)
    return batch, fit


def _model(batch: SweepBatch, fit: CircleFit) -> ComplexArray:
    x, _ = detuning(batch, fit.p)
    locus = fit.linear[:, :1] + fit.linear[:, 1:] / (1 + 1j * x)
    return np.asarray(locus * np.exp(-1j * fit.p[:, 2:] * batch.position))


def _without_interference(batch: SweepBatch, fit: CircleFit, best: int) -> SweepBatch:
    """Set aside, in every pattern, the points that are outliers from the best one's fit."""
    deviation = np.abs(residuals(batch, fit)[best])
    measured = batch.weight[0] > 0
    (used,) = without_outliers(
        deviation[None],
        measured[None],
        RAYLEIGH_MEDIAN,
        least_deviation=_OUTLIER_DEVIATIONS * _MIN_NOISE,
        reach=_OUTLIER_DEVIATIONS,
    )
    if np.array_equal(used, measured):
        return batch
    return batch.with_weight(np.broadcast_to(used.astype(float), batch.position.shape))


def _is_unambiguous(batch: SweepBatch, fit: CircleFit, best: int, noise_variance: float) -> bool:
    """Return whether the best sign pattern fits well, and every other clearly worse."""
    residual = residuals(batch, fit)[best]
    pairs = batch.weight[best, 1:] * batch.weight[best, :-1]
    uncorrelated_rss = float((pairs * np.abs(np.diff(residual)) ** 2).sum()) / 2
    rss, points = float(fit.rss[best]), float(batch.weight[best].sum())
    drop = abs(complex(fit.linear[best, 1]))
    if drop == 0:
        return False
    if math.sqrt(max(rss - uncorrelated_rss, 0.0) / points) > _MAX_MISFIT * drop:
        return False
    # Neighbours that are correlated count for less than as many points.
    excess = max(rss / max(uncorrelated_rss, points * _MIN_NOISE**2), 1.0)
    diameter = np.abs(fit.linear[:, 1]) / np.maximum(np.abs(fit.linear[:, 0]), 1e-9)
    different = (np.abs(diameter / diameter[best] - 1) > _SAME_FIGURES) | (
        np.abs(fit.p[:, 1] - fit.p[best, 1]) > _SAME_FIGURES
    )
    return bool(np.all(fit.rss[different] - rss > _MIN_CHI2_MARGIN * noise_variance * excess))
