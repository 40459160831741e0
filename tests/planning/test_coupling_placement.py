"""Size, distance and tilt of a coupling loop for a coupling factor."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import pytest

from sweeplab.builds import Build
from sweeplab.loop import LoopModel
from sweeplab.loop.coupling import CouplingGeometry, coupling_factor
from sweeplab.planning.coupling import circumference_for, offset_for, tilt_for

CIRCLE = 'circumference = "3 m"'
F_HZ = 3e6
FEED = CouplingGeometry(0.6, 0.003, 0.025)


@cache
def model(loop: str = CIRCLE) -> LoopModel:
    return LoopModel(
        Build.from_toml(f'name = "x"\n[loop]\n{loop}\n[conductor]\ndiameter = "10 mm"\n')
    )


def factor_of(**sizes: float) -> float:
    """The coupling factor of a coupling loop of some sizes."""
    return coupling_factor(model(CIRCLE), CouplingGeometry(**sizes), F_HZ, 0.1)


def around(half_width_m: float) -> dict[str, float]:
    return {
        "circumference_m": 2 * math.pi * half_width_m,
        "conductor_radius_m": 0.003,
        "offset_m": 0.025,
    }


class TestCouplingLoopsThatAreProposed:
    """Main conductor of 5 mm radius, coupling conductor of 3 mm."""

    @pytest.mark.parametrize(("apart_mm", "proposed"), [(0.9, False), (1.1, True)])
    def test_no_nearer_than_a_millimetre_of_insulation(
        self, apart_mm: float, proposed: bool
    ) -> None:
        offset_m = 0.005 + 0.003 + apart_mm / 1000
        beta = factor_of(circumference_m=0.6, conductor_radius_m=0.003, offset_m=offset_m)
        found = offset_for(model(CIRCLE), FEED, F_HZ, 0.1, beta)
        assert found == (pytest.approx(offset_m, rel=1e-3) if proposed else None)

    @pytest.mark.parametrize(("tilt_deg", "proposed"), [(84.5, True), (85.5, False)])
    def test_turned_by_85_degrees_at_most(self, tilt_deg: float, proposed: bool) -> None:
        beta = factor_of(
            circumference_m=0.6,
            conductor_radius_m=0.003,
            offset_m=0.025,
            tilt_rad=math.radians(tilt_deg),
        )
        found = tilt_for(model(CIRCLE), FEED, F_HZ, 0.1, beta)
        assert found == (pytest.approx(math.radians(tilt_deg), rel=1e-3) if proposed else None)

    @pytest.mark.parametrize(("wire_radii", "proposed"), [(4.9, False), (5.1, True)])
    def test_no_tighter_than_five_radii_of_their_wire(
        self, wire_radii: float, proposed: bool
    ) -> None:
        sizes = around(wire_radii * 0.003)
        found = circumference_for(model(CIRCLE), FEED, F_HZ, 0.1, factor_of(**sizes))
        expected = pytest.approx(sizes["circumference_m"], rel=1e-3) if proposed else None
        assert found == expected

    @pytest.mark.parametrize(("share", "proposed"), [(0.487, True), (0.493, False)])
    def test_of_a_half_width_of_49_hundredths_of_the_room(
        self, share: float, proposed: bool
    ) -> None:
        # Less the offset, the main loop leaves its diameter.
        sizes = around(share * (3 / math.pi - 0.025))
        found = circumference_for(model(CIRCLE), FEED, F_HZ, 0.1, factor_of(**sizes))
        expected = pytest.approx(sizes["circumference_m"], rel=1e-3) if proposed else None
        assert found == expected


class TestSolutions:
    @pytest.mark.parametrize("target", [0.5, 1.0, 2.0])
    @pytest.mark.parametrize("shape", ["circle", "square"])
    def test_the_size_found_gives_the_target(self, target: float, shape: str) -> None:
        feed = replace(FEED, shape=shape)
        size = circumference_for(model(), feed, 10.12e6, 0.15, target)
        assert size is not None
        sized = replace(feed, circumference_m=size)
        assert coupling_factor(model(), sized, 10.12e6, 0.15) == pytest.approx(target, rel=1e-6)

    @pytest.mark.parametrize("target", [1.1, 3.0, 7.0])
    def test_the_distance_found_gives_the_target(self, target: float) -> None:
        distance = offset_for(model(), FEED, 10.12e6, 0.1, target)
        assert distance is not None
        placed = replace(FEED, offset_m=distance)
        assert coupling_factor(model(), placed, 10.12e6, 0.1) == pytest.approx(target, rel=1e-6)

    @pytest.mark.parametrize("target", [0.1, 0.5, 1.0])
    def test_the_tilt_found_gives_the_target(self, target: float) -> None:
        tilt = tilt_for(model(), FEED, 10.12e6, 0.1, target)
        assert tilt is not None
        tilted = replace(FEED, tilt_rad=tilt)
        assert coupling_factor(model(), tilted, 10.12e6, 0.1) == pytest.approx(target, rel=1e-6)

    def test_another_reference_impedance_is_used(self) -> None:
        size = circumference_for(model(), FEED, 10.12e6, 0.15, 1.0, 75.0)
        assert size is not None
        sized = replace(FEED, circumference_m=size)
        assert coupling_factor(model(), sized, 10.12e6, 0.15, 75.0) == pytest.approx(1, rel=1e-6)


class TestNoSolution:
    def test_more_resistance_than_any_size_couples_to(self) -> None:
        assert circumference_for(model(), FEED, 3.6e6, 50.0) is None

    def test_less_coupling_than_the_smallest_has(self) -> None:
        assert circumference_for(model(), FEED, 10e6, 0.1, 1e-6) is None

    def test_a_tilt_for_more_coupling_than_in_the_plane(self) -> None:
        flat = coupling_factor(model(), FEED, F_HZ, 0.1)
        assert tilt_for(model(), FEED, F_HZ, 0.1, 1.001 * flat) is None

    def test_no_distance_between_touching_and_the_middle(self) -> None:
        # A coupling loop nearly as wide as the main loop.
        wide = replace(FEED, circumference_m=2.97)
        assert offset_for(model(), wide, F_HZ, 0.1) is None
