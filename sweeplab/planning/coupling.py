"""The coupling loop for a match: its size or placement, and what the described one would do."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from sweeplab.builds import Build
from sweeplab.errors import ModelError
from sweeplab.estimate import Estimate
from sweeplab.finding import Finding, Threshold
from sweeplab.loop import LoopModel
from sweeplab.loop.coupling import CouplingGeometry, coupling_factor, inner_width_m
from sweeplab.planning.band import BandFigures
from sweeplab.planning.root_finding import ConvergenceError, first_rising_root

Z0_OHM = 50.0
# Prediction against full-wave truth: median 0.3 %, worst 2 %, of wires that are thin and bare. A
# real one is bent and fixed by hand: 5 % (common practice, no source).
_U_COUPLING = 0.05
# Where the build does not say (common practice, no source).
_CONDUCTOR_M, _OFFSET_M = 0.006, 0.025
# For the slope of the coupling factor over a length (relative), over an angle.
_LENGTH_STEP, _ANGLE_STEP_DEG = 1.03, 1.0
# Within this factor of the lowest SWR that another placement would give, the described one stays.
_GOOD_ENOUGH: Threshold = 1.05
# Between two conductors that touch.
_INSULATION_M: Threshold = 0.001
_MOST_TILT_DEG: Threshold = 85.0
# Half widths of coupling loops that are considered: at least so many radii of their wire, at most
# this fraction of the width inside the main loop.
_TIGHTEST_WIRE_RADII: Threshold = 5.0
_MOST_OF_WIDTH: Threshold = 0.49
_SIZES = 9
# Of the logarithm of coupling factor over target.
_TOLERANCE = 1e-6


@dataclass(frozen=True)
class CouplingMatch:
    """The coupling loop at one frequency.

    Parameters
    ----------
    circumference_m : Estimate or None
        For a match to 50 ohm; None where none that fits gives one.
    coupling_factor, swr : Estimate or None
        What the described coupling loop gives at resonance; None where none is described.
    offset_m, tilt_deg : Estimate or None
        Distance from the main conductor, or tilt out of the plane at the described distance, at
        which the described one would give a match; None where none does.
    """

    circumference_m: Estimate | None
    coupling_factor: Estimate | None = None
    swr: Estimate | None = None
    offset_m: Estimate | None = None
    tilt_deg: Estimate | None = None


@dataclass(frozen=True)
class CommonPlacement:
    """The one placement of the described coupling loop that serves all bands best.

    Parameters
    ----------
    offset_m, tilt_deg : Estimate or None
        The one that is changed; both None where it is best as described.
    worst_swr : Estimate
        Of all bands, in that placement.
    """

    offset_m: Estimate | None
    tilt_deg: Estimate | None
    worst_swr: Estimate

    def to_json(self) -> dict[str, dict[str, float] | None]:
        """Return the placement and its worst SWR."""
        return {
            name: None if figure is None else figure.to_json()
            for name, figure in vars(self).items()
        }


def coupling_geometry(build: Build) -> tuple[CouplingGeometry, tuple[Finding, ...]]:
    """Return the coupling loop as described, else as assumed, and a finding on what was assumed.

    Where no size is described a fifth of the main loop's is assumed, to start from.
    """
    feed = build.feed
    assumed: dict[str, float | str] = {}
    circumference = 0.2 * build.loop.circumference.value
    conductor, offset = _CONDUCTOR_M, max(_OFFSET_M, _thickness(build) / 2 + 0.015)
    if feed is not None and feed.circumference is not None:
        circumference = feed.circumference.value
    if feed is not None and feed.conductor_diameter is not None:
        conductor = feed.conductor_diameter.value
    else:
        assumed["feed.conductor_diameter_m"] = conductor
    if feed is not None and feed.offset is not None:
        offset = feed.offset.value
    else:
        assumed["feed.offset_m"] = offset
    geometry = CouplingGeometry(circumference, conductor / 2, offset)
    if feed is not None:
        tilt = math.radians(feed.tilt_deg)
        geometry = replace(geometry, shape=feed.shape, position=feed.position, tilt_rad=tilt)
    return geometry, (_coupling_assumed(assumed),) if assumed else ()


def _coupling_assumed(assumed: dict[str, float | str]) -> Finding:
    listed = ", ".join(
        f"{key.removesuffix('_m')} {1e3 * float(value):.0f} mm" for key, value in assumed.items()
    )
    return Finding(
        code="coupling-taken",
        level="note",
        text=f"The coupling loop is not fully described; its size for a match takes: {listed}.",
        evidence=assumed,
        action="Write feed.conductor_diameter and feed.offset.",
    )


def circumference_for(
    model: LoopModel,
    feed: CouplingGeometry,
    f_hz: float,
    r_total_ohm: float,
    target: float = 1.0,
    z0_ohm: float = Z0_OHM,
) -> float | None:
    """Return the circumference of the coupling loop that gives a coupling factor [m].

    The smallest that does; None where none that fits inside the main loop does.

    Parameters
    ----------
    model : LoopModel
    feed : CouplingGeometry
        Everything else about it stays.
    f_hz, r_total_ohm : float
        The main loop's resonance and resistance, referred to the gap current.
    target : float
        The coupling factor; 1 is a match.
    z0_ohm : float

    Raises
    ------
    ConvergenceError
    """
    excess = _excess_coupling(
        model,
        lambda log_size: replace(feed, circumference_m=math.exp(log_size)),
        (f_hz, r_total_ohm, z0_ohm),
        target,
    )
    width = inner_width_m(model, feed.position) - feed.offset_m
    per_half_width = feed.circumference_m / feed.half_width_m
    least = _TIGHTEST_WIRE_RADII * per_half_width * feed.conductor_radius_m
    most = _MOST_OF_WIDTH * per_half_width * width
    grid = np.linspace(math.log(least), math.log(most), _SIZES)
    found = first_rising_root(excess, map(float, grid), _TOLERANCE)
    return None if found is None else math.exp(found)


def offset_for(
    model: LoopModel,
    feed: CouplingGeometry,
    f_hz: float,
    r_total_ohm: float,
    target: float = 1.0,
    z0_ohm: float = Z0_OHM,
) -> float | None:
    """Return the distance from the main conductor that gives a coupling factor [m].

    From a millimetre between the conductors to where the middles of both loops meet. Parameters
    and errors as of `circumference_for`.

    Returns
    -------
    float or None
        None where no distance in between gives that much.
    """
    excess = _excess_coupling(
        model,
        lambda log_nearness: replace(feed, offset_m=math.exp(-log_nearness)),
        (f_hz, r_total_ohm, z0_ohm),
        target,
    )
    least = model.geometry.radius_m + feed.conductor_radius_m + _INSULATION_M
    most = inner_width_m(model, feed.position) / 2 - feed.half_width_m
    if most <= least:
        return None
    found = first_rising_root(excess, (-math.log(most), -math.log(least)), _TOLERANCE)
    return None if found is None else math.exp(-found)


def tilt_for(
    model: LoopModel,
    feed: CouplingGeometry,
    f_hz: float,
    r_total_ohm: float,
    target: float = 1.0,
    z0_ohm: float = Z0_OHM,
) -> float | None:
    """Return the tilt out of the main loop's plane that gives a coupling factor [rad].

    About the line from the coupling loop's nearest point to its middle. Parameters and errors as
    of `circumference_for`.

    Returns
    -------
    float or None
        None where it couples too little even in the plane.
    """
    # The coupling factor goes with the square of the cosine, all but exactly.
    excess = _excess_coupling(
        model,
        lambda log_cosine: replace(feed, tilt_rad=math.acos(math.exp(log_cosine))),
        (f_hz, r_total_ohm, z0_ohm),
        target,
    )
    least = math.log(math.cos(math.radians(_MOST_TILT_DEG)))
    found = first_rising_root(excess, (least, 0.0), _TOLERANCE)
    return None if found is None else math.acos(math.exp(found))


def _excess_coupling(
    model: LoopModel,
    shaped: Callable[[float], CouplingGeometry],
    at: tuple[float, float, float],
    target: float,
) -> Callable[[float], float]:
    """Return the log of coupling factor over target, a nearly straight rising function.

    `at` is frequency [Hz], the main loop's resistance [ohm] and Z0 [ohm].
    """

    def excess(x: float) -> float:
        return math.log(coupling_factor(model, shaped(x), *at) / target)

    return excess


def coupling_match(build: Build, geometry: CouplingGeometry, figures: BandFigures) -> CouplingMatch:
    """Return the coupling loop for a match, and what the described one gives.

    Parameters
    ----------
    build : Build
    geometry : CouplingGeometry
        See `coupling_geometry`.
    figures : BandFigures

    Raises
    ------
    ConvergenceError
    """
    model, f_hz, r = LoopModel(build), figures.f_hz, figures.r_total_ohm
    described = build.feed is not None and build.feed.circumference is not None
    try:
        circumference = _matching_circumference(model, geometry, f_hz, r)
        if not described:
            return CouplingMatch(circumference)
        beta = coupling_factor(model, geometry, f_hz, r.value, Z0_OHM)
    except ConvergenceError:
        raise
    except ModelError:
        # It does not fit inside the main loop.
        return CouplingMatch(None)
    factor = _scaled(beta, r, -1.0)
    return CouplingMatch(
        circumference_m=circumference,
        coupling_factor=factor,
        swr=_swr(factor),
        offset_m=_matching_offset(model, geometry, f_hz, r),
        tilt_deg=_matching_tilt(model, geometry, f_hz, r),
    )


def _matching_circumference(
    model: LoopModel, geometry: CouplingGeometry, f_hz: float, r: Estimate
) -> Estimate | None:
    found = circumference_for(model, geometry, f_hz, r.value)
    if found is None:
        return None
    larger = replace(geometry, circumference_m=found * _LENGTH_STEP)
    gain = math.log(coupling_factor(model, larger, f_hz, r.value, Z0_OHM))
    return _scaled(found, r, math.log(_LENGTH_STEP) / max(gain, 1e-3))


def _matching_offset(
    model: LoopModel, geometry: CouplingGeometry, f_hz: float, r: Estimate, target: float = 1.0
) -> Estimate | None:
    """Return the distance from the conductor [m] that gives a coupling factor."""
    found = offset_for(model, geometry, f_hz, r.value, target)
    if found is None:
        return None
    farther = replace(geometry, offset_m=found * _LENGTH_STEP)
    gain = math.log(coupling_factor(model, farther, f_hz, r.value, Z0_OHM) / target)
    return _placement(found, gain / (found * (_LENGTH_STEP - 1)), r)


def _matching_tilt(
    model: LoopModel, geometry: CouplingGeometry, f_hz: float, r: Estimate, target: float = 1.0
) -> Estimate | None:
    """Return the tilt out of the plane [degrees] that gives a coupling factor."""
    found = tilt_for(model, geometry, f_hz, r.value, target)
    if found is None:
        return None
    farther = replace(geometry, tilt_rad=found + math.radians(_ANGLE_STEP_DEG))
    gain = math.log(coupling_factor(model, farther, f_hz, r.value, Z0_OHM) / target)
    return _placement(math.degrees(found), gain / _ANGLE_STEP_DEG, r).clipped(0.0, 90.0)


def _placement(value: float, slope: float, r: Estimate) -> Estimate:
    """Return a placement for a match with its uncertainty.

    `slope` is that of the log of the coupling factor over it; the resistance and the model of the
    coupling are what is uncertain.
    """
    per_log = 1 / abs(slope)
    u = per_log * math.hypot(r.u / r.value, _U_COUPLING)
    model = 1.96 * _U_COUPLING * per_log
    # More resistance wants more coupling: nearer, less tilted.
    low = value - math.hypot(per_log * math.log(r.high / r.value), model)
    high = value + math.hypot(per_log * math.log(r.value / r.low), model)
    return Estimate(value, u, max(low, 0.0), high)


def common_placement(
    build: Build, geometry: CouplingGeometry, bands: Sequence[tuple[BandFigures, CouplingMatch]]
) -> CommonPlacement | None:
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
    as_described = max(_swr(high), _swr(low), key=lambda swr: swr.value)
    if as_described.value < _GOOD_ENOUGH * worst:
        return CommonPlacement(None, None, as_described)
    # The resistances of the two bands err independently, each with half the effect that it has on
    # its own band; the model of the coupling errs in all alike.
    u_r = math.hypot(*(at.r_total_ohm.u / at.r_total_ohm.value for at in (high_at, low_at))) / 2
    swr = Estimate.lognormal(worst, worst * math.hypot(u_r, _U_COUPLING))
    r = high_at.r_total_ohm.value
    at = LoopModel(build), geometry, high_at.f_hz, Estimate.lognormal(r, r * u_r)
    tilt = _matching_tilt(*at, high.value / middle)
    offset = _matching_offset(*at, high.value / middle) if tilt is None else None
    if tilt is None and offset is None:
        return None
    return CommonPlacement(offset, tilt, swr.clipped(1.0, math.inf))


def _scaled(value: float, r: Estimate, power: float) -> Estimate:
    """Return a figure proportional to a power of the resistance and of the coupling's error."""
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
