"""Parts of the report for chapters made by hand: order, counts, words, rounding for caution."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import pytest

from sweeplab.builds import Build
from sweeplab.comparison.comparison import BandChange, Comparison, FigureChange
from sweeplab.errors import LogError, SweeplabError
from sweeplab.estimate import Estimate
from sweeplab.finding import Finding
from sweeplab.log import Log
from sweeplab.planning.safety import Distances, ElectricalStress
from sweeplab.present import plots, report
from sweeplab.present.chapter import Chapter, Entry
from sweeplab.reading import Reading
from sweeplab.resonance import Match, Resonance
from sweeplab.sweep import Origin, Sweep
from sweeplab.workflows import sweeps as jobs
from sweeplab.workflows.report import write_report

BUILD = Build.from_toml(
    'name = "quay-1"\nnote = "first"\n[loop]\ncircumference = "3.20 m"\n'
    '[conductor]\ndiameter = "12 mm"\n'
)


def normal(value: float, u: float) -> Estimate:
    return Estimate.normal(value, u)


def entry(number: int, column: str = "40m", status: str = "ok", **more: Any) -> Entry:
    taken = more.pop("taken", "2026-05-01T10:20:30Z")
    return Entry(number, column, status, taken, 101, "abcdef0123456789", **more)


def chapter(*entries: Entry, **more: Any) -> Chapter:
    return Chapter(BUILD, entries, more.pop("figures", {}), **more)


def stress(volts: float, u: float = 100.0) -> ElectricalStress:
    return ElectricalStress(100.0, normal(volts, u), normal(40.0, 1.0))


def compared(setting: str | None = None, verdict: Any = "up") -> Comparison:
    change = FigureChange(
        normal(0.05, 0.001), normal(0.08, 0.001), normal(0.03, 0.0014), verdict, 0.002
    )
    return Comparison("a", "b", (), (BandChange("40m", setting, 2, 1, {"efficiency": change}),), 1)


class TestHead:
    def test_counts_and_dates(self) -> None:
        chapters = [
            chapter(entry(1, taken="2026-05-03T10:00:00Z"), entry(2, taken=None)),
            chapter(entry(3, taken="2026-05-01T10:00:00Z")),
        ]
        assert report._subtitle(chapters) == (
            "2 builds, 3 sweeps, taken 2026-05-01 to 2026-05-03. "
            "Figures ± one standard uncertainty."
        )
        assert report._subtitle([chapter(entry(1, taken=None))]).startswith("1 build, 1 sweep. ")

    def test_builds_have_reason_efficiency_and_verdict(self) -> None:
        figures = {"20m": {"efficiency": normal(0.7, 0.01)}, "80m": {}, "40m, both": {}}
        first = chapter(figures=figures)
        later = chapter(
            figures={"40m, both": {"efficiency": normal(0.08, 0.001)}},
            came_from="a",
            why="repaired",
            comparison=compared("both"),
        )
        story = report._story([first, later])
        assert story["columns"] == ["80m", "40m, both", "20m"]
        assert [row["why"] for row in story["rows"]] == ["first", "from a: repaired"]
        empty = {"text": "", "verdict": "", "word": ""}
        assert story["rows"][0]["cells"] == [empty, empty, {**empty, "text": "70.0 ± 1.0 %"}]
        assert story["rows"][1]["cells"][1] == {
            "text": "8.00 ± 0.10 %",
            "verdict": "up",
            "word": "rose",
        }


class TestChange:
    def test_without_a_comparison_is_none(self) -> None:
        assert report._comparison(None, "b0") is None
        assert report._chapter(chapter(), "b0")["changes"] == ()

    def test_without_common_figures_says_so(self) -> None:
        nothing = report._comparison(Comparison("a", "b", (), (), 1), "b0")
        assert nothing is not None
        assert nothing["sentences"] == ["No band has figures on both sides."]
        assert nothing["drawings"] == []

    def test_has_sentence_table_and_drawing(self) -> None:
        shown = report._comparison(compared("both"), "b3")
        assert shown is not None
        assert shown["sentences"] == [
            "40m, both: efficiency rose from 5.00 % to 8.00 %, by 3.00 ± 0.14 percentage points."
        ]
        (band,) = shown["bands"]
        assert band["heading"] == "40m, both (2 sweeps before, 1 sweep after)"
        assert band["rows"] == [
            {
                "label": "efficiency",
                "before": "5.00 ± 0.10 %",
                "after": "8.00 ± 0.10 %",
                "change": "3.00 ± 0.14 points",
                "interval": "2.73 % to 3.27 %",
                "verdict": "up",
                "word": "rose",
            }
        ]
        (drawing,) = shown["drawings"]
        assert drawing["caption"] == "Efficiency (%), before and after."
        assert 'aria-label="efficiency (%) before and after"' in drawing["svg"]
        assert ' id="b3-efficiency-' in drawing["svg"]


class TestTable:
    def test_has_a_column_a_band_counting_the_sweeps_that_count(self) -> None:
        figures = {
            "20m": {"efficiency": normal(0.7, 0.01), "r_loss_ohm": normal(0.03, 0.001)},
            "40m": {"efficiency": normal(0.08, 0.001)},
        }
        entries = (
            entry(1),
            entry(2, status="doubtful"),
            entry(3, status="refused"),
            entry(4, status="set aside"),
            entry(5, "20m"),
        )
        table = report._table(chapter(*entries, figures=figures))
        assert table is not None
        assert table["headings"] == ["40m (2 sweeps)", "20m (1 sweep)"]
        assert [(row["label"], row["depth"], row["cells"]) for row in table["rows"]] == [
            ("efficiency", 0, ["8.00 ± 0.10 %", "70.0 ± 1.0 %"]),
            ("loss", 1, ["not known", "30.0 ± 1.0 mohm"]),
        ]

    def test_without_figures_is_none_nor_is_there_a_budget(self) -> None:
        assert report._table(chapter()) is None
        assert report._budget(chapter(figures={"40m": {"q_loaded": normal(1.0, 0.1)}}), "b") is None

    def test_a_budget_is_drawn_where_the_total_is_known(self) -> None:
        figures = {"40m": {"r_total_ohm": normal(0.1, 0.01), "r_radiation_ohm": normal(0.02, 0.0)}}
        drawn = report._budget(chapter(figures=figures), "b2")
        assert drawn is not None
        assert 'aria-label="where the ohms go, by band"' in drawn["svg"]
        assert ' id="b2-budget-' in drawn["svg"]


class TestFindings:
    @staticmethod
    def found(code: str, level: Any = "note", action: str = "") -> Finding:
        return Finding(code=code, level=level, text=code, action=action)

    def test_are_listed_once_gravest_first_with_their_sweeps(self) -> None:
        note, problem = self.found("a"), self.found("b", "problem")
        entries = [
            entry(1, findings=[note, note]),
            entry(2, findings=[note, problem]),
            entry(3, findings=[self.found("c", "warning"), note]),
        ]
        rows = report._findings(chapter(*entries))
        assert [(row["text"], row["where"]) for row in rows] == [
            ("b", " (sweep 2)"),
            ("c", " (sweep 3)"),
            ("a", ""),
        ]

    def test_of_other_actions_are_others(self) -> None:
        entries = [entry(1, findings=[self.found("a", action="x"), self.found("a", action="y")])]
        assert len(report._findings(chapter(*entries))) == 2

    @pytest.mark.parametrize(
        ("count", "text"),
        [(1, "sweep 1"), (2, "sweeps 1, 2"), (6, "sweeps 1, 2, 3, 4, 5, 6"),
         (7, "sweeps 1, 2, 3, 4, 5, 6 and 1 more"), (9, "sweeps 1, 2, 3, 4, 5, 6 and 3 more")],
    )  # fmt: skip
    def test_six_numbers_are_named_and_the_rest_counted(self, count: int, text: str) -> None:
        assert report._numbers(range(1, count + 1)) == text


class TestUnderPower:
    near = Distances(0.073, 28.0, Estimate(1.4, 0.1, 1.2, 1.61), Estimate(2.0, 0.0, 2.0, 2.0),
                     None, Estimate(3.0, 0.5, 2.0, 3.99))  # fmt: skip

    def test_distances_are_upper_ends_rounded_up(self) -> None:
        assert report._distances(self.near) == ["1.7 m", "2.0 m", "not reached", "4.0 m"]
        assert report._distances(None) == ["not known"] * 4

    def test_are_rows_in_rising_frequency(self) -> None:
        rows = report._strains(
            [
                chapter(
                    strains={"20m": stress(5e3), "40m": stress(4e3)}, distances={"40m": self.near}
                )
            ]
        )
        assert [(row["build"], row["band"]) for row in rows] == [
            ("quay-1", "40m"),
            ("quay-1", "20m"),
        ]
        assert (rows[0]["volts"], rows[0]["amperes"]) == ("4.00 ± 0.10 kV", "40.0 ± 1.0 A")
        assert rows[0]["distances"][0] == "1.7 m"
        assert rows[1]["distances"] == ["not known"] * 4

    def test_the_worst_volts_are_the_highest_upper_end(self) -> None:
        chapters = [chapter(strains={"40m": stress(4e3), "20m": stress(5e3, 500.0)}), chapter()]
        assert report._worst_volts(chapters) == "6.0 kV"
        assert report._worst_volts([chapter()]) == ""


def test_a_sweeps_row_has_time_to_the_minute_and_the_start_of_its_hash() -> None:
    row = report._sweep_row(chapter(), entry(7, "40m, both", "refused"))
    assert row == {
        "number": 7, "build": "quay-1", "band": "40m, both", "taken": "2026-05-01 10:20",
        "points": 101, "status": "refused", "sha256": "abcdef012345",
    }  # fmt: skip
    assert report._time_text(entry(7, taken=None)) == "time not known"


class TestDrawing:
    sweep = Sweep(np.linspace(7.0e6, 7.2e6, 11), np.full(11, 0.4 + 0.3j))

    def test_the_axis_of_the_reflection_reaches_its_largest(self) -> None:
        for scale, top in ((1.0, 1.03), (3.0, 1.545)):
            with plots.styled():
                ax = plots.figure().subplots()
                sweep = Sweep(self.sweep.f_hz, scale * self.sweep.gamma)
                plots.reflection(ax, sweep, Resonance("refused"))
            assert ax.get_ylim() == pytest.approx((0, top))

    @pytest.mark.parametrize(("points", "mark"), [(400, "o"), (401, ".")])
    def test_many_points_are_dots(self, points: int, mark: str) -> None:
        with plots.styled():
            ax = plots.figure().subplots()
            sweep = Sweep(np.linspace(7e6, 7.2e6, points), np.full(points, 0.1 + 0j))
            plots.reflection(ax, sweep, Resonance("refused"))
        assert ax.lines[0].get_marker() == mark

    def test_a_point_that_was_not_measured_is_not_set_aside(self) -> None:
        gamma = np.array([0.1, np.nan, 0.2, 0.3, 0.2])
        kept = np.array([True, False, True, False, True])
        with plots.styled():
            ax = plots.figure().subplots()
            sweep = Sweep(np.linspace(7e6, 7.2e6, 5), gamma)
            plots.reflection(ax, sweep, Resonance("refused", kept=kept))
        (aside,) = (line for line in ax.lines if line.get_label() == "set aside")
        assert list(aside.get_ydata()) == [0.3]

    def test_a_sweep_without_signed_phase_leaves_the_smith_chart_empty(self) -> None:
        sweep = Sweep(self.sweep.f_hz, self.sweep.gamma, content="magnitude")
        with plots.styled():
            ax = plots.figure().subplots()
            plots.smith(ax, sweep, Resonance("refused"))
        assert "no signed phase" in ax.texts[-1].get_text()
        assert ax.get_legend() is None

    def test_bars_have_total_names_and_a_legend_in_order(self) -> None:
        budgets = {
            "40m": {"r_ground_ohm": normal(-0.01, 0.001), "r_remainder_ohm": normal(0.0, 0.001),
                    "r_radiation_ohm": normal(0.05, 0.001), "r_total_ohm": normal(0.04, 0.002)},
            "20m": {"r_radiation_ohm": normal(0.1, 0.001)},
        }  # fmt: skip
        with plots.styled():
            ax = plots.figure().subplots()
            plots.loss_bars(ax, budgets)
        assert [label.get_text() for label in ax.get_yticklabels()] == ["40m", "20m"]
        (total,) = ax.texts
        assert (total.get_text(), total.xy) == ("40.0 ± 2.0 mohm", (pytest.approx(50.0), 0))
        legend = [text.get_text() for text in ax.get_legend().get_texts()]
        assert legend == ["radiation", "ground", "remainder"]
        bottom, top = ax.get_ylim()
        assert bottom > top

    def test_errors_of_a_bar_are_spread_over_its_height(self) -> None:
        budget = {"r_radiation_ohm": normal(0.05, 0.001), "r_ground_ohm": normal(0.01, 0.001)}
        with plots.styled():
            ax = plots.figure().subplots()
            plots.loss_bars(ax, {"40m": budget})
        errors = [c for c in ax.containers if type(c).__name__ == "ErrorbarContainer"]
        heights = [bars.lines[2][0].get_segments()[0][0, 1] for bars in errors]
        assert heights == pytest.approx([-0.12, 0.12])

    def test_before_stands_above_after_band_by_band(self) -> None:
        pair = (normal(0.05, 0.001), normal(0.08, 0.001))
        with plots.styled():
            ax = plots.figure().subplots()
            plots.before_after(ax, [("40m", *pair), ("20m", *pair)], "efficiency (%)", 100.0)
        points = [tuple(bars.lines[0].get_xydata()[0]) for bars in ax.containers]
        expected = [(5.0, -0.14), (8.0, 0.14), (5.0, 0.86), (8.0, 1.14)]
        assert np.array(points) == pytest.approx(np.array(expected))
        assert ax.get_ylim() == (1.5, -0.5)
        assert [label.get_text() for label in ax.get_yticklabels()] == ["40m", "20m"]
        assert ax.get_xlabel() == "efficiency (%), 95 % intervals"
        assert [t.get_text() for t in ax.get_legend().get_texts()] == ["before", "after"]

    def test_frequencies_on_a_circle_are_even_in_angle(self) -> None:
        f = plots._even_in_angle(7.1e6, 50.0)
        angle = np.arctan(50.0 * (f / 7.1e6 - 7.1e6 / f))
        assert np.diff(angle) == pytest.approx(np.full(360, 3.08 / 360))
        assert f[180] == pytest.approx(7.1e6)

    def test_a_sheet_has_a_row_a_sweep(self) -> None:
        rows = [(self.sweep, Resonance("refused"), title) for title in ("a", "b")]
        sheet = plots.sweep_sheet(rows)
        assert [ax.get_title(loc="left") for ax in sheet.axes] == ["a", "", "b", ""]
        assert list(sheet.get_size_inches()) == pytest.approx([9.0, 7.4])

    def test_the_style_ends_with_its_context(self) -> None:
        before = mpl.rcParams["legend.frameon"]
        with plots.styled():
            assert mpl.rcParams["legend.frameon"] is False
        assert mpl.rcParams["legend.frameon"] is before


class TestJobs:
    def test_a_log_without_builds_has_no_report(self, tmp_path: Path) -> None:
        with (
            Log.open(tmp_path / "a.db", create=True) as log,
            pytest.raises(LogError, match="no builds to report on; 'sweeplab build add' adds one"),
        ):
            write_report(log, tmp_path / "a.html")
        assert not (tmp_path / "a.html").exists()

    @pytest.mark.parametrize(
        ("names", "given", "title"),
        [
            (["quay-1"], None, "quay-1"),
            (["quay-1", "roof"], None, "quay-1 to roof"),
            (["quay-1", "roof"], "Mine", "Mine"),
        ],
    )
    def test_a_report_is_titled_by_its_builds(
        self, tmp_path: Path, names: list[str], given: str | None, title: str
    ) -> None:
        with Log.open(tmp_path / "a.db", create=True) as log:
            for name in names:
                log.add_build(Build.from_toml(BUILD.to_toml().replace("quay-1", name)))
            write_report(log, tmp_path / "a.html", given)
        page = (tmp_path / "a.html").read_text(encoding="utf-8")
        assert f"<title>{title}</title>" in page
        assert page.count("No readable sweeps on this build yet.") == len(names)

    def test_a_computation_that_broke_off_is_reported_with_file_and_version(self) -> None:
        reported: list[tuple[str, Exception]] = []
        broken = Finding(
            code="unforeseen",
            level="problem",
            text="It broke off.",
            evidence={"error": "ValueError", "version": "1"},
            action="Keep it.",
        )
        sweep = Sweep([7e6], [0.1 + 0j], origin=Origin(file="x.s1p"))  # type: ignore[arg-type]
        for findings in ((), (broken,)):
            fit = Resonance("ok", findings)
            jobs._report(
                Reading(sweep, fit, Match(None, None, None)),
                lambda file, error: reported.append((file, error)),
            )
        ((file, error),) = reported
        assert file == "x.s1p"
        assert isinstance(error, SweeplabError)
        assert str(error) == "x.s1p: It broke off. Keep it. (ValueError, version 1)"

    def test_files_come_in_batches_of_twenty_four(self, tmp_path: Path) -> None:
        files = []
        for number in range(25):
            path = tmp_path / f"{number}.s1p"
            path.write_text("# HZ S RI R 50\n7.0e6 0.1 0\n7.1e6 0.2 0\n", encoding="utf-8")
            files.append(str(path))
        failed: list[str] = []
        missing = str(tmp_path / "missing.s1p")
        batches = jobs._batches(
            [*files, missing], lambda file, _: failed.append(file), None, jobs.ReadingOptions()
        )
        assert [len(batch) for batch in batches] == [24, 1]
        assert failed == [missing]

    def test_a_build_that_is_no_text_names_its_byte(self, tmp_path: Path) -> None:
        path = tmp_path / "a.toml"
        path.write_bytes(b"name = \xff")
        with pytest.raises(SweeplabError, match="byte 7 is not UTF-8; save the file as UTF-8"):
            jobs.load_build(path)
        path.write_text("\ufeff" + BUILD.to_toml(), encoding="utf-8")
        assert jobs.load_build(path) == BUILD

    def test_builds_are_compared_with_all_their_sweeps_and_the_scatter_of_others(
        self, tmp_path: Path
    ) -> None:
        with Log.open(tmp_path / "a.db", create=True) as log:
            for name in ("a", "b", "c"):
                log.add_build(Build.from_toml(BUILD.to_toml().replace("quay-1", name)))
            drawn = {"a": (200.0,), "b": (210.0,), "c": (200.0, 220.0)}
            number = 0
            for name, values in drawn.items():
                for q in values:
                    number += 1
                    fit = Resonance("ok", f_loaded_hz=normal(7.1e6, 1.0), q_loaded=normal(q, 0.1))
                    sweep = Sweep(
                        [7e6], [0.1 + 0j],  # type: ignore[arg-type]
                        origin=Origin(taken="2026-05-01T10:00:00Z"),
                    )  # fmt: skip
                    log.add(
                        sweep, bytes([number]), Reading(sweep, fit, Match(None, None, None)), name
                    )
            log.set_aside(2, "loose")
            aside = jobs.compare_builds(log, "a", "b")
            log.restore(2)
            compared = jobs.compare_builds(log, "a", "b")
        assert (compared.before, compared.after) == ("a", "b")
        assert "left-out" in {finding.code for finding in aside.findings}
        change = compared.bands[0].figures["q_loaded"].change
        assert change is not None
        assert change.value == pytest.approx(10.0)
        # Relative scatter of the pair of c, 14.14 in 210, on both sides.
        assert change.u == pytest.approx(14.142 / 210 * np.hypot(200, 210), rel=1e-3)
