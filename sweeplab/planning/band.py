"""What a loop not yet built should do at one frequency, and how surely.

Every figure takes the losses that the build describes. What it does not describe (a capacitor's
series resistance, joints, braid) can only add loss: it widens the interval to that side alone.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from sweeplab.builds import Build
from sweeplab.errors import ModelError
from sweeplab.estimate import Estimate
from sweeplab.loop import LoopModel
from sweeplab.loop.model_uncertainty import model_uncertainty
from sweeplab.loss.figures import described_parts, skin_effect_scaled
from sweeplab.loss.uncertainty_sources import sources
from sweeplab.planning.safety import ElectricalStress, electrical_stress

# A smooth round conductor's resistance follows exactly, with the proximity of other turns; a
# strip's less exactly.
_U_CONDUCTOR, _U_STRIP = 0.01, 0.05
# What is not described may cost up to this, at 10 MHz (common practice, no source).
_ESR_MOST_OHM = 0.1
_PART_MOST_OHM = 0.025
_CONNECTIONS_MOST_OHM = 0.005
_BRAID_MOST = 2.0


@dataclass(frozen=True)
class LoopImpedance:
    """A loop's reactances and resistances at one frequency, referred to the gap current."""

    f_hz: float
    x_ohm: float
    x_eff_ohm: float
    r_radiation_ohm: float
    r_conductor_ohm: float
    r_parts_ohm: float

    @property
    def r_total_ohm(self) -> float:
        """All resistance together."""
        return self.r_radiation_ohm + self.r_conductor_ohm + self.r_parts_ohm

    def scaled(
        self, radiation: float = 0.0, reactance: float = 0.0, effective_reactance: float = 0.0
    ) -> LoopImpedance:
        """Return it with radiation resistance or reactances larger by a fraction."""
        return replace(
            self,
            r_radiation_ohm=self.r_radiation_ohm * (1 + radiation),
            x_ohm=self.x_ohm * (1 + reactance),
            x_eff_ohm=self.x_eff_ohm * (1 + effective_reactance),
        )


@dataclass(frozen=True)
class UndescribedLoss:
    """Something that the build does not describe, and the loss that it may add.

    Parameters
    ----------
    key : str
        Of the build's file.
    assumption : str
        What is assumed of it, in words.
    upper_bound_ohm : callable
        From the loop's impedance at a frequency to the most that it may add [ohm].
    """

    key: str
    assumption: str
    upper_bound_ohm: Callable[[LoopImpedance], float]


@dataclass(frozen=True)
class BandFigures:
    """Expected figures of a build at one frequency.

    Parameters
    ----------
    f_hz : float
    c_required_f : Estimate
        Capacitance that brings the loop to resonance.
    efficiency : Estimate
        As in free space; the coupling loop's own loss is not in it.
    q_unloaded : Estimate
    bandwidth_hz : Estimate
        Half-power bandwidth with a matched coupling loop: ``2 f/Q0``.
    r_radiation_ohm, r_conductor_ohm, r_parts_ohm, r_total_ohm : Estimate
        Referred to the gap current; parts are those of stated resistance, the capacitor's too.
    x_loop_ohm, x_eff_ohm : Estimate
        Reactance at the gap; half slope and half reactance.
    per_100w : ElectricalStress
        Volts and amperes at 100 W. Undescribed loss lowers them.
    """

    f_hz: float
    c_required_f: Estimate
    efficiency: Estimate
    q_unloaded: Estimate
    bandwidth_hz: Estimate
    r_radiation_ohm: Estimate
    r_conductor_ohm: Estimate
    r_parts_ohm: Estimate
    r_total_ohm: Estimate
    x_loop_ohm: Estimate
    x_eff_ohm: Estimate
    per_100w: ElectricalStress


def loop_impedance(build: Build, f_hz: float) -> LoopImpedance:
    """Return a build's reactances and resistances at one frequency.

    Raises
    ------
    ModelError
        Outside the model, or no inductance left for a capacitor to tune.
    """
    model = LoopModel(build)
    x = model.impedance(f_hz).imag
    if x <= 0:
        raise ModelError(
            f"at {f_hz / 1e6:.3f} MHz the loop is past its own resonance: no capacitor tunes it"
        )
    return LoopImpedance(
        f_hz=f_hz,
        x_ohm=x,
        x_eff_ohm=model.effective_reactance(f_hz),
        r_radiation_ohm=model.radiation_resistance(f_hz),
        r_conductor_ohm=model.conductor_resistance(f_hz),
        r_parts_ohm=described_parts(build, model, f_hz),
    )


def undescribed_losses(build: Build) -> tuple[UndescribedLoss, ...]:
    """Return what the build leaves undescribed that may add loss."""
    found = []
    if build.capacitor is None or build.capacitor.esr is None:
        found.append(
            UndescribedLoss(
                "capacitor.esr",
                f"the capacitor's series resistance, up to {1e3 * _ESR_MOST_OHM:.0f} mohm",
                lambda loop: skin_effect_scaled(_ESR_MOST_OHM, loop.f_hz),
            )
        )
    found += [
        _undescribed_part(build, part.kind, part.count, part.position)
        for part in build.parts
        if part.r is None
    ]
    if not build.parts:
        found.append(
            UndescribedLoss(
                "parts",
                f"joints and connections, up to {1e3 * _CONNECTIONS_MOST_OHM:.0f} mohm in all",
                lambda loop: skin_effect_scaled(_CONNECTIONS_MOST_OHM, loop.f_hz),
            )
        )
    factor = build.conductor.surface_factor
    if build.conductor.form in ("braid", "coax") and factor.value == 1.0 and not factor.u_given:
        found.append(
            UndescribedLoss(
                "conductor.surface_factor",
                f"braid's resistance, up to {_BRAID_MOST:g} times a smooth tube's",
                lambda loop: (_BRAID_MOST - 1) * loop.r_conductor_ohm,
            )
        )
    return tuple(found)


def band_figures(build: Build, f_hz: float) -> BandFigures:
    """Return the expected figures at one frequency.

    Raises
    ------
    ModelError
        See `loop_impedance`.
    """
    nominal = loop_impedance(build, f_hz)
    shifted = [loop_impedance(source.shifted, f_hz) for source in sources(build)]
    shifted += _shifted_by_model(build, LoopModel(build), nominal)
    bounds_ohm = [loss.upper_bound_ohm(nominal) for loss in undescribed_losses(build)]
    with_each = [_with_parts(nominal, bound) for bound in bounds_ohm]
    with_all = _with_parts(nominal, sum(bounds_ohm))
    estimates = {name: _estimate(name, nominal, shifted, with_each, with_all) for name in _FIGURES}
    return BandFigures(
        f_hz=f_hz,
        per_100w=electrical_stress(nominal.x_ohm, estimates["r_total_ohm"], 100.0),
        **estimates,
    )


def _with_parts(loop: LoopImpedance, r_ohm: float) -> LoopImpedance:
    return replace(loop, r_parts_ohm=loop.r_parts_ohm + r_ohm)


_FIGURES: dict[str, Callable[[LoopImpedance], float]] = {
    "c_required_f": lambda o: 1 / (2 * math.pi * o.f_hz * o.x_ohm),
    "efficiency": lambda o: o.r_radiation_ohm / o.r_total_ohm,
    "q_unloaded": lambda o: o.x_eff_ohm / o.r_total_ohm,
    "bandwidth_hz": lambda o: 2 * o.f_hz * o.r_total_ohm / o.x_eff_ohm,
    "r_radiation_ohm": lambda o: o.r_radiation_ohm,
    "r_conductor_ohm": lambda o: o.r_conductor_ohm,
    "r_parts_ohm": lambda o: o.r_parts_ohm,
    "r_total_ohm": lambda o: o.r_total_ohm,
    "x_loop_ohm": lambda o: o.x_ohm,
    "x_eff_ohm": lambda o: o.x_eff_ohm,
}


def _estimate(
    name: str,
    nominal: LoopImpedance,
    shifted: list[LoopImpedance],
    with_each: list[LoopImpedance],
    with_all: LoopImpedance,
) -> Estimate:
    """Return one figure, its interval extended to where all undescribed losses may take it.

    Parameters
    ----------
    name : str
    nominal : LoopImpedance
        As described.
    shifted : list of LoopImpedance
        With each source of uncertainty one standard uncertainty larger.
    with_each : list of LoopImpedance
        With each undescribed loss at its upper bound.
    with_all : LoopImpedance
        With all of them.
    """
    figure = _FIGURES[name]
    value = figure(nominal)
    described = math.hypot(*(figure(loop) - value for loop in shifted))
    # Uniform between zero and the upper bound: its rms about zero is the bound over root three.
    undescribed = [(figure(loop) - value) / math.sqrt(3) for loop in with_each]
    u = math.hypot(described, *undescribed)
    distribution = Estimate.share if name == "efficiency" else Estimate.lognormal
    near, end = distribution(value, described), figure(with_all)
    far = distribution(end, described * (abs(end / value) if value else 1.0))
    if end >= value:
        return Estimate(value, u, near.low, max(near.high, far.high))
    return Estimate(value, u, min(near.low, far.low), near.high)


def _shifted_by_model(build: Build, model: LoopModel, loop: LoopImpedance) -> list[LoopImpedance]:
    """Return the impedance with each error of the model one standard uncertainty larger."""
    error = model_uncertainty(build, model, loop.f_hz)
    conductor = _U_STRIP if build.conductor.form == "strip" else _U_CONDUCTOR
    return [
        loop.scaled(radiation=error.radiation),
        loop.scaled(reactance=error.reactance, effective_reactance=error.effective_reactance),
        loop.scaled(error.together, error.together, error.together),
        replace(loop, r_conductor_ohm=loop.r_conductor_ohm * (1 + conductor)),
    ]


def _undescribed_part(build: Build, kind: str, count: int, position: float) -> UndescribedLoss:
    def upper_bound_ohm(loop: LoopImpedance) -> float:
        weight = LoopModel(build).part_weight(loop.f_hz, position)
        return count * weight * skin_effect_scaled(_PART_MOST_OHM, loop.f_hz)

    assumption = f"{count} x {kind}, up to {1e3 * _PART_MOST_OHM:.0f} mohm each"
    return UndescribedLoss(f"parts.{kind}.r", assumption, upper_bound_ohm)
