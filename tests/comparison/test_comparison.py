"""What a comparison says, case by case."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from records import record, repeats, sweeps
from scipy import stats
from uncertainties import ufloat

from sweeplab.builds.diff import Change
from sweeplab.comparison import metrics
from sweeplab.comparison.comparison import Comparison, FigureChange, compare
from sweeplab.finding import Finding
from sweeplab.record import Record


def only(comparison: Comparison, name: str) -> FigureChange:
    (band,) = comparison.bands
    return band.figures[name]


def codes(comparison: Comparison) -> set[str]:
    return {finding.code for finding in comparison.findings}


class TestAgainstKnownExamples:
    """One figure on one band is the two-sample t test with pooled variance."""

    # Student, 'The probable error of a mean', Biometrika 6, 1 (1908): extra hours of sleep.
    first = (0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0)
    second = (1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4)

    def test_the_sleep_data_give_the_published_interval(self) -> None:
        # Decibels are compared as they are, and so can stand for hours. The interval of the two-
        # sample test with equal variances: -0.204 to 3.364 (from memory; scipy agrees).
        before = repeats("efficiency_db", list(self.first))
        change = only(compare(before, repeats("efficiency_db", list(self.second))), "efficiency_db")
        assert change.change is not None
        assert change.change.value == pytest.approx(1.58)
        assert change.change.low == pytest.approx(-0.203874, abs=1e-6)
        assert change.change.high == pytest.approx(3.363874, abs=1e-6)
        assert change.verdict == "unsure"

    def test_any_two_samples_agree_with_scipy(self) -> None:
        rng = np.random.default_rng(11)
        for n, m in ((2, 2), (3, 5), (8, 4)):
            a, b = list(rng.normal(-3, 1, n)), list(rng.normal(-2, 1, m))
            oracle = stats.ttest_ind(b, a).confidence_interval(0.95)
            result = only(
                compare(repeats("efficiency_db", a), repeats("efficiency_db", b)), "efficiency_db"
            ).change
            assert result is not None
            assert (result.low, result.high) == pytest.approx((oracle.low, oracle.high))


class TestSharedQuantities:
    def pair(self, before: float, after: float) -> tuple[list[Record], list[Record]]:
        shares = (
            {"efficiency": {"loop.circumference": before, "loop.gap": 0.002}},
            {"efficiency": {"loop.circumference": after, "loop.gap": -0.001}},
        )
        values = ((0.200, 0.202), (0.250, 0.253))
        return tuple(  # type: ignore[return-value]
            repeats("efficiency", list(v), u=1e-4, build=name, shares=s)
            for v, s, name in zip(values, shares, ("quay-1", "quay-2"), strict=True)
        )

    def test_cancel_as_the_uncertainties_package_has_it(self) -> None:
        before, after = self.pair(0.008, 0.010)
        result = only(compare(before, after), "efficiency").change
        repeat_only = only(compare(*self.pair(0.0, 0.0)), "efficiency").change
        assert result is not None
        assert repeat_only is not None
        circumference, gap = ufloat(0, 1), ufloat(0, 1)
        # The oracle carries one variable through both sides; the gap is in both runs.
        scatter = math.sqrt(repeat_only.u**2 - 0.003**2)
        oracle = (
            (0.2515 + 0.010 * circumference - 0.001 * gap + ufloat(0, scatter))
            - (0.2010 + 0.008 * circumference + 0.002 * gap)
        )  # fmt: skip
        assert result.value == pytest.approx(oracle.n)
        assert result.u == pytest.approx(oracle.s, rel=1e-9)

    def test_cancel_altogether_where_the_figure_leans_on_them_equally(self) -> None:
        leaning = only(compare(*self.pair(0.009, 0.009)), "efficiency")
        upright = only(compare(*self.pair(0.0, 0.0)), "efficiency")
        assert leaning.change is not None
        assert upright.change is not None
        assert leaning.before is not None
        assert leaning.change.u == pytest.approx(upright.change.u)
        assert leaning.before.u > 0.009

    def test_do_not_cancel_where_the_change_touched_them(self) -> None:
        before, after = self.pair(0.009, 0.009)
        touched = [Change("loop.circumference", "3.2 m", "3.4 m")]
        result = only(compare(before, after, touched), "efficiency").change
        assert result is not None
        assert result.u > 0.009 * math.sqrt(2)

    def test_the_models_own_error_is_another_one_where_the_loop_is(self) -> None:
        shares = {"efficiency": {"model.radiation": 0.01}}
        sides = [
            repeats("efficiency", [0.2, 0.201], u=1e-4, shares=shares),
            repeats("efficiency", [0.2, 0.201], u=1e-4, shares=shares),
        ]
        other_loop = [Change("loop.shape", "circle", "octagon")]
        other_feed = [Change("feed.circumference", "0.6 m", "0.7 m")]
        wide = only(compare(*sides, other_loop), "efficiency").change
        narrow = only(compare(*sides, other_feed), "efficiency").change
        assert wide is not None
        assert narrow is not None
        assert narrow.u < 0.002 < 0.014 < wide.u

    @pytest.mark.parametrize(
        ("source", "key", "another"),
        [("model.ground", "site.ground", True), ("model.ground", "loop.gap", True),
         ("model.ground", "parts.joint.r", False), ("model.reactance", "site.ground", False),
         ("conductor.conductivity", "conductor.material", True),
         ("conductor.conductivity", "conductor.diameter", False)],
    )  # fmt: skip
    def test_ground_and_metal_are_others_where_site_or_metal_is(
        self, source: str, key: str, another: bool
    ) -> None:
        shares = {"r_loss_ohm": {source: 0.01}}
        sides = [repeats("r_loss_ohm", [0.2, 0.201], u=1e-4, shares=shares) for _ in range(2)]
        change = only(compare(*sides, [Change(key, "a", "b")]), "r_loss_ohm").change
        assert change is not None
        assert (change.u > 0.014) is another


class TestVerdicts:
    def test_up_and_down_where_the_interval_is_clear_of_zero(self) -> None:
        rng = np.random.default_rng(5)
        before = sweeps(rng, 3, build="quay-1", spread=0.005)
        after = sweeps(rng, 3, build="quay-2", spread=0.005, extra_ohm=-0.012)
        for band in compare(before, after).bands:
            assert band.figures["r_loss_ohm"].verdict == "down"
            assert band.figures["q_unloaded"].verdict == "up"
            assert band.figures["efficiency"].verdict == "up"
            moved = band.figures["r_loss_ohm"].change
            assert moved is not None
            assert moved.low < -0.012 < moved.high < 0

    def test_same_only_inside_the_margin(self) -> None:
        close = [400.0, 401.0, 399.0, 400.5]
        wide = [400.0, 430.0, 370.0, 405.0]
        assert only(compare(*[repeats("q_loaded", close)] * 2), "q_loaded").verdict == "same"
        assert only(compare(*[repeats("q_loaded", wide)] * 2), "q_loaded").verdict == "unsure"

    @pytest.mark.parametrize(("n", "m"), [(1, 1), (1, 3), (3, 1)])
    def test_unsure_with_a_single_sweep_on_a_side(self, n: int, m: int) -> None:
        before = repeats("q_loaded", [400.0, 401.0, 402.0][:n], u=1.0)
        after = repeats("q_loaded", [800.0, 801.0, 802.0][:m], u=1.0)
        result = compare(before, after)
        figure = only(result, "q_loaded")
        assert figure.verdict == "unsure"
        assert figure.change is not None
        assert figure.change.value == pytest.approx(400, abs=3)
        (finding,) = (f for f in result.findings if f.code == "few-repeats")
        assert "unplugged" in finding.action
        assert ("noise only" in finding.text) == (n == m == 1)

    def test_repeats_of_other_builds_widen_a_single_sweeps_interval(self) -> None:
        before, after = repeats("q_loaded", [400.0], u=1.0), repeats("q_loaded", [440.0], u=1.0)
        others = repeats("q_loaded", [300.0, 330.0, 360.0], build="quay-0")
        alone = only(compare(before, after), "q_loaded")
        informed = only(compare(before, after, others=others), "q_loaded")
        assert alone.change is not None
        assert informed.change is not None
        assert informed.change.u > 10 * alone.change.u
        assert informed.verdict == "unsure"

    def test_intervals_widen_with_the_number_of_figures_and_bands(self) -> None:
        values = {"q_loaded": 400.0, "coupling_factor": 1.1}
        moved = {"q_loaded": 404.0, "coupling_factor": 1.12}

        def side(names: tuple[str, ...], bands: tuple[str, ...], build: str) -> list[Record]:
            return [
                record({name: source[name] for name in names}, build=build, band=band)
                for band in bands
                for source in (values, moved)
            ]

        def half(names: tuple[str, ...], bands: tuple[str, ...]) -> float:
            result = compare(side(names, bands, "a"), side(names, bands, "b"))
            change = result.bands[0].figures["q_loaded"].change
            assert change is not None
            count = len(names) * len(bands)
            assert result.comparisons == count
            k = stats.t.ppf(1 - 0.025 / count, 2)
            assert change.high - change.value == pytest.approx(k * change.u)
            return change.high - change.value

        one, two = half(("q_loaded",), ("40m",)), half(("q_loaded", "coupling_factor"), ("40m",))
        assert one < two

    def test_figures_of_one_family_are_one_comparison(self) -> None:
        values = [{"q_unloaded": q, "r_total_ohm": 134 / q} for q in (400.0, 404.0)]
        sides = [[record(v) for v in values] for _ in range(2)]
        assert compare(*sides).comparisons == 1


class TestSymmetry:
    """What must hold whatever the numbers."""

    values = st.lists(st.floats(10, 1000), min_size=1, max_size=4)
    opposite = {"up": "down", "down": "up", "same": "same", "unsure": "unsure"}  # noqa: RUF012

    @given(values, values)
    def test_turning_before_and_after_round_turns_the_sign(
        self, old: list[float], new: list[float]
    ) -> None:
        sides = repeats("efficiency_db", old, u=0.1), repeats("efficiency_db", new, u=0.1)
        there, back = (only(compare(*s), "efficiency_db") for s in (sides, sides[::-1]))
        assert there.change is not None
        assert back.change is not None
        assert (there.change.low, there.change.high) == pytest.approx(
            (-back.change.high, -back.change.low), abs=1e-9
        )
        assert there.verdict == self.opposite[back.verdict]

    @given(values, values, st.floats(1e-3, 1e3))
    def test_the_unit_does_not_matter(
        self, old: list[float], new: list[float], factor: float
    ) -> None:
        def interval(scale: float) -> tuple[float, float]:
            sides = [
                repeats("r_total_ohm", [v * scale for v in values], u=0.01 * scale)
                for values in (old, new)
            ]
            change = only(compare(*sides), "r_total_ohm").change
            assert change is not None
            return change.low / scale, change.high / scale

        assert interval(factor) == pytest.approx(interval(1.0), rel=1e-6, abs=1e-6)


class TestWhatCounts:
    def test_refused_and_set_aside_are_left_out_and_counted(self) -> None:
        before = repeats("q_loaded", [400.0, 402.0])
        spoiled = [
            *before,
            *repeats("q_loaded", [900.0], status="refused"),
            *repeats("q_loaded", [900.0, 901.0], set_aside="loose cable"),
        ]
        after = repeats("q_loaded", [410.0, 412.0])
        clean, result = compare(before, after), compare(spoiled, after)
        assert result.bands == clean.bands
        assert result.bands[0].n_before == 2
        (finding,) = (f for f in result.findings if f.code == "left-out")
        assert finding.evidence == {"refused": 1, "set_aside": 2}

    def test_bands_on_one_side_are_named(self) -> None:
        before = [*repeats("q_loaded", [4.0, 5.0]), *repeats("q_loaded", [4.0], band="80m")]
        after = [*repeats("q_loaded", [4.0, 5.0]), *repeats("q_loaded", [4.0], band="6.2MHz")]
        result = compare(before, after)
        assert [band.band for band in result.bands] == ["40m"]
        texts = [f.text for f in result.findings if f.code == "band-on-one-side"]
        assert texts == ["swept only before: 80m", "swept only after: 6.2MHz"]

    def test_bands_come_in_rising_frequency(self) -> None:
        side = [
            r for band in ("20m", "6.2MHz", "80m") for r in repeats("q_loaded", [4.0], band=band)
        ]
        assert [band.band for band in compare(side, side).bands] == ["80m", "6.2MHz", "20m"]

    def test_settings_are_compared_like_with_like(self) -> None:
        before = [
            *repeats("q_loaded", [400.0, 401.0], setting="one section"),
            *repeats("q_loaded", [300.0, 301.0], setting="both"),
        ]
        after = repeats("q_loaded", [302.0, 303.0], setting="both")
        result = compare(before, after)
        assert [(band.setting, band.n_before) for band in result.bands] == [("both", 2)]
        assert "setting-on-one-side" in codes(result)

    def test_settings_of_other_names_are_compared_and_noted(self) -> None:
        before = repeats("q_loaded", [400.0, 401.0])
        after = repeats("q_loaded", [402.0, 403.0], setting="both")
        result = compare(before, after)
        assert len(result.bands) == 1
        assert "settings-differ" in codes(result)

    def test_versions_are_not_silently_mixed(self) -> None:
        before = repeats("q_loaded", [400.0, 401.0], version="0.1.0")
        assert "mixed-versions" in codes(compare(before, repeats("q_loaded", [4.0, 5.0])))
        assert "mixed-versions" not in codes(compare(before, before))

    def test_nothing_in_common_is_a_problem_not_an_error(self) -> None:
        result = compare(repeats("q_loaded", [4.0]), [], names=("quay-1", "quay-2"))
        assert result.bands == ()
        assert (result.before, result.after) == ("quay-1", "quay-2")
        assert result.findings[0].code == "nothing-to-compare"


class TestTimes:
    def swept(self, taken: str, moved_hz: float = 0.0, build: str = "quay-1") -> Record:
        values = {"f_loaded_hz": 7.1e6 + moved_hz, "half_power_bandwidth_hz": 20e3}
        return record(values, u=10.0, build=build, taken=taken)

    def findings(self, before: list[Record], code: str) -> list[Finding]:
        after = [self.swept("2026-06-01T10:00:00Z", build="quay-2")]
        return [f for f in compare(before, after).findings if f.code == code]

    def test_sweeps_months_apart_are_a_finding_with_their_days(self) -> None:
        before = [self.swept("2026-03-01T10:00:00Z"), self.swept("2026-05-10T10:00:00Z")]
        (finding,) = self.findings(before, "days-apart")
        assert finding.evidence["days"] == pytest.approx(70)
        assert "quay-1" in finding.text
        assert "scatter" in finding.text

    def test_sweeps_of_one_afternoon_are_not(self) -> None:
        before = [self.swept("2026-03-01T10:00:00Z"), self.swept("2026-03-01T16:00:00Z")]
        assert self.findings(before, "days-apart") == []

    def test_a_resonance_that_moved_between_two_sweeps_is_a_finding(self) -> None:
        before = [self.swept("2026-03-01T10:00:00Z"), self.swept("2026-03-01T10:02:00Z", 300)]
        (finding,) = self.findings(before, "moved-between-sweeps")
        assert finding.evidence["moved_hz"] == pytest.approx(300)
        # Two sweeps of 10 Hz each.
        assert finding.evidence["u_moved_hz"] == pytest.approx(10 * math.sqrt(2))
        assert "300 ± 14 Hz" in finding.text
        assert "up and down" in finding.action

    @pytest.mark.parametrize(
        ("taken", "moved_hz"),
        [
            ("2026-03-01T10:02:00Z", 40),  # 2.8 times their noise
            ("2026-03-01T12:00:00Z", 300),  # two hours later
            ("2026-03-01T10:02:00Z", 15e3),  # tuned afresh
        ],
    )
    def test_noise_an_interval_or_a_retuning_is_not(self, taken: str, moved_hz: float) -> None:
        before = [self.swept("2026-03-01T10:00:00Z"), self.swept(taken, moved_hz)]
        assert self.findings(before, "moved-between-sweeps") == []

    def test_what_months_did_to_another_build_is_no_scatter(self) -> None:
        before, after = (
            repeats("q_loaded", [300.0, 301.0 + k], build=build) for k, build in enumerate("ab")
        )
        aged = [
            record(
                {"q_loaded": 300.0 - 20 * month + k},
                build="c",
                taken=f"2026-0{month}-01T10:00:0{k}Z",
            )
            for month in range(3, 7)
            for k in range(2)
        ]
        alone = only(compare(before, after), "q_loaded")
        lent = only(compare(before, after, others=aged), "q_loaded")
        assert alone.change is not None
        assert lent.change is not None
        assert lent.change.u == pytest.approx(alone.change.u, rel=0.5)
        assert lent.change.high - lent.change.low < alone.change.high - alone.change.low

    def test_what_has_no_time_is_left_out(self) -> None:
        before = [self.swept("yesterday"), self.swept("2026-03-01T10:00:00Z", 300)]
        assert self.findings(before, "moved-between-sweeps") == []


class TestContract:
    def test_json_is_strict_and_has_every_figure(self) -> None:
        rng = np.random.default_rng(1)
        before = sweeps(rng, 2, build="quay-1")
        after = sweeps(rng, 2, build="quay-2")
        change = Change("feed.circumference", "0.66 m", "0.70 m")
        tree = json.loads(json.dumps(compare(before, after, [change]).to_json(), allow_nan=False))
        assert tree["before"] == "quay-1"
        assert tree["after"] == "quay-2"
        assert tree["changes"] == [
            {"key": "feed.circumference", "before": "0.66 m", "after": "0.70 m"}
        ]
        band = tree["bands"][0]
        assert set(band) == {"band", "n_before", "n_after", "figures"}
        assert tuple(band["figures"]) == metrics.NAMES
        for figure in band["figures"].values():
            assert set(figure) == {"before", "after", "change", "verdict"}
            ends = figure["change"]
            assert set(ends) == {"value", "u", "low", "high"}
            difference = figure["after"]["value"] - figure["before"]["value"]
            assert ends["value"] == pytest.approx(difference)

    def test_what_is_not_known_is_null(self) -> None:
        result = compare(repeats("q_loaded", [4.0, 5.0]), repeats("swr_min", [1.2, 1.3]))
        tree = result.to_json()["bands"][0]["figures"]
        assert tree["q_loaded"]["after"] is None
        assert tree["q_loaded"]["change"] is None
        assert tree["q_loaded"]["verdict"] == "unsure"
        assert tree["efficiency"]["before"] is None

    def test_every_figure_is_in_one_family(self) -> None:
        families = [name for family in metrics.FAMILIES for name in family]
        assert sorted(families) == sorted(metrics.NAMES)

    def test_intervals_of_means_stay_within_what_can_be(self) -> None:
        before = [
            record({"efficiency": eta, "efficiency_db": 10 * math.log10(eta), "swr_min": swr})
            for eta, swr in ((0.95, 1.02), (0.99, 1.3), (0.80, 1.01))
        ]
        (band,) = compare(before, before).bands
        for name, (low, high) in metrics.BOUNDS.items():
            mean = band.figures[name].before
            assert mean is not None
            assert low <= mean.low <= mean.value <= mean.high <= high
