"""The figures of a budget, for exact inputs: plain arithmetic on ohms."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from sweeplab.builds import Build
from sweeplab.loop import LoopModel
from sweeplab.loop.ground import GroundEffect
from sweeplab.loss.coupled_fit import CoupledFit

REFERENCE_HZ = 10e6
FREE_SPACE = GroundEffect(1.0, 1.0)


@dataclass(frozen=True)
class UnloadedResonance:
    """The unloaded resonance, as the budget needs it.

    Parameters
    ----------
    f0_hz, q_unloaded : float
    u_relative : float
        Of q_unloaded.
    q_low, q_high : float
        95 % interval of q_unloaded, both explanations of unexplained loss in it.
    coupled : CoupledFit or None
        The second stage, where it ran.
    """

    f0_hz: float
    q_unloaded: float
    u_relative: float
    q_low: float
    q_high: float
    coupled: CoupledFit | None


@dataclass(frozen=True)
class ModelFigures:
    """The model's figures at the resonance [ohm], and the ground's effect on them.

    Parameters
    ----------
    x_eff_ohm, r_radiation_ohm, r_conductor_ohm, r_parts_ohm : float
    directivity : float
    ground : GroundEffect
    """

    x_eff_ohm: float
    r_radiation_ohm: float
    r_conductor_ohm: float
    r_parts_ohm: float
    directivity: float
    ground: GroundEffect = FREE_SPACE

    @classmethod
    def at(
        cls,
        build: Build,
        model: LoopModel,
        f0_hz: float,
        ground: GroundEffect,
        directivity: float | None = None,
    ) -> ModelFigures:
        """Return the model's figures for a build at a frequency.

        A directivity already known may be given: an error of measured lengths hardly changes it.
        """
        r_radiation = model.radiation_resistance(f0_hz)
        return cls(
            model.effective_reactance(f0_hz) + ground.reactance_ratio * r_radiation,
            r_radiation,
            model.conductor_resistance(f0_hz),
            described_parts(build, model, f0_hz),
            model.directivity(f0_hz) if directivity is None else directivity,
            ground,
        )

    def over_ground(self, ground: GroundEffect) -> ModelFigures:
        """Return the figures over another ground, which shifts the reactance too."""
        shift = (ground.reactance_ratio - self.ground.reactance_ratio) * self.r_radiation_ohm
        return replace(self, ground=ground, x_eff_ohm=self.x_eff_ohm + shift)

    def with_errors(self, radiation: float = 0.0, reactance: float = 0.0) -> ModelFigures:
        """Return the figures with radiation resistance or reactance larger by a fraction."""
        return replace(
            self,
            r_radiation_ohm=self.r_radiation_ohm * (1 + radiation),
            x_eff_ohm=self.x_eff_ohm * (1 + reactance),
        )


def budget_figures(
    model: ModelFigures, unloaded: UnloadedResonance, q_unloaded: float
) -> dict[str, float]:
    """Return every figure of the budget.

    ``R_total = X_eff/Q0``; ground's share ``(T - 1) Rrad`` is an item of its own and may be
    negative; efficiency takes it out, efficiency over ground is ``S Rrad/R_total``.
    """
    r_total = model.x_eff_ohm / q_unloaded
    r_radiation = model.r_radiation_ohm
    r_ground = (model.ground.total_ratio - 1) * r_radiation
    r_loss = r_total - r_radiation - r_ground
    efficiency = r_radiation / (r_total - r_ground)
    over_ground = model.ground.sky_ratio * r_radiation / r_total
    if unloaded.coupled is not None:
        over_ground *= unloaded.coupled.coupling_efficiency(r_total)
        if r_total > r_ground:
            efficiency *= unloaded.coupled.coupling_efficiency(r_total - r_ground)
    return {
        "x_eff_ohm": model.x_eff_ohm,
        "r_total_ohm": r_total,
        "r_radiation_ohm": r_radiation,
        "r_ground_ohm": r_ground,
        "r_loss_ohm": r_loss,
        "r_conductor_ohm": model.r_conductor_ohm,
        "r_parts_ohm": model.r_parts_ohm,
        "r_remainder_ohm": r_loss - model.r_conductor_ohm - model.r_parts_ohm,
        "efficiency": efficiency,
        "efficiency_db": _decibel(efficiency),
        "efficiency_over_ground": over_ground,
        "gain_dbi": _decibel(efficiency * model.directivity),
    }


def _decibel(ratio: float) -> float:
    return 10 * math.log10(ratio) if ratio > 0 else math.nan


def skin_effect_scaled(r_ohm: float, f_hz: float, reference_hz: float = REFERENCE_HZ) -> float:
    """Return a contact's or surface's resistance in skin effect at another frequency [ohm]."""
    return r_ohm * math.sqrt(f_hz / reference_hz)


def parts_known(build: Build) -> bool:
    """Say whether any part's or the capacitor's resistance is described."""
    esr = build.capacitor is not None and build.capacitor.esr is not None
    return esr or any(part.r is not None for part in build.parts)


def described_parts(build: Build, model: LoopModel, f_hz: float) -> float:
    """Return the described resistance of parts and capacitor, referred to the gap current [ohm].

    Given at their reference frequency; in skin effect it grows with the square root.
    """
    total = 0.0
    for part in build.parts:
        if part.r is not None:
            weight = model.part_weight(f_hz, part.position)
            total += part.count * weight * skin_effect_scaled(part.r.value, f_hz)
    capacitor = build.capacitor
    if capacitor is not None and capacitor.esr is not None:
        total += skin_effect_scaled(capacitor.esr.value, f_hz, capacitor.reference_hz)
    return total
