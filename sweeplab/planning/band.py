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
from sweeplab.loss.figures import described_parts, skin
from sweeplab.loss.uncertainty_sources import sources
from sweeplab.planning.safety import Strain, strain

# A smooth round conductor's resistance follows exactly, crowding between turns too; that in strip
# less.
_U_CONDUCTOR, _U_STRIP = 0.01, 0.05
# What is not described may cost up to this, at 10 MHz (common practice, no source).
_ESR_MOST_OHM = 0.1
_PART_MOST_OHM = 0.025
_CONNECTIONS_MOST_OHM = 0.005
_BRAID_MOST = 2.0


@dataclass(frozen=True)
class Ohms:
    """A loop's reactance and resistances at one frequency, referred to the gap current [ohm]."""

    f_hz: float
    x: float
    x_eff: float
    r_radiation: float
    r_conductor: float
    r_parts: float

    @property
    def r_total(self) -> float:
        """All resistance together."""
        return self.r_radiation + self.r_conductor + self.r_parts

    def scaled(
        self, radiation: float = 0.0, reactance: float = 0.0, effective_reactance: float = 0.0
    ) -> Ohms:
        """Return the ohms with radiation resistance or reactances larger by a fraction."""
        return replace(
            self,
            r_radiation=self.r_radiation * (1 + radiation),
            x=self.x * (1 + reactance),
            x_eff=self.x_eff * (1 + effective_reactance),
        )


@dataclass(frozen=True)
class Open:
    """Something that the build does not describe, and the loss it may bring.

    Parameters
    ----------
    key : str
        Where the build's file would say it.
    words : str
        What is assumed of it.
    most_ohm : callable
        From a frequency's ohms to the most it may add [ohm].
    """

    key: str
    words: str
    most_ohm: Callable[[Ohms], float]


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
    per_100w : Strain
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
    per_100w: Strain


def ohms_of(build: Build, f_hz: float) -> Ohms:
    """Return a build's ohms at one frequency.

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
    return Ohms(
        f_hz=f_hz,
        x=x,
        x_eff=model.effective_reactance(f_hz),
        r_radiation=model.radiation_resistance(f_hz),
        r_conductor=model.conductor_resistance(f_hz),
        r_parts=described_parts(build, model, f_hz),
    )


def open_items(build: Build) -> tuple[Open, ...]:
    """Return what the build leaves undescribed that may cost ohms."""
    found = []
    if build.capacitor is None or build.capacitor.esr is None:
        found.append(
            Open(
                "capacitor.esr",
                f"the capacitor's series resistance, up to {1e3 * _ESR_MOST_OHM:.0f} mohm",
                lambda ohms: skin(_ESR_MOST_OHM, ohms.f_hz),
            )
        )
    found += [
        _open_part(build, part.kind, part.count, part.position)
        for part in build.parts
        if part.r is None
    ]
    if not build.parts:
        found.append(
            Open(
                "parts",
                f"joints and connections, up to {1e3 * _CONNECTIONS_MOST_OHM:.0f} mohm in all",
                lambda ohms: skin(_CONNECTIONS_MOST_OHM, ohms.f_hz),
            )
        )
    factor = build.conductor.surface_factor
    if build.conductor.form in ("braid", "coax") and factor.value == 1.0 and not factor.u_given:
        found.append(
            Open(
                "conductor.surface_factor",
                f"braid's resistance, up to {_BRAID_MOST:g} times a smooth tube's",
                lambda ohms: (_BRAID_MOST - 1) * ohms.r_conductor,
            )
        )
    return tuple(found)


def band_figures(build: Build, f_hz: float) -> BandFigures:
    """Return the expected figures at one frequency.

    Raises
    ------
    ModelError
        See `ohms_of`.
    """
    here = ohms_of(build, f_hz)
    moved = [ohms_of(source.moved, f_hz) for source in sources(build)]
    moved += _moved_by_model(build, LoopModel(build), here)
    opened = [(item.most_ohm(here), item) for item in open_items(build)]
    more = [replace(here, r_parts=here.r_parts + ohm) for ohm, _ in opened]
    most = replace(here, r_parts=here.r_parts + sum(ohm for ohm, _ in opened))
    estimates = {
        name: _estimate(name, figure, here, moved, more, most) for name, figure in _FIGURES.items()
    }
    return BandFigures(
        f_hz=f_hz,
        per_100w=strain(here.x, estimates["r_total_ohm"], 100.0),
        **estimates,
    )


_FIGURES: dict[str, Callable[[Ohms], float]] = {
    "c_required_f": lambda o: 1 / (2 * math.pi * o.f_hz * o.x),
    "efficiency": lambda o: o.r_radiation / o.r_total,
    "q_unloaded": lambda o: o.x_eff / o.r_total,
    "bandwidth_hz": lambda o: 2 * o.f_hz * o.r_total / o.x_eff,
    "r_radiation_ohm": lambda o: o.r_radiation,
    "r_conductor_ohm": lambda o: o.r_conductor,
    "r_parts_ohm": lambda o: o.r_parts,
    "r_total_ohm": lambda o: o.r_total,
    "x_loop_ohm": lambda o: o.x,
    "x_eff_ohm": lambda o: o.x_eff,
}


def _estimate(
    name: str,
    figure: Callable[[Ohms], float],
    here: Ohms,
    moved: list[Ohms],
    more: list[Ohms],
    most: Ohms,
) -> Estimate:
    """Return one figure, its interval stretched to where everything left open could take it."""
    value = figure(here)
    described = math.hypot(*(figure(other) - value for other in moved))
    # A one-sided, even spread from nothing to the most: its rms about nothing is a third's root.
    opened = [(figure(other) - value) / math.sqrt(3) for other in more]
    u = math.hypot(described, *opened)
    make = Estimate.share if name == "efficiency" else Estimate.lognormal
    near, end = make(value, described), figure(most)
    far = make(end, described * (abs(end / value) if value else 1.0))
    if end >= value:
        return Estimate(value, u, near.low, max(near.high, far.high))
    return Estimate(value, u, min(near.low, far.low), near.high)


def _moved_by_model(build: Build, model: LoopModel, ohms: Ohms) -> list[Ohms]:
    """Return the ohms with each independent error of the model at one standard uncertainty."""
    error = model_uncertainty(build, model, ohms.f_hz)
    conductor = _U_STRIP if build.conductor.form == "strip" else _U_CONDUCTOR
    return [
        ohms.scaled(radiation=error.radiation),
        ohms.scaled(reactance=error.reactance, effective_reactance=error.effective_reactance),
        ohms.scaled(*3 * (error.together,)),
        replace(ohms, r_conductor=ohms.r_conductor * (1 + conductor)),
    ]


def _open_part(build: Build, kind: str, count: int, position: float) -> Open:
    def most(ohms: Ohms) -> float:
        weight = LoopModel(build).part_weight(ohms.f_hz, position)
        return count * weight * skin(_PART_MOST_OHM, ohms.f_hz)

    words = f"{count} x {kind}, up to {1e3 * _PART_MOST_OHM:.0f} mohm each"
    return Open(f"parts.{kind}.r", words, most)
