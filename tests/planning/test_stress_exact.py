"""Volts, amperes and how far fields reach, from laws that can be written down."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from sweeplab.builds import Build
from sweeplab.estimate import Estimate
from sweeplab.planning import safety
from sweeplab.planning.safety import (
    ElectricalStress,
    distances,
    electrical_stress,
    reference_levels,
    voltage_finding,
)


class TestVoltsAndAmperes:
    FOUND = electrical_stress(100.0, Estimate(0.25, 0.02, 0.16, 0.36), 100.0)

    def test_are_those_of_the_power_in_the_resistance(self) -> None:
        # sqrt(100 W / 0.25 ohm) = 20 A; 100 ohm, peak.
        assert self.FOUND.power_w == 100.0
        assert self.FOUND.loop_a_rms.value == pytest.approx(20.0)
        assert self.FOUND.capacitor_v_peak.value == pytest.approx(2000 * math.sqrt(2))

    def test_are_half_as_uncertain_relatively_and_reach_to_the_other_end(self) -> None:
        amperes = self.FOUND.loop_a_rms
        assert amperes.u == pytest.approx(20 * 0.04)
        assert (amperes.low, amperes.high) == pytest.approx((10 / 0.6, 25.0))
        volts, factor = self.FOUND.capacitor_v_peak, 100 * math.sqrt(2)
        assert (volts.u, volts.low, volts.high) == pytest.approx(
            (0.8 * factor, factor * 10 / 0.6, factor * 25.0)
        )


class TestLevels:
    @pytest.mark.parametrize(
        ("f_mhz", "e", "h"),
        # 300/f^0.7 and 2.2/f (ICNIRP 2020, table 5, from memory), under 10 MHz at most 83 and 21.
        [
            (30.0, 27.7, 0.0733),
            (10.0, 59.9, 0.22),
            (7.0, 76.8, 0.314),
            (5.0, 83.0, 0.44),
            (0.1, 83.0, 21.0),
        ],
    )
    def test_fall_with_frequency(self, f_mhz: float, e: float, h: float) -> None:
        assert reference_levels(f_mhz * 1e6) == pytest.approx((e, h), rel=2e-3)


class TestRating:
    def found(self, rated: str, volts: Estimate) -> Any:
        made = Build.from_toml(
            'name = "x"\n[loop]\ncircumference = "3 m"\n[conductor]\ndiameter = "1 cm"\n' + rated
        )
        stress = ElectricalStress(100.0, volts, Estimate(1.0, 0.0, 1.0, 1.0))
        return voltage_finding(made, "20m", stress)

    RATED = '[capacitor]\nrated_voltage = "2 kV"\n'

    def test_exceeded_says_the_power_at_which_it_is_not(self) -> None:
        found = self.found(self.RATED, Estimate(4000.0, 100.0, 3800.0, 4200.0))
        assert found.evidence == {"v_peak": 4000.0, "rated_v": 2000.0, "power_at_rated_w": 25.0}
        assert "At 100 W on 20m" in found.text
        assert "inside the uncertainty" not in found.text
        assert "25 W" in found.action

    def test_reached_by_the_interval_alone_says_so(self) -> None:
        assert (
            "inside the uncertainty"
            in self.found(self.RATED, Estimate(2000.0, 100.0, 1800.0, 2200.0)).text
        )
        assert self.found(self.RATED, Estimate(1800.0, 100.0, 1600.0, 2000.0)) is None

    @pytest.mark.parametrize("rated", ["", '[capacitor]\nc_min = "8 pF"\n'])
    def test_not_described_says_nothing(self, rated: str) -> None:
        assert self.found(rated, Estimate(4000.0, 100.0, 3800.0, 4200.0)) is None


class TestOutermost:
    """Where a field that falls with a power of the distance is at a level."""

    OUT = np.geomspace(0.1, 10.0, 41)
    CURRENT = Estimate(10.0, 0.5, 9.0, 11.0)

    @pytest.mark.parametrize("power", [1.0, 2.0, 3.0])
    def test_is_exact_with_the_fields_uncertainty_over_that_power(self, power: float) -> None:
        found = safety._outermost(self.OUT, self.OUT**-power, 1.3**-power, self.CURRENT, 0.2)
        assert found is not None
        assert found.value == pytest.approx(1.3)
        law = Estimate.lognormal(1.3, 1.3 * math.hypot(0.2, 0.05) / power)
        ends = (law.u, law.low, law.high)
        assert (found.u, found.low, found.high) == pytest.approx(ends)

    def test_is_the_last_of_several(self) -> None:
        field = self.OUT**-1.0
        field[:5] = 0.0
        found = safety._outermost(self.OUT, field, 1 / 1.3, self.CURRENT, 0.2)
        assert found is not None
        assert found.value == pytest.approx(1.3)

    @pytest.mark.parametrize("level", [0.05, 20.0])
    def test_is_none_where_all_is_above_or_below(self, level: float) -> None:
        assert safety._outermost(self.OUT, 1 / self.OUT, level, self.CURRENT, 0.2) is None

    def test_counts_the_level_itself(self) -> None:
        found = safety._outermost(self.OUT, 1 / self.OUT, 1 / self.OUT[20], self.CURRENT, 0.2)
        assert found is not None
        assert found.value == pytest.approx(self.OUT[20])
        first = safety._outermost(self.OUT, 1 / self.OUT, 10.0, self.CURRENT, 0.2)
        assert first is not None
        assert first.value == pytest.approx(0.1)


def test_distances_are_from_the_middle_along_the_axis_and_beyond_the_wire_in_the_plane(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # A field that falls with the cube of the distance from a middle of its own, stronger sideways
    # in E than upward: 8 A/m H at a metre, 1000 V/m E at a metre.
    middle, reach = np.array([0.1, 0.2, 0.3]), 0.5

    def field(model: Any, f_hz: float, points: Any, current: float) -> Any:
        apart = points - middle
        r = np.linalg.norm(apart, axis=1)
        h = current * r[:, None] ** -3 * np.array([1.0, 0.0, 0.0])
        e = current * 100 * r[:, None] ** -3 * (1 + (apart[:, :1] / r[:, None]) ** 2)
        return e * np.array([0.0, 1.0, 0.0]), h

    monkeypatch.setattr(safety, "fields", field)
    monkeypatch.setattr(safety, "_middle", lambda model: (middle, reach))
    current = Estimate.normal(8.0, 0.4)
    model: Any = SimpleNamespace()
    found = distances(model, 10e6, current)
    e_level, h_level = reference_levels(10e6)
    assert (found.e_level_v_per_m, found.h_level_a_per_m) == (e_level, h_level)
    expected = {
        "h_axis_m": ((8 / h_level) ** (1 / 3), 0.08),
        "h_plane_m": ((8 / h_level) ** (1 / 3), 0.08),
        "e_axis_m": ((800 / e_level) ** (1 / 3), 0.2),
        "e_plane_m": ((1600 / e_level) ** (1 / 3), 0.2),
    }
    for name, (value, u_field) in expected.items():
        distance = getattr(found, name)
        assert distance.value == pytest.approx(value, rel=1e-6)
        assert distance.u == pytest.approx(value * math.hypot(u_field, 0.05) / 3, rel=1e-6)
    assert set(found.to_json()) == {*expected, "h_level_a_per_m", "e_level_v_per_m"}
    assert found.to_json()["h_axis_m"] == found.h_axis_m.to_json()  # type: ignore[union-attr]
