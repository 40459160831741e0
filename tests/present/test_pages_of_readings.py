"""The terminal's pages of readings and comparisons, line by line, for figures made by hand."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from rich.console import Console, RenderableType

from sweeplab.builds.diff import Change
from sweeplab.comparison.comparison import BandChange, Comparison, FigureChange
from sweeplab.estimate import Estimate
from sweeplab.finding import Finding
from sweeplab.loss.result import LossBudget
from sweeplab.present import labels, terminal
from sweeplab.reading import Reading
from sweeplab.resonance import Match, Resonance
from sweeplab.sweep import Origin, Sweep


def normal(value: float, u: float) -> Estimate:
    return Estimate.normal(value, u)


SWEEP = Sweep(
    np.linspace(7.0e6, 7.2e6, 101), np.full(101, 0.2 + 0.1j), origin=Origin(file="quay.s1p")
)
RESONANCE = Resonance(
    "ok",
    f_loaded_hz=normal(7.1e6, 300.0),
    q_loaded=normal(200.0, 1.0),
    q_unloaded=normal(420.0, 3.0),
    coupling_factor=normal(1.1, 0.01),
    coupling="over",
    residual_rms=0.0012,
    points_in_bandwidth=34,
)
MATCH = Match(
    1.62, 7.1012e6, (62.0, 3.0), {"2": 21e3, "3": 40e3}, 0.02, 900.0, {"2": 400.0, "3": None}
)
LOSS = LossBudget(
    "ok", efficiency=normal(0.2031, 0.0032), efficiency_db=normal(-6.92, 0.07),
)  # fmt: skip
READING = Reading(SWEEP, RESONANCE, MATCH)


def lines(page: RenderableType) -> list[str]:
    console = Console(width=80)
    with console.capture() as shown:
        console.print(page)
    return [line.rstrip() for line in shown.get().splitlines()]


def cells(line: str) -> list[str]:
    return [cell for cell in re.split(r"\s{2,}", line.strip()) if cell]


def summary(**changed: Any) -> str:
    return "\n".join(lines(terminal.summary(replace(READING, **changed))))


def note(code: str, action: str = "", level: Any = "note", **evidence: float | str) -> Finding:
    return Finding(code=code, level=level, text=f"{code} found", evidence=evidence, action=action)


class TestHeadline:
    def test_has_file_band_points_and_span(self) -> None:
        assert summary().splitlines()[0] == "quay.s1p  40m, 101 points, 7 to 7.2 MHz"

    def test_names_a_status_that_is_not_ok(self) -> None:
        assert (
            summary(resonance=replace(RESONANCE, status="doubtful"))
            .splitlines()[0]
            .endswith("7.2 MHz  doubtful")
        )

    def test_a_sweep_without_a_file_is_a_sweep(self) -> None:
        nameless = Sweep(SWEEP.f_hz, SWEEP.gamma)
        assert summary(sweep=nameless).startswith("sweep  40m")


class TestEfficiency:
    def test_says_why_there_is_none(self) -> None:
        assert "not known: no build given (--build FILE.toml)" in summary()
        refused = Resonance("refused")
        assert "none: no resonance that can be trusted" in summary(resonance=refused, loss=LOSS)
        assert "none: the loss budget was refused, see the findings" in summary(
            loss=LossBudget("refused")
        )

    def test_has_decibels_where_known_and_the_ground_on_a_line_of_its_own(self) -> None:
        assert "Efficiency  20.3 ± 0.3 % (-6.92 ± 0.07 dB), as in free space\n" in summary(
            loss=LOSS
        )
        assert "20.3 ± 0.3 %, as in free space\n" in summary(loss=replace(LOSS, efficiency_db=None))
        assert "over the ground" not in summary(loss=LOSS)
        over = replace(LOSS, efficiency_over_ground=normal(0.15, 0.01))
        assert "\n            15.0 ± 1.0 % over the ground described\n" in summary(loss=over)


class TestMatch:
    def test_has_swr_frequency_and_widths(self) -> None:
        text = summary()
        assert "Match       SWR 1.62 ± 0.02 at 7.10120 MHz ± 0.90 kHz\n" in text
        assert "SWR 2 over 21.00 ± 0.40 kHz; SWR 3 over 40.00 kHz\n" in text
        assert "best point" not in text

    def test_of_a_measured_point_says_so(self) -> None:
        match = Match(1.62, 7.1012e6, None)
        assert "SWR 1.62 at 7.101 MHz, the best point measured\n" in summary(match=match)

    @pytest.mark.parametrize("missing", ["swr_min", "f_swr_min_hz"])
    def test_is_not_known_without_swr_or_frequency(self, missing: str) -> None:
        assert "Match       not known\n" in summary(match=replace(MATCH, **{missing: None}))

    def test_a_width_that_is_not_known_is_out_of_reach_or_beyond_the_sweep(self) -> None:
        match = replace(MATCH, swr_min=2.0, swr_bandwidth_hz={"1.9": None, "2": None, "3": None})
        assert (
            "SWR 1.9 not reached; SWR 2 wider than the sweep; SWR 3 wider than the sweep"
            in " ".join(summary(match=match).split())
        )

    @pytest.mark.parametrize(
        ("coupling", "said"),
        [
            ("over", "over-coupled: a smaller or less close coupling loop matches better"),
            ("under", "under-coupled: a larger or closer coupling loop matches better"),
        ],
    )
    def test_a_high_swr_has_a_remedy(self, coupling: Any, said: str) -> None:
        fit = replace(RESONANCE, coupling=coupling)
        assert said in summary(resonance=fit)
        assert said not in summary(resonance=fit, match=replace(MATCH, swr_min=1.4))

    @pytest.mark.parametrize("coupling", ["critical", "unknown"])
    def test_a_coupling_without_a_side_has_none(self, coupling: Any) -> None:
        assert "coupling loop" not in summary(resonance=replace(RESONANCE, coupling=coupling))


class TestTwoCandidates:
    fit = replace(RESONANCE, q_unloaded_other=normal(240.0, 2.0), coupling="unknown")

    def test_are_shown_with_the_coupling_factor_of_each(self) -> None:
        # beta = Q0/QL - 1: 420/200 and 240/200.
        assert terminal.coupling_alternatives(replace(READING, resonance=self.fit)) == (
            "one of 420.0 ± 3.0 (coupling factor 1.100) if under-coupled, "
            "240.0 ± 2.0 (coupling factor 0.200) if over-coupled"
        )
        assert "Q, unloaded one of 420.0" in summary(resonance=self.fit)

    def test_are_no_remark_where_there_is_one(self) -> None:
        assert terminal.coupling_alternatives(READING) is None
        alone = replace(self.fit, q_unloaded=None)
        assert terminal.coupling_alternatives(replace(READING, resonance=alone)) is None
        assert "Q, unloaded" not in summary()

    def test_both_coupling_factors_are_in_the_table(self) -> None:
        shown = lines(terminal.figures_table(replace(READING, resonance=self.fit)))
        (row,) = (line for line in shown if line.startswith("coupling factor"))
        assert cells(row)[1] == "1.100 ± 0.010 or 0.200"


class TestNextStep:
    @staticmethod
    def step(*findings: Finding, loss: LossBudget | None = LOSS) -> str:
        sweep = Sweep(SWEEP.f_hz, SWEEP.gamma, findings=findings)
        return terminal.next_step(replace(READING, sweep=sweep, loss=loss))

    def test_without_findings_is_to_describe_the_build_or_to_keep_the_sweep(self) -> None:
        assert self.step(loss=None).startswith("Describe the build to learn the efficiency")
        assert self.step() == "Nothing stands out. Keep it: 'sweeplab add FILE --build NAME'."

    def test_is_the_gravest_findings_action(self) -> None:
        found = (
            note("a", "read the note"),
            note("b", "mind the warning", "warning"),
            note("c", "solve the problem", "problem"),
        )
        assert self.step(*found) == "Solve the problem."
        assert self.step(*found[:2]) == "Mind the warning."
        assert self.step(*found[:2], loss=None) == "Mind the warning."
        assert self.step(*found[:1]) == "Read the note."
        assert self.step(*found[:1], loss=None).startswith("Describe the build")

    def test_unexplained_loss_precedes_the_largest_uncertainty_and_both_other_notes(self) -> None:
        first, second, third = (
            note("other", "look"),
            note("dominant-uncertainty", "measure the gap"),
            note("unaccounted-loss", "check the joint"),
        )
        assert self.step(first, second, third) == "Check the joint."
        assert self.step(first, second) == "Measure the gap."
        assert self.step(first) == "Look."

    def test_a_finding_without_an_action_is_passed_over(self) -> None:
        assert self.step(note("a"), note("b", "look")) == "Look."
        assert self.step(note("a")).startswith("Nothing stands out.")

    @pytest.mark.parametrize("end", [".", "!", "?", "'"])
    def test_a_sentence_that_ends_is_left_as_it_is(self, end: str) -> None:
        assert self.step(note("a", f"look{end}")) == f"Look{end}"


class TestFiguresTable:
    def test_has_label_value_and_interval_with_parts_indented(self) -> None:
        loss = replace(LOSS, r_loss_ohm=normal(0.0312, 0.0008), r_parts_ohm=normal(0.002, 0.0))
        shown = lines(terminal.figures_table(replace(READING, loss=loss)))
        assert cells(shown[0]) == ["figure", "value ± u", "95 % interval"]
        rows = {cells(line)[0]: line for line in shown[1:]}
        assert cells(rows["loss"])[1:] == ["31.20 ± 0.80 mohm", "29.63 mohm to 32.77 mohm"]
        assert rows["loss"].startswith("  loss")
        assert rows["known parts"].startswith("    known parts")
        assert cells(rows["known parts"])[1:] == [
            "2.000 mohm (exact)", "taken as exact, as described",
        ]  # fmt: skip
        assert cells(rows["coupling"])[1:] == ["over-coupled"]
        assert cells(rows["fit's residual, rms"])[1:] == ["0.0012", "34 points in the bandwidth"]
        assert "remainder" not in rows

    def test_without_a_fits_residual_has_no_row_of_it(self) -> None:
        shown = lines(
            terminal.figures_table(
                replace(READING, resonance=replace(RESONANCE, residual_rms=None))
            )
        )
        assert not any("residual" in line for line in shown)


class TestReadingPage:
    def test_of_a_refused_sweep_has_no_table(self) -> None:
        refused = replace(READING, resonance=Resonance("refused"))
        assert "95 % interval" not in "\n".join(lines(terminal.reading_page(refused)))
        assert "95 % interval" in "\n".join(lines(terminal.reading_page(READING)))

    def test_ends_with_the_findings_where_there_are_any(self) -> None:
        sweep = Sweep(SWEEP.f_hz, SWEEP.gamma, findings=(note("a", "look"),))
        shown = lines(terminal.reading_page(replace(READING, sweep=sweep)))
        assert shown[-3:] == ["", "note      A found.", "          -> Look."]
        assert "note" not in "\n".join(lines(terminal.reading_page(READING)))


class TestFindingsList:
    def test_has_level_evidence_and_action(self) -> None:
        found = note("a", "look", "warning", f_hz=7123456.0, n=3.0, band="40m", count=12)
        assert lines(terminal.findings_list([found])) == [
            "warning   A found. (f_hz 7.123e+06, n 3, band 40m, count 12)",
            "          -> Look.",
        ]
        assert lines(terminal.findings_list([note("a")])) == ["note      A found."]

    @pytest.mark.parametrize(("count", "end"), [(6, "k5 5)"), (7, "k5 5, 1 more in --json)")])
    def test_shows_six_pieces_of_evidence_and_counts_the_rest(self, count: int, end: str) -> None:
        found = note("a", **{f"k{i}": float(i) for i in range(count)})
        assert " ".join(" ".join(lines(terminal.findings_list([found]))).split()).endswith(end)


BEFORE, AFTER = normal(0.0533, 0.0007), normal(0.0796, 0.0007)


def change(verdict: Any = "up", **changed: Any) -> FigureChange:
    plain = FigureChange(BEFORE, AFTER, normal(0.0263, 0.001), verdict, 0.0027)
    return replace(plain, **changed)


class TestComparisonPage:
    bands = (BandChange("40m", "both", 2, 1, {"efficiency": change()}),)
    plain = Comparison("a", "b", (Change("loop.gap", None, "2 cm"),), bands, 1)

    def test_has_changes_counts_and_rows(self) -> None:
        shown = lines(terminal.comparison_page(self.plain))
        assert shown[:4] == [
            "a -> b",
            "  loop.gap: not given -> 2 cm",
            "",
            "40m, both  2 sweeps before, 1 sweep after",
        ]
        assert cells(shown[4]) == ["figure", "before", "after", "change ± u", "verdict"]
        assert cells(shown[5]) == [
            "efficiency", "5.330 %", "7.960 %", "2.63 ± 0.10 points", "rose",
        ]  # fmt: skip
        assert len(shown) == 6

    def test_a_key_taken_away_and_a_band_without_a_setting(self) -> None:
        band = replace(self.bands[0], setting=None)
        gone = replace(self.plain, changes=(Change("loop.gap", "2 cm", None),), bands=(band,))
        shown = lines(terminal.comparison_page(gone))
        assert shown[1] == "  loop.gap: 2 cm -> not given"
        assert shown[3].startswith("40m  2 sweeps before")

    def test_ends_with_the_findings(self) -> None:
        found = replace(self.plain, findings=(note("a"),))
        assert lines(terminal.comparison_page(found))[-2:] == ["", "note      A found."]

    @pytest.mark.parametrize("missing", ["before", "after", "change"])
    def test_a_figure_of_one_side_has_no_row(self, missing: str) -> None:
        band = replace(self.bands[0], figures={"efficiency": change(**{missing: None})})
        assert labels.known_changes(band) == []
        assert len(labels.known_changes(self.bands[0])) == 1


class TestRows:
    @staticmethod
    def coloured(headings: list[str]) -> str:
        console = Console(width=80, force_terminal=True, color_system="standard", no_color=False)
        with console.capture() as shown:
            console.print(terminal.rows_table(headings, [["refused", "ok"]]))
        return shown.get().splitlines()[1]

    def test_a_status_is_coloured_wherever_its_column_stands(self) -> None:
        # Bold red and green (ECMA-48, SGR 1;31 and 32).
        assert "\x1b[1;31mrefused" in self.coloured(["status", "file"])
        assert "\x1b[32mok" in self.coloured(["file", "status"])
        assert "\x1b[1;31m" not in self.coloured(["file", "status"])

    def test_without_such_a_column_nothing_is(self) -> None:
        line = self.coloured(["file", "band"])
        assert "\x1b[1;31m" not in line
        assert "\x1b[32m" not in line


def known(verdict: Any, before: float = 0.0533, after: float = 0.0796) -> labels.KnownChange:
    ends = (normal(value, 0.0007) for value in (before, after, after - before))
    return labels.KnownChange("efficiency", *ends, verdict)


class TestPhrases:
    def test_of_a_rise_and_of_a_fall(self) -> None:
        assert labels.change_phrase(known("up")) == (
            "efficiency rose by 2.630 ± 0.070 points to 7.960 %"
        )
        assert labels.change_phrase(known("down", 0.0796, 0.0533)) == (
            "efficiency fell by 2.630 ± 0.070 points to 5.330 %"
        )
        assert labels.change_phrase(known("same")) == "efficiency stayed the same"
        assert labels.change_phrase(known("unsure")) == "efficiency not settled"

    def test_of_a_plain_figure_keeps_its_unit(self) -> None:
        ends = (normal(0.03, 0.001), normal(0.02, 0.001), normal(-0.01, 0.001))
        plain = labels.KnownChange("r_loss_ohm", *ends, "down")
        assert labels.change_text(plain) == "-10.0 ± 1.0 mohm"

    @pytest.mark.parametrize(("count", "text"), [(0, "0 sweeps"), (1, "1 sweep"), (2, "2 sweeps")])
    def test_counts(self, count: int, text: str) -> None:
        assert labels.count_text(count, "sweep") == text


class TestDigits:
    @pytest.mark.parametrize(
        ("value", "u", "text"),
        [
            (123.456, 1.0, "123.5"),
            (123.456, 0.1, "123.46"),
            (123.456, 9.9, "123.5"),
            (123.456, 10.0, "123"),
            (0.0, 1.0, "0.000"),
            (123.456, 0.0, "123.5"),
            (0.5, 3000.0, "0.5"),
            (1.0, 1e-14, "1.00000000000"),
        ],
    )
    def test_of_a_value_alone_reach_the_second_of_its_uncertainty(
        self, value: float, u: float, text: str
    ) -> None:
        assert labels.value_text("q_loaded", normal(value, u)) == text

    @pytest.mark.parametrize(
        ("value", "u", "text"),
        [
            (123.456, 12.0, "123 ± 12"),
            (123.456, 1.0, "123 ± 1"),
            (123.456, 0.9, "123.5 ± 0.9"),
            (1.23456, 0.0004, "1.235 ± 0.001"),
            (1.23456, 0.0014, "1.235 ± 0.001"),
        ],
    )
    def test_of_a_summary_show_one_of_the_uncertainty(
        self, value: float, u: float, text: str
    ) -> None:
        assert labels.short_text("q_loaded", value, u) == text

    def test_a_wide_interval_about_an_exact_value_is_still_shown(self) -> None:
        assert labels.interval_text("q_loaded", Estimate(2.0, 0.0, 1.0, 3.0)) == "1.000 to 3.000"

    def test_a_name_that_is_no_figure_is_a_plain_number(self) -> None:
        assert labels.quantity_text("unknown", 0.25) == "0.2500"
        assert labels.quantity_text("efficiency", 0.25) == "25.00 %"
