"""The limits of the loop's model, and the errors it states, each held from both sides."""

from __future__ import annotations

import math
from functools import cache

import pytest
from loop_samples import build, model

from sweeplab.builds.components import Site
from sweeplab.errors import ModelError
from sweeplab.loop.coupling import _shorted_line_factor
from sweeplab.loop.ground import ground_effect, shifted_effects
from sweeplab.loop.model import gap_of, geometry_of
from sweeplab.loop.path import closed_path
from sweeplab.loop.proximity import proximity_effect
from sweeplab.quantity import Quantity

CIRCLE = 'circumference = "3 m"'


class TestWhatTheModelHoldsFor:
    @pytest.mark.parametrize(("turns", "held"), [(4, True), (5, False)])
    def test_four_turns_at_most(self, turns: int, held: bool) -> None:
        described = build(f'{CIRCLE}\nturns = {turns}\nturn_spacing = "40 mm"')
        if held:
            assert len(geometry_of(described).turn_lengths_m) == 4
        else:
            with pytest.raises(ModelError, match="5 turns: the model holds for one to 4"):
                geometry_of(described)

    @pytest.mark.parametrize(("spacing_mm", "innermost_m"), [(140, 0.120), (145, 0.089)])
    def test_turns_within_one_another_down_to_a_tenth(
        self, spacing_mm: int, innermost_m: float
    ) -> None:
        # In a circle of 1 m a turn is 2 pi spacings shorter than the one around it.
        assert 1 - 2 * math.pi * spacing_mm / 1000 == pytest.approx(innermost_m, abs=6e-4)
        loop = 'circumference = "1 m"\nturns = 2\narrangement = "in-plane"'
        described = build(loop + f'\nturn_spacing = "{spacing_mm} mm"')
        if innermost_m > 0.1:
            assert geometry_of(described).turn_lengths_m[1] == pytest.approx(innermost_m, abs=6e-4)
        else:
            with pytest.raises(ModelError, match="do not fit within one another"):
                geometry_of(described)

    @pytest.mark.parametrize(("gap_mm", "held"), [(895, True), (905, False)])
    def test_a_gap_of_three_tenths_of_the_turn(self, gap_mm: int, held: bool) -> None:
        geometry = geometry_of(build(f'{CIRCLE}\ngap = "{gap_mm} mm"'))
        if held:
            assert closed_path(geometry).in_gap.any()
        else:
            with pytest.raises(ModelError, match=r"a gap of 0\.905 m does not fit a turn of 3 m"):
                closed_path(geometry)

    @pytest.mark.parametrize(("f_hz", "held"), [(100e6, True), (102.5e6, False)])
    def test_a_diagonal_of_three_over_k(self, f_hz: float, held: bool) -> None:
        # The diagonal of a square of 1 m times the wave number is 3 at 101.2 MHz.
        assert (2 * math.pi * f_hz / 299_792_458 * math.sqrt(2) < 3) == held
        square = model('shape = "square"\ncircumference = "4 m"')
        if held:
            assert math.isfinite(square.impedance(f_hz).imag)
        else:
            with pytest.raises(ModelError, match="no small loop"):
                square.impedance(f_hz)

    @pytest.mark.parametrize(("height_m", "held"), [(0.101, True), (0.099, False)])
    def test_a_height_of_a_thirtieth_of_the_turn(self, height_m: float, held: bool) -> None:
        site = Site("perfect", Quantity(height_m), gap_at="top")
        if held:
            assert ground_effect(model(CIRCLE), 7e6, site).total_ratio > 1
        else:
            with pytest.raises(ModelError, match=r"too near: below 0\.1 m"):
                ground_effect(model(CIRCLE), 7e6, site)


def test_a_coupling_loops_inductance_grows_as_a_shorted_lines_up_to_half_a_length_of_1_4_rad() -> (
    None
):
    assert _shorted_line_factor(1.39) == pytest.approx(math.tan(1.39) / 1.39)
    assert _shorted_line_factor(1.41) == 1.0


class TestWhatIsTaken:
    @pytest.mark.parametrize(
        ("circumference_m", "gap_m"), [(0.7, 0.028), (0.8, 0.03), (3.0, 0.03), (30.0, 0.03)]
    )
    def test_for_a_gap_three_centimetres_or_a_25th_of_a_small_loop(
        self, circumference_m: float, gap_m: float
    ) -> None:
        loop = f'circumference = "{circumference_m} m"'
        assert gap_of(build(loop, 'diameter = "3 mm"')) == pytest.approx(gap_m)

    def test_for_wires_nearer_than_2_1_radii_the_crowding_at_that(self) -> None:
        touching, nearest, apart = (
            proximity_effect((0j, radii + 0j)).extra_loss for radii in (2, 2.1, 2.2)
        )
        assert touching == pytest.approx(nearest)
        assert apart < 0.97 * nearest


@cache
def of_the_ground(height_m: float, orientation: str) -> tuple[float, float, float]:
    """By what the ground's model may be off: power drawn, power to the sky, reactance."""
    site = Site("perfect", Quantity(height_m), orientation, "top")  # type: ignore[arg-type]
    here = ground_effect(model(CIRCLE), 7e6, site)
    moved = shifted_effects(model(CIRCLE), 7e6, site)["model.ground"]
    return (
        moved.total_ratio / here.total_ratio - 1,
        moved.sky_ratio / here.sky_ratio - 1,
        moved.reactance_ratio / here.reactance_ratio - 1,
    )


class TestGroundsError:
    """A share of the ohms, larger near the ground by circumference over height."""

    @pytest.mark.parametrize(
        ("height_m", "orientation", "u"),
        [
            # 3.5e-3 far up; with 1e-3 (2e-3 lying) times circumference over height near it.
            (15.0, "vertical", math.hypot(0.0035, 0.0002)),
            (0.15, "vertical", math.hypot(0.0035, 0.02)),
            (0.15, "horizontal", math.hypot(0.0035, 0.04)),
        ],
    )
    def test_of_power(self, height_m: float, orientation: str, u: float) -> None:
        drawn, sky, _ = of_the_ground(height_m, orientation)
        assert drawn == pytest.approx(u, rel=1e-6)
        assert sky == pytest.approx(u, rel=1e-6)

    def test_of_the_reactance_is_a_tenth(self) -> None:
        assert of_the_ground(0.15, "vertical")[2] == pytest.approx(0.1, rel=1e-6)
