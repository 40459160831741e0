"""What the ground does to a loop: how much more power it draws, how much reaches the sky, and by
how much its image shifts the reactance.

The current of the thin-wire solution is carried through its plane waves over a lossy half-space.
The current is that of free space: what the ground changes in its shape counts only in second order
(the reaction is stationary; V. H. Rumsey, Phys. Rev. 94, 1483, 1954, memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np

from sweeplab.builds.components import Site
from sweeplab.errors import ModelError
from sweeplab.finding import Threshold
from sweeplab.line import C0_M_PER_S
from sweeplab.loop.halfspace import Spectrum, complex_permittivity, fresnel, plane_wave_spectrum
from sweeplab.loop.model import LoopModel
from sweeplab.loop.path import closed_path
from sweeplab.loop.thinwire import Path
from sweeplab.sweep import ComplexArray, FloatArray

GapPosition = Literal["top", "bottom", "side", "horizontal"]

# Half of the largest difference from NEC-2 on 432 loops at 0.065 wavelengths and more (0.7 %).
_U_MODEL = 0.0035
# Near the ground the current does change. Solved again with the ground's reaction in it, loops of
# 2 to 8 m draw up to 1 % more at a tenth of their circumference, 3 % (lying ones 7 %) at a 30th.
_U_MODEL_NEAR = {"vertical": 0.001, "horizontal": 0.002}
_LEAST_HEIGHT_OF_TURN: Threshold = 1 / 30
# Relative, of the shift of reactance: two loops in their images' fields, solved to first order.
_U_REACTANCE = 0.1
_SLOPE_STEP = 0.01
# Within this many segments of the ground the current is taken at two points of each.
_NEAR_GROUND_SEGMENTS = 16.0
_HEIGHT_STEP = 0.005


@dataclass(frozen=True)
class Soil:
    """A ground by its constants.

    Parameters
    ----------
    eps_r, sigma_s_per_m : float
        Relative permittivity, conductivity [S/m].
    eps_factor, sigma_factor : float
        By which factors the two may be off, as standard uncertainties.
    source : str
        'memory' where the source was recalled and not reread.
    """

    eps_r: float
    sigma_s_per_m: float
    eps_factor: float
    sigma_factor: float
    source: str


_TERMAN = "F. E. Terman, Radio Engineers' Handbook (1943), table of ground constants, memory"
# A soil's moisture moves with the seasons, and its layers with the place: that the words hold
# within such factors is common practice, no source.
SOILS: dict[str, Soil] = {
    "perfect": Soil(1.0, math.inf, 1.0, 1.0, "the limit"),
    "poor": Soil(5.0, 0.001, 1.5, 2.0, f"cities, industrial areas; {_TERMAN}"),
    "average": Soil(13.0, 0.005, 1.5, 2.0, f"pastoral, medium hills, forest; {_TERMAN}"),
    "good": Soil(20.0, 0.03, 1.5, 2.0, f"pastoral, low hills, rich soil; {_TERMAN}"),
    "sea": Soil(70.0, 5.0, 1.1, 1.2, "average salinity; Rec. ITU-R P.527, memory"),
}
# Constants that somebody measured or looked up; common practice, no source.
_STATED_FACTORS = (1.2, 1.4)


@dataclass(frozen=True)
class GroundEffect:
    """What ground does to a loop's power, at one frequency and height.

    Ground resistance is ``(total_ratio - 1) Rrad``, which may be negative; efficiency over ground
    ``sky_ratio Rrad/Rtotal``, Rrad being that of free space.

    Parameters
    ----------
    total_ratio : float
        Power drawn, without the conductor's, over power radiated in free space.
    sky_ratio : float
        Power that reaches the sky over power radiated in free space.
    reactance_ratio : float
        What the ground adds to the effective reactance, over the radiation resistance in free
        space; mostly negative, as an image's flux opposes.
    """

    total_ratio: float
    sky_ratio: float
    reactance_ratio: float = 0.0


_FREE_SPACE = GroundEffect(1.0, 1.0)


def ground_effect(model: LoopModel, f_hz: float, site: Site) -> GroundEffect:
    """Return what the ground of `site` does to a loop.

    Parameters
    ----------
    model : LoopModel
    f_hz : float
    site : Site
        A vertical loop whose `gap_at` is unknown is taken half way between top and bottom.

    Returns
    -------
    GroundEffect
        Both ratios 1 for the ground 'free': all that is radiated counts as sky.

    Raises
    ------
    ModelError
        The height is not described, or so small that the ground changes the loop's current.
    """
    if site.ground == "free":
        return _FREE_SPACE
    soil = soil_of(site)
    return _mean([_effect(loop, soil) for loop in _oriented_loops(model, f_hz, site)])


def shifted_effects(model: LoopModel, f_hz: float, site: Site) -> dict[str, GroundEffect]:
    """Return the effect with each source of uncertainty one standard uncertainty larger.

    Parameters
    ----------
    model, f_hz, site
        As of `ground_effect`.

    Returns
    -------
    dict of str to GroundEffect
        'site.ground.eps_r', 'site.ground.sigma', 'site.height' (where it has an uncertainty),
        'site.gap_at' (where it is unknown) and 'model.ground'; empty for the ground 'free'.

    Raises
    ------
    ModelError
        As `ground_effect` does.
    """
    if site.ground == "free":
        return {}
    nominal = ground_effect(model, f_hz, site)
    loops = list(_oriented_loops(model, f_hz, site))
    soil = soil_of(site)
    shifted = {}
    for key, more, less in _shifted_soils(soil):
        ends = [_mean([_effect(loop, end) for loop in loops]) for end in (more, less)]
        shifted[f"site.ground.{key}"] = _larger_shift(nominal, *ends)
    height = _height(model, site)
    if site.height is not None and site.height.u > 0:
        step = 2 * math.pi * f_hz / C0_M_PER_S * height * _HEIGHT_STEP
        ends = [_mean([_effect(loop, soil, sign * step) for loop in loops]) for sign in (1, -1)]
        steps = site.height.u / (2 * _HEIGHT_STEP * height)
        shifted["site.height"] = _extrapolated(nominal, ends[1], ends[0], steps)
    if len(loops) > 1:
        # Anywhere on a circle: its standard deviation is half the range over the root of two.
        top = _effect(loops[0], soil)
        shifted["site.gap_at"] = _extrapolated(nominal, nominal, top, math.sqrt(0.5))
    shifted["model.ground"] = _shifted_by_model(model, site, height, nominal)
    return shifted


def _shifted_by_model(
    model: LoopModel, site: Site, height_m: float, nominal: GroundEffect
) -> GroundEffect:
    relative_size = max(model.geometry.turn_lengths_m) / height_m
    u = math.hypot(_U_MODEL, _U_MODEL_NEAR[site.orientation] * relative_size)
    return GroundEffect(
        nominal.total_ratio * (1 + u),
        nominal.sky_ratio * (1 + u),
        nominal.reactance_ratio * (1 + _U_REACTANCE),
    )


def soil_of(site: Site) -> Soil:
    """Return the constants of a site's ground, other than 'free'."""
    if isinstance(site.ground, str):
        return SOILS[site.ground]
    return Soil(*site.ground, *_STATED_FACTORS, "stated")


def _shifted_soils(soil: Soil) -> Iterator[tuple[str, Soil, Soil]]:
    """Yield each uncertain constant's name, with the soil that has more of it and less."""
    if soil.eps_factor > 1:
        more, less = soil.eps_r * soil.eps_factor, max(soil.eps_r / soil.eps_factor, 1.0)
        yield "eps_r", replace(soil, eps_r=more), replace(soil, eps_r=less)
    if soil.sigma_factor > 1 and soil.sigma_s_per_m > 0:
        more, less = soil.sigma_s_per_m * soil.sigma_factor, soil.sigma_s_per_m / soil.sigma_factor
        yield "sigma", replace(soil, sigma_s_per_m=more), replace(soil, sigma_s_per_m=less)


@dataclass(frozen=True, eq=False)
class _OrientedLoop:
    """A loop in one orientation above ground, at one frequency and a little above it.

    Parameters
    ----------
    f_hz : float
    spectrum, spectrum_above : Spectrum
        At the frequency, and above it by the step for the slope.
    radiation_growth : float
        Radiation resistance above it over that at the frequency itself.
    """

    f_hz: float
    spectrum: Spectrum
    spectrum_above: Spectrum
    radiation_growth: float


def _effect(loop: _OrientedLoop, soil: Soil, raised: float = 0.0) -> GroundEffect:
    """Return the ground's effect, the loop raised by a height times the wave number."""
    reflection = _reflection(loop.spectrum, loop.f_hz, soil)
    reaction = loop.spectrum.reaction(reflection, raised)
    above = 1 + _SLOPE_STEP
    reflection_above = _reflection(loop.spectrum_above, loop.f_hz * above, soil)
    reaction_above = loop.spectrum_above.reaction(reflection_above, raised * above)
    reaction_above *= loop.radiation_growth
    # Time factor exp(-j w t): a reactance is the negative imaginary part.
    x, slope = -reaction.imag, (reaction - reaction_above).imag / _SLOPE_STEP
    return GroundEffect(
        1 + reaction.real,
        loop.spectrum.sky_ratio(reflection, raised),
        # (w/2)(dX/dw + X/w), as of the loop itself.
        (x + slope) / 2,
    )


def _reflection(spectrum: Spectrum, f_hz: float, soil: Soil) -> ComplexArray:
    eps = complex_permittivity(f_hz, soil.eps_r, soil.sigma_s_per_m)
    return fresnel(spectrum.grid, eps)


def _map_ratios(function: Callable[..., float], *effects: GroundEffect) -> GroundEffect:
    """Return the effect whose every ratio is a function of those of others."""
    return GroundEffect(
        function(*(effect.total_ratio for effect in effects)),
        function(*(effect.sky_ratio for effect in effects)),
        function(*(effect.reactance_ratio for effect in effects)),
    )


def _mean(effects: list[GroundEffect]) -> GroundEffect:
    return _map_ratios(lambda *ratios: sum(ratios) / len(ratios), *effects)


def _extrapolated(
    nominal: GroundEffect, low: GroundEffect, high: GroundEffect, steps: float
) -> GroundEffect:
    """Return `nominal` plus so many times the difference from `low` to `high`."""
    return _map_ratios(lambda x, a, b: x + steps * (b - a), nominal, low, high)


def _larger_shift(nominal: GroundEffect, more: GroundEffect, less: GroundEffect) -> GroundEffect:
    """Return `nominal` shifted by the larger of two: a factor of two may straddle an extreme."""

    def shifted(x: float, with_more: float, with_less: float) -> float:
        return x + math.copysign(max(abs(with_more - x), abs(with_less - x)), with_more - with_less)

    return _map_ratios(shifted, nominal, more, less)


def _oriented_loops(model: LoopModel, f_hz: float, site: Site) -> Iterator[_OrientedLoop]:
    """Yield the loop as it is oriented: with the gap on top, then at the bottom, if unknown."""
    height = _height(model, site)
    orientations: tuple[GapPosition, ...] = ("top", "bottom")
    if site.orientation == "horizontal":
        orientations = ("horizontal",)
    elif site.gap_at is not None:
        orientations = (site.gap_at,)
    above = f_hz * (1 + _SLOPE_STEP)
    growth = model.radiation_resistance(above) / model.radiation_resistance(f_hz)
    for gap in orientations:
        spectrum, spectrum_above = (_spectrum(model, f, gap, height) for f in (f_hz, above))
        yield _OrientedLoop(f_hz, spectrum, spectrum_above, growth)


def _height(model: LoopModel, site: Site) -> float:
    if site.height is None:
        raise ModelError("what the ground does needs site.height, of the loop's lowest point")
    height = site.height.value
    least = max(model.geometry.turn_lengths_m) * _LEAST_HEIGHT_OF_TURN
    if height < least:
        raise ModelError(
            f"{height:.3g} m above ground is too near: below {least:.3g} m the ground changes the "
            "loop's current"
        )
    return height


@lru_cache(maxsize=32)
def _spectrum(model: LoopModel, f_hz: float, gap: GapPosition, height_m: float) -> Spectrum:
    path = closed_path(model.geometry)
    k = 2 * math.pi * f_hz / C0_M_PER_S
    # The solver's time factor is exp(+j w t), that of the plane waves exp(-j w t).
    current = model.currents(f_hz).nodes_a.conj()
    near = height_m < _NEAR_GROUND_SEGMENTS * float(path.lengths_m.max())
    positions, moments = _current_elements(path, current, gap, near)
    positions[:, 2] += height_m - oriented(path.nodes_m, gap)[:, 2].min()
    return plane_wave_spectrum(k * positions, moments)


def _current_elements(
    path: Path, current: ComplexArray, gap: GapPosition, near: bool
) -> tuple[FloatArray, ComplexArray]:
    """Return the positions [m] and moments [A m] of current elements, each of shape (n, 3)."""
    start = oriented(path.nodes_m, gap)
    along = start[path.following] - start
    following = current[path.following]
    positions, moments = [], []
    for x in (0.5 - math.sqrt(1 / 12), 0.5 + math.sqrt(1 / 12)) if near else (0.5,):
        positions.append(start + x * along)
        moments.append(((1 - x) * current + x * following)[:, None] * along)
    return np.concatenate(positions), np.concatenate(moments) / len(moments)


def oriented(nodes_m: FloatArray, gap: GapPosition) -> FloatArray:
    """Return a path, given in the x-z plane with its gap on top, as oriented, shape (n, 3).

    Mirror images serve as rotations: ground makes no difference between left and right.
    """
    x, y, z = nodes_m.T
    axes = {"top": (x, y, z), "bottom": (x, y, -z), "side": (z, y, x), "horizontal": (x, z, y)}
    return np.stack(axes[gap], axis=1)
