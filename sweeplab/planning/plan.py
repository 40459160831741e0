"""Expected figures of a build not yet built, band by band."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from sweeplab.bands import BANDS_HZ
from sweeplab.builds import Build
from sweeplab.errors import ModelError
from sweeplab.estimate import Estimate
from sweeplab.finding import Finding, Threshold, ranked
from sweeplab.line import C0_M_PER_S
from sweeplab.loop import LoopModel
from sweeplab.loop.coupling import CouplingGeometry
from sweeplab.planning.band import BandFigures, band_figures, open_items
from sweeplab.planning.coupling import (
    CommonPlacement,
    CouplingMatch,
    common_placement,
    coupling_geometry,
    coupling_match,
)
from sweeplab.planning.cut_list import conductor_length_m, conductor_mass_kg
from sweeplab.planning.safety import Distances, Strain, distances, strain, voltage_finding
from sweeplab.planning.tuning_range import range_known, tuning_reach
from sweeplab.quantity import Quantity, format_quantity
from sweeplab.runtime import one_blas_thread

# A knob that passes this share of the bandwidth in a degree is hard to set (common practice, no
# source).
_FAST: Threshold = 0.5
# Where the capacitor's range is not known, bands beyond this much conductor are left out.
_LONGEST_WAVELENGTHS: Threshold = 0.4


@dataclass(frozen=True)
class BandPlan:
    """A build's expected figures on one band.

    Parameters
    ----------
    band : str
    f_hz : float
        The band's middle, or the reachable frequency nearest to it.
    reachable : bool or None
        Whether the capacitor tunes it; None where its range is not described.
    reach_hz : (float, float) or None
        How much of the band the capacitor covers.
    figures : BandFigures or None
        None where the model has no answer.
    coupling : CouplingMatch or None
    tuning_hz_per_degree : float or None
        Of the knob, capacitance taken as linear in its angle; None where its turns are not known.
    at_power : Strain or None
        Volts and amperes at the power asked for.
    distances : Distances or None
        Where the fields fall to reference levels at that power.
    why_not : str
        Where there are no figures, why.
    """

    band: str
    f_hz: float
    reachable: bool | None
    reach_hz: tuple[float, float] | None = None
    figures: BandFigures | None = None
    coupling: CouplingMatch | None = None
    tuning_hz_per_degree: float | None = None
    at_power: Strain | None = None
    distances: Distances | None = None
    why_not: str = ""

    def to_json(self) -> dict[str, Any]:
        """Return the band as the JSON contract has it, and more."""
        found = self.figures
        coupling = self.coupling or CouplingMatch(None)
        estimates: dict[str, Estimate | None] = {
            **{name: getattr(found, name, None) for name in _PLAIN},
            **_strained(None if found is None else found.per_100w, "_per_100w"),
        }
        plain = {name: None if e is None else e.value for name, e in estimates.items()}
        return {
            "band": self.band,
            "f_hz": self.f_hz,
            "reachable": self.reachable,
            **plain,
            **{name: _json(getattr(found, name, None)) for name in _WHOLE},
            "estimates": {name: _json(estimate) for name, estimate in estimates.items()},
            "reach_hz": None if self.reach_hz is None else list(self.reach_hz),
            "coupling_circumference_m": _json(coupling.circumference_m),
            "coupling_factor": _json(coupling.coupling_factor),
            "swr": _json(coupling.swr),
            "match_offset_m": _json(coupling.offset_m),
            "match_tilt_deg": _json(coupling.tilt_deg),
            "tuning_hz_per_degree": self.tuning_hz_per_degree,
            **{name: _json(e) for name, e in _strained(self.at_power, "").items()},
            "distances": None if self.distances is None else self.distances.to_json(),
            "why_not": self.why_not or None,
        }


_PLAIN = (
    "c_required_f",
    "r_radiation_ohm",
    "r_conductor_ohm",
    "r_parts_ohm",
    "r_total_ohm",
    "x_loop_ohm",
    "x_eff_ohm",
)
_WHOLE = ("efficiency", "q_unloaded", "bandwidth_hz")


def _json(estimate: Estimate | None) -> dict[str, float] | None:
    return None if estimate is None else estimate.to_json()


def _strained(strained: Strain | None, ending: str) -> dict[str, Estimate | None]:
    return {
        "capacitor_v_peak" + ending: None if strained is None else strained.capacitor_v_peak,
        "loop_a_rms" + ending: None if strained is None else strained.loop_a_rms,
    }


@dataclass(frozen=True)
class Plan:
    """What to expect of a build.

    Parameters
    ----------
    build : str
    circumference_m : float
        Of one turn.
    bands : tuple of BandPlan
    tuning_range_hz : (float, float) or None
        What the capacitor covers; None where its range is not described.
    conductor_length_m : float
    conductor_mass_kg : float or None
    power_w : float or None
        The power that volts, amperes and distances were asked for.
    findings : tuple of Finding
    not_described : mapping of str to str
        What was left out of the build and may cost efficiency, by key.
    coupling_for_all : CommonPlacement or None
        Where the coupling loop described serves all bands best; None where none is described, or
        no place does.
    """

    build: str
    circumference_m: float
    bands: tuple[BandPlan, ...]
    tuning_range_hz: tuple[float, float] | None
    conductor_length_m: float
    conductor_mass_kg: float | None
    power_w: float | None
    findings: tuple[Finding, ...]
    not_described: dict[str, str]
    coupling_for_all: CommonPlacement | None = None

    @property
    def tuning_hz_per_degree(self) -> float | None:
        """The fastest tuning of all bands [Hz/degree of the knob]; None where not known."""
        known = [b.tuning_hz_per_degree for b in self.bands if b.tuning_hz_per_degree is not None]
        return max(known, default=None)

    def to_json(self) -> dict[str, Any]:
        """Return the plan as the JSON contract has it, and more."""
        reach = self.tuning_range_hz
        return {
            "build": self.build,
            "bands": [band.to_json() for band in self.bands],
            "conductor_length_m": self.conductor_length_m,
            "conductor_mass_kg": self.conductor_mass_kg,
            "tuning_hz_per_degree": self.tuning_hz_per_degree,
            "circumference_m": self.circumference_m,
            "tuning_range_hz": None if reach is None else list(reach),
            "power_w": self.power_w,
            "not_described": self.not_described,
            "coupling_for_all": (
                None if self.coupling_for_all is None else self.coupling_for_all.to_json()
            ),
            "findings": [finding.to_json() for finding in self.findings],
        }


def plan(
    build: Build,
    bands: Sequence[str] | None = None,
    power_w: float | None = None,
    *,
    coupling: bool = True,
) -> Plan:
    """Return what to expect of a build.

    Parameters
    ----------
    build : Build
        In one setting.
    bands : sequence of str or None
        Names such as '40m'; None is every amateur band that the capacitor reaches.
    power_w : float or None
        Adds volts, amperes and distances at that power.
    coupling : bool
        Whether to size the coupling loop.

    Raises
    ------
    ModelError
        The build lies outside the loop's model altogether.
    """
    with one_blas_thread():
        return _plan(build, bands, power_w, coupling=coupling)


def _plan(
    build: Build, bands: Sequence[str] | None, power_w: float | None, *, coupling: bool
) -> Plan:
    model = LoopModel(build)
    reach = tuning_reach(build, model)
    geometry, taken = coupling_geometry(build)
    planned = []
    for band in BANDS_HZ if bands is None else bands:
        place = _place(build, band, reach)
        if bands is None and not _worth_planning(build, place):
            continue
        planned.append(_planned(build, model, place, geometry if coupling else None, power_w))
    items = open_items(build)
    return Plan(
        build=build.name,
        circumference_m=build.loop.circumference.value,
        bands=tuple(planned),
        tuning_range_hz=reach if range_known(build) else None,
        conductor_length_m=conductor_length_m(build),
        conductor_mass_kg=conductor_mass_kg(build),
        power_w=power_w,
        findings=ranked((*_findings(build, planned, power_w), *taken, *build.findings)),
        not_described={item.key: item.words for item in items},
        coupling_for_all=common_placement(
            build,
            geometry,
            [
                (band.figures, band.coupling)
                for band in planned
                if band.figures is not None and band.coupling is not None
            ],
        ),
    )


def resized(build: Build, circumference_m: float) -> Build:
    """Return the build with every turn scaled to another circumference, all else as it is."""
    loop = build.loop
    factor = circumference_m / loop.circumference.value

    def scaled(quantity: Quantity) -> Quantity:
        return replace(quantity, value=factor * quantity.value)

    around = replace(loop.circumference, value=circumference_m)
    return replace(
        build,
        loop=replace(
            loop,
            circumference=around,
            width=None if loop.width is None else scaled(loop.width),
            height=None if loop.height is None else scaled(loop.height),
            turn_lengths=tuple(scaled(q) for q in loop.turn_lengths),
        ),
    )


def _planned(
    build: Build,
    model: LoopModel,
    place: BandPlan,
    geometry: CouplingGeometry | None,
    power_w: float | None,
) -> BandPlan:
    """Return a band's plan with its figures."""
    try:
        figures = band_figures(build, place.f_hz)
    except ModelError as error:
        return replace(place, why_not=str(error))
    at_power = None
    near = None
    if power_w is not None:
        at_power = strain(figures.x_loop_ohm.value, figures.r_total_ohm, power_w)
        near = distances(model, place.f_hz, at_power.loop_a_rms)
    return replace(
        place,
        figures=figures,
        coupling=None if geometry is None else coupling_match(build, geometry, figures),
        tuning_hz_per_degree=_tuning(build, figures),
        at_power=at_power,
        distances=near,
    )


def _place(build: Build, band: str, reach: tuple[float, float]) -> BandPlan:
    """Return where in the band to plan, and whether the capacitor gets there."""
    low, high = BANDS_HZ[band]
    middle = (low + high) / 2
    inside = max(low, reach[0]), min(high, reach[1])
    if inside[0] > inside[1]:
        return BandPlan(band, middle, reachable=False)
    at = min(max(middle, inside[0]), inside[1])
    if not range_known(build):
        return BandPlan(band, at, reachable=None)
    return BandPlan(band, at, reachable=True, reach_hz=inside)


def _worth_planning(build: Build, place: BandPlan) -> bool:
    if place.reachable is None:
        wavelengths = conductor_length_m(build) * place.f_hz / C0_M_PER_S
        return wavelengths < _LONGEST_WAVELENGTHS
    return place.reachable


def _tuning(build: Build, figures: BandFigures) -> float | None:
    """Return ``df/dC dC/d(angle)``: ``df/dC = -f X/(2 Xeff C)`` from the loop's own slope."""
    capacitor = build.capacitor
    if capacitor is None or capacitor.turns_per_range is None:
        return None
    if capacitor.c_min is None or capacitor.c_max is None:
        return None
    per_farad = figures.f_hz * figures.x_loop_ohm.value / (2 * figures.x_eff_ohm.value)
    per_farad /= figures.c_required_f.value
    span = capacitor.c_max.value - capacitor.c_min.value
    return per_farad * span / (360 * capacitor.turns_per_range)


def _findings(build: Build, planned: Sequence[BandPlan], power_w: float | None) -> list[Finding]:
    found = [
        Finding(
            code="as-in-free-space",
            level="note",
            text="Expected as in free space; ground, people and metal nearby cost more.",
            evidence={},
            action="Measure it where it stands, and compare.",
        )
    ]
    items = open_items(build)
    if items:
        found.append(
            Finding(
                code="not-described",
                level="note",
                text="Not described, so only the interval knows of it: "
                f"{'; '.join(i.words for i in items)} "
                "at 10 MHz (common practice, no source).",
                evidence={},
                action=f"Write {' and '.join(item.key for item in items)} in its file where known.",
            )
        )
    missing = [band for band in planned if band.reachable is False or band.figures is None]
    found += [_missing(band) for band in missing]
    if conductor_mass_kg(build) is None:
        found.append(
            Finding(
                code="no-mass",
                level="note",
                text="The conductor's mass is not known: section or metal missing.",
                evidence={},
                action="Write conductor.wall for a tube, thickness for a strip, and the material.",
            )
        )
    warned = _overload(build, planned)
    if warned is not None:
        found.append(warned if power_w is not None else replace(warned, level="note"))
    fast = [
        band.band
        for band in planned
        if band.figures is not None
        and band.tuning_hz_per_degree is not None
        and band.tuning_hz_per_degree > _FAST * band.figures.bandwidth_hz.value
    ]
    if fast:
        found.append(
            Finding(
                code="knob-too-fast",
                level="note",
                text=f"One degree of the knob passes over half the bandwidth on {', '.join(fast)}.",
                evidence={},
                action="Gear the capacitor down, or add a small one beside it.",
            )
        )
    return found


def _overload(build: Build, planned: Sequence[BandPlan]) -> Finding | None:
    """Return the finding on the rated voltage for the band that strains it most."""
    strains = [
        (band.at_power or band.figures.per_100w, band.band)
        for band in planned
        if band.figures is not None
    ]
    if not strains:
        return None
    worst, band = max(strains, key=lambda pair: pair[0].capacitor_v_peak.value)
    return voltage_finding(build, band, worst)


def _missing(band: BandPlan) -> Finding:
    if band.figures is None:
        return Finding(
            code="band-outside-model",
            level="warning",
            text=f"{band.band}: {band.why_not}.",
            evidence={},
            action="Plan a smaller loop for that band.",
        )
    needed = band.figures.c_required_f.value
    return Finding(
        code="band-not-reached",
        level="warning",
        text=f"{band.band} needs {format_quantity(needed, 'F', digits=3)}, beyond the capacitor.",
        evidence={"c_required_f": needed},
        action="Another capacitor or size; '--circumference' shows which.",
    )
