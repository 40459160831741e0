"""The figures behind the findings of reading, row counts and line numbers in messages."""

from __future__ import annotations

import io
import math
import os
import zipfile
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from sweep_writing import codes, read_text

from sweeplab.errors import ReadError
from sweeplab.files import read_sweep, read_sweeps
from sweeplab.files.table.dialect import detect_dialect, is_comment, split_fields
from sweeplab.files.table.multi_sweep import SweepSlice, find_restarts, multiple_sweeps_error
from sweeplab.files.text.numbers import (
    has_grouped_digits,
    parse_number,
    parse_numbers,
    parse_table,
)
from sweeplab.files.text.reader_protocol import ReadOptions
from sweeplab.files.text.timestamps import find_time
from sweeplab.files.touchstone.option_line import looks_like_option_line, parse_option_line
from sweeplab.finding import Finding
from sweeplab.sweep import Sweep

HEAD = "# MHz S RI R 50\n"
VERSION_2 = "[Version] 2.0\n# MHz S RI R 50\n[Number of Ports] 1\n"


def finding(sweep: Sweep, code: str) -> Finding:
    """The one finding with this code."""
    (found,) = [found for found in sweep.findings if found.code == code]
    return found


def refusal(text: str, name: str = "a.s1p", **options: object) -> ReadError:
    """Why a text is refused."""
    with pytest.raises(ReadError) as refused:
        read_text(text, name, **options)
    return refused.value


@pytest.mark.parametrize(
    ("text", "code", "level", "evidence"),
    [
        (
            HEAD + "7 1 0\n8 nan 0\n9 1 0\n",
            "missing-values",
            "warning",
            {"rows": 1, "first_line": 3},
        ),
        (HEAD + "0 1 0\n0 1 0\n9 1 0\n", "zero-frequency", "note", {"rows": 2}),
        (HEAD + "9 1 0\n8 1 0\n7 1 0\n", "frequencies-sorted", "note", {"falling_steps": 2}),
        (
            HEAD + "7 1 0\n7 1 0.5\n7 1 0.1\n8 1 0\n8 1 0\n",
            "frequencies-repeated",
            "warning",
            {"rows": 3, "largest_deviation": pytest.approx(0.3)},
        ),
        (
            "# GHz S RI R 50\n7000 1 0\n8000 1 0\n",
            "frequency-implausible",
            "warning",
            {"f_start_hz": 7e12, "f_stop_hz": 8e12},
        ),
        (HEAD + "7 1 0\n8 1 0\n9 1", "last-row-cut", "warning", {"line": 4}),
        ("7 1 0\n" + HEAD + "8 1 0\n", "option-line-late", "warning", {"line": 2}),
        (
            HEAD + "# Hz S MA\n7 1 0\n# GHz\n8 1 0\n",
            "option-line-repeated",
            "note",
            {"lines": 2, "first_line": 2},
        ),
        (
            HEAD + "; one\n7 1 0\n8 1 0 ; two\n",
            "semicolon-comment",
            "note",
            {"lines": 2, "first_line": 2},
        ),
        ("0.007 1 0\n0.008 1 0\n", "option-line-missing", "warning", {"f_stop_hz": 8e6}),
        (
            HEAD + "7 1 0\n! Port Impedance 75\n",
            "impedance-in-comments",
            "warning",
            {"comment_ohm": 75.0},
        ),
        (
            VERSION_2 + "[Number of Frequencies] 3\n[Network Data]\n7 1 0\n8 1 0\n[End]\n",
            "points-differ",
            "warning",
            {"points": 2},
        ),
        (
            VERSION_2
            + "[Number of Frequencies] 2\n[Network Data]\n7 1 0\n8 1 0\n[End]\n\nmore\nmore\n",
            "text-after-end",
            "warning",
            {"line": 10},
        ),
        (
            HEAD + "7 1 0 0 0 0 0 0 0\n8 1 0 0 0 0 0 0 0\n2 1 0.5 10 0.3\n",
            "noise-left-out",
            "note",
            {"line": 4},
        ),
        (HEAD + "7 1 0 0 0 0 0 0 0\n8 1 0 0 0 0 0 0 0\n", "ports-differ", "warning", {"ports": 2}),
    ],
)
def test_says_how_many_and_where(
    text: str, code: str, level: str, evidence: dict[str, object]
) -> None:
    found = finding(read_text(text), code)
    assert found.level == level
    assert dict(found.evidence) == evidence


def test_reference_replaced_says_both() -> None:
    sweep = read_text(HEAD + "7 1 0\n8 0 0\n", z0_ohm=75.0)
    assert finding(sweep, "reference-replaced").evidence == {"stated_ohm": 50.0, "used_ohm": 75.0}
    assert codes(read_text(HEAD + "7 1 0\n8 0 0\n", z0_ohm=50.0)) == []


@pytest.mark.parametrize(
    ("rows", "said"), [("7 nan 0\n", "1 row held"), ("7 nan 0\n8 nan 0\n", "2 rows held")]
)
def test_counts_rows_in_the_singular_too(rows: str, said: str) -> None:
    assert said in finding(read_text(HEAD + rows + "9 1 0\n"), "missing-values").text


@pytest.mark.parametrize(
    ("text", "line", "said"),
    [
        (HEAD + "7 1 0\n-8 1 0\n-9 1 0\n", 3, "a negative frequency"),
        (HEAD + "7 1 0\n8 one 0\n9 1 0\n", 3, "'one' where a number should stand"),
        (HEAD + "7 1 0\n8 1\n9 1 0\n", 3, "2 values where 3 should stand"),
        (HEAD + "7 1 0\n8 1 0 1 0\n9 1 0\n", 3, "5 values where 3 should stand"),
        ("# MHz S RI R (50+5j)\n7 1 0\n", 1, "a complex reference impedance, '(50+5j)'"),
        ("# MHz S RI R -50\n7 1 0\n", 1, "'-50' as a reference impedance"),
        ("# MHz S RI R 0\n7 1 0\n", 1, "'0' as a reference impedance"),
        ("# MHz S RI R\n7 1 0\n", 1, "no resistance after R"),
        ("# MHz GHz S RI\n7 1 0\n", 1, "two units in the option line"),
        ("# MHz S RI 50\n7 1 0\n", 1, "'50' in the option line"),
        ("\n7 1 0\n7000 1 0\n", 2, "frequencies up to 7e+12 Hz"),
        ("\n0.007 -1 0\n", 2, "a magnitude below zero"),
        (VERSION_2 + "[Wrong]\n7 1 0\n", 4, "keyword '[Wrong]'"),
        ("[Version] 3\n" + HEAD + "[Number of Ports] 1\n[Network Data]\n7 1 0\n", 1, "version '3'"),
        (VERSION_2 + "[Matrix Format] Half\n[Network Data]\n7 1 0\n", 4, "matrix format 'Half'"),
        (
            "[Version] 2.0\n" + HEAD + "[Number of Ports] x\n[Network Data]\n7 1 0\n",
            3,
            "no [Number",
        ),
    ],
)
def test_refuses_at_the_line(text: str, line: int, said: str) -> None:
    refused = refusal(text)
    assert refused.line == line
    assert said in str(refused)


def test_names_the_line_of_a_table_row() -> None:
    refused = refusal("MHz,SWR\n7,2\n7.1,x9,3\n7.2,3\n", "a.csv")
    assert (refused.line, "'x9' where a number should stand" in str(refused)) == (3, True)
    refused = refusal("MHz,SWR\n7,2\n7.1,1,3\n7.2,3\n", "a.csv")
    assert (refused.line, "3 values where 2 should stand" in str(refused)) == (3, True)


@pytest.mark.parametrize(
    ("token", "decimal", "value"),
    [
        ("7.05", ".", 7.05), ("7,05", ",", 7.05), ("7.05", ",", None), ("7,05", ".", None),
        ("+1e3", ".", 1e3), ("1D-3", ".", 1e-3), ("1,5d2", ",", 150.0), (".5", ".", 0.5),
        ("5.", ".", 5.0), ("\u22125", ".", -5.0), ("\u22125,5", ",", -5.5),
        ("7,050,000", ".", 7.05e6),
        ("7.050.000,5", ",", 7050000.5), ("7'050'000.5", ".", 7050000.5),
        ("7,050.5", ".", 7050.5), ("7,050", ".", None), ("-7,050,000", ".", -7.05e6),
        ("0,050,000", ".", None), ("inf", ".", math.inf), ("-Infinity", ".", -math.inf),
        ("+inf", ",", math.inf), ("1_0", ".", None), ("x", ".", None), ("", ".", None),
    ],
)  # fmt: skip
def test_numbers_as_written(token: str, decimal: str, value: float | None) -> None:
    assert parse_number(token, decimal) == value


@pytest.mark.parametrize(
    "token", ["nan", "NaN", "-", "--", "---", "n/a", "NULL", "1.#QNAN", "-1.#IND", "+1.#inf"]
)
def test_missing_values_as_written(token: str) -> None:
    value = parse_number(token)
    assert value is not None
    assert math.isnan(value)


def test_whole_texts_of_numbers() -> None:
    assert list(parse_numbers("1 2D1\n 3e0\t-4") or ()) == [1, 20, 3, -4]
    assert parse_numbers("1 x") is None
    assert parse_numbers("1 2-") is None
    np.testing.assert_array_equal(parse_table(["1 2d0", "3 4"]), [[1, 2], [3, 4]])
    for rows in (["1 2", "3"], ["1 2", "", "3 4"], ["", "1 2"], ["1 2", "3 -"], ["1 2", "3 x"]):
        assert parse_table(rows) is None
    assert parse_table(["1 " + "2 " * 600, "3 " + "4 " * 600]) is None  # long rows: word by word
    assert parse_table(["1 " + "2 " * 400, "3 " + "4 " * 400]) is not None


def test_digits_in_groups() -> None:
    assert has_grouped_digits("7,050,000", ".")
    assert not has_grouped_digits("7050000", ".")


@pytest.mark.parametrize(
    ("comment", "time"),
    [
        ("! 2026-05-03 10:12:13", "2026-05-03T10:12:13Z"),
        ("! 2026/5/3 9:12", "2026-05-03T09:12:00Z"),
        ("! 2026-05-03T10:12:13.5Z", "2026-05-03T10:12:13Z"),
        ("! 2026-05-03T10:12:13+02:30", "2026-05-03T07:42:13Z"),
        ("! 2026-05-03T10:12:13-0230", "2026-05-03T12:42:13Z"),
        ("! Sun Feb 03 12:06:23 2013", "2013-02-03T12:06:23Z"),
        ("! Dec 31, 23:59:59 2025", "2025-12-31T23:59:59Z"),
        ("! 2026-13-03 10:12:13 then 2026-01-02 03:04:05", "2026-01-02T03:04:05Z"),
        ("! 2026-02-30 10:12:13", None),
        ("! 2026-05-03", None),
        ("! 12:30", None),
    ],
)
def test_time_in_a_comment(comment: str, time: str | None) -> None:
    assert find_time(["! nothing", comment, "! 1999-01-01 00:00:00"][:2]) == time
    assert find_time([comment, "! 1999-01-01 00:00:00"]) == (time or "1999-01-01T00:00:00Z")


def test_options_that_are_the_defaults() -> None:
    assert ReadOptions().is_default
    assert ReadOptions(port=1).is_default
    assert not ReadOptions(port=2).is_default
    assert not ReadOptions(z0_ohm=50.0).is_default
    assert not ReadOptions(columns=("f_mhz", "swr")).is_default
    assert ReadOptions.validated("a", " F_MHz , SWR ").columns == ("f_mhz", "swr")
    assert ReadOptions.validated("a", ["RE"], 75.0, 2) == ReadOptions(("re",), 75.0, 2)


def test_option_lines() -> None:
    parsed = parse_option_line("# kHz y db r75", "a", 1)
    assert (parsed.f_scale_hz, parsed.parameter, parsed.pair_format) == (1e3, "Y", "DB")
    assert parsed.references_ohm == (75.0,)
    assert parse_option_line("# R 50 75 (25+0j)", "a", 1).references_ohm == (50.0, 75.0, 25.0)
    default = parse_option_line("#", "a", 1)
    assert (default.f_scale_hz, default.parameter, default.pair_format) == (1e9, "S", "MA")
    assert default.references_ohm == (50.0,)
    assert looks_like_option_line("# MHz S R 50")
    assert looks_like_option_line("#")
    assert not looks_like_option_line("# 50 MHz")
    assert not looks_like_option_line("# a table")


class TestDialect:
    def test_fields(self) -> None:
        assert split_fields("1; 2 ;;", ";") == ["1", "2"]
        assert split_fields("1;;2", ";") == ["1", "", "2"]
        assert split_fields(" \"1\"  '2' ", None) == ["1", "2"]
        assert split_fields('"1,5","2"', ",") == ["1,5", "2"]
        assert split_fields(";", ";") == [""]

    def test_comments(self) -> None:
        assert is_comment("  # a")
        assert is_comment("! a")
        assert is_comment("; a")
        assert is_comment("; a", ";")
        assert not is_comment("; 1", ";")
        assert not is_comment("1 # a")

    def test_the_longest_run_of_rows_of_one_width(self) -> None:
        found = detect_dialect(["title 1 2", "1;2", "", "MHz;R;X", "7;1;2", "8;3;4", "9;5;6"])
        assert found is not None
        assert (found.separator, found.decimal, found.first, found.width) == (";", ".", 4, 3)

    def test_rows_of_integers_above_those_with_decimal_commas_belong_to_them(self) -> None:
        found = detect_dialect(["MHz;SWR", "7;2", "8;3", "8,5;2,5", "8,75;2", "9;3"])
        assert found is not None
        assert (found.separator, found.decimal, found.first, found.width) == (";", ",", 1, 2)

    def test_rows_without_any_number_are_none(self) -> None:
        assert detect_dialect(["a b", "nan nan", "- -"]) is None


class TestSeveralSweeps:
    def test_restarts_of_a_rising_and_of_a_falling_axis(self) -> None:
        up = np.array([1.0, 2, 3, 1, 2, 3, 1, 2, 3, 4])
        assert find_restarts(up) == [3, 6]
        assert find_restarts(np.array([3.0, 2, 1, 3, 2, 1])) == [3]

    def test_no_restart_in_two_bands_or_in_too_few_rows(self) -> None:
        assert find_restarts(np.array([5.0, 6, 7, 1, 2, 3])) == []
        assert find_restarts(np.array([1.0, 2, 3, 1, 2])) == []
        assert find_restarts(np.array([1.0, 2, 3])) == []

    def test_half_of_the_narrower_span_is_shared_or_not(self) -> None:
        assert find_restarts(np.array([2.0, 3, 4, 1, 2, 3])) == [3]
        assert find_restarts(np.array([2.2, 3, 4.2, 1, 2, 3])) == []

    def test_lines_of_a_slice_are_those_of_the_file(self) -> None:
        cut = SweepSlice(preamble_lines=2, begin=5, stop=8, first_row=6)
        lines = [str(i) for i in range(10)]
        assert cut.text_of(lines) == "0\n1\n5\n6\n7\n"
        for own, in_file in ((1, 1), (2, 2), (3, 6), (5, 8)):
            error = cut.with_file_line(ReadError("a", "x", "y", own))
            assert error.line == in_file
        first = SweepSlice(preamble_lines=2, begin=1, stop=4, first_row=2)
        assert first.text_of(lines) == "0\n1\n2\n3\n"
        assert first.with_file_line(ReadError("a", "x", "y", 3)).line == 3
        assert first.with_file_line(ReadError("a", "x", "y")).line is None

    @pytest.mark.parametrize(
        ("count", "lines"), [(2, "lines 2, 12"), (4, "12, 22, 32"), (5, "22, 32, ...")]
    )
    def test_error_names_the_first_lines_and_the_last_sweep(self, count: int, lines: str) -> None:
        slices = [SweepSlice(1, 10 * i + 1, 10 * i + 11, 10 * i + 1) for i in range(count)]
        error = multiple_sweeps_error("a.csv", slices)
        assert error.slices == tuple(slices)
        assert f"{count} sweeps in it" in str(error)
        assert lines in str(error)
        assert f"a.csv#{count}" in str(error)


class TestArchive:
    def write(self, path: Path, *, when: tuple[int, int, int, int, int, int]) -> Path:
        """An archive of one sweep, packed at a time."""
        buffer = io.BytesIO()
        with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr(zipfile.ZipInfo("in/", when), "")
            archive.writestr(zipfile.ZipInfo("in/a.s1p", when), HEAD + "7 1 0\n8 0 0\n")
        path.write_bytes(buffer.getvalue())
        return path

    def test_a_members_time_is_that_of_packing(self, tmp_path: Path) -> None:
        path = self.write(tmp_path / "a.zip", when=(2025, 4, 5, 6, 7, 8))
        (sweep,) = read_sweeps([str(path)])
        assert sweep.origin is not None
        assert sweep.origin.file == f"{path}/in/a.s1p"
        assert sweep.origin.taken == "2025-04-05T06:07:08Z"

    def test_a_time_that_is_none_is_left_out(self, tmp_path: Path) -> None:
        path = self.write(tmp_path / "a.zip", when=(2025, 0, 0, 6, 7, 8))
        (sweep,) = read_sweeps([str(path)])
        assert sweep.origin is not None
        assert sweep.origin.taken is None

    def test_a_comment_as_long_as_there_can_be_is_passed_over(self, tmp_path: Path) -> None:
        path = self.write(tmp_path / "a.zip", when=(2025, 4, 5, 6, 7, 8))
        with zipfile.ZipFile(path, "a") as archive:
            archive.comment = b"c" * 65_535
        assert read_sweep(f"{path}/in/a.s1p").f_hz.tolist() == [7e6, 8e6]


def test_a_files_time_is_in_utc_and_whole_seconds(tmp_path: Path) -> None:

    path = tmp_path / "a.s1p"
    path.write_text(HEAD + "7 1 0\n8 0 0\n")
    moment = datetime(2025, 4, 5, 6, 7, 8, tzinfo=UTC).timestamp()
    os.utime(path, (moment + 0.9, moment + 0.9))
    origin = read_sweep(str(path)).origin
    assert origin is not None
    assert origin.taken == "2025-04-05T06:07:08Z"
