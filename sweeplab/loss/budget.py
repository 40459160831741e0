"""From a resonance and a build to a loss budget."""

from __future__ import annotations

import math
from dataclasses import dataclass

from sweeplab.build import Build
from sweeplab.errors import ModelError
from sweeplab.estimate import Estimate
from sweeplab.finding import Finding, ranked
from sweeplab.line import C0_M_PER_S, deembed
from sweeplab.loop import LoopModel
from sweeplab.loop.conductor import round_wire_impedance
from sweeplab.loss.coupled import Coupled, CouplingLoop, fit_coupled
from sweeplab.loss.plausible import budget_findings
from sweeplab.loss.result import LossBudget
from sweeplab.loss.sources import sensitivities
from sweeplab.resonance import Resonance, fit_resonance
from sweeplab.sweep import Sweep

REFERENCE_HZ = 10e6
# How far the thin-wire model is from a converged full-wave solution, as a standard uncertainty:
# half of the largest difference seen up to 0.25 wavelengths of circumference.
_U_MODEL_RADIATION = 0.0025
_U_MODEL_REACTANCE = 0.001
# The one-pole circle against full-wave truth: median error of efficiency 1.4 %.
_U_CIRCLE = 0.02


@dataclass(frozen=True)
class _Unloaded:
    """What the fit hands to the budget: unloaded frequency and Q, and how it came by them."""

    f0_hz: float
    q_unloaded: float
    u_relative: float
    q_low: float
    q_high: float
    coupling_efficiency: float
    coupled: Coupled | None


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
    if fit.circle is None or fit.q_unloaded is None:
        return LossBudget("refused", fit.findings)
    try:
        model = LoopModel(build)
        unloaded = _unloaded(sweep, build, fit, model)
        return _budget(build, model, fit, unloaded)
    except ModelError as error:
        refusal = Finding(
            "outside-model", "problem", f"The loop's model cannot answer: {error}.", {},
            "The resonance's figures stand; compare them between builds.",
        )  # fmt: skip
        return LossBudget("refused", ranked((*fit.findings, refusal)))


def _unloaded(sweep: Sweep, build: Build, fit: Resonance, model: LoopModel) -> _Unloaded:
    assert fit.circle is not None
    assert fit.q_unloaded is not None
    coupled = _coupled(sweep, build, fit, model)
    if coupled is None:
        q = fit.q_unloaded
        u = math.hypot(q.u / q.value, _U_CIRCLE)
        return _Unloaded(fit.circle.f_loaded_hz, q.value, u, q.low, q.high, 1.0, None)
    q0 = model.effective_reactance(coupled.f0_hz) / coupled.r_total_ohm
    plain = Estimate.lognormal(q0, q0 * coupled.u_log_r_total)
    return _Unloaded(
        coupled.f0_hz, q0, coupled.u_log_r_total, plain.low, plain.high,
        coupled.coupling_efficiency, coupled,
    )  # fmt: skip


def _coupled(sweep: Sweep, build: Build, fit: Resonance, model: LoopModel) -> Coupled | None:
    """Run the second stage where the reference plane is known."""
    if build.feed is None or fit.circle is None or fit.kept is None:
        return None
    line = build.feed.line
    plane = sweep if line is None else deembed(sweep, line)
    expected = _coupling_loop(build, fit.circle.f_loaded_hz)
    u_delay_s = 0.0 if line is None else line.u_delay_s
    return fit_coupled(plane, fit.kept, fit.circle, model, expected, u_delay_s)


def _coupling_loop(build: Build, f_hz: float) -> CouplingLoop:
    """Return what the description lets expect of the coupling loop.

    Its radiation resistance is the small loop's, ``20 pi^2 (C/lambda)^4`` (C. A. Balanis, Antenna
    Theory, eq. 5-24), taken in the ratio of areas for a square.
    """
    feed = build.feed
    if feed is None or feed.circumference is None:
        return CouplingLoop()
    size = feed.circumference.value
    filling = 1.0 if feed.shape == "circle" else math.pi / 4
    radiation = 20 * math.pi**2 * (size * f_hz / C0_M_PER_S) ** 4 * filling**2
    if feed.conductor_diameter is None:
        return CouplingLoop(r_radiation_ohm=radiation)
    copper = 5.8e7
    per_m = round_wire_impedance(f_hz, feed.conductor_diameter.value / 2, copper).real
    # Joints and connectors of the feed are not in it.
    return CouplingLoop(per_m * size, max(per_m * size, 0.02), radiation)


def _budget(build: Build, model: LoopModel, fit: Resonance, unloaded: _Unloaded) -> LossBudget:
    def figures(of: Build, q: float = unloaded.q_unloaded) -> dict[str, float]:
        known = model if of is build else LoopModel(of)
        return _figures(of, known, unloaded.f0_hz, q, unloaded.coupling_efficiency)

    here = figures(build)
    shares = sensitivities(build, figures, here)
    step = unloaded.u_relative
    by_fit = figures(build, unloaded.q_unloaded * (1 + step)) if step > 0 else here
    by_radiation = _figures_moved(here, radiation=_U_MODEL_RADIATION)
    by_reactance = _figures_moved(here, reactance=_U_MODEL_REACTANCE)
    for name, value in here.items():
        shares[name]["fit"] = by_fit[name] - value
        shares[name]["model.radiation"] = by_radiation[name] - value
        shares[name]["model.reactance"] = by_reactance[name] - value
    estimates = {
        name: _estimate(name, value, math.hypot(*shares[name].values()))
        for name, value in here.items()
    }
    if fit.q_unloaded is not None and unloaded.coupled is None:
        # The resonance's interval may be wider than its u: unexplained loss has two readings.
        for end in (unloaded.q_low, unloaded.q_high):
            for name, value in figures(build, end).items():
                estimates[name] = estimates[name].widened(value)
    if not _parts_known(build):
        del estimates["r_parts_ohm"], shares["r_parts_ohm"]
    own = budget_findings(build, estimates, shares, unloaded.coupled, fit)
    doubtful = fit.status != "ok" or any(finding.level != "note" for finding in own)
    return LossBudget(
        status="doubtful" if doubtful else "ok",
        findings=ranked((*fit.findings, *own)),
        shares=shares,
        **estimates,
    )


def _figures(
    build: Build, model: LoopModel, f0_hz: float, q_unloaded: float, coupling_efficiency: float
) -> dict[str, float]:
    """Return every figure of the budget for exact inputs [ohm, and the efficiency]."""
    x_eff = model.effective_reactance(f0_hz)
    r_total = x_eff / q_unloaded
    r_radiation = model.radiation_resistance(f0_hz)
    conductor = model.conductor_resistance(f0_hz)
    parts = _parts(build, model, f0_hz)
    efficiency = r_radiation / r_total * coupling_efficiency
    return {
        "x_eff_ohm": x_eff,
        "r_total_ohm": r_total,
        "r_radiation_ohm": r_radiation,
        "r_loss_ohm": r_total - r_radiation,
        "r_conductor_ohm": conductor,
        "r_parts_ohm": parts,
        "r_remainder_ohm": r_total - r_radiation - conductor - parts,
        "efficiency": efficiency,
        "efficiency_db": 10 * math.log10(efficiency),
    }


def _figures_moved(
    here: dict[str, float], radiation: float = 0.0, reactance: float = 0.0
) -> dict[str, float]:
    """Return the figures with the model's radiation or reactance off by a fraction."""
    moved = dict(here)
    r_radiation = here["r_radiation_ohm"] * (1 + radiation)
    r_total = here["r_total_ohm"] * (1 + reactance)
    shift = (r_total - r_radiation) - here["r_loss_ohm"]
    moved["x_eff_ohm"] = here["x_eff_ohm"] * (1 + reactance)
    moved["r_radiation_ohm"], moved["r_total_ohm"] = r_radiation, r_total
    moved["r_loss_ohm"] += shift
    moved["r_remainder_ohm"] += shift
    moved["efficiency"] *= (1 + radiation) / (1 + reactance)
    moved["efficiency_db"] = 10 * math.log10(moved["efficiency"])
    return moved


def _parts_known(build: Build) -> bool:
    esr = build.capacitor is not None and build.capacitor.esr is not None
    return esr or any(part.r is not None for part in build.parts)


def _parts(build: Build, model: LoopModel, f_hz: float) -> float:
    """Return the described resistance of parts and capacitor, referred to the gap current [ohm].

    Stated at their reference frequency; a contact in skin effect grows with the square root.
    """
    total = 0.0
    for part in build.parts:
        if part.r is not None:
            weight = model.part_weight(f_hz, part.position)
            total += part.count * weight * part.r.value * math.sqrt(f_hz / REFERENCE_HZ)
    capacitor = build.capacitor
    if capacitor is not None and capacitor.esr is not None:
        total += capacitor.esr.value * math.sqrt(f_hz / capacitor.reference_hz)
    return total


def _estimate(name: str, value: float, u: float) -> Estimate:
    if name == "efficiency":
        return Estimate.share(value, u)
    if name in ("x_eff_ohm", "r_total_ohm", "r_radiation_ohm", "r_conductor_ohm"):
        return Estimate.lognormal(value, u)
    return Estimate.normal(value, u)
