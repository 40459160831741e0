"""The coupling loop a planned build would want, and what the described one would do."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from sweeplab.build import Build
from sweeplab.errors import ModelError
from sweeplab.estimate import Estimate
from sweeplab.finding import Finding
from sweeplab.loop import LoopModel
from sweeplab.loop.coupling import (
    CouplingGeometry,
    circumference_for,
    coupling_factor,
    offset_for,
    tilt_for,
)
from sweeplab.study.plan_band import BandFigures

Z0_OHM = 50.0
# Prediction against full-wave truth: median 0.3 %, worst 2 %, of wires that are thin and bare. A
# real one is bent and fixed by hand: 5 % (common practice, no source).
_U_COUPLING = 0.05
# Where the build does not say (common practice, no source).
_CONDUCTOR_M, _OFFSET_M = 0.006, 0.025
_STEP = 1.03


@dataclass(frozen=True)
class Matched:
    """The coupling loop at one frequency.

    Parameters
    ----------
    circumference_m : Estimate or None
        For a match to 50 ohm; None where none that fits gives one.
    coupling_factor, swr : Estimate or None
        What the described coupling loop gives at resonance; None where none is described.
    offset_m, tilt_deg : Estimate or None
        How far from the main conductor, or how far turned out of the plane where it is, the
        described one would give a match; None where it cannot so.
    """

    circumference_m: Estimate | None
    coupling_factor: Estimate | None = None
    swr: Estimate | None = None
    offset_m: Estimate | None = None
    tilt_deg: Estimate | None = None


@dataclass(frozen=True)
class OnePlace:
    """Where the described coupling loop serves all bands best, without being touched.

    Parameters
    ----------
    offset_m, tilt_deg : float or None
        The one that is changed; both None where it is best as described.
    worst_swr : float
    """

    offset_m: float | None
    tilt_deg: float | None
    worst_swr: float

    def to_json(self) -> dict[str, float | None]:
        """Return the place and its worst SWR."""
        return dict(vars(self))


def coupling_geometry(build: Build) -> tuple[CouplingGeometry, tuple[Finding, ...]]:
    """Return the coupling loop as described, else as taken, and what was taken.

    Where no size is described a fifth of the main loop's is taken, to start from.
    """
    feed = build.feed
    taken: dict[str, float | str] = {}
    around = 0.2 * build.loop.circumference.value
    conductor, offset = _CONDUCTOR_M, max(_OFFSET_M, _thickness(build) / 2 + 0.015)
    if feed is not None and feed.circumference is not None:
        around = feed.circumference.value
    if feed is not None and feed.conductor_diameter is not None:
        conductor = feed.conductor_diameter.value
    else:
        taken["feed.conductor_diameter_m"] = conductor
    if feed is not None and feed.offset is not None:
        offset = feed.offset.value
    else:
        taken["feed.offset_m"] = offset
    geometry = CouplingGeometry(around, conductor / 2, offset)
    if feed is not None:
        tilt = math.radians(feed.tilt_deg)
        geometry = replace(geometry, shape=feed.shape, position=feed.position, tilt_rad=tilt)
    if not taken:
        return geometry, ()
    return geometry, (Finding(
        "coupling-taken", "note",
        "The coupling loop is not fully described; its size for a match takes: "
        + ", ".join(f"{key.removesuffix('_m')} {1e3 * float(value):.0f} mm"
                    for key, value in taken.items()) + ".",
        taken, "Write feed.conductor_diameter and feed.offset.",
    ),)  # fmt: skip


def matched(build: Build, geometry: CouplingGeometry, figures: BandFigures) -> Matched:
    """Return the coupling loop for a match, and what the described one gives.

    Parameters
    ----------
    build : Build
    geometry : CouplingGeometry
        See `coupling_geometry`.
    figures : BandFigures
    """
    model, f_hz, r = LoopModel(build), figures.f_hz, figures.r_total_ohm
    described = build.feed is not None and build.feed.circumference is not None
    try:
        size = circumference_for(model, geometry, f_hz, r.value, 1.0, Z0_OHM)
        around = None
        if size is not None:
            larger = replace(geometry, circumference_m=size * _STEP)
            gain = coupling_factor(model, larger, f_hz, r.value, Z0_OHM)
            power = math.log(_STEP) / max(math.log(gain), 1e-3)
            around = _scaled(size, r, power)
        if not described:
            return Matched(around)
        beta = coupling_factor(model, geometry, f_hz, r.value, Z0_OHM)
    except ModelError:
        return Matched(None)
    factor = _scaled(beta, r, -1.0)
    return Matched(around, factor, _swr(factor), *_moved(model, geometry, figures))


def _moved(
    model: LoopModel, geometry: CouplingGeometry, figures: BandFigures
) -> tuple[Estimate | None, Estimate | None]:
    """Return the distance and the turn [degrees] at which a coupling loop gives a match."""
    at = figures.f_hz, figures.r_total_ohm.value
    offset = offset_for(model, geometry, *at)
    tilt = tilt_for(model, geometry, *at)

    def steepness(moved: CouplingGeometry, step: float) -> float:
        """Return by how much ln(beta), zero at the match, moves a step farther on."""
        return math.log(coupling_factor(model, moved, *at, Z0_OHM)) / step

    near = turn = None
    if offset is not None:
        further = replace(geometry, offset_m=offset * _STEP)
        near = _placed(offset, steepness(further, offset * (_STEP - 1)), figures.r_total_ohm)
    if tilt is not None:
        further = replace(geometry, tilt_rad=tilt + math.radians(1))
        turn = _placed(math.degrees(tilt), steepness(further, 1.0), figures.r_total_ohm)
    return near, None if turn is None else turn.clipped(0.0, 90.0)


def _placed(value: float, steepness: float, r: Estimate) -> Estimate:
    """Return a place of a match, that moves with ln R and the coupling's model over `steepness`."""
    per_log = 1 / abs(steepness)
    u = per_log * math.hypot(r.u / r.value, _U_COUPLING)
    model = 1.96 * _U_COUPLING * per_log
    # More resistance wants more coupling: nearer, less turned.
    low = value - math.hypot(per_log * math.log(r.high / r.value), model)
    high = value + math.hypot(per_log * math.log(r.value / r.low), model)
    return Estimate(value, u, max(low, 0.0), high)


def one_place(
    build: Build, geometry: CouplingGeometry, bands: Sequence[tuple[BandFigures, Matched]]
) -> OnePlace | None:
    """Return where a described coupling loop serves all bands best, its size left as it is.

    All bands' coupling factors go up and down together, so that the best is where highest and
    lowest are as far from a match, ``sqrt(highest/lowest)``. None where nothing is to be gained.
    """
    known = [(f, m.coupling_factor.value) for f, m in bands if m.coupling_factor is not None]
    if len(known) < 2:
        return None
    highest, lowest = max(beta for _, beta in known), min(beta for _, beta in known)
    worst, wanted = math.sqrt(highest / lowest), 1 / math.sqrt(highest * lowest)
    model, (figures, beta) = LoopModel(build), known[0]
    if max(highest, 1 / lowest) < 1.05 * worst:
        return OnePlace(None, None, max(highest, 1 / lowest))
    at = figures.f_hz, figures.r_total_ohm.value, beta * wanted
    tilt = tilt_for(model, geometry, *at)
    if tilt is not None:
        return OnePlace(None, math.degrees(tilt), worst)
    offset = offset_for(model, geometry, *at)
    return None if offset is None else OnePlace(offset, None, worst)


def _scaled(value: float, r: Estimate, power: float) -> Estimate:
    """Return a figure that goes with a power of the resistance, and of the coupling's model."""
    relative = abs(power) * math.hypot(r.u / r.value, _U_COUPLING)
    ends = [value * (end / r.value) ** power for end in (r.low, r.high)]
    model = Estimate.lognormal(value, value * abs(power) * _U_COUPLING)
    low = value * math.exp(-math.hypot(math.log(value / min(ends)), math.log(value / model.low)))
    high = value * math.exp(math.hypot(math.log(max(ends) / value), math.log(model.high / value)))
    return Estimate(value, value * relative, low, high)


def _swr(factor: Estimate) -> Estimate:
    """Return the SWR at resonance, the coupling loop's reactance tuned out: beta or 1/beta."""

    def swr(beta: float) -> float:
        return max(beta, 1 / beta)

    value = swr(factor.value)
    ends = [swr(factor.low), swr(factor.high)]
    low = 1.0 if factor.low < 1 < factor.high else min(ends)
    return Estimate(value, value * factor.u / factor.value, low, max(ends))


def _thickness(build: Build) -> float:
    across = build.conductor.diameter or build.conductor.thickness
    return 0.0 if across is None else across.value
