"""Turns in parallel and turns within one another."""

from __future__ import annotations

import math

import pytest
from scipy.special import ellipe, ellipk

from sweeplab import LoopModel
from sweeplab.builds import Build

MU0 = 4e-7 * math.pi
TURN = 2.5
RADIUS = TURN / (2 * math.pi)
WIRE = 0.003
SPACING = 0.06


def loop(turns: str) -> LoopModel:
    return LoopModel(Build.from_toml(
        f'name = "a"\n[loop]\nshape = "circle"\ncircumference = "{TURN} m"\ngap = "5 mm"\n{turns}\n'
        f'[conductor]\nform = "rod"\nmaterial = "copper"\ndiameter = "{2000 * WIRE} mm"'
    ))  # fmt: skip


def inductance(model: LoopModel) -> float:
    # Low enough for the current to be the same all round; the conductor's inside left out.
    f = 1e5
    return model.currents(f, lossless=True).impedance_ohm.imag / (2 * math.pi * f)


def maxwell(a: float, b: float, d: float) -> float:
    """Coaxial circles: J. C. Maxwell, Treatise, art. 701; Rosa & Grover 1912, eq. 1."""
    k2 = 4 * a * b / ((a + b) ** 2 + d**2)
    k = math.sqrt(k2)
    return MU0 * math.sqrt(a * b) * ((2 / k - k) * ellipk(k2) - 2 / k * ellipe(k2))


def own(a: float) -> float:
    """A circle with its current on the surface: Terman, Radio Engineers' Handbook (memory)."""
    return MU0 * a * (math.log(8 * a / WIRE) - 2)


PARALLEL = f'turns = 2\nturn_spacing = "{1000 * SPACING} mm"\nwinding = "parallel"'
IN_PLANE = f'turns = 2\nturn_spacing = "{1000 * SPACING} mm"\narrangement = "in-plane"'


def test_parallel_turns_have_half_of_self_plus_mutual() -> None:
    expected = (own(RADIUS) + maxwell(RADIUS, RADIUS, SPACING)) / 2
    assert inductance(loop(PARALLEL)) == pytest.approx(expected, rel=0.01)


def test_turns_within_one_another_add_selves_and_twice_the_mutual() -> None:
    inner = RADIUS - SPACING
    expected = own(RADIUS) + own(inner) + 2 * maxwell(RADIUS, inner, 0)
    # The way back over the joint adds a little that the circles do not have.
    assert inductance(loop(IN_PLANE)) == pytest.approx(expected, rel=0.02)


def test_parallel_turns_radiate_as_one_and_lose_half() -> None:
    one, two = loop(""), loop(PARALLEL)
    f = 3.6e6
    assert two.radiation_resistance(f) == pytest.approx(one.radiation_resistance(f), rel=0.01)
    # Two halves of the current, each in its own turn; ten radii apart the crowding is 2 %.
    ratio = two.conductor_resistance(f) / one.conductor_resistance(f)
    assert ratio == pytest.approx(0.5, rel=0.03)


def test_turns_within_one_another_radiate_with_the_sum_of_their_areas() -> None:
    one, two = loop(""), loop(IN_PLANE)
    f = 1e6
    areas = 1 + ((RADIUS - SPACING) / RADIUS) ** 2
    ratio = two.radiation_resistance(f) / one.radiation_resistance(f)
    assert ratio == pytest.approx(areas**2, rel=0.02)


def test_a_part_in_one_parallel_turn_weighs_a_quarter() -> None:
    f = 1e6
    one = loop("").part_weight(f, 0.5)
    assert loop(PARALLEL).part_weight(f, 0.5) == pytest.approx(one / 4, rel=0.01)
