"""What a plan says, band by band."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sweeplab.estimate import Estimate
from sweeplab.finding import Finding
from sweeplab.planning.band import BandFigures
from sweeplab.planning.coupling import CommonPlacement, CouplingMatch
from sweeplab.planning.safety import Distances, ElectricalStress


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
    at_power : ElectricalStress or None
        Volts and amperes at the given power.
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
    at_power: ElectricalStress | None = None
    distances: Distances | None = None
    why_not: str = ""

    def to_json(self) -> dict[str, Any]:
        """Return the band as the JSON contract has it, and more."""
        figures = self.figures
        coupling = self.coupling or CouplingMatch(None)
        estimates: dict[str, Estimate | None] = {
            **{name: getattr(figures, name, None) for name in _VALUE_ONLY},
            **_stress_figures(None if figures is None else figures.per_100w, "_per_100w"),
        }
        values = {name: None if e is None else e.value for name, e in estimates.items()}
        return {
            "band": self.band,
            "f_hz": self.f_hz,
            "reachable": self.reachable,
            **values,
            **{name: _json(getattr(figures, name, None)) for name in _AS_ESTIMATE},
            "estimates": {name: _json(estimate) for name, estimate in estimates.items()},
            "reach_hz": None if self.reach_hz is None else list(self.reach_hz),
            "coupling_circumference_m": _json(coupling.circumference_m),
            "coupling_factor": _json(coupling.coupling_factor),
            "swr": _json(coupling.swr),
            "match_offset_m": _json(coupling.offset_m),
            "match_tilt_deg": _json(coupling.tilt_deg),
            "tuning_hz_per_degree": self.tuning_hz_per_degree,
            **{name: _json(e) for name, e in _stress_figures(self.at_power, "").items()},
            "distances": None if self.distances is None else self.distances.to_json(),
            "why_not": self.why_not or None,
        }


_VALUE_ONLY = (
    "c_required_f",
    "r_radiation_ohm",
    "r_conductor_ohm",
    "r_parts_ohm",
    "r_total_ohm",
    "x_loop_ohm",
    "x_eff_ohm",
)
_AS_ESTIMATE = ("efficiency", "q_unloaded", "bandwidth_hz")


def _json(estimate: Estimate | None) -> dict[str, float] | None:
    return None if estimate is None else estimate.to_json()


def _stress_figures(stress: ElectricalStress | None, suffix: str) -> dict[str, Estimate | None]:
    return {
        "capacitor_v_peak" + suffix: None if stress is None else stress.capacitor_v_peak,
        "loop_a_rms" + suffix: None if stress is None else stress.loop_a_rms,
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
        The power that volts, amperes and distances hold for.
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
