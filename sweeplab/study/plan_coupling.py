"""The coupling loop a planned build would want, and what the described one would do."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from sweeplab.build import Build
from sweeplab.errors import ModelError
from sweeplab.estimate import Estimate
from sweeplab.finding import Finding
from sweeplab.loop import LoopModel
from sweeplab.loop.coupling import CouplingGeometry, circumference_for, coupling_factor
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
    """

    circumference_m: Estimate | None
    coupling_factor: Estimate | None = None
    swr: Estimate | None = None


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
    shape, position = ("circle", 0.5) if feed is None else (feed.shape, feed.position)
    geometry = CouplingGeometry(around, conductor / 2, offset, shape, position)
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
    return Matched(around, factor, _swr(factor))


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
