"""Parting the ground from the loop's own loss by height, around a known truth; fixed seeds.

Bounds follow from the number of draws: a share of n trials lies within four standard deviations of
the binomial law.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from simulated_heights import Loop, Truth, draw

from sweeplab import Estimate
from sweeplab.builds.diff import Change
from sweeplab.comparison.comparison import compare
from sweeplab.comparison.heights import GroundSeparation, HeightSweeps, separate_ground
from sweeplab.quantity import Quantity
from sweeplab.record import Record

MOVED = [Change("site.height", "1.5 m ± 5 cm", "4 m ± 5 cm")]


@pytest.fixture(params=[120, pytest.param(400, marks=pytest.mark.slow)])
def trials(request: pytest.FixtureRequest) -> int:
    """How often to draw."""
    return int(request.param)


def slack(trials: int, share: float = 0.95) -> float:
    return 4 * math.sqrt(share * (1 - share) / trials)


def separated(by_height: list[HeightSweeps]) -> GroundSeparation:
    (heights,) = separate_ground(by_height)
    return heights


def changed(of_height: HeightSweeps, change: Callable[[Record], Record]) -> HeightSweeps:
    return replace(of_height, records=[change(record) for record in of_height.records])


def exact(heights: tuple[float, ...] = (1.5, 4.0), loop: Loop | None = None) -> list[HeightSweeps]:
    """Return records without any error in them, shares as ever."""
    rng = np.random.default_rng(1)
    by_height, _ = draw(rng, heights, loop, noise=1e-12, constants=False, size=False)
    loop = loop or Loop()

    def undone(record: Record, height: float) -> Record:
        total = loop.loss + loop.radiation + loop.factor * loop.ground[height][0]
        figures = {**record.figures, "r_total_ohm": Estimate.normal(total, 1e-12)}
        return replace(record, figures=figures)

    return [
        changed(of_height, lambda r, h=of_height.height.value: undone(r, h))  # type: ignore[misc]
        for of_height in by_height
    ]


class TestTruthIsRecovered:
    @pytest.mark.parametrize("heights", [(1.5, 4.0), (1.5, 2.5, 4.0)])
    @pytest.mark.parametrize("factor", [1.0, 0.6, 1.3])
    def test_without_errors_loss_and_factor_come_out_as_put_in(
        self, heights: tuple[float, ...], factor: float
    ) -> None:
        loop = Loop(factor=factor)
        found = separated(exact(heights, loop))
        assert found.ground_factor is not None
        assert found.r_loss_ohm is not None
        assert found.ground_factor.value == pytest.approx(factor, rel=1e-9)
        assert found.r_loss_ohm.value == pytest.approx(loop.loss, rel=1e-9)
        for at in found.heights:
            assert at.r_ground_ohm is not None
            drawn = factor * loop.ground[at.height_m][0]
            assert at.r_ground_ohm.value == pytest.approx(drawn, rel=1e-9)

    def test_a_loss_that_grew_with_the_root_of_frequency_is_one_loss(self) -> None:
        low, high = exact()
        raised = 7.2e6
        extra = 0.053 * (math.sqrt(raised / 7.1e6) - 1)

        def retuned(record: Record) -> Record:
            total = record.figures["r_total_ohm"].value + extra
            moved = {"f_loaded_hz": Estimate.normal(raised, 1.0)}
            moved["r_total_ohm"] = Estimate.normal(total, 1e-12)
            return replace(record, figures={**record.figures, **moved})

        found = separated([low, changed(high, retuned)])
        assert found.ground_factor is not None
        assert found.ground_factor.value == pytest.approx(1.0, abs=1e-9)

    def test_it_matters_not_which_height_came_first(self) -> None:
        by_height, _ = draw(np.random.default_rng(5), (1.5, 2.5, 4.0))
        assert separate_ground(by_height) == separate_ground(by_height[::-1])


def within(estimate: Estimate | None, truth: float) -> bool:
    assert estimate is not None
    return estimate.low <= truth <= estimate.high


INTERVALS_HOLD: dict[str, Callable[[GroundSeparation, Truth], bool]] = {
    "loss": lambda found, truth: within(found.r_loss_ohm, truth.loss),
    "remainder": lambda found, truth: within(found.r_remainder_ohm, truth.remainder),
    "ground, low": lambda found, truth: within(found.heights[0].r_ground_ohm, truth.drawn[1.5]),
    "ground, high": lambda found, truth: within(found.heights[-1].r_ground_ohm, truth.drawn[4.0]),
    "efficiency": lambda found, truth: within(found.heights[0].efficiency, truth.efficiency[1.5]),
}


class TestCoverage:
    @pytest.mark.parametrize("heights", [(1.5, 4.0), (1.5, 2.5, 4.0)])
    def test_every_interval_holds_the_truth_nineteen_times_in_twenty(
        self, heights: tuple[float, ...], trials: int
    ) -> None:
        rng = np.random.default_rng(12)
        held = dict.fromkeys(INTERVALS_HOLD, 0)
        for _ in range(trials):
            by_height, truth = draw(rng, heights)
            found = separated(by_height)
            for name, interval_holds in INTERVALS_HOLD.items():
                held[name] += interval_holds(found, truth)
        for name, times in held.items():
            assert times / trials == pytest.approx(0.95, abs=slack(trials)), name

    def test_so_does_efficiency_over_ground_where_the_ground_is_as_described(
        self, trials: int
    ) -> None:
        rng = np.random.default_rng(13)
        held = answered = 0
        for _ in range(trials):
            by_height, truth = draw(rng)
            for at in separated(by_height).heights:
                if at.efficiency_over_ground is not None:
                    answered += 1
                    held += within(at.efficiency_over_ground, truth.over_ground[at.height_m])
        assert answered > 1.8 * trials
        assert held / answered == pytest.approx(0.95, abs=slack(trials))

    def test_so_does_the_factor_of_a_ground_with_the_described_shape(self, trials: int) -> None:
        rng = np.random.default_rng(14)
        held = 0
        for _ in range(trials):
            by_height, truth = draw(rng, loop=Loop(factor=1.4), constants=False)
            held += within(separated(by_height).ground_factor, truth.factor)
        assert held / trials == pytest.approx(0.95, abs=slack(trials))

    @pytest.mark.parametrize("n", [3, 6])
    def test_repeats_that_scatter_more_than_their_noise_are_counted_as_they_do(
        self, n: int, trials: int
    ) -> None:
        rng = np.random.default_rng(15)
        loss = difference = 0
        for _ in range(trials):
            by_height, truth = draw(rng, n=n, noise=0.001, spread=0.01)
            found = separated(by_height)
            loss += within(found.r_loss_ohm, truth.loss)
            drawn = truth.drawn[1.5] - truth.drawn[4.0]
            difference += within(found.ground_difference_ohm, drawn)
        for held in (loss, difference):
            assert held / trials == pytest.approx(0.95, abs=slack(trials))

    def test_two_heights_know_the_loss_better_than_the_description_does(self) -> None:
        by_height, _ = draw(np.random.default_rng(16))
        shares = by_height[1].records[0].shares["r_loss_ohm"].values()
        found = separated(by_height).r_loss_ohm
        assert found is not None
        assert found.u < 0.6 * math.hypot(*shares)

    @pytest.mark.slow
    @pytest.mark.parametrize("trials", [400])
    def test_without_the_tapes_own_error_intervals_fail(self, trials: int) -> None:
        """The negative control: leave out one stated source, and the promise breaks."""

        def exactly_hung(record: Record) -> Record:
            shares = {
                name: {source: s for source, s in by.items() if source != "site.height"}
                for name, by in record.shares.items()
            }
            return replace(record, shares=shares)

        rng = np.random.default_rng(17)
        held = 0
        for _ in range(trials):
            by_height, truth = draw(rng, n=8, noise=0.001)
            bare = separated([changed(of_height, exactly_hung) for of_height in by_height])
            held += within(bare.r_loss_ohm, truth.loss)
        assert held / trials < 0.95 - slack(trials)


class TestTheGroundAgainstItsDescription:
    def test_one_as_described_is_seldom_called_another(self, trials: int) -> None:
        rng = np.random.default_rng(21)
        calls = sum(not separated(draw(rng)[0]).as_described for _ in range(trials))
        assert calls / trials <= 0.05 + slack(trials, share=0.05)

    def test_one_that_draws_twice_as_much_is_and_its_sky_share_left_out(self) -> None:
        rng = np.random.default_rng(22)
        by_height, _ = draw(rng, loop=Loop(factor=2.0), constants=False)
        found = separated(by_height)
        assert found.separated
        assert found.as_described is False
        assert all(at.efficiency is not None for at in found.heights)
        assert all(at.efficiency_over_ground is None for at in found.heights)

    def test_the_factor_found_narrows_efficiency_over_ground(self) -> None:
        by_height, _ = draw(np.random.default_rng(23))
        shares = by_height[0].records[0].shares["efficiency_over_ground"].values()
        over = separated(by_height).heights[0].efficiency_over_ground
        assert over is not None
        assert over.u < 0.95 * math.hypot(*shares)

    def test_three_heights_fit_as_they_should(self, trials: int) -> None:
        rng = np.random.default_rng(24)
        misfits = [separated(draw(rng, (1.5, 2.5, 4.0))[0]).misfit for _ in range(trials)]
        # Its square is chi-square of one degree of freedom, whose variance is 2.
        mean = float(np.mean(np.square(np.array(misfits, dtype=float))))
        assert mean == pytest.approx(1.0, abs=4 * math.sqrt(2 / trials))

    def test_a_height_with_other_ohms_of_its_own_does_not_fit(self) -> None:
        low, middle, high = exact((1.5, 2.5, 4.0))

        def worse(record: Record) -> Record:
            total = Estimate.normal(record.figures["r_total_ohm"].value + 0.01, 1e-12)
            return replace(record, figures={**record.figures, "r_total_ohm": total})

        found = separated([low, changed(middle, worse), high])
        assert found.misfit is not None
        assert found.misfit > 4


class TestHeightsTooAlike:
    def alike(self) -> list[HeightSweeps]:
        near = Loop(ground={1.5: (0.0190, 0.80), 2.5: (0.0185, 0.80)})
        return draw(np.random.default_rng(31), (1.5, 2.5), near, noise=0.01)[0]

    def test_are_not_separated_and_the_factor_stays_wide(self) -> None:
        found = separated(self.alike())
        assert not found.separated
        assert found.r_loss_ohm is None
        assert found.as_described is None
        assert found.ground_factor is not None
        assert found.ground_factor.low < 0 < found.ground_factor.high

    def test_the_height_advised_next_gives_the_uncertainty_predicted(self) -> None:
        rng = np.random.default_rng(32)
        first, _ = draw(rng, (1.5, 2.5))
        before = separated(first)
        # Ground that falls with the power of height that the two heights show.
        power = math.log(0.0190 / 0.0095) / math.log(2.5 / 1.5)
        assert before.next_height_m == pytest.approx(5.0)
        drawn = 0.0190 * (5.0 / 1.5) ** -power
        loop = Loop(ground={**Loop().ground, 4.0: (drawn, 0.7)})
        (third,) = draw(rng, (4.0,), loop)[0]
        after = separated([*first, HeightSweeps(Quantity(5.0), third.records)])
        assert before.r_loss_ohm is not None
        assert after.r_loss_ohm is not None
        assert before.u_r_loss_then_ohm is not None
        assert before.u_r_loss_then_ohm < 0.5 * before.r_loss_ohm.u
        # Tape and constants at the third are not quite those of the second: a quarter.
        assert after.r_loss_ohm.u == pytest.approx(before.u_r_loss_then_ohm, rel=0.25)

    def test_no_height_is_named_where_the_grounds_share_swings(self) -> None:
        # A quarter of the wavelength is 5.3 m on 20 m.
        found = separated(draw(np.random.default_rng(33), (1.5, 4.0), Loop(f_hz=14.2e6))[0])
        assert found.next_height_m is not None
        assert found.next_height_m <= 5.3

    def test_one_height_gives_no_separation(self) -> None:
        by_height, _ = draw(np.random.default_rng(34))
        assert separate_ground(by_height[:1]) == []
        assert separate_ground([by_height[0], by_height[0]]) == []
        assert separate_ground([]) == []


class TestWithoutADescribedGround:
    def test_only_its_difference_is_known(self) -> None:
        def undescribed(record: Record) -> Record:
            gone = ("r_ground_ohm", "efficiency_over_ground")
            figures = {name: e for name, e in record.figures.items() if name not in gone}
            return replace(record, figures=figures)

        found = separated([changed(of_height, undescribed) for of_height in exact()])
        assert found.ground_difference_ohm.value == pytest.approx(0.0190 - 0.0043, rel=1e-9)
        assert not found.separated
        assert found.ground_factor is None
        assert found.r_loss_ohm is None


class TestInAComparison:
    def codes(self, by_height: list[HeightSweeps], changes: list[Change]) -> set[str]:
        before, after = (of_height.records for of_height in by_height)
        return {finding.code for finding in compare(before, after, changes).findings}

    def test_builds_that_differ_in_height_alone_part_the_ground(self) -> None:
        by_height, _ = draw(np.random.default_rng(41))
        found = separated(by_height)
        before, after = (of_height.records for of_height in by_height)
        comparison = compare(before, after, MOVED)
        (finding,) = [f for f in comparison.findings if f.code == "heights-part-ground"]
        assert found.r_loss_ohm is not None
        assert finding.evidence["r_loss_ohm"] == found.r_loss_ohm.value
        assert finding.evidence["u_r_loss_ohm"] == found.r_loss_ohm.u
        for at in found.heights:
            assert at.efficiency is not None
            key = f"efficiency_at_{at.height_m:g}_m"
            assert finding.evidence[key] == at.efficiency.value
        assert "40m: 1.50 m and 4.00 m part the ground from the loss" in finding.text
        assert "m next" in finding.action
        json.dumps(comparison.to_json(), allow_nan=False)

    def test_builds_that_differ_in_more_do_not(self) -> None:
        by_height, _ = draw(np.random.default_rng(42))
        also = [*MOVED, Change("loop.circumference", "3 m", "3.2 m")]
        for changes in ([], also, [Change("site.height", None, "4 m")]):
            assert not any("height" in code for code in self.codes(by_height, changes))

    def test_a_ground_unlike_the_described_one_is_a_warning(self) -> None:
        by_height, _ = draw(np.random.default_rng(43), loop=Loop(factor=2.0), constants=False)
        assert {"heights-part-ground", "ground-not-as-described"} <= self.codes(by_height, MOVED)

    def test_heights_too_alike_are_named(self) -> None:
        codes = self.codes(TestHeightsTooAlike().alike(), MOVED)
        assert "heights-too-alike" in codes
        assert "heights-part-ground" not in codes
