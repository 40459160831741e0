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
from sweeplab.loop.halfspace import Spectrum, complex_permittivity, fresnel, spectrum_of
from sweeplab.loop.model import LoopModel
from sweeplab.loop.path import closed_path
from sweeplab.loop.thinwire import Path
from sweeplab.sweep import ComplexArray, FloatArray

Stand = Literal["top", "bottom", "side", "horizontal"]

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
_NEAR_SEGMENTS = 16.0
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


_NONE = GroundEffect(1.0, 1.0)


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
        return _NONE
    soil = soil_of(site)
    return _mean([_effect(seen, soil) for seen in _stands(model, f_hz, site)])


def moved_effects(model: LoopModel, f_hz: float, site: Site) -> dict[str, GroundEffect]:
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
    here = ground_effect(model, f_hz, site)
    stands = list(_stands(model, f_hz, site))
    soil = soil_of(site)
    moved = {}
    for key, up, down in _moved_soils(soil):
        ends = [_mean([_effect(seen, end) for seen in stands]) for end in (up, down)]
        moved[f"site.ground.{key}"] = _swing(here, *ends)
    height = _height(model, site)
    if site.height is not None and site.height.u > 0:
        step = 2 * math.pi * f_hz / C0_M_PER_S * height * _HEIGHT_STEP
        ends = [_mean([_effect(seen, soil, sign * step) for seen in stands]) for sign in (1, -1)]
        times = site.height.u / (2 * _HEIGHT_STEP * height)
        moved["site.height"] = _shifted(here, ends[1], ends[0], times)
    if len(stands) > 1:
        # Anywhere on a circle: spread over half the range by the root of two.
        top = _effect(stands[0], soil)
        moved["site.gap_at"] = _shifted(here, here, top, math.sqrt(0.5))
    nearness = max(model.geometry.turn_lengths_m) / height
    u = math.hypot(_U_MODEL, _U_MODEL_NEAR[site.orientation] * nearness)
    moved["model.ground"] = GroundEffect(
        here.total_ratio * (1 + u),
        here.sky_ratio * (1 + u),
        here.reactance_ratio * (1 + _U_REACTANCE),
    )
    return moved


def soil_of(site: Site) -> Soil:
    """Return the constants of a site's ground, other than 'free'."""
    if isinstance(site.ground, str):
        return SOILS[site.ground]
    return Soil(*site.ground, *_STATED_FACTORS, "stated")


def _moved_soils(soil: Soil) -> Iterator[tuple[str, Soil, Soil]]:
    """Yield each uncertain constant's name, with the soil that has more of it and less."""
    if soil.eps_factor > 1:
        more, less = soil.eps_r * soil.eps_factor, max(soil.eps_r / soil.eps_factor, 1.0)
        yield "eps_r", replace(soil, eps_r=more), replace(soil, eps_r=less)
    if soil.sigma_factor > 1 and soil.sigma_s_per_m > 0:
        more, less = soil.sigma_s_per_m * soil.sigma_factor, soil.sigma_s_per_m / soil.sigma_factor
        yield "sigma", replace(soil, sigma_s_per_m=more), replace(soil, sigma_s_per_m=less)


@dataclass(frozen=True, eq=False)
class _Stand:
    """A loop as it stands: its waves at one frequency and a little above.

    `grown` is the radiation resistance there over that at the frequency itself.
    """

    f_hz: float
    waves: Spectrum
    ahead: Spectrum
    grown: float


def _effect(seen: _Stand, soil: Soil, raised: float = 0.0) -> GroundEffect:
    reflection = _reflection(seen.waves, seen.f_hz, soil)
    reaction = seen.waves.reaction(reflection, raised)
    there = _reflection(seen.ahead, seen.f_hz * (1 + _SLOPE_STEP), soil)
    ahead = seen.ahead.reaction(there, raised * (1 + _SLOPE_STEP)) * seen.grown
    # Time factor exp(-j w t): a reactance is the negative imaginary part.
    x, slope = -reaction.imag, (reaction - ahead).imag / _SLOPE_STEP
    return GroundEffect(
        1 + reaction.real,
        seen.waves.sky_ratio(reflection, raised),
        # (w/2)(dX/dw + X/w), as of the loop itself.
        (x + slope) / 2,
    )


def _reflection(spectrum: Spectrum, f_hz: float, soil: Soil) -> ComplexArray:
    eps = complex_permittivity(f_hz, soil.eps_r, soil.sigma_s_per_m)
    return fresnel(spectrum.waves, eps)


def _of_ratios(function: Callable[..., float], *effects: GroundEffect) -> GroundEffect:
    """Return the effect whose every ratio is a function of those of others."""
    return GroundEffect(
        function(*(effect.total_ratio for effect in effects)),
        function(*(effect.sky_ratio for effect in effects)),
        function(*(effect.reactance_ratio for effect in effects)),
    )


def _mean(effects: list[GroundEffect]) -> GroundEffect:
    return _of_ratios(lambda *ratios: sum(ratios) / len(ratios), *effects)


def _shifted(
    here: GroundEffect, low: GroundEffect, high: GroundEffect, times: float
) -> GroundEffect:
    """Return `here` plus `times` the way from `low` to `high`."""
    return _of_ratios(lambda x, a, b: x + times * (b - a), here, low, high)


def _swing(here: GroundEffect, up: GroundEffect, down: GroundEffect) -> GroundEffect:
    """Return `here` moved by the larger of two swings: a factor of two may straddle an extreme."""

    def swung(h: float, u: float, d: float) -> float:
        return h + math.copysign(max(abs(u - h), abs(d - h)), u - d)

    return _of_ratios(swung, here, up, down)


def _stands(model: LoopModel, f_hz: float, site: Site) -> Iterator[_Stand]:
    """Yield the loop as it stands: with both gap on top and below, if unknown."""
    height = _height(model, site)
    stands: tuple[Stand, ...] = ("top", "bottom")
    if site.orientation == "horizontal":
        stands = ("horizontal",)
    elif site.gap_at is not None:
        stands = (site.gap_at,)
    above = f_hz * (1 + _SLOPE_STEP)
    grown = model.radiation_resistance(above) / model.radiation_resistance(f_hz)
    for stand in stands:
        waves, ahead = (_spectrum(model, f, stand, height) for f in (f_hz, above))
        yield _Stand(f_hz, waves, ahead, grown)


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
def _spectrum(model: LoopModel, f_hz: float, stand: Stand, height_m: float) -> Spectrum:
    path = closed_path(model.geometry)
    k = 2 * math.pi * f_hz / C0_M_PER_S
    # The solver's time factor is exp(+j w t), that of the plane waves exp(-j w t).
    current = model.currents(f_hz).nodes_a.conj()
    near = height_m < _NEAR_SEGMENTS * float(path.lengths_m.max())
    places, moments = _pieces(path, current, stand, near)
    places[:, 2] += height_m - standing(path.nodes_m, stand)[:, 2].min()
    return spectrum_of(k * places, moments)


def _pieces(
    path: Path, current: ComplexArray, stand: Stand, near: bool
) -> tuple[FloatArray, ComplexArray]:
    """Return where the current's pieces are [m] and their moments [A m], each (n, 3)."""
    start = standing(path.nodes_m, stand)
    along = start[path.following] - start
    following = current[path.following]
    places, moments = [], []
    for x in (0.5 - math.sqrt(1 / 12), 0.5 + math.sqrt(1 / 12)) if near else (0.5,):
        places.append(start + x * along)
        moments.append(((1 - x) * current + x * following)[:, None] * along)
    return np.concatenate(places), np.concatenate(moments) / len(moments)


def standing(nodes_m: FloatArray, stand: Stand) -> FloatArray:
    """Return a path, drawn in the x-z plane with its gap on top, as it stands, shape (n, 3).

    Mirror images serve as turns do: ground makes no difference between left and right.
    """
    x, y, z = nodes_m.T
    axes = {"top": (x, y, z), "bottom": (x, y, -z), "side": (z, y, x), "horizontal": (x, z, y)}
    return np.stack(axes[stand], axis=1)
