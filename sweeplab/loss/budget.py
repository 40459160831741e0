"""From a resonance and a build to a loss budget."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from contextlib import suppress

from sweeplab.builds import Build
from sweeplab.errors import ModelError
from sweeplab.estimate import Estimate
from sweeplab.finding import Finding, ranked
from sweeplab.isolation import isolated, unforeseen_finding
from sweeplab.line import deembed
from sweeplab.loop import LoopModel
from sweeplab.loop.coupling import (
    CouplingGeometry,
    coupling_of,
    small_loop_radiation_resistance,
    wire_resistance,
)
from sweeplab.loop.ground import GroundEffect, ground_effect, shifted_effects
from sweeplab.loop.model_uncertainty import model_findings, model_uncertainty
from sweeplab.loss.coupled_fit import CoupledFit, CouplingPrior, fit_coupled
from sweeplab.loss.figures import (
    FREE_SPACE,
    ModelFigures,
    UnloadedResonance,
    budget_figures,
    parts_known,
)
from sweeplab.loss.findings import (
    ambiguous_efficiency,
    budget_findings,
    ground_exceeds_total,
    ground_unknown,
    smaller_than_physics,
)
from sweeplab.loss.result import LossBudget
from sweeplab.loss.uncertainty_sources import sources
from sweeplab.resonance import Resonance, fit_resonance
from sweeplab.resonance.scalar.sign_recovery import with_signs_of_fit
from sweeplab.runtime import one_blas_thread
from sweeplab.sweep import Sweep

# The one-pole circle against full-wave truth: median error of efficiency 1.4 %.
_U_CIRCLE = 0.02
# Joints and connectors of the coupling loop are not in its described resistance.
_LEAST_U_COUPLING_OHM = 0.02

# What an interval is not widened beyond.
_UPPER_LIMITS = {"efficiency": 1.0, "efficiency_db": 0.0, "efficiency_over_ground": 1.0}

Shares = dict[str, dict[str, float]]


def loss_budget(sweep: Sweep, build: Build, *, resonance: Resonance | None = None) -> LossBudget:
    """Infer where the ohms go.

    Parameters
    ----------
    sweep : Sweep
        As measured.
    build : Build
        What it was measured on, in the setting it was measured in.
    resonance : Resonance or None
        The sweep's fit with the build's line taken out; made here where not given.

    Returns
    -------
    LossBudget
        Never raises on a sweep that could be read: see `LossBudget.status`.
    """
    line = None if build.feed is None else build.feed.line
    fit = fit_resonance(sweep, line=line) if resonance is None else resonance

    def refused(sweep: Sweep, error: Exception) -> LossBudget:
        return LossBudget("refused", ranked((*fit.findings, unforeseen_finding(sweep, error))))

    def inferred(sweeps: Sequence[Sweep]) -> list[LossBudget]:
        return [_budget_of(one, build, fit) for one in sweeps]

    with one_blas_thread():
        return isolated([sweep], inferred, refused)[0]


def _budget_of(sweep: Sweep, build: Build, fit: Resonance) -> LossBudget:
    if fit.circle is None or fit.q_unloaded is None:
        return LossBudget("refused", fit.findings)
    try:
        model = LoopModel(build)
        _check_tunable(model, fit.circle.f_loaded_hz)
        # Ground changes little over a sweep: its effect at the loaded resonance serves.
        ground, ground_finding = _ground(build, model, fit.circle.f_loaded_hz)
        unloaded = _unloaded(sweep, build, fit, model, ground)
        return _budget(build, model, fit, unloaded, ground, ground_finding)
    except ModelError as error:
        refusal = Finding(
            code="outside-model",
            level="problem",
            text=f"The loop's model cannot answer: {error}.",
            evidence={},
            action="The resonance's figures stand; compare them between builds.",
        )
        return LossBudget("refused", ranked((*fit.findings, refusal)))


def _check_tunable(model: LoopModel, f_hz: float) -> None:
    """Raise ModelError where the described loop is no inductance, which a capacitor could tune.

    Past its own parallel resonance a loop's reactance is negative, and so, near there, the ohms
    that would follow from it.
    """
    if min(model.impedance(f_hz).imag, model.effective_reactance(f_hz)) <= 0:
        raise ModelError(
            f"at {f_hz / 1e6:.4g} MHz the loop described is past its own resonance, and no "
            "capacitor tunes it; check its size and turns in the build"
        )


def _over_ground(build: Build) -> bool:
    return build.site is not None and build.site.ground != "free"


def _ground(build: Build, model: LoopModel, f_hz: float) -> tuple[GroundEffect, Finding | None]:
    """Return the ground's effect, or free space and why ground could not be taken out."""
    if build.site is None or not _over_ground(build):
        return FREE_SPACE, None
    try:
        return ground_effect(model, f_hz, build.site), None
    except ModelError as error:
        return FREE_SPACE, ground_unknown(str(error))


def _unloaded(
    sweep: Sweep, build: Build, fit: Resonance, model: LoopModel, ground: GroundEffect
) -> UnloadedResonance:
    assert fit.circle is not None
    assert fit.q_unloaded is not None
    coupled = _coupled(sweep, build, fit, model, ground)
    if coupled is None:
        q = fit.q_unloaded
        u = math.hypot(q.u / q.value, _U_CIRCLE)
        # Under- or over-coupled, where the data do not distinguish them: the interval holds both.
        low, high = q.low, q.high
        if fit.q_unloaded_other is not None:
            other = fit.q_unloaded_other
            widened = Estimate.lognormal(other.value, other.value * _U_CIRCLE)
            low = min(low, other.low, widened.low)
            high = max(high, other.high, widened.high)
        return UnloadedResonance(fit.circle.f_loaded_hz, q.value, u, low, high, None)
    q0 = model.effective_reactance(coupled.f0_hz) / coupled.r_total_ohm
    q = Estimate.lognormal(q0, q0 * coupled.u_log_r_total)
    return UnloadedResonance(coupled.f0_hz, q0, coupled.u_log_r_total, q.low, q.high, coupled)


def _coupled(
    sweep: Sweep, build: Build, fit: Resonance, model: LoopModel, ground: GroundEffect
) -> CoupledFit | None:
    """Run the second stage where the reference plane is known."""
    if build.feed is None or fit.circle is None or fit.kept is None:
        return None
    if fit.q_unloaded_other is not None:
        return None
    line = build.feed.line
    signed = with_signs_of_fit(sweep, fit)
    plane = signed if line is None else deembed(signed, line)
    prior = _coupling_prior(build, model, fit.circle.f_loaded_hz)
    return fit_coupled(plane, fit.kept, fit.circle, model, prior, line, ground.total_ratio)


def _coupling_prior(build: Build, model: LoopModel, f_hz: float) -> CouplingPrior:
    """Return what the description says of the coupling loop beforehand.

    Where it says how large the coupling loop is, but not where: both radiate the same pattern, so
    that their mutual resistance is the geometric mean of their radiation resistances.
    """
    feed = build.feed
    if feed is None or feed.circumference is None:
        return CouplingPrior()
    size = feed.circumference.value
    if feed.conductor_diameter is not None and feed.offset is not None:
        geometry = CouplingGeometry(
            circumference_m=size,
            conductor_radius_m=feed.conductor_diameter.value / 2,
            offset_m=feed.offset.value,
            shape=feed.shape,
            position=feed.position,
            tilt_rad=math.radians(feed.tilt_deg),
        )
        with suppress(ModelError):
            found = coupling_of(model, geometry, f_hz)
            u_r = max(found.r_ohm, _LEAST_U_COUPLING_OHM)
            return CouplingPrior(found.r_ohm, u_r, found.r_mutual_ohm, found.x_ohm)
    radiation = small_loop_radiation_resistance(feed.shape, size, f_hz)
    mutual = math.sqrt(radiation * model.radiation_resistance(f_hz))
    if feed.conductor_diameter is None:
        return CouplingPrior(r_mutual_ohm=mutual)
    r = wire_resistance(size, feed.conductor_diameter.value / 2, f_hz)
    return CouplingPrior(r, max(r, _LEAST_U_COUPLING_OHM), mutual)


def _budget(
    build: Build,
    model: LoopModel,
    fit: Resonance,
    unloaded: UnloadedResonance,
    ground: GroundEffect,
    ground_finding: Finding | None,
) -> LossBudget:
    modelled = ModelFigures.at(build, model, unloaded.f0_hz, ground)
    values = budget_figures(modelled, unloaded, unloaded.q_unloaded)
    if values["r_total_ohm"] <= values["r_ground_ohm"]:
        return LossBudget("refused", ranked((*fit.findings, ground_exceeds_total(values))))
    shares = _shares(build, model, modelled, unloaded, values)
    estimates = _estimates(modelled, unloaded, values, shares)
    unknown = set() if parts_known(build) else {"r_parts_ohm"}
    if ground_finding is not None or not _over_ground(build):
        unknown |= {"r_ground_ohm", "efficiency_over_ground"}
    for name in unknown:
        del estimates[name], shares[name]
    own = budget_findings(build, estimates, shares, unloaded.coupled)
    own += model_findings(build, model, unloaded.f0_hz)
    q_radiation = modelled.x_eff_ohm / modelled.r_radiation_ohm
    own += smaller_than_physics(q_radiation, model.least_q(unloaded.f0_hz))
    own += [] if ground_finding is None else [ground_finding]
    if fit.q_unloaded_other is not None:
        other = budget_figures(modelled, unloaded, fit.q_unloaded_other.value)
        own.append(ambiguous_efficiency(values["efficiency"], other["efficiency"]))
    doubtful = fit.status != "ok" or any(finding.level != "note" for finding in own)
    return LossBudget(
        status="doubtful" if doubtful else "ok",
        findings=ranked((*fit.findings, *own)),
        shares=shares,
        **estimates,
    )


def _estimates(
    modelled: ModelFigures,
    unloaded: UnloadedResonance,
    values: Mapping[str, float],
    shares: Shares,
) -> dict[str, Estimate]:
    estimates = {
        name: _estimate(name, value, math.hypot(*shares[name].values()))
        for name, value in values.items()
    }
    if unloaded.coupled is None:
        # The resonance's interval may be wider than its u: unexplained loss has two explanations.
        for end in (unloaded.q_low, unloaded.q_high):
            for name, value in budget_figures(modelled, unloaded, end).items():
                if math.isfinite(value):
                    limited = min(value, _UPPER_LIMITS.get(name, math.inf))
                    estimates[name] = estimates[name].widened(limited)
    return estimates


def _shares(
    build: Build,
    model: LoopModel,
    modelled: ModelFigures,
    unloaded: UnloadedResonance,
    values: Mapping[str, float],
) -> Shares:
    """Return each figure's signed change per standard uncertainty of each source."""
    q = unloaded.q_unloaded
    shifted = {
        key: budget_figures(figures, unloaded, q)
        for key, figures in _shifted_models(build, model, modelled, unloaded.f0_hz).items()
    }
    shifted["fit"] = budget_figures(modelled, unloaded, q * (1 + unloaded.u_relative))
    return {
        name: {
            key: figures[name] - value
            for key, figures in shifted.items()
            if math.isfinite(figures[name])
        }
        for name, value in values.items()
    }


def _shifted_models(
    build: Build, model: LoopModel, modelled: ModelFigures, f0_hz: float
) -> dict[str, ModelFigures]:
    """Return the model's figures with each source of theirs one standard uncertainty larger."""
    error = model_uncertainty(build, model, f0_hz)
    models = {
        "model.radiation": modelled.with_errors(radiation=error.radiation),
        "model.reactance": modelled.with_errors(reactance=error.effective_reactance),
        "model.turns": modelled.with_errors(radiation=error.together, reactance=error.together),
    }
    site = None if modelled.ground is FREE_SPACE else build.site
    for source in sources(build):
        shifted = LoopModel(source.shifted)
        ground = modelled.ground
        if site is not None and source.key.startswith("loop."):
            ground = ground_effect(shifted, f0_hz, site)
        models[source.key] = ModelFigures.at(
            source.shifted, shifted, f0_hz, ground, modelled.directivity
        )
    if site is not None:
        for key, effect in shifted_effects(model, f0_hz, site).items():
            models[key] = modelled.over_ground(effect)
    return models


def _estimate(name: str, value: float, u: float) -> Estimate:
    if name in ("efficiency", "efficiency_over_ground"):
        return Estimate.share(value, u)
    if name in ("x_eff_ohm", "r_total_ohm", "r_radiation_ohm", "r_conductor_ohm"):
        return Estimate.lognormal(value, u)
    return Estimate.normal(value, u)
