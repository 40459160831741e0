"""What a comparison remarks beside its figures: sentences, figures behind them, and order."""

from __future__ import annotations

import pytest
from records import record, repeats

from sweeplab.comparison.comparison import Comparison, compare
from sweeplab.comparison.metrics import margin
from sweeplab.comparison.metrics import repeats as repeats_of
from sweeplab.finding import Finding
from sweeplab.record import Record

QUIET = {"q_loaded": 200.0}


def found(comparison: Comparison, code: str) -> list[Finding]:
    return [finding for finding in comparison.findings if finding.code == code]


def only(comparison: Comparison, code: str) -> Finding:
    (finding,) = found(comparison, code)
    return finding


class TestRepeats:
    def test_bands_with_a_single_sweep_on_either_side_are_named_once_in_rising_frequency(
        self,
    ) -> None:
        before = [
            record(QUIET, band="20m"),
            *repeats("q_loaded", [200.0, 201.0], band="40m"),
            *repeats("q_loaded", [200.0, 201.0], band="80m"),
        ]
        after = [
            *repeats("q_loaded", [200.0, 201.0], band="20m"),
            *repeats("q_loaded", [200.0, 201.0], band="40m"),
            record(QUIET, band="80m"),
        ]
        finding = only(compare(before, after), "few-repeats")
        assert finding.level == "warning"
        assert finding.text.endswith("cannot show that anything moved: 80m, 20m")
        assert finding.evidence == {"bands": "80m, 20m"}

    def test_two_sweeps_on_each_side_are_enough(self) -> None:
        side = repeats("q_loaded", [200.0, 201.0])
        assert found(compare(side, side), "few-repeats") == []


class TestVersions:
    def test_are_listed_in_order(self) -> None:
        before = repeats("q_loaded", [200.0, 201.0], version="0.2")
        after = repeats("q_loaded", [200.0, 201.0], version="0.1")
        finding = only(compare(before, after), "mixed-versions")
        assert finding.level == "warning"
        assert finding.text.endswith("different versions of sweeplab: 0.1, 0.2")
        assert finding.evidence == {"versions": "0.1, 0.2"}

    def test_of_sweeps_that_do_not_count_do_not_matter(self) -> None:
        before = repeats("q_loaded", [200.0, 201.0])
        refused = record({}, status="refused", version="0.1")
        assert found(compare([*before, refused], before), "mixed-versions") == []


class TestSettings:
    def test_one_on_each_side_under_other_names_is_compared_and_both_are_named(self) -> None:
        before = repeats("q_loaded", [200.0, 201.0])
        after = repeats("q_loaded", [200.0, 201.0], setting="both")
        result = compare(before, after)
        finding = only(result, "settings-differ")
        assert finding.level == "note"
        assert finding.text == "the settings differ: none before, both after"
        assert finding.evidence == {"bands": "40m"}
        assert only(compare(after, before), "settings-differ").text == (
            "the settings differ: both before, none after"
        )
        assert result.bands[0].to_json()["setting"] == "both"

    def test_two_on_one_side_and_another_on_the_other_are_not_compared(self) -> None:
        before = [record(QUIET, setting="one"), record(QUIET, setting="both")]
        result = compare(before, [record(QUIET, setting="three")])
        assert result.bands == ()
        finding = only(result, "setting-on-one-side")
        assert finding.evidence == {"sweeps": 3}
        assert finding.text.endswith(": 40m in both, 40m in one, 40m in three")
        assert found(result, "settings-differ") == []

    def test_alike_on_both_sides_are_no_remark_and_leave_no_key(self) -> None:
        side = repeats("q_loaded", [200.0, 201.0])
        result = compare(side, side)
        assert found(result, "settings-differ") == found(result, "setting-on-one-side") == []
        assert "setting" not in result.bands[0].to_json()

    def test_without_a_counterpart_are_counted_with_where_they_are(self) -> None:
        before = [
            *repeats("q_loaded", [200.0, 201.0], setting="one"),
            *repeats("q_loaded", [200.0, 201.0]),
            record(QUIET, set_aside="loose cable"),
        ]
        after = repeats("q_loaded", [200.0, 201.0], setting="one")
        finding = only(compare(before, after), "setting-on-one-side")
        assert finding.text == (
            "2 sweeps have no counterpart in the same setting: 40m in no setting"
        )
        assert finding.evidence == {"sweeps": 2}

    def test_on_a_band_of_one_side_alone_are_not_counted_again(self) -> None:
        before = [*repeats("q_loaded", [200.0, 201.0]), record(QUIET, band="80m", setting="one")]
        result = compare(before, before[:2])
        assert found(result, "setting-on-one-side") == []
        assert only(result, "band-on-one-side").evidence == {"bands": "80m"}


class TestSweepsThatDoNotCount:
    @pytest.mark.parametrize(
        ("status", "set_aside", "refused", "aside"),
        [("refused", None, 1, 0), ("ok", "loose", 0, 1), ("refused", "loose", 0, 1)],
    )
    def test_are_counted_by_why(
        self, status: str, set_aside: str | None, refused: int, aside: int
    ) -> None:
        side = repeats("q_loaded", [200.0, 201.0])
        left_out = record(QUIET, status=status, set_aside=set_aside)
        finding = only(compare(side, [*side, left_out]), "left-out")
        assert finding.level == "note"
        assert finding.text == (
            f"sweeps that do not count: {refused} without a usable resonance, {aside} set aside"
        )
        assert finding.evidence == {"refused": refused, "set_aside": aside}

    def test_none_is_no_remark(self) -> None:
        side = repeats("q_loaded", [200.0, 201.0])
        assert found(compare(side, side), "left-out") == []

    def test_their_band_is_not_one_of_one_side(self) -> None:
        side = repeats("q_loaded", [200.0, 201.0])
        refused = record(QUIET, band="80m", status="refused")
        assert found(compare([*side, refused], side), "band-on-one-side") == []


class TestDoubtfulSweeps:
    def test_are_counted_over_both_sides(self) -> None:
        before = [*repeats("q_loaded", [200.0, 201.0]), record(QUIET, status="doubtful")]
        after = [
            *repeats("q_loaded", [200.0], status="doubtful"),
            *repeats("q_loaded", [200.0, 201.0]),
        ]
        finding = only(compare(before, after), "doubtful-sweeps")
        assert finding.text == "2 sweeps that count are doubtful: 40m"
        assert finding.evidence == {"sweeps": 2}

    def test_none_is_no_remark(self) -> None:
        side = repeats("q_loaded", [200.0, 201.0])
        assert found(compare(side, side), "doubtful-sweeps") == []


def timed(taken: str | None, off_hz: float = 0.0, **more: object) -> Record:
    values = {"f_loaded_hz": 7.1e6 + off_hz, "half_power_bandwidth_hz": 40e3}
    return record(values, u=30.0, taken=taken, **more)  # type: ignore[arg-type]


class TestDays:
    def test_the_longest_are_named_with_their_band_and_build(self) -> None:
        before = [
            timed("2026-03-01T12:00:00Z", build="quay-1"),
            timed("2026-03-11T12:00:00Z", build="quay-1"),
        ]
        after = [
            timed("2026-04-01T12:00:00Z", build="quay-2", band="40m"),
            timed("2026-04-21T12:00:00Z", build="quay-2", band="40m"),
            timed(None, build="quay-2", band="40m"),
        ]
        finding = only(compare(before, after), "days-apart")
        assert finding.level == "note"
        assert finding.text.startswith("the sweeps of quay-2 on 40m were taken over 20 days: ")
        assert finding.evidence == {"days": 20.0, "band": "40m", "build": "quay-2"}
        # Whichever side they are on.
        assert only(compare(after, before), "days-apart").evidence["build"] == "quay-2"

    def test_between_the_builds_do_not_count(self) -> None:
        before, after = timed("2026-03-01T12:00:00Z"), timed("2026-06-01T12:00:00Z")
        assert found(compare([before], [after]), "days-apart") == []

    @pytest.mark.parametrize("taken", [None, "", "last Tuesday"])
    def test_without_times_are_not_known(self, taken: str | None) -> None:
        side = [timed(taken), timed(taken, 2e3)]
        result = compare(side, side)
        assert found(result, "days-apart") == found(result, "moved-between-sweeps") == []

    def test_a_time_without_a_zone_is_utc(self) -> None:
        # Two hours apart as local times, three minutes apart in UTC.
        side = [timed("2026-03-01T12:00:00"), timed("2026-03-01T14:03:00+02:00", 2e3)]
        assert found(compare(side, side[:1]), "moved-between-sweeps")


class TestMovedBetweenSweeps:
    def test_a_move_down_keeps_its_sign_in_the_figures_and_is_a_distance_in_words(self) -> None:
        side = [timed("2026-03-01T12:00:00Z"), timed("2026-03-01T12:02:00Z", -2e3)]
        finding = only(compare(side, side[:1]), "moved-between-sweeps")
        assert finding.level == "note"
        assert finding.evidence["moved_hz"] == pytest.approx(-2e3)
        assert finding.evidence["u_moved_hz"] == pytest.approx(30 * 2**0.5)
        assert finding.evidence["of_bandwidth"] == pytest.approx(0.05)
        first, second = (one.sweep_id for one in side)
        assert finding.text.startswith(f"sweeps {first} and {second}, taken in succession, ")
        assert "differ by 2.000 ± 0.042 kHz in the resonance" in finding.text

    def test_sweeps_are_taken_in_the_order_of_their_times(self) -> None:
        side = [timed("2026-03-01T12:02:00Z", 2e3), timed("2026-03-01T12:00:00Z")]
        finding = only(compare(side, side[:1]), "moved-between-sweeps")
        assert finding.evidence["moved_hz"] == pytest.approx(2e3)

    def test_the_largest_beside_its_noise_is_reported(self) -> None:
        times = [f"2026-03-01T12:0{minute}:00Z" for minute in range(4)]
        offsets = [0.0, 1e3, 4e3, 4.5e3]
        side = [timed(at, off) for at, off in zip(times, offsets, strict=True)]
        finding = only(compare(side[:1], side), "moved-between-sweeps")
        assert finding.evidence["moved_hz"] == pytest.approx(3e3)

    def test_without_noise_or_bandwidth_nothing_is_said(self) -> None:
        times = ("2026-03-01T12:00:00Z", "2026-03-01T12:02:00Z")
        exact = [
            record({"f_loaded_hz": f, "half_power_bandwidth_hz": 40e3}, taken=taken)
            for f, taken in zip((7.1e6, 7.102e6), times, strict=True)
        ]
        assert found(compare(exact, exact[:1]), "moved-between-sweeps") == []
        for missing in ("f_loaded_hz", "half_power_bandwidth_hz"):
            values = {"f_loaded_hz": 7.1e6, "half_power_bandwidth_hz": 40e3, "q_loaded": 177.0}
            del values[missing]
            side = [record(values, u=1.0, taken=taken) for taken in times]
            assert found(compare(side, side[:1]), "moved-between-sweeps") == []

    def test_sweeps_of_the_two_sides_are_not_in_succession(self) -> None:
        before, after = timed("2026-03-01T12:00:00Z"), timed("2026-03-01T12:02:00Z", 2e3)
        assert found(compare([before], [after]), "moved-between-sweeps") == []


class TestQuantitiesAtOnce:
    def test_are_counted_from_two_on(self) -> None:
        one = repeats("q_loaded", [200.0, 201.0])
        assert found(compare(one, one), "at-once") == []
        two = [
            record({"q_loaded": q, "coupling_factor": k}) for q, k in ((200, 1.1), (201.0, 1.12))
        ]
        finding = only(compare(two, two), "at-once")
        assert finding.evidence == {"quantities": 2}
        assert finding.level == "note"
        assert "hold for 2 quantities at once, together with 95 %" in finding.text

    def test_without_repeats_there_is_none_and_the_intervals_are_those_of_one(self) -> None:
        single = [record(QUIET, u=1.0)]
        result = compare(single, single)
        assert result.comparisons == 1
        change = result.bands[0].figures["q_loaded"].change
        assert change is not None
        # The normal law at 97.5 %, of two sweeps with a noise of 1 each.
        assert change.high == pytest.approx(1.95996 * 2**0.5, rel=1e-5)


class TestOrder:
    def test_a_warning_precedes_notes_and_a_problem_both(self) -> None:
        before = [record(QUIET), record(QUIET, set_aside="loose", band="80m")]
        levels = [finding.level for finding in compare(before, [record(QUIET)]).findings]
        assert levels == ["warning", "note"]
        nothing = compare(before, [record(QUIET, band="20m")])
        assert [finding.code for finding in nothing.findings][:1] == ["nothing-to-compare"]
        assert nothing.findings[0].level == "problem"
        assert nothing.findings[0].evidence == {}

    def test_builds_are_named_as_the_records_have_them_each_once(self) -> None:
        before = [record(QUIET, build="a"), record(QUIET, build="a"), record(QUIET, build="b")]
        result = compare(before, [record(QUIET, build="c")])
        assert (result.before, result.after) == ("a, b", "c")


class TestScaleAndMargin:
    def test_scatter_of_a_loss_is_relative_to_the_total(self) -> None:
        records = [record({"r_loss_ohm": 0.02, "r_total_ohm": r}) for r in (0.08, 0.12)]
        group = repeats_of("r_loss_ohm", records)
        assert group is not None
        assert group.scale == pytest.approx(0.1)

    def test_of_a_loss_without_a_total_and_of_nought_it_is_absolute(self) -> None:
        for values in ({"r_loss_ohm": 0.02}, {"q_loaded": 0.0}):
            group = repeats_of(next(iter(values)), [record(values)])
            assert group is not None
            assert group.scale == 1.0

    def test_of_decibels_it_is_absolute_and_of_others_positive(self) -> None:
        for name, scale in (("efficiency_db", 1.0), ("q_loaded", 5.0)):
            group = repeats_of(name, [record({name: -5.0}), record({name: -5.0})])
            assert group is not None
            assert group.scale == scale

    def test_the_sweeps_own_noise_is_no_common_quantity(self) -> None:
        group = repeats_of(
            "q_loaded", [record(QUIET, u=2.0, shares={"q_loaded": {"loop.gap": -1.0}})]
        )
        assert group is not None
        assert group.shares == ({"loop.gap": -1.0},)
        assert list(group.noise) == [2.0]

    def test_a_margin_without_its_reference_is_not_known(self) -> None:
        assert margin("r_loss_ohm", {"r_loss_ohm": 0.02}) is None
        assert margin("f_loaded_hz", {"f_loaded_hz": 7e6}) is None
        assert margin("q_loaded", {}) is None

    def test_a_margin_is_positive_whatever_the_sign_of_its_reference(self) -> None:
        assert margin("r_total_ohm", {"r_total_ohm": -0.1}) == pytest.approx(0.005)
