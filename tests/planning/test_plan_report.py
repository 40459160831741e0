"""What a plan reports and writes as JSON, from bands made up figure by figure."""

from __future__ import annotations

import json
import math
from types import SimpleNamespace
from typing import Any

import pytest

from sweeplab.builds import Build
from sweeplab.estimate import Estimate
from sweeplab.planning.band import LoopImpedance, undescribed_losses
from sweeplab.planning.coupling import CommonPlacement, CouplingMatch
from sweeplab.planning.findings import plan_findings
from sweeplab.planning.result import BandPlan, Plan
from sweeplab.planning.safety import ElectricalStress

WALL = 'form = "tube"\ndiameter = "1 cm"\nwall = "1 mm"'
RATED = '[capacitor]\nesr = "10 mohm"\nrated_voltage = "2 kV"\n'


def build(rest: str = "", conductor: str = WALL) -> Build:
    return Build.from_toml(
        f'name = "x"\n[loop]\ncircumference = "3 m"\n[conductor]\n{conductor}\n{rest}'
    )


def stress(volts: float, power_w: float = 100.0) -> ElectricalStress:
    return ElectricalStress(power_w, Estimate.normal(volts, 0.0), Estimate.normal(20.0, 1.0))


def figures(volts: float = 1000.0) -> Any:
    names = (
        "c_required_f", "r_radiation_ohm", "r_conductor_ohm", "r_parts_ohm", "r_total_ohm",
        "x_loop_ohm", "x_eff_ohm", "efficiency", "q_unloaded", "bandwidth_hz",
    )  # fmt: skip
    values = {name: Estimate.normal(10.0 * (i + 1), 1.0) for i, name in enumerate(names)}
    return SimpleNamespace(per_100w=stress(volts), **values)


def band(name: str = "20m", volts: float = 1000.0, **more: Any) -> BandPlan:
    more = {"reachable": True, "figures": figures(volts)} | more
    return BandPlan(name, 14.175e6, **more)


def findings(
    *bands: BandPlan, made: Build | None = None, power_w: float | None = None
) -> dict[str, Any]:
    return {f.code: f for f in plan_findings(made or build(), bands, power_w)}


class TestFindings:
    def test_of_the_highest_voltage_is_a_note_unless_a_power_is_asked_for(self) -> None:
        bands = band("40m", 2500.0), band("20m", 4000.0), band("10m", 3000.0)
        found = findings(*bands, made=build(RATED))["rated-voltage-exceeded"]
        assert (found.level, found.evidence["v_peak"]) == ("note", 4000.0)
        assert "on 20m" in found.text
        asked = findings(*bands, made=build(RATED), power_w=100.0)["rated-voltage-exceeded"]
        assert asked.level == "warning"

    def test_of_voltage_are_at_the_power_where_it_is_given(self) -> None:
        at_power = band("20m", 4000.0, at_power=stress(1500.0, 10.0))
        assert "rated-voltage-exceeded" not in findings(at_power, made=build(RATED), power_w=10.0)
        none = band(figures=None)
        assert "rated-voltage-exceeded" not in findings(none, made=build(RATED))

    def test_a_band_out_of_reach_says_what_it_needs(self) -> None:
        found = findings(band(reachable=False))["band-not-reached"]
        assert found.evidence == {"c_required_f": 10.0}
        for reachable in (True, None):
            assert "band-not-reached" not in findings(band(reachable=reachable))

    def test_a_band_without_figures_says_why(self) -> None:
        for reachable in (True, False, None):
            found = findings(band(reachable=reachable, figures=None, why_not="too large"))
            assert "20m: too large." in found["band-outside-model"].text
            assert "band-not-reached" not in found

    def test_of_a_knob_name_the_bands_it_is_too_fast_on(self) -> None:
        # Bandwidth 100 Hz.
        bands = (
            band("40m", tuning_hz_per_degree=50.0),
            band("20m", tuning_hz_per_degree=51.0),
            band("15m"),
            band("10m", tuning_hz_per_degree=90.0),
        )
        assert "on 20m, 10m." in findings(*bands)["knob-too-fast"].text
        assert "knob-too-fast" not in findings(*bands[:1])

    def test_of_what_is_not_described_name_the_keys(self) -> None:
        found = findings()["not-described"]
        assert found.action == "Write capacitor.esr and parts in its file where known."
        assert "up to 100 mohm; joints and connections, up to 5 mohm in all" in found.text
        all_said = build('[capacitor]\nesr = "1 mohm"\n[[parts]]\nkind = "a"\nr = "1 mohm"\n')
        assert "not-described" not in findings(made=all_said)

    def test_of_a_mass_that_is_not_known(self) -> None:
        assert "no-mass" not in findings()
        assert "no-mass" in findings(made=build(conductor='diameter = "1 cm"'))
        assert findings()["as-in-free-space"].level == "note"


class TestUndescribedLoss:
    LOOP = LoopImpedance(40e6, 100.0, 120.0, 0.05, 0.04, 0.01)

    def bounds(self, rest: str = "", conductor: str = WALL) -> dict[str, float]:
        losses = undescribed_losses(build(rest, conductor))
        return {loss.key: loss.upper_bound_ohm(self.LOOP) for loss in losses}

    def test_is_a_capacitors_and_connections_with_the_root_of_frequency(self) -> None:
        # 100 and 5 milliohms at 10 MHz, double at 40.
        assert self.bounds() == pytest.approx({"capacitor.esr": 0.2, "parts": 0.01})
        assert self.bounds('[capacitor]\nesr = "1 mohm"\n') == pytest.approx({"parts": 0.01})

    def test_of_a_part_counts_where_its_resistance_is_not_given(self) -> None:
        parts = '[[parts]]\nkind = "a"\ncount = 2\nposition = 0.0\n'
        described = '[[parts]]\nkind = "b"\nr = "1 mohm"\n[capacitor]\nesr = "1 mohm"\n'
        found = self.bounds(parts + described)
        assert set(found) == {"parts.a.r"}
        # At the gap's edge the current is nearly the gap's.
        assert found["parts.a.r"] == pytest.approx(2 * 2 * 0.025, rel=0.25)

    @pytest.mark.parametrize(
        ("conductor", "counts"),
        [
            ('form = "braid"\ndiameter = "1 cm"', True),
            ('shield_diameter = "1 cm"', True),
            ('form = "braid"\ndiameter = "1 cm"\nsurface_factor = 1.5', False),
            ('form = "braid"\ndiameter = "1 cm"\nsurface_factor = "1.0 ± 0.1"', False),
            (WALL, False),
        ],
    )
    def test_of_braid_is_as_much_again_unless_a_factor_is_given(
        self, conductor: str, counts: bool
    ) -> None:
        found = self.bounds(conductor=conductor)
        assert found.get("conductor.surface_factor") == (0.04 if counts else None)

    def test_impedances_add_and_scale_by_fractions(self) -> None:
        assert self.LOOP.r_total_ohm == pytest.approx(0.1)
        scaled = self.LOOP.scaled(0.1, 0.2, 0.3)
        assert scaled.r_radiation_ohm == pytest.approx(0.055)
        assert (scaled.x_ohm, scaled.x_eff_ohm) == pytest.approx((120.0, 156.0))
        assert scaled.r_conductor_ohm == 0.04


class TestJson:
    def test_of_a_band_has_values_and_estimates(self) -> None:
        match = CouplingMatch(*(Estimate.normal(float(i), 0.1) for i in range(1, 6)))
        full = band(coupling=match, at_power=stress(500.0, 10.0), reach_hz=(14e6, 14.2e6))
        found = json.loads(json.dumps(full.to_json()))
        assert found["c_required_f"] == 10.0
        assert found["efficiency"]["value"] == 80.0
        assert found["estimates"]["x_eff_ohm"]["u"] == 1.0
        assert found["capacitor_v_peak_per_100w"] == 1000.0
        assert found["capacitor_v_peak"]["value"] == 500.0
        names = ("coupling_circumference_m", "coupling_factor", "swr", "match_offset_m")
        assert [found[name]["value"] for name in (*names, "match_tilt_deg")] == [1, 2, 3, 4, 5]
        assert found["reach_hz"] == [14e6, 14.2e6]
        assert found["why_not"] is None

    def test_of_a_band_without_figures_is_null_and_why(self) -> None:
        found = band(figures=None, why_not="too large").to_json()
        assert found["why_not"] == "too large"
        nulls = {name for name, value in found.items() if value is None}
        assert nulls >= {
            "c_required_f", "efficiency", "capacitor_v_peak_per_100w", "capacitor_v_peak",
            "loop_a_rms", "reach_hz", "swr", "distances", "tuning_hz_per_degree",
        }  # fmt: skip
        assert set(found["estimates"].values()) == {None}

    def test_of_a_plan_has_its_fastest_knob(self) -> None:
        bands = tuple(band(tuning_hz_per_degree=rate) for rate in (5.0, None, 9.0, 7.0))
        swr = Estimate.normal(1.5, 0.1)
        whole = Plan("x", 3.0, bands, (7e6, 30e6), 2.97, 1.0, 100.0, (), {"parts": "some"},
                     CommonPlacement(None, None, swr))  # fmt: skip
        found = whole.to_json()
        assert found["tuning_hz_per_degree"] == 9.0
        assert found["tuning_range_hz"] == [7e6, 30e6]
        assert found["coupling_for_all"]["worst_swr"] == swr.to_json()
        assert len(found["bands"]) == 4
        bare = Plan("x", 3.0, (), None, 2.97, None, None, (), {})
        assert bare.tuning_hz_per_degree is None
        assert bare.to_json()["tuning_range_hz"] is None
        assert bare.to_json()["coupling_for_all"] is None
        assert math.isclose(bare.to_json()["conductor_length_m"], 2.97)
