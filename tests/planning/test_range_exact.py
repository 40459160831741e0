"""What a capacitor tunes, for loops whose reactance is a formula."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import pytest

from sweeplab.builds import Build
from sweeplab.errors import ModelError
from sweeplab.planning.plan import _tuning_rate, _tuning_target, _within_range, resized
from sweeplab.planning.result import BandPlan
from sweeplab.planning.tuning_range import range_known, tuning_range

L_H = 2.6e-6


def build(capacitor: str = "", loop: str = 'circumference = "3 m"') -> Build:
    return Build.from_toml(
        f'name = "x"\n[loop]\n{loop}\n[conductor]\ndiameter = "1 cm"\n[capacitor]\n{capacitor}'
    )


def inductance(own_hz: float = math.inf, *, raises: bool = False) -> Any:
    """A pure inductance, or one with a parallel resonance of its own."""

    def impedance(f_hz: float) -> complex:
        if raises and f_hz > own_hz:
            raise ModelError("too large")
        return 1j * 2 * math.pi * f_hz * L_H / (1 - (f_hz / own_hz) ** 2)

    return SimpleNamespace(impedance=impedance)


def thomson_hz(c_f: float) -> float:
    return 1 / (2 * math.pi * math.sqrt(L_H * c_f))


class TestRange:
    def test_of_an_inductance_is_by_thomsons_formula(self) -> None:
        made = build('c_min = "10 pF"\nc_max = "300 pF"\n')
        found = tuning_range(made, inductance())
        assert found == pytest.approx((thomson_hz(300e-12), thomson_hz(10e-12)), rel=1e-6)

    def test_of_a_loop_with_a_resonance_of_its_own_has_its_capacitance_beside(self) -> None:
        # X = wL/(1 - w^2 L C0): C0 adds to the capacitor.
        own_hz = 45e6
        c0 = 1 / ((2 * math.pi * own_hz) ** 2 * L_H)
        made = build('c_min = "3 pF"\nc_max = "300 pF"\n')
        for raises in (False, True):
            found = tuning_range(made, inductance(own_hz, raises=raises))
            assert found == pytest.approx(
                (thomson_hz(300e-12 + c0), thomson_hz(3e-12 + c0)), rel=1e-5
            )

    def test_ends_at_one_megahertz_and_at_sixty_where_the_capacitor_does_not(self) -> None:
        assert tuning_range(build(), inductance()) == pytest.approx((1e6, 60e6), rel=1e-9)
        both = build('c_min = "0.1 pF"\nc_max = "1 uF"\n')
        assert tuning_range(both, inductance()) == pytest.approx((1e6, 60e6), rel=1e-9)

    def test_with_one_end_described_has_the_other_of_the_model(self) -> None:
        low, high = tuning_range(build('c_max = "300 pF"\n'), inductance(45e6))
        assert low < thomson_hz(300e-12)
        # Just below the resonance of its own.
        assert 44.9e6 < high < 45e6
        low, high = tuning_range(build('c_min = "10 pF"\n'), inductance())
        assert (low, high) == pytest.approx((1e6, thomson_hz(10e-12)), rel=1e-6)

    def test_of_a_loop_past_its_resonance_everywhere_is_refused(self) -> None:
        with pytest.raises(ModelError, match="past its own resonance"):
            tuning_range(build(), inductance(1.1e6))
        assert tuning_range(build(), inductance(1.5e6))[1] == pytest.approx(1.5e6, rel=0.01)

    @pytest.mark.parametrize(
        ("capacitor", "known"),
        [("", False), ('c_min = "8 pF"', False), ('c_max = "8 pF"', False),
         ('c_min = "8 pF"\nc_max = "9 pF"', True)],
    )  # fmt: skip
    def test_is_known_with_both_ends(self, capacitor: str, known: bool) -> None:
        assert range_known(build(capacitor)) is known


class TestTarget:
    """20 m is 14.000 to 14.350 MHz."""

    KNOWN = 'c_min = "8 pF"\nc_max = "9 pF"'

    @pytest.mark.parametrize(
        ("reach", "f_hz", "reach_hz"),
        [
            ((7e6, 30e6), 14.175e6, (14.0e6, 14.35e6)),
            ((14.2e6, 30e6), 14.2e6, (14.2e6, 14.35e6)),
            ((7e6, 14.1e6), 14.1e6, (14.0e6, 14.1e6)),
            ((14.35e6, 30e6), 14.35e6, (14.35e6, 14.35e6)),
        ],
    )
    def test_is_the_reachable_frequency_nearest_the_middle(
        self, reach: tuple[float, float], f_hz: float, reach_hz: tuple[float, float]
    ) -> None:
        found = _tuning_target(build(self.KNOWN), "20m", reach)
        assert found == BandPlan("20m", f_hz, reachable=True, reach_hz=reach_hz)
        assert _within_range(build(self.KNOWN), found)

    @pytest.mark.parametrize("reach", [(14.36e6, 30e6), (7e6, 13.9e6)])
    def test_out_of_reach_is_the_middle(self, reach: tuple[float, float]) -> None:
        for capacitor in (self.KNOWN, ""):
            found = _tuning_target(build(capacitor), "20m", reach)
            assert found == BandPlan("20m", 14.175e6, reachable=False)
            assert not _within_range(build(capacitor), found)

    def test_of_an_unknown_range_is_not_said_to_be_reachable(self) -> None:
        found = _tuning_target(build(), "20m", (14.2e6, 30e6))
        assert found == BandPlan("20m", 14.2e6, reachable=None)


class TestTuningRate:
    def rate(self, capacitor: str) -> float | None:
        figures: Any = SimpleNamespace(
            f_hz=14e6,
            x_loop_ohm=only(200.0),
            x_eff_ohm=only(250.0),
            c_required_f=only(56e-12),
        )
        return _tuning_rate(build(capacitor), figures)

    def test_is_the_slope_of_frequency_times_capacitance_a_degree(self) -> None:
        # f X/(2 Xeff C) = 14 MHz x 0.4 / 56 pF = 0.1 MHz/pF; 290 pF in three turns.
        found = self.rate('c_min = "10 pF"\nc_max = "300 pF"\nturns_per_range = 3')
        assert found == pytest.approx(0.1e6 * 290 / (3 * 360))

    @pytest.mark.parametrize(
        "capacitor",
        ["", 'c_min = "1 pF"\nc_max = "9 pF"', 'c_min = "1 pF"\nturns_per_range = 3',
         'c_max = "9 pF"\nturns_per_range = 3'],
    )  # fmt: skip
    def test_is_not_known_without_turns_and_range(self, capacitor: str) -> None:
        assert self.rate(capacitor) is None


def only(value: float) -> Any:
    return SimpleNamespace(value=value)


def test_resized_lengths_keep_their_ratio_and_uncertainty() -> None:
    two = build(loop='turn_lengths = ["3 m ± 1 cm", "3.2 m ± 1 cm"]\nturn_spacing = "5 cm"')
    found = resized(two, 6.2).loop
    assert [q.value for q in found.turn_lengths] == pytest.approx([6.0, 6.4])
    assert [q.u for q in found.turn_lengths] == [0.01, 0.01]
    assert found.circumference.value == 6.2
    assert found.turn_spacing == two.loop.turn_spacing
