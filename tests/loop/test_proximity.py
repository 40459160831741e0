"""Close turns crowd each other's current: inductance against rings solved by their surfaces.

The oracle has no wire in it: every turn is a torus cut into many rings on its surface (J. C.
Maxwell, Treatise, art. 701, for the mutual inductance of two rings), whose currents spread so that
the flux through each ring of one turn is the same, as on a perfect conductor. Three dimensions, the
turn's curvature included. The NEC-2 engine cannot serve: its current, too, stays on the axis.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import ellipe, ellipkm1

from sweeplab.loop.path import Geometry, closed_path
from sweeplab.loop.proximity import proximity_effect
from sweeplab.loop.thinwire import Path, ThinWire

MU0 = 4e-7 * math.pi
TURN_M, WIRE_M = 2.0, 5e-3
RADIUS_M = TURN_M / (2 * math.pi)
# Currents and charges are static here, the current the same all round.
F_HZ = 1e5
Array = NDArray[np.float64]


def maxwell(a: Array, b: Array, d: Array) -> Array:
    """Mutual inductance of coaxial rings [H]."""
    reach2 = (a + b) ** 2 + d**2
    complement = ((a - b) ** 2 + d**2) / reach2
    k2 = 4 * a * b / reach2
    k = np.sqrt(k2)
    return np.asarray(
        MU0 * np.sqrt(a * b) * ((2 / k - k) * ellipkm1(complement) - 2 / k * ellipe(k2))
    )


def tori(heights_m: tuple[float, ...], rings: int = 120) -> Array:
    """Inductances of coaxial turns of round wire, current free on the surface, (n, n) [H]."""
    angle = 2 * math.pi * (np.arange(rings) + 0.5) / rings
    radius = np.tile(RADIUS_M + WIRE_M * np.cos(angle), len(heights_m))
    height = np.concatenate([z + WIRE_M * np.sin(angle) for z in heights_m])
    apart = height[:, None] - height
    # A ring's own: from the middle of the strip it stands for, half its width over e.
    np.fill_diagonal(apart, WIRE_M * (angle[1] - angle[0]) / 2 / math.e)
    flux = maxwell(radius[:, None], radius, apart)
    turns = np.kron(np.eye(len(heights_m)), np.ones(rings))
    return np.linalg.inv(turns @ np.linalg.solve(flux, turns.T))


def crowded_by(heights_m: tuple[float, ...]) -> float:
    """What crowding takes from the inductance of turns in series, as a fraction of it."""
    found = tori(heights_m)
    lone = tori((0.0,))[0, 0]
    apart = np.abs(np.subtract.outer(heights_m, heights_m)) + np.eye(len(heights_m))
    filaments = maxwell(np.full_like(apart, RADIUS_M), np.full_like(apart, RADIUS_M), apart)
    np.fill_diagonal(filaments, lone)
    return float(found.sum() / filaments.sum() - 1)


def path(turns: int, spacing_m: float, parallel: bool = False) -> Path:
    return closed_path(Geometry(
        "circle", (TURN_M,) * turns, 0.02, WIRE_M, turn_spacing_m=spacing_m, parallel=parallel
    ))  # fmt: skip


def without(crowded: Path) -> Path:
    """The same turns with their currents on the axis, seen from each other's axis."""
    assert crowded.neighbours is not None
    places = crowded.neighbours.segments[:, 0]
    y = crowded.nodes_m[places][:, 1] / WIRE_M
    apart = np.abs(np.subtract.outer(y, y))
    kernel = np.log1p(1 / np.where(apart > 0, apart, np.inf) ** 2) / 2
    return replace(crowded, neighbours=replace(crowded.neighbours, potential=kernel))


def inductance(of: Path) -> float:
    return ThinWire(of).solve(F_HZ).impedance_ohm.imag / (2 * math.pi * F_HZ)


class TestInductance:
    @pytest.mark.parametrize("radii", [2.5, 3.0, 4.0, 6.0])
    @pytest.mark.parametrize("parallel", [False, True])
    def test_two_turns_lose_what_their_surfaces_say(self, radii: float, parallel: bool) -> None:
        # Within a tenth of it and 3e-4: the solver's links and gap do not crowd.
        crowded = path(2, radii * WIRE_M, parallel)
        found = inductance(crowded) / inductance(without(crowded)) - 1
        expected = crowded_by((0.0, radii * WIRE_M))
        assert expected < -0.004
        assert found == pytest.approx(expected, rel=0.1, abs=3e-4)

    @pytest.mark.parametrize("turns", [3, 4])
    def test_more_turns_lose_more(self, turns: int) -> None:
        crowded = path(turns, 4 * WIRE_M)
        found = inductance(crowded) / inductance(without(crowded)) - 1
        expected = crowded_by(tuple(4 * WIRE_M * n for n in range(turns)))
        assert expected < -0.009
        assert found == pytest.approx(expected, rel=0.1, abs=3e-4)

    def test_it_is_eight_parts_in_a_thousand_at_four_radii(self) -> None:
        crowded = path(2, 4 * WIRE_M)
        assert inductance(crowded) / inductance(without(crowded)) - 1 == pytest.approx(
            -0.0085, abs=5e-4
        )

    @pytest.mark.parametrize("turns", [2, 3])
    def test_whole_inductance_is_that_of_the_tori(self, turns: int) -> None:
        # Links, leads and the way back over the gap are not in the tori: 1 %.
        spacing = 4 * WIRE_M
        expected = tori(tuple(spacing * n for n in range(turns))).sum()
        assert inductance(path(turns, spacing)) == pytest.approx(float(expected), rel=0.01)


class TestPlaneAcrossTheWires:
    def test_two_wires_at_one_potential_and_opposite_follow_the_closed_form(self) -> None:
        # Two-wire line: capacitance pi eps/acosh(s/2a) (any textbook), so that half the
        # difference of self and mutual coefficient is acosh(s/2a).
        for s in (2.3, 3.0, 5.0, 12.0):
            added = proximity_effect((0j, complex(s))).potential
            found = math.log(s) + added[0, 0] - added[0, 1]
            assert found == pytest.approx(math.acosh(s / 2), rel=1e-6)

    def test_far_apart_the_self_term_falls_with_the_square(self) -> None:
        added = proximity_effect((0j, 30j)).potential
        assert added[0, 0] == pytest.approx(-1 / 900, rel=2e-3)
        assert abs(added[0, 1]) < 2e-3 * abs(added[0, 0])

    def test_a_wire_between_two_carries_their_fields_across(self) -> None:
        # To lowest order wire 1 answers wire 0 as a dipole -(a/s)^2, seen by wire 2 reversed.
        added = proximity_effect((0j, 20 + 0j, 40 + 0j)).potential
        assert added[0, 2] == pytest.approx(1 / 400, rel=0.05)
        assert added[1, 1] == pytest.approx(-2 / 400, rel=0.02)


def test_turns_within_one_another_crowd_too() -> None:
    flat = closed_path(Geometry(
        "circle", (TURN_M, TURN_M - 2 * math.pi * 4 * WIRE_M), 0.02, WIRE_M,
        turn_spacing_m=4 * WIRE_M, in_plane=True,
    ))  # fmt: skip
    stacked = path(2, 4 * WIRE_M).neighbours
    assert flat.neighbours is not None
    assert stacked is not None
    assert flat.neighbours.extra_loss == pytest.approx(stacked.extra_loss, rel=0.02)


def test_turns_of_unequal_length_are_cut_alike() -> None:
    for shape in ("circle", "square", "octagon"):
        two = closed_path(Geometry(shape, (2.56, 2.67), 0.03, 0.006, turn_spacing_m=0.06))
        assert two.neighbours is not None
        first, second = two.neighbours.segments
        middles = two.nodes_m + two.vectors_m / 2
        apart = np.linalg.norm(middles[first] - middles[second], axis=1)
        assert apart.max() < 0.08
