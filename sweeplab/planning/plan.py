"""Expected figures of a build not yet built, band by band."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from sweeplab.bands import BANDS_HZ
from sweeplab.builds import Build
from sweeplab.errors import ModelError
from sweeplab.finding import Threshold, ranked
from sweeplab.line import C0_M_PER_S
from sweeplab.loop import LoopModel
from sweeplab.loop.coupling import CouplingGeometry
from sweeplab.planning.band import BandFigures, band_figures, undescribed_losses
from sweeplab.planning.coupling import common_placement, coupling_geometry, coupling_match
from sweeplab.planning.cut_list import conductor_length_m, conductor_mass_kg
from sweeplab.planning.findings import plan_findings
from sweeplab.planning.result import BandPlan, Plan
from sweeplab.planning.safety import distances, electrical_stress
from sweeplab.planning.tuning_range import range_known, tuning_range
from sweeplab.quantity import Quantity
from sweeplab.runtime import one_blas_thread

# Where the capacitor's range is not known, bands beyond this much conductor are left out.
_LONGEST_WAVELENGTHS: Threshold = 0.4


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
    reach = tuning_range(build, model)
    geometry, assumed = coupling_geometry(build)
    planned = []
    for band in BANDS_HZ if bands is None else bands:
        target = _tuning_target(build, band, reach)
        if bands is None and not _within_range(build, target):
            continue
        planned.append(_band_plan(build, model, target, geometry if coupling else None, power_w))
    return Plan(
        build=build.name,
        circumference_m=build.loop.circumference.value,
        bands=tuple(planned),
        tuning_range_hz=reach if range_known(build) else None,
        conductor_length_m=conductor_length_m(build),
        conductor_mass_kg=conductor_mass_kg(build),
        power_w=power_w,
        findings=ranked((*plan_findings(build, planned, power_w), *assumed, *build.findings)),
        not_described={loss.key: loss.assumption for loss in undescribed_losses(build)},
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


def _band_plan(
    build: Build,
    model: LoopModel,
    target: BandPlan,
    geometry: CouplingGeometry | None,
    power_w: float | None,
) -> BandPlan:
    """Return a band's plan with its figures."""
    try:
        figures = band_figures(build, target.f_hz)
    except ModelError as error:
        return replace(target, why_not=str(error))
    at_power = None
    near = None
    if power_w is not None:
        at_power = electrical_stress(figures.x_loop_ohm.value, figures.r_total_ohm, power_w)
        near = distances(model, target.f_hz, at_power.loop_a_rms)
    return replace(
        target,
        figures=figures,
        coupling=None if geometry is None else coupling_match(build, geometry, figures),
        tuning_hz_per_degree=_tuning_rate(build, figures),
        at_power=at_power,
        distances=near,
    )


def _tuning_target(build: Build, band: str, reach: tuple[float, float]) -> BandPlan:
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


def _within_range(build: Build, target: BandPlan) -> bool:
    if target.reachable is None:
        wavelengths = conductor_length_m(build) * target.f_hz / C0_M_PER_S
        return wavelengths < _LONGEST_WAVELENGTHS
    return target.reachable


def _tuning_rate(build: Build, figures: BandFigures) -> float | None:
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
