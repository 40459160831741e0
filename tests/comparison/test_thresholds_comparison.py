"""Limits of a comparison's verdicts and remarks, each from both sides."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import pytest
from records import record, repeats

from sweeplab.comparison.comparison import Comparison, FigureChange, compare
from sweeplab.comparison.repeatability import Repeats, moderated_scatter, student_factor
from sweeplab.record import Record


def codes(comparison: Comparison) -> set[str]:
    return {finding.code for finding in comparison.findings}


def only(comparison: Comparison, name: str) -> FigureChange:
    (band,) = comparison.bands
    return band.figures[name]


class TestMargins:
    """A change of nothing is the same where its interval stays inside the margin."""

    # Two pairs of repeats have two degrees of freedom: Student's t at 97.5 %, and at 98.75 % for
    # two quantities at once (any table).
    T_ONE, T_TWO = 4.303, 6.205

    @staticmethod
    def verdict(name: str, value: float, half: float, t: float, others: Mapping[str, float]) -> str:
        off = half / (t * math.sqrt(2))
        side = [record({name: value + sign * off, **others}) for sign in (1, -1)]
        change = only(compare(side, side), name)
        assert change.change is not None
        assert change.change.high == pytest.approx(half, rel=2e-3)
        return change.verdict

    @pytest.mark.parametrize(
        ("name", "value", "margin"),
        [
            ("q_loaded", 200.0, 10.0),
            ("q_unloaded", 400.0, 20.0),
            ("half_power_bandwidth_hz", 40e3, 2e3),
            ("r_total_ohm", 0.08, 0.004),
            ("efficiency", 0.3, 0.015),
            ("coupling_factor", 0.8, 0.08),
            ("swr_min", 1.5, 0.1),
            # A twentieth in decibels: 10 lg 1.05.
            ("efficiency_db", -5.0, 0.212),
        ],
    )
    def test_of_a_figure_alone(self, name: str, value: float, margin: float) -> None:
        assert self.verdict(name, value, 0.8 * margin, self.T_ONE, {}) == "same"
        assert self.verdict(name, value, 1.2 * margin, self.T_ONE, {}) == "unsure"

    @pytest.mark.parametrize("name", ["r_loss_ohm", "r_remainder_ohm"])
    def test_of_a_loss_goes_with_the_total(self, name: str) -> None:
        total = {"r_total_ohm": 0.08}
        assert self.verdict(name, 0.02, 0.8 * 0.004, self.T_ONE, total) == "same"
        assert self.verdict(name, 0.02, 1.2 * 0.004, self.T_ONE, total) == "unsure"

    def test_of_the_resonance_is_half_its_bandwidth(self) -> None:
        width = {"half_power_bandwidth_hz": 40e3}
        assert self.verdict("f_loaded_hz", 7.1e6, 16e3, self.T_TWO, width) == "same"
        assert self.verdict("f_loaded_hz", 7.1e6, 24e3, self.T_TWO, width) == "unsure"


class TestConfidence:
    def test_of_an_interval_is_the_tables(self) -> None:
        # Student's t and the normal law at 97.5 % (any table).
        assert student_factor(math.inf) == pytest.approx(1.960, abs=5e-4)
        assert student_factor(18) == pytest.approx(2.101, abs=5e-4)

    @pytest.mark.parametrize(("t", "verdict"), [(2.0, "unsure"), (2.2, "up")])
    def test_decides_whether_a_figure_moved(self, t: float, verdict: str) -> None:
        # Two samples of ten, 18 degrees of freedom: the two-sample test's limit is 2.101.
        before = np.tile([-1.0, 1.0], 5) - 5.0
        u = math.sqrt(2 * (10 / 9) / 10)
        after = before + t * u
        change = only(
            compare(repeats("efficiency_db", list(before)), repeats("efficiency_db", list(after))),
            "efficiency_db",
        )
        assert change.verdict == verdict


class TestRemarks:
    @staticmethod
    def apart(day: str, time: str = "12:00") -> set[str]:
        side = [
            record({"q_loaded": 200.0}, taken=taken)
            for taken in ("2026-03-01T12:00:00Z", f"2026-03-{day}T{time}:00Z")
        ]
        return codes(compare(side, side))

    def test_a_week_less_an_hour_is_one_session(self) -> None:
        assert "days-apart" not in self.apart("08", "11:00")

    def test_a_week_and_an_hour_is_not(self) -> None:
        assert "days-apart" in self.apart("08", "13:00")

    @staticmethod
    def moved(moved_hz: float, *, u_hz: float = 100.0, seconds: int = 60) -> set[str]:
        """Return the findings on two sweeps of 40 kHz bandwidth, seconds apart."""
        minutes, rest = divmod(seconds, 60)
        times = ("2026-03-01T12:00:00Z", f"2026-03-01T12:{minutes:02}:{rest:02}Z")
        side = [
            record(
                {"f_loaded_hz": 7.1e6 + off, "half_power_bandwidth_hz": 40e3},
                u={"f_loaded_hz": u_hz / math.sqrt(2), "half_power_bandwidth_hz": 0.0},
                taken=taken,
            )
            for off, taken in zip((0.0, moved_hz), times, strict=True)
        ]
        return codes(compare(side, [side[0]]))

    @pytest.mark.parametrize(("seconds", "reported"), [(570, True), (630, False)])
    def test_two_sweeps_within_ten_minutes_are_in_succession(
        self, seconds: int, reported: bool
    ) -> None:
        assert ("moved-between-sweeps" in self.moved(2e3, seconds=seconds)) is reported

    @pytest.mark.parametrize(("times", "reported"), [(4.7, False), (5.3, True)])
    def test_a_resonance_moved_where_noise_does_not_reach(
        self, times: float, reported: bool
    ) -> None:
        assert ("moved-between-sweeps" in self.moved(times * 100.0)) is reported

    @pytest.mark.parametrize(("moved_hz", "reported"), [(19e3, True), (21e3, False)])
    def test_half_a_bandwidth_off_counts_as_retuned(self, moved_hz: float, reported: bool) -> None:
        assert ("moved-between-sweeps" in self.moved(moved_hz)) is reported


class TestBorrowedScatter:
    """What a band takes from other builds' repeats and from other bands."""

    @staticmethod
    def group(deviation: float, n: int) -> Repeats:
        """Return repeats whose variance is the deviation's square."""
        off = np.linspace(-1, 1, n)
        off *= deviation / np.std(off, ddof=1)
        return Repeats(100 + off, np.zeros(n), 1.0)

    @pytest.mark.parametrize(("before", "dof"), [(3, 2), (4, 5)])
    def test_other_builds_count_from_three_degrees_of_freedom(
        self, before: int, dof: float
    ) -> None:
        own, past = [self.group(1.0, 3)], [self.group(1.0, before)]
        found = moderated_scatter({"40m": own}, {"40m": past})["40m"]
        assert found is not None
        assert found.dof == dof

    @pytest.mark.parametrize(("variance", "dof"), [(1.8, 12), (2.2, 2)])
    def test_other_builds_are_not_pooled_with_a_band_of_twice_their_variance(
        self, variance: float, dof: float
    ) -> None:
        own, past = [self.group(math.sqrt(variance), 3)], [self.group(1.0, 11)]
        found = moderated_scatter({"40m": own}, {"40m": past})["40m"]
        assert found is not None
        assert found.dof == dof

    def test_other_bands_are_worth_two_degrees_of_freedom(self) -> None:
        bands = {"40m": [self.group(1.0, 3)], "20m": [self.group(2.0, 5)]}
        found = moderated_scatter(bands)["40m"]
        assert found is not None
        # Pooled over both: (2 * 1 + 4 * 4)/6 = 3; next to the own 1 with two of each, 2.
        assert (found.variance, found.dof) == pytest.approx((2.0, 4.0))


def sweeps_of_one_side(n: int) -> list[Record]:
    return repeats("q_loaded", [200.0 + i for i in range(n)])


@pytest.mark.parametrize(("n", "reported"), [(1, True), (2, False)])
def test_a_single_sweep_on_a_side_is_too_few(n: int, reported: bool) -> None:
    found = compare(sweeps_of_one_side(n), sweeps_of_one_side(2))
    assert ("few-repeats" in codes(found)) is reported
