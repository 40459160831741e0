"""What the joint of two lengths costs, and what is left, from resistances in series."""

from __future__ import annotations

import json
import math
from types import SimpleNamespace
from typing import Any

import pytest

from sweeplab.builds import Build
from sweeplab.estimate import Estimate
from sweeplab.planning import stock
from sweeplab.planning.cut_list import Allowance
from sweeplab.planning.stock import assumed_joint, stock_loops
from sweeplab.quantity import Quantity

F_HZ = 14.175e6
ROOT = math.sqrt(F_HZ / 10e6)


def built(loop: str = 'circumference = "3.2 m"') -> Build:
    return Build.from_toml(
        f'name = "x"\n[loop]\n{loop}\ngap = "30 mm"\n[conductor]\ndiameter = "12 mm"\n'
        '[capacitor]\nc_min = "8 pF"\nc_max = "330 pF"\n'
    )


def planned(*, figures: bool = True) -> Any:
    known = SimpleNamespace(
        efficiency=Estimate(0.6, 0.03, 0.4, 0.7), r_total_ohm=Estimate.normal(0.2, 0.0)
    )
    band = SimpleNamespace(band="20m", f_hz=F_HZ, figures=known if figures else None)
    return SimpleNamespace(bands=(band,))


class TestAJoint:
    def test_as_given_is_positive_with_its_u(self) -> None:
        assert assumed_joint(Quantity(0.005, 0.001)) == Estimate.lognormal(0.005, 0.001)

    def test_of_which_nobody_says_anything_is_half_to_ten_milliohms(self) -> None:
        found = assumed_joint(None)
        assert (found.low, found.value, found.high) == (0.0005, 0.002, 0.010)
        # Nineteen in twenty, about four standard uncertainties wide.
        assert found.u == pytest.approx(0.0095 / 4)


class TestItsCost:
    # Half as much current again at the joint: its resistance counts 1.5 times.
    MODEL: Any = SimpleNamespace(part_weight=lambda f_hz, place: 3.0 * place)
    JOINT = Estimate(0.002, 0.0005, 0.001, 0.010)

    def found(self, joint: Estimate | None) -> Any:
        (found,) = stock._bands(self.MODEL, planned(), 0.5, joint)
        return found

    def share(self, r_ohm: float) -> float:
        return 1 - 0.2 / (0.2 + 1.5 * ROOT * r_ohm)

    def test_is_its_part_of_all_resistance_once_it_is_there(self) -> None:
        cost = self.found(self.JOINT).joint_cost
        assert cost.value == pytest.approx(self.share(0.002))
        assert (cost.low, cost.high) == pytest.approx((self.share(0.001), self.share(0.010)))
        slope = (self.share(0.002 + 1e-7) - self.share(0.002 - 1e-7)) / 2e-7
        assert cost.u == pytest.approx(0.0005 * slope, rel=1e-6)

    def test_is_taken_off_the_efficiency_and_off_both_ends(self) -> None:
        found = self.found(self.JOINT)
        assert found.in_one_piece == Estimate(0.6, 0.03, 0.4, 0.7)
        left = found.efficiency
        assert left.value == pytest.approx(0.6 * (1 - self.share(0.002)))
        assert left.low == pytest.approx(0.4 * (1 - self.share(0.010)))
        assert left.high == pytest.approx(0.7 * (1 - self.share(0.001)))
        assert left.u == pytest.approx(math.hypot(0.03, 0.6 * found.joint_cost.u))

    def test_in_one_piece_is_nothing(self) -> None:
        found = self.found(None)
        assert found.joint_cost == Estimate(0.0, 0.0, 0.0, 0.0)
        assert found.efficiency == Estimate(0.6, pytest.approx(0.03), 0.4, 0.7)
        assert (found.band, found.f_hz) == ("20m", F_HZ)

    def test_bands_without_figures_are_left_out(self) -> None:
        assert stock._bands(self.MODEL, planned(figures=False), 0.5, None) == ()

    def test_as_json_has_every_figure(self) -> None:
        found = json.loads(json.dumps(self.found(self.JOINT).to_json()))
        assert found["band"] == "20m"
        assert found["joint_cost"]["value"] == pytest.approx(self.share(0.002))
        assert set(found) == {"band", "f_hz", "efficiency", "in_one_piece", "joint_cost"}


class TestSizes:
    @pytest.fixture(autouse=True)
    def not_planned(self, monkeypatch: pytest.MonkeyPatch) -> list[dict[str, Any]]:
        """Sizes alone, without their bands; how they were planned is kept."""
        asked: list[dict[str, Any]] = []

        def plan(build: Build, bands: Any, **options: Any) -> Any:
            asked.append({"around": build.loop.circumference.value, "bands": bands, **options})
            return SimpleNamespace(bands=())

        monkeypatch.setattr(stock, "plan", plan)
        return asked

    def test_two_turns_share_the_length_the_leads_take_theirs(self) -> None:
        two = built('circumference = "3.2 m"\nturns = 2\nturn_spacing = "60 mm"\nleads = "40 mm"')
        (one, pair) = stock_loops(two, [5.0])
        # Both leads off, the gap bridged, by two turns.
        assert one.circumference_m == pytest.approx((5.0 - 0.08 + 0.03) / 2)
        assert pair.circumference_m == pytest.approx((10.0 - 0.08 + 0.03) / 2)

    def test_allowances_count_for_each_piece_or_for_one_and_not_for_other_conductors(self) -> None:
        allowances = [
            Allowance("each", 0.02),
            Allowance("one", 0.1, "turn 1"),
            Allowance("feed", 0.5, "coupling loop"),
        ]
        one, pair = stock_loops(built(), [3.0], allowances=allowances)
        assert one.circumference_m == pytest.approx(3.0 - 0.02 - 0.1 + 0.03)
        assert pair.circumference_m == pytest.approx(6.0 - 0.04 - 0.1 + 0.03)

    def test_each_length_counts_once_and_the_joint_only_between_two(self) -> None:
        loops = stock_loops(built(), [2.0, 2.0])
        assert [loop.pieces_m for loop in loops] == [(2.0,), (2.0, 2.0)]
        assert loops[0].joint_ohm is None
        assert loops[1].joint_ohm == assumed_joint(None)
        assert [loop.to_json()["joint_assumed"] for loop in loops] == [False, True]
        assert loops[1].to_json()["pieces_m"] == [2.0, 2.0]

    def test_each_is_planned_in_its_own_size_without_a_coupling_loop(
        self, not_planned: list[dict[str, Any]]
    ) -> None:
        stock_loops(built(), [2.0], bands=["20m"])
        assert not_planned == [
            {"around": pytest.approx(around), "bands": ["20m"], "coupling": False}
            for around in (2.03, 4.03)
        ]

    def test_the_joint_is_where_the_first_piece_ends(self, monkeypatch: pytest.MonkeyPatch) -> None:
        places: list[float] = []

        def bands(model: Any, planned: Any, place: float, joint: Any) -> tuple[Any, ...]:
            places.append(place)
            return ()

        monkeypatch.setattr(stock, "_bands", bands)
        stock_loops(built(), [1.0, 3.0])
        assert places == pytest.approx([1.0, 1.0, 0.5, 0.25, 0.5])
