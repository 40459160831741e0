"""Commands' own lines: entries of the log, what is next, options' values, refusals."""

from __future__ import annotations

import errno
import io
import os
import re
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest
import typer

from sweeplab.builds import Build
from sweeplab.cli import app as root
from sweeplab.cli import log as log_commands
from sweeplab.cli import options, plan, progress, streams
from sweeplab.cli.context import CliContext, key_values, one_line, print_json
from sweeplab.cli.reference import _argument, _row
from sweeplab.cli.status import print_status
from sweeplab.errors import LogError, OutputError, ReadError
from sweeplab.estimate import Estimate
from sweeplab.log import Added, Log
from sweeplab.log.rows import StoredSweep
from sweeplab.planning.cut_list import Allowance
from sweeplab.reading import Reading
from sweeplab.resonance import Match, Resonance
from sweeplab.sweep import Sweep
from sweeplab.workflows import report as reports

TOML = """name = "{name}"
[loop]
circumference = "3.20 m ± 5 mm"
[conductor]
diameter = "12 mm"
"""


def stored(number: int, file: str, **changed: Any) -> StoredSweep:
    plain = StoredSweep(
        number, file, "0" * 64, "2026-05-01T10:20:30Z", "", "quay-1", None, "40m", "ok", None, "1"
    )
    return replace(plain, **changed)


class TestShownSweep:
    sweeps = (
        stored(1, "a/x.s1p"),
        stored(2, "b/x.s1p"),
        stored(3, "y.s1p"),
        stored(4, "c/y.s1p"),
        stored(5, "2"),
    )

    def found(self, which: str) -> int:
        log = cast("Log", SimpleNamespace(sweeps=lambda: list(self.sweeps)))
        return log_commands._find(log, which).id

    @pytest.mark.parametrize(
        ("which", "number"),
        [("1", 1), ("2", 2), ("a/x.s1p", 1), ("y.s1p", 3), ("elsewhere/2", 5)],
    )
    def test_is_found_by_number_then_path_then_name(self, which: str, number: int) -> None:
        assert self.found(which) == number

    def test_of_a_name_that_several_have_is_asked_for_by_number(self) -> None:
        with pytest.raises(LogError, match=r"x\.s1p: the log has several, 1, 2; name one by"):
            self.found("x.s1p")

    def test_that_is_not_there_leads_to_the_list(self) -> None:
        with pytest.raises(LogError, match=r"z\.s1p: no such sweep in the log; 'sweeplab list'"):
            self.found("z.s1p")


class TestRowOfTheList:
    def test_has_time_to_the_minute_and_the_files_own_name(self) -> None:
        row = log_commands._row(stored(7, "folder/x.s1p", setting="one"))
        assert row == ["7", "2026-05-01 10:20", "40m", "quay-1", "one", "ok", "x.s1p"]

    def test_of_an_unknown_time_has_a_dash_and_of_one_set_aside_says_so(self) -> None:
        row = log_commands._row(
            stored(7, "x.s1p", taken=None, set_aside="loose", status="doubtful")
        )
        assert row == ["7", "-", "40m", "quay-1", "", "set aside", "x.s1p"]

    def test_of_one_that_counts_has_its_status(self) -> None:
        assert log_commands._row(stored(7, "x.s1p", status="refused"))[5] == "refused"


class TestOutcome:
    sweep = Sweep([7.0e6, 7.2e6], [0.1 + 0j, 0.2 + 0j])  # type: ignore[arg-type]
    q0 = Estimate.normal(420.0, 3.0)

    def line(self, *, new: bool = True, **fit: Any) -> str:
        fitted = {"status": "ok", "q_unloaded": self.q0} | fit
        reading = Reading(self.sweep, Resonance(**fitted), Match(None, None, None))
        return log_commands._outcome("x.s1p", reading, Added(3, "0" * 64, new=new))

    def test_of_a_new_sweep_has_number_band_and_q(self) -> None:
        assert self.line() == "x.s1p: sweep 3, 40m, Q 420.0 ± 3.0"

    def test_names_a_status_that_is_not_ok(self) -> None:
        assert self.line(status="doubtful") == "x.s1p: sweep 3, 40m, doubtful, Q 420.0 ± 3.0"
        assert self.line(status="refused", q_unloaded=None) == "x.s1p: sweep 3, 40m, refused"

    def test_has_both_candidates(self) -> None:
        line = self.line(q_unloaded_other=Estimate.normal(240.0, 2.0))
        assert line.endswith("40m, Q one of 420.0 ± 3.0 or 240.0 ± 2.0")
        assert "one of" not in self.line(q_unloaded=None, q_unloaded_other=self.q0)

    def test_of_known_bytes_has_the_number_they_have(self) -> None:
        assert self.line(new=False) == "x.s1p: already in the log as sweep 3"


class TestStatus:
    """What ``sweeplab`` alone says, step by step."""

    @pytest.fixture
    def said(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Callable[[], list[str]]:
        def of() -> list[str]:
            print_status(CliContext(log_path=tmp_path / "a.db"))
            return capsys.readouterr().out.replace(str(tmp_path), "").splitlines()

        return of

    def test_begins_without_a_log(self, said: Callable[[], list[str]]) -> None:
        assert said() == [
            "No log at /a.db.",
            "See it work:    sweeplab demo",
            "Try a sweep:    sweeplab read FILE",
            "Start a log:    sweeplab init",
            "Everything:     sweeplab --help",
        ]

    def test_goes_on_from_build_to_sweep_to_change(
        self, said: Callable[[], list[str]], tmp_path: Path
    ) -> None:
        with Log.open(tmp_path / "a.db", create=True) as log:
            empty = said()
            log.add_build(Build.from_toml(TOML.format(name="one")))
            log.add_build(Build.from_toml(TOML.format(name="two")))
            described = said()
            raw = b"# HZ S RI R 50\n7.0e6 0.5 0.1\n7.1e6 0.4 -0.1\n"
            sweep = Sweep([7.0e6, 7.1e6], [0.5 + 0.1j, 0.4 - 0.1j])  # type: ignore[arg-type]
            reading = Reading(sweep, Resonance("refused"), Match(None, None, None))
            log.add(sweep, raw, reading, "one")
            swept = said()
            log.change("two", "three", {}, "cleaned")
            changed = said()
        assert empty == [
            "Log /a.db: 0 builds, 0 sweeps.",
            "Next, describe the antenna:    sweeplab build template > first.toml",
            "and add it:                    sweeplab build add first.toml",
        ]
        assert described == [
            "Log /a.db: 2 builds, 0 sweeps.",
            "Next, add its sweeps:    sweeplab add FILE... --build two",
        ]
        assert swept == [
            "Log /a.db: 2 builds, 1 sweep.",
            "Next, change one thing, and say why:",
            "    sweeplab build change two NEW --set key=value --why TEXT",
        ]
        assert changed[1:] == ["See what the changes did:    sweeplab report"]


class TestRootOptions:
    @pytest.mark.parametrize(
        ("given", "moved"),
        [
            (["list", "--log", "a.db", "x"], ["--log", "a.db", "list", "x"]),
            (["list", "--log=a.db", "x"], ["--log=a.db", "list", "x"]),
            (["list", "--no-color", "x"], ["--no-color", "list", "x"]),
            (["list", "--color", "--log", "a"], ["--color", "--log", "a", "list"]),
            (["list", "--", "--log", "a"], ["list", "--", "--log", "a"]),
            (["list", "--logs", "a"], ["list", "--logs", "a"]),
            (["list", "--log"], ["--log", "list"]),
            ([], []),
        ],
    )
    def test_come_first(self, given: list[str], moved: list[str]) -> None:
        assert root.root_options_first(given) == moved


class TestContext:
    @pytest.mark.parametrize(
        ("error", "text"),
        [
            (OSError(errno.ENOENT, "No such file", "a.s1p"), "a.s1p: no such file"),
            (OSError(errno.ENOENT, "No such file"), "no such file"),
            (OSError("It Broke"), "it broke"),
            (ValueError("two\n  lines"), "two lines"),
        ],
    )
    def test_an_error_is_one_line(self, error: Exception, text: str) -> None:
        assert one_line(error) == text

    def test_a_failure_is_noted_said_and_ends_with_status_one(
        self, capsys: pytest.CaptureFixture[str]
    ) -> None:
        context = CliContext()
        context.finish()
        context.fail("a.s1p", "a.s1p: broken")
        assert capsys.readouterr().err == "a.s1p: broken\n"
        assert context.failed == [("a.s1p", "a.s1p: broken")]
        with pytest.raises(typer.Exit) as ended:
            context.finish()
        assert ended.value.exit_code == 1

    def test_json_is_indented_on_request_and_refuses_nan(
        self, capsys: pytest.CaptureFixture[str]
    ) -> None:
        print_json({"a": 1})
        print_json({"a": 1}, indent=None)
        assert capsys.readouterr().out == '{\n  "a": 1\n}\n{"a": 1}\n'
        with pytest.raises(ValueError, match="JSON compliant"):
            print_json(float("nan"))

    @pytest.mark.parametrize(
        ("color", "environment", "plain"),
        [(None, "", False), (None, "1", True), (True, "1", False), (False, "", True)],
    )
    def test_colour_is_what_was_asked_else_what_the_environment_says(
        self, monkeypatch: pytest.MonkeyPatch, color: bool | None, environment: str, plain: bool
    ) -> None:
        monkeypatch.setenv("NO_COLOR", environment)
        monkeypatch.setenv("TERM", "xterm-256color")
        monkeypatch.delenv("COLORTERM", raising=False)
        # rich asks the stream; a terminal's answer makes 'auto' mean colour.
        monkeypatch.setattr(sys, "stdout", SimpleNamespace(isatty=lambda: True, encoding="utf-8"))
        console = CliContext(color=color).console()
        assert (console.color_system is None) is plain

    @pytest.mark.parametrize(("columns", "width"), [("200", 80), ("60", 60)])
    def test_a_page_is_eighty_columns_or_the_terminals(
        self, monkeypatch: pytest.MonkeyPatch, columns: str, width: int
    ) -> None:
        monkeypatch.setenv("COLUMNS", columns)
        assert CliContext().console().width == width

    def test_a_page_is_taken_literally_and_lines_end_without_blanks(
        self, capsys: pytest.CaptureFixture[str]
    ) -> None:
        CliContext().show("[b]x[/b] :smile:   \ny  ", "z")
        assert capsys.readouterr().out == "[b]x[/b] :smile:\ny\nz\n"

    def test_numbers_and_paths_are_not_highlighted(
        self, capsys: pytest.CaptureFixture[str]
    ) -> None:
        CliContext(color=True).show("12 /tmp/x True")
        assert capsys.readouterr().out == "12 /tmp/x True\n"

    def test_pairs_are_split_at_the_first_equals_sign_and_stripped(self) -> None:
        assert key_values(["a = 1", "b=x=y", "c="]) == {"a": "1", "b": "x=y", "c": ""}

    @pytest.mark.parametrize(
        ("pairs", "said"),
        [(["a"], "'a' is no key=value"), (["=1"], "'=1' is no"), (["a=1", "a=2"], "'a' is set tw")],
    )
    def test_pairs_without_a_key_or_given_twice_are_wrong(
        self, pairs: list[str], said: str
    ) -> None:
        with pytest.raises(typer.BadParameter, match=re.escape(said)):
            key_values(pairs)


class TestPlanOptions:
    @pytest.mark.parametrize(
        ("text", "sizes"),
        [
            (None, []),
            ("3 m", [3.0]),
            ("2m:3m:0.5m", [2.0, 2.5, 3.0]),
            ("2m:2.9m:0.5m", [2.0, 2.5]),
            ("2m:2m:1m", [2.0]),
            ("1m:1.3m:0.1m", [1.0, 1.1, 1.2, 1.3]),
        ],
    )
    def test_sizes_have_both_ends(self, text: str | None, sizes: list[float]) -> None:
        assert plan._sizes(text) == pytest.approx(sizes)

    @pytest.mark.parametrize("text", ["2m:3m", "3m:2m:0.5m", "2m:3m:1m:1m", "0m", "2m:3m:-1m"])
    def test_sizes_that_are_none_are_wrong(self, text: str) -> None:
        with pytest.raises(typer.BadParameter):
            plan._sizes(text)

    @pytest.mark.parametrize(
        ("text", "allowance"),
        [
            ("lug=20mm", Allowance("lug", 0.02)),
            (" lug = 2 cm", Allowance("lug", 0.02)),
            ("turn 2: box=11cm", Allowance("box", 0.11, "turn 2")),
        ],
    )
    def test_allowances_go_with_every_turn_or_one(self, text: str, allowance: Allowance) -> None:
        assert plan._allowance(text) == allowance

    @pytest.mark.parametrize("text", ["lug", "=20mm", " =20mm", "lug=0mm", "lug=20"])
    def test_allowances_without_name_or_length_are_wrong(self, text: str) -> None:
        with pytest.raises(typer.BadParameter):
            plan._allowance(text)

    @pytest.mark.parametrize(("text", "name"), [("40m", "40m"), ("40", "40m"), ("40 M", "40m")])
    def test_bands_are_known_by_their_number(self, text: str, name: str) -> None:
        assert plan._band(text) == name

    def test_an_unknown_band_lists_the_known(self) -> None:
        with pytest.raises(typer.BadParameter, match="'41m' is no band; known: 160m, 80m"):
            plan._band("41m")

    @pytest.mark.parametrize(
        ("text", "watts"), [("100", 100.0), ("0.5", 0.5), ("1 kW", 1e3), ("5000", 5e3)]
    )
    def test_a_power_alone_is_watts(self, text: str, watts: float) -> None:
        assert plan._power(text) == watts

    @pytest.mark.parametrize("text", ["0", "5001", "-1 W", "1.2.3", "100 V"])
    def test_a_power_that_is_none_is_wrong(self, text: str) -> None:
        with pytest.raises(typer.BadParameter):
            plan._power(text)

    def test_values_are_si_and_none_where_not_given(self) -> None:
        empty = plan._Request.of(plan.PlanOptions())
        assert (empty.bands, empty.sizes_m, empty.stock_m, empty.joint) == (None, [], [], None)
        assert (empty.allowances, empty.power_w, empty.mast_m) == ([], None, None)
        given = plan._Request.of(
            plan.PlanOptions(["40"], "3m", ["2 m", "150 cm"], "2 mohm", ["a=1cm"], "100", "4 m")
        )
        assert (given.bands, given.sizes_m, given.stock_m) == (["40m"], [3.0], [2.0, 1.5])
        assert given.joint is not None
        assert given.joint.value == 0.002
        assert (given.power_w, given.mast_m) == (100.0, 4.0)
        assert given.allowances == [Allowance("a", 0.01)]


class TestReadingOptions:
    def test_names_of_columns_are_stripped(self) -> None:
        assert options._column_names(None) is None
        assert options._column_names("f_mhz, r_ohm ,x_ohm") == ["f_mhz", "r_ohm", "x_ohm"]

    def test_a_frequency_is_in_hertz(self) -> None:
        assert options._frequency(None) is None
        assert options._frequency("7.1 MHz") == 7.1e6
        with pytest.raises(typer.BadParameter, match="has no unit"):
            options._frequency("7.1")

    @pytest.mark.parametrize("missing", range(3))
    def test_three_standards_or_none(self, missing: int) -> None:
        given: list[str | None] = ["o", "s", "l"]
        given[missing] = None
        with pytest.raises(typer.BadParameter, match="give all three"):
            options._standards(*given)
        alone: list[str | None] = [None, None, None]
        assert options._standards(*alone) is None
        alone[missing] = "x"
        with pytest.raises(typer.BadParameter, match="give all three"):
            options._standards(*alone)

    def test_standards_keep_their_place_name_and_bytes(self, tmp_path: Path) -> None:
        files = []
        for i, name in enumerate(("o", "s", "l")):
            file = tmp_path / f"{name}.s1p"
            file.write_text(f"# HZ S RI R 50\n7.0e6 0.{i} 0\n7.1e6 0.{i} 0\n", encoding="utf-8")
            files.append(file)
        found = options._standards(*map(str, files))
        assert found is not None
        assert [one.file for one in found.in_order()] == [str(file) for file in files]
        assert [one.raw for one in found.in_order()] == [file.read_bytes() for file in files]

    def test_a_standard_of_two_sweeps_or_of_none_is_refused(self, tmp_path: Path) -> None:
        for name in ("a", "b"):
            (tmp_path / f"{name}.s1p").write_text(
                "# HZ S RI R 50\n7.0e6 0.1 0\n7.1e6 0.2 0\n", encoding="utf-8"
            )
        with pytest.raises(ReadError, match="2 sweeps, where one is meant; name that one"):
            options._standard(str(tmp_path))
        with pytest.raises(ReadError):
            options._standard(str(tmp_path / "missing.s1p"))

    def test_a_plot_has_a_known_ending_and_takes_no_other_files_place(self, tmp_path: Path) -> None:
        options.check_plot(None)
        options.check_plot(tmp_path / "a.PNG")
        with pytest.raises(typer.BadParameter, match=r"end the name in \.png, \.svg, \.pdf"):
            options.check_plot(tmp_path / "a.gif")
        (tmp_path / "b.png").write_text("no image", encoding="utf-8")
        with pytest.raises(OutputError, match="is not a PNG image"):
            options.check_plot(tmp_path / "b.png")


class TestReference:
    def param(self, **changed: Any) -> SimpleNamespace:
        plain = {
            "param_type_name": "option", "opts": ["--a", "-a"], "secondary_opts": [],
            "metavar": "N", "help": "Help.", "required": False, "nargs": 1,
        }  # fmt: skip
        return SimpleNamespace(**{**plain, **changed})

    def test_a_row_has_spellings_value_and_whether_it_must_be_given(self) -> None:
        assert _row(self.param()) == "| `--a, -a N` | Help. |"
        assert _row(self.param(required=True)) == "| `--a, -a N` | Help. Required. |"
        assert _row(self.param(metavar=None, secondary_opts=["--no-a"], help=None)) == (
            "| `--a, -a, --no-a` |  |"
        )

    def test_an_argument_is_in_brackets_unless_required(self) -> None:
        argument = {"param_type_name": "argument"}
        assert _argument(self.param(**argument, required=True)) == "N"
        assert _argument(self.param(**argument)) == "[N]"
        assert _row(self.param(**argument, required=True, nargs=-1)) == "| `N...` | Help. |"


class TestLostOutput:
    class Raw(streams.LossyFileIO):
        def __init__(self, error: OSError | None) -> None:
            super().__init__(1, "w", closefd=False)
            self.error = error

    def lost(self, monkeypatch: pytest.MonkeyPatch, error: OSError | None) -> str:
        stream = io.TextIOWrapper(io.BufferedWriter(self.Raw(error)))
        with monkeypatch.context() as patched:
            patched.setattr(sys, "stdout", stream)
            return streams.lost_output()

    def test_is_said_unless_nobody_read_it(self, monkeypatch: pytest.MonkeyPatch) -> None:
        full = OSError(errno.ENOSPC, "No space left on device")
        assert self.lost(monkeypatch, full) == (
            "standard output: no space left on device; what was printed is not whole"
        )
        assert self.lost(monkeypatch, OSError("Odd")).startswith("standard output: odd; ")
        assert self.lost(monkeypatch, BrokenPipeError(errno.EPIPE, "Broken pipe")) == ""
        assert self.lost(monkeypatch, None) == ""

    def test_of_another_stream_is_none(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(sys, "stdout", io.StringIO())
        assert streams.lost_output() == ""

    def test_what_is_dropped_counts_as_written(self) -> None:
        assert self.Raw(OSError("full")).write(memoryview(b"abcd").cast("H")) == 4

    def test_a_stream_that_is_no_descriptors_stays(self) -> None:
        for stream in (io.StringIO(), io.TextIOWrapper(io.BytesIO())):
            assert streams._guarded(stream, 1) is stream

    def test_a_stream_that_was_closed_is_made_on_its_descriptor_which_stays_open(self) -> None:
        reader, writer = os.pipe()
        guarded = streams._guarded(None, writer)
        guarded.write("ä")
        guarded.flush()
        assert os.read(reader, 8).decode() == "ä"
        del guarded
        os.fstat(writer)
        for descriptor in (reader, writer):
            os.close(descriptor)

    def test_a_guarded_stream_escapes_what_its_encoding_lacks(self) -> None:
        plain = io.TextIOWrapper(
            io.BufferedWriter(io.FileIO(1, "w", closefd=False)), "ascii", write_through=True
        )
        guarded = streams._guarded(plain, 1)
        assert isinstance(guarded, io.TextIOWrapper)
        assert guarded.errors == "backslashreplace"
        assert guarded.encoding == "ascii"
        assert guarded.line_buffering
        assert isinstance(streams._raw_of(guarded), streams.LossyFileIO)


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.2, "about 1 s left"),
        (89.4, "about 89 s left"),
        (90.0, "about 2 min left"),
        (89.4 * 60, "about 89 min left"),
        (90 * 60, "about 2 h left"),
        (3 * 3600, "about 3 h left"),
    ],
)
def test_a_time_left_is_in_the_unit_that_suits_it(seconds: float, text: str) -> None:
    assert progress.time_left(seconds) == text


class TestLatestSweeps:
    """Which sweep of each band and setting the report plots."""

    def test_are_the_last_that_count_of_each_band_and_setting(self) -> None:
        sweeps = [
            stored(1, "a", taken="2026-05-02T10:00:00Z"),
            stored(2, "b", taken="2026-05-01T10:00:00Z"),
            stored(3, "c", setting="one"),
            stored(4, "d", band="20m", taken=None),
            stored(5, "e", band="20m", taken=None),
            stored(6, "f", taken="2026-05-03T10:00:00Z", set_aside="loose"),
            stored(7, "g", taken="2026-05-03T10:00:00Z", status="refused"),
        ]
        assert reports._latest(sweeps) == {1, 3, 5}

    def test_a_doubtful_one_counts(self) -> None:
        assert reports._latest([stored(1, "a", status="doubtful")]) == {1}
