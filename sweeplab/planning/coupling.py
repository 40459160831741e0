"""The coupling loop a planned build would want, and what the described one would do."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from sweeplab.builds import Build
from sweeplab.errors import ModelError
from sweeplab.estimate import Estimate
from sweeplab.finding import Finding, Threshold
from sweeplab.loop import LoopModel
from sweeplab.loop.coupling import (
    CouplingGeometry,
    circumference_for,
    coupling_factor,
    offset_for,
    tilt_for,
)
from sweeplab.planning.band import BandFigures

Z0_OHM = 50.0
# Prediction against full-wave truth: median 0.3 %, worst 2 %, of wires that are thin and bare. A
# real one is bent and fixed by hand: 5 % (common practice, no source).
_U_COUPLING = 0.05
# Where the build does not say (common practice, no source).
_CONDUCTOR_M, _OFFSET_M = 0.006, 0.025
_STEP = 1.03
# A coupling loop that is so many times the best place's SWR from a match stays as described.
_GOOD_AS_IT_IS: Threshold = 1.05


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
    offset_m, tilt_deg : Estimate or None
        The one that is changed; both None where it is best as described.
    worst_swr : Estimate
        Of all bands, there.
    """

    offset_m: Estimate | None
    tilt_deg: Estimate | None
    worst_swr: Estimate

    def to_json(self) -> dict[str, dict[str, float] | None]:
        """Return the place and its worst SWR."""
        return {
            name: None if figure is None else figure.to_json()
            for name, figure in vars(self).items()
        }


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
    offset, tilt = (place(model, geometry, f_hz, r) for place in (_offset, _tilt))
    return Matched(around, factor, _swr(factor), offset, tilt)


def _offset(
    model: LoopModel, geometry: CouplingGeometry, f_hz: float, r: Estimate, wanted: float = 1.0
) -> Estimate | None:
    """Return the distance from the conductor [m] that gives a wanted coupling factor."""
    found = offset_for(model, geometry, f_hz, r.value, wanted, Z0_OHM)
    if found is None:
        return None
    further = replace(geometry, offset_m=found * _STEP)
    gain = math.log(coupling_factor(model, further, f_hz, r.value, Z0_OHM) / wanted)
    return _placed(found, gain / (found * (_STEP - 1)), r)


def _tilt(
    model: LoopModel, geometry: CouplingGeometry, f_hz: float, r: Estimate, wanted: float = 1.0
) -> Estimate | None:
    """Return the turn out of the plane [degrees] that gives a wanted coupling factor."""
    found = tilt_for(model, geometry, f_hz, r.value, wanted, Z0_OHM)
    if found is None:
        return None
    further = replace(geometry, tilt_rad=found + math.radians(1))
    gain = math.log(coupling_factor(model, further, f_hz, r.value, Z0_OHM) / wanted)
    return _placed(math.degrees(found), gain, r).clipped(0.0, 90.0)


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
    known = [(f, m.coupling_factor) for f, m in bands if m.coupling_factor is not None]
    if len(known) < 2:
        return None
    (high_at, high), (low_at, low) = (
        pick(known, key=lambda band: band[1].value) for pick in (max, min)
    )
    worst, middle = math.sqrt(high.value / low.value), math.sqrt(high.value * low.value)
    as_it_is = max(_swr(high), _swr(low), key=lambda swr: swr.value)
    if as_it_is.value < _GOOD_AS_IT_IS * worst:
        return OnePlace(None, None, as_it_is)
    # The two bands' resistances err apart, each half as much as in its own; coupling errs in all.
    u_r = math.hypot(*(at.r_total_ohm.u / at.r_total_ohm.value for at in (high_at, low_at))) / 2
    swr = Estimate.lognormal(worst, worst * math.hypot(u_r, _U_COUPLING))
    r = high_at.r_total_ohm.value
    at = LoopModel(build), geometry, high_at.f_hz, Estimate.lognormal(r, r * u_r)
    tilt = _tilt(*at, high.value / middle)
    offset = _offset(*at, high.value / middle) if tilt is None else None
    if tilt is None and offset is None:
        return None
    return OnePlace(offset, tilt, swr.clipped(1.0, math.inf))


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
