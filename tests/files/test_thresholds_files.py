"""Each limit of the readers, held from both sides by what the person gets."""

from __future__ import annotations

import os
import struct
import zipfile
from collections.abc import Sequence
from io import BytesIO
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from sweep_writing import codes, read_text

from sweeplab.errors import ReadError
from sweeplab.files import archive, disk
from sweeplab.files.table.data_block import _BlockBuilder, _read_lines
from sweeplab.files.table.dialect import Dialect, detect_dialect
from sweeplab.files.text.comments import Comments
from sweeplab.files.text.decode import RawFile, decode
from sweeplab.sweep import Sweep

HEADER = "MHz,re,im\n"


def refusal(text: str, name: str = "a.csv") -> str:
    with pytest.raises(ReadError) as caught:
        read_text(text, name)
    return str(caught.value)


def table(header: str, rows: Sequence[Sequence[float]]) -> str:
    lines = [",".join(f"{value!r}" for value in row) for row in rows]
    return "\n".join([header, *lines, ""])


def read(text: str, **options: object) -> Sweep:
    return read_text(text, "a.csv", **options)


class TestSizeOfAFile:
    def status(self, size: int) -> os.stat_result:
        return os.stat_result((0o100644, 0, 0, 1, 0, 0, size, 0, 0, 0))

    def test_256_million_bytes_are_let_through(self) -> None:
        disk._check_status("a.s1p", self.status(256_000_000))

    def test_one_byte_more_is_refused(self) -> None:
        with pytest.raises(ReadError, match="holds 256 MB, over the limit of 256 MB"):
            disk._check_status("a.s1p", self.status(256_000_001))

    @pytest.mark.parametrize("size", [256_000_000, 256_000_001])
    def test_standard_input(self, monkeypatch: pytest.MonkeyPatch, size: int) -> None:
        class Piped(bytes):
            """Bytes that report a size they do not take."""

            def __len__(self) -> int:
                return size

        asked = []

        def piped(count: int) -> bytes:
            asked.append(count)
            return Piped()

        monkeypatch.setattr("sys.stdin", SimpleNamespace(buffer=SimpleNamespace(read=piped)))
        if size == 256_000_000:
            assert len(disk._standard_input()) == size
        else:
            with pytest.raises(ReadError, match="more than the limit of 256 MB"):
                disk._standard_input()
        assert asked == [256_000_001]


class TestLinesOfAFile:
    def test_1_200_000_lines_are_read(self) -> None:
        assert len(decode(RawFile(b"7" + b"\n" * 1_199_999, "a.csv")).lines) == 1_199_999

    def test_one_line_more_is_refused(self) -> None:
        with pytest.raises(ReadError, match="holds 1200001 lines, over the limit of 1200000"):
            decode(RawFile(b"7" + b"\n" * 1_200_000, "a.csv"))

    def test_a_line_of_200_000_characters_is_read(self) -> None:
        assert len(decode(RawFile(b"7" * 200_000, "a.csv")).lines[0]) == 200_000

    def test_one_character_more_is_refused(self) -> None:
        with pytest.raises(ReadError, match="200001 characters, over the limit of 200000"):
            decode(RawFile(b"7" * 200_001, "a.csv"))


class TestLengthOfARow:
    def row(self, length: int) -> str:
        return HEADER + "7,0.5,0.25\n8,0.5,0.25\n9,-," + "0" * (length - 4) + "\n"

    def test_of_a_table(self) -> None:
        assert codes(read(self.row(20_000)))[0] == "missing-values"
        assert "a row of 20001 characters" in refusal(self.row(20_001))

    def test_of_an_option_line(self) -> None:
        def text(length: int) -> str:
            return "# MHz S RI R 50.".ljust(length, "0") + "\n7 0.5 0.25 ! here\n"

        assert read_text(text(20_000)).z0_ohm == 50.0
        assert "a line of 20001 characters" in refusal(text(20_001), "a.s1p")


class TestComments:
    @pytest.mark.parametrize(("count", "left_out"), [(10_000, 0), (10_001, 1)])
    def test_ten_thousand_are_stored(self, count: int, left_out: int) -> None:
        remarks = Comments.from_lines(["! here"] * count)
        assert len(remarks.lines) == 10_000
        assert [one.evidence["left_out"] for one in remarks.findings()] == [1] * left_out


class TestRepairedRows:
    def text(self, lines: int) -> str:
        return "MHz,S11\n7,0.5+0.25j\n8,0.5+0.5j\n" + "\n" * (lines - 4) + "9,0.5+0.75j"

    def test_200_000_lines_of_complex_cells_are_read(self) -> None:
        assert len(read(self.text(200_000))) == 3

    def test_one_more_is_refused(self) -> None:
        assert "over 200000 rows spelled in a way" in refusal(self.text(200_001))

    @pytest.mark.parametrize("before", [199_999, 200_000])
    def test_rows_of_a_table(self, before: int) -> None:
        text_file = decode(RawFile(b"7,-,0.25\n", "a.csv"))
        rows = _BlockBuilder(Comments(), repaired=before)
        dialect = Dialect(",", ".", 0, 3)
        if before == 199_999:
            assert _read_lines(text_file, dialect, rows, 0, text_file.lines)
        else:
            with pytest.raises(ReadError, match="over 200000 rows"):
                _read_lines(text_file, dialect, rows, 0, text_file.lines)


class TestTextOrBinary:
    @pytest.mark.parametrize("controls", [2, 3])
    def test_two_control_characters_in_a_thousand_are_text(self, controls: int) -> None:
        data = b"\x01" * controls + b"7 " * ((1000 - controls) // 2) + b"\n" * (controls % 2)
        assert len(data) == 1000
        if controls == 2:
            assert len(decode(RawFile(data, "a.csv")).lines) == 1
        else:
            with pytest.raises(ReadError, match="binary data"):
                decode(RawFile(data, "a.csv"))

    def test_only_the_first_65536_bytes_are_looked_at(self) -> None:
        inside = b"7" * 10 + b"\n" * 65_525 + b"\0" * 2000
        beyond = b"7" * 10 + b"\n" * 65_526 + b"\0" * 2000
        assert decode(RawFile(beyond, "a.csv")).findings == ()
        with pytest.raises(ReadError, match="binary data"):
            decode(RawFile(inside, "a.csv"))

    @pytest.mark.parametrize(("plain", "is_text"), [(69, False), (72, True)])
    def test_utf_16_of_which_seven_tenths_are_plain(self, plain: int, is_text: bool) -> None:
        for order in ("little", "big"):
            characters = [ord("7")] * plain + [0x4E2D] * (100 - plain)
            data = b"".join(code.to_bytes(2, order) for code in characters)  # type: ignore[arg-type]
            self.check_utf_16(data, is_text)

    @pytest.mark.parametrize(("odd", "is_text"), [(4, True), (6, False)])
    def test_utf_16_with_zeros_in_the_wrong_half(self, odd: int, is_text: bool) -> None:
        # U+0100 has its zero where plain characters have none.
        for order in ("little", "big"):
            characters = [ord("7")] * (100 - odd) + [0x0100] * odd
            data = b"".join(code.to_bytes(2, order) for code in characters)  # type: ignore[arg-type]
            self.check_utf_16(data, is_text)

    def check_utf_16(self, data: bytes, is_text: bool) -> None:
        if is_text:
            (finding,) = decode(RawFile(data, "a.csv")).findings
            assert finding.evidence["encoding"] == "UTF-16 without a byte-order mark"
        else:
            with pytest.raises(ReadError, match="binary data"):
                decode(RawFile(data, "a.csv"))


def listed(size: int, packed: int, name: str = "a.s1p") -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name)
    info.file_size, info.compress_size = size, packed
    return info


class TestArchives:
    @pytest.mark.parametrize(
        ("size", "packed", "refused"),
        [
            (1_990_000, 10_000, False),
            (2_010_000, 10_000, True),
            (999_999, 1000, False),
            (1_000_001, 1000, True),
        ],
    )
    def test_a_megabyte_packed_to_a_two_hundredth_is_refused(
        self, size: int, packed: int, refused: bool
    ) -> None:
        found = [text for text, _ in archive._objections([listed(size, packed)])]
        assert found == [
            f"would unpack to {size / packed:.0f} times its size, as no sweep does"
        ] * (refused)

    @pytest.mark.parametrize("more", [0, 1])
    def test_all_together_unpack_to_a_gigabyte_at_most(
        self, monkeypatch: pytest.MonkeyPatch, more: int
    ) -> None:
        infos = {f"{i}.s1p": [listed(250_000_000, 10**8)] for i in range(4)}
        infos["more.s1p"] = [listed(more, 1)]
        monkeypatch.setattr(archive, "_open", lambda path: SimpleNamespace(entries=infos))
        if more:
            with pytest.raises(ReadError, match="would unpack to 1000 MB, over the limit of 1000"):
                archive.members("a.zip")
        else:
            assert len(archive.members("a.zip")) == 5

    @pytest.mark.parametrize("size", [256_000_000, 256_000_001])
    def test_one_file_unpacks_to_256_million_bytes_at_most(
        self, monkeypatch: pytest.MonkeyPatch, size: int
    ) -> None:
        held = SimpleNamespace(open=lambda info: BytesIO())
        opened = SimpleNamespace(file=held, entries={"a.s1p": [listed(size, 10**7)]})
        monkeypatch.setattr(archive, "_open", lambda path: opened)
        if size == 256_000_000:
            assert archive.read_member("a.zip", "a.s1p")[0] == b""
        else:
            with pytest.raises(ReadError, match="over the limit of 256 MB"):
                archive.read_member("a.zip", "a.s1p")

    @pytest.mark.parametrize(("entries", "refused"), [(121, False), (123, True)])
    def test_the_table_of_contents_holds_eight_million_bytes_at_most(
        self, tmp_path: Path, entries: int, refused: bool
    ) -> None:
        path = tmp_path / "a.zip"
        with zipfile.ZipFile(path, "w") as file:
            for number in range(entries):
                info = zipfile.ZipInfo(f"{number}.s1p")
                info.comment = b" " * 65_500
                file.writestr(info, b"")
        # 121 entries of 46 bytes, a short name and a long remark.
        assert (struct.unpack_from("<L", path.read_bytes(), path.stat().st_size - 10)[0] > 8e6) == (
            refused
        )
        if refused:
            with pytest.raises(ReadError, match="lists more files than is sane"):
                archive.members(str(path))
        else:
            assert len(archive.members(str(path))) == 121


class TestFrequencyUnit:
    def rows(self, low: float, high: float) -> list[list[float]]:
        return [[low, 0.5, 0.25], [(low + high) / 2, 0.5, 0.5], [high, 0.5, 0.75]]

    def test_from_a_million_on_they_are_hertz(self) -> None:
        sweep = read(table("frequency,re,im", self.rows(1.0e6, 2.0e6)))
        assert sweep.f_hz[0] == 1.0e6
        assert "unit-inferred" in codes(sweep)
        assert "names no unit" in refusal(table("frequency,re,im", self.rows(0.99e6, 2.0e6)))

    @pytest.mark.parametrize(
        ("low", "high", "units"),
        [
            (9.9e3, 1.2e4, "kHz or MHz;"),
            (1.01e4, 1.2e4, "Hz or kHz or MHz;"),
            (20.0, 99.0, "kHz or MHz or GHz;"),
            (20.0, 101.0, "kHz or MHz;"),
        ],
    )
    def test_between_10_khz_and_100_ghz_a_unit_fits(
        self, low: float, high: float, units: str
    ) -> None:
        assert f"could be {units}" in refusal(table("frequency,re,im", self.rows(low, high)))

    @pytest.mark.parametrize(("low", "taken"), [(9.9, False), (10.1, True)])
    def test_a_unit_above_the_table_is_taken_from_10_khz_on(self, low: float, taken: bool) -> None:
        text = "sweep in kHz\n" + table("frequency,re,im", self.rows(low, 30.0))
        if taken:
            assert read(text).f_hz[0] == pytest.approx(10_100.0)
        else:
            assert "names no unit" in refusal(text)

    @pytest.mark.parametrize(("apart", "same"), [(0.9e-4, True), (1.1e-4, False)])
    def test_two_columns_agree_to_a_ten_thousandth(self, apart: float, same: bool) -> None:
        rows = [[f, f * 1e6 * (1 + apart), 0.5, 0.25] for f in (7.0, 7.1, 7.2)]
        text = table("MHz,Hz,re,im", rows)
        if same:
            assert read(text).f_hz[0] == 7e6
        else:
            assert "frequency columns that disagree" in refusal(text)


class TestColumns:
    @pytest.mark.parametrize(("apart", "fits"), [(0.019, True), (0.021, False)])
    def test_a_column_agrees_within_two_hundredths(self, apart: float, fits: bool) -> None:
        rows = [[f, 0.5, 0.0, 0.5 + apart] for f in (7.0, 7.1, 7.2)]
        found = codes(read(table("MHz,Re(S11),Im(S11),|S11|", rows)))
        assert ("columns-disagree" not in found) == fits

    @pytest.mark.parametrize(("size", "read_as_one"), [(1.49, True), (1.51, False)])
    def test_a_reflection_is_no_larger_than_one_and_a_half(
        self, size: float, read_as_one: bool
    ) -> None:
        text = table(HEADER.strip(), [[f, size, 0.0] for f in (7.0, 7.1, 7.2)])
        if read_as_one:
            assert read(text).gamma[0] == size
        else:
            assert "is no part of a reflection" in refusal(text)

    @pytest.mark.parametrize(("largest", "degrees"), [(6.2, False), (6.4, True)])
    def test_an_angle_beyond_a_turn_of_radians_is_in_degrees(
        self, largest: float, degrees: bool
    ) -> None:
        rows = [[f, 0.5, angle] for f, angle in ((7.0, 1.0), (7.1, 2.0), (7.2, largest))]
        text = table("MHz,|S11|,S11 angle", rows)
        if degrees:
            assert np.angle(read(text).gamma[0], deg=True) == pytest.approx(1.0)
        else:
            assert "names no unit" in refusal(text)

    @pytest.mark.parametrize(
        ("lowest", "points", "doubted"),
        [(4.9, 11, True), (5.1, 11, False), (0.0, 10, True), (0.0, 9, False)],
    )
    def test_a_reactance_that_turns_back_at_a_twentieth_is_doubted(
        self, lowest: float, points: int, doubted: bool
    ) -> None:
        x_ohm = np.full(points, 100.0)
        x_ohm[points // 2] = lowest
        rows = [[7 + i / 10, 20.0, float(x)] for i, x in enumerate(x_ohm)]
        assert ("sign-doubtful" in codes(read(table("MHz,R ohm,X ohm", rows)))) == doubted


class TestPoints:
    @pytest.mark.parametrize(
        ("start_hz", "stop_hz", "doubted"),
        [(1000, 5000, False), (999, 5000, True), (1e11, 1e12, False), (1e11, 1.01e12, True)],
    )
    def test_frequencies_run_from_a_kilohertz_to_a_terahertz(
        self, start_hz: float, stop_hz: float, doubted: bool
    ) -> None:
        text = f"# Hz S RI R 50\n{start_hz!r} 0.5 0.25\n{stop_hz!r} 0.5 0.5\n"
        assert ("frequency-implausible" in codes(read_text(text))) == doubted

    @pytest.mark.parametrize(("highest", "read_as_ghz"), [(999.0, True), (1001.0, False)])
    def test_without_an_option_line_they_end_at_a_terahertz(
        self, highest: float, read_as_ghz: bool
    ) -> None:
        text = f"7 0.5 0\n{highest} 0.5 10\n"
        if read_as_ghz:
            assert "option-line-missing" in codes(read_text(text))
        else:
            assert "its default (GHz S MA R 50) would mean" in refusal(text, "a.s1p")

    @pytest.mark.parametrize(("size", "points"), [(999_999.0, 2), (1_000_001.0, 1)])
    def test_a_reflection_beyond_a_million_is_none(self, size: float, points: int) -> None:
        sweep = read_text(f"# MHz S RI R 50\n7 0.5 0.25\n8 {size} 0\n")
        assert len(sweep) == points
        assert ("missing-values" in codes(sweep)) == (points == 1)

    @pytest.mark.parametrize(("apart", "level"), [(0.0199, "note"), (0.0201, "warning")])
    def test_repeats_two_hundredths_from_their_mean_are_warned_of(
        self, apart: float, level: str
    ) -> None:
        rows = f"7 {0.5 - apart} 0\n7 {0.5 + apart} 0\n8 0.5 0\n"
        (finding,) = read_text(f"# MHz S RI R 50\n{rows}").findings
        assert (finding.code, finding.level) == ("frequencies-repeated", level)


class TestFirstRowOfATable:
    @pytest.mark.parametrize(("between", "found"), [(39, True), (40, False)])
    def test_its_header_is_the_fortieth_line_above_at_most(self, between: int, found: bool) -> None:
        text = HEADER + "remark\n" * between + "7,0.5,0.25\n8,0.5,0.5\n9,0.5,0.75\n"
        if found:
            assert len(read(text)) == 3
        else:
            assert "no header names the 3 columns" in refusal(text)

    @pytest.mark.parametrize(("between", "z0_ohm"), [(38, 75.0), (39, 50.0)])
    def test_lines_further_up_are_not_searched(self, between: int, z0_ohm: float) -> None:
        above = "Z0 = 75 ohm\n" + "remark\n" * between
        assert read(above + HEADER + "7,0.5,0.25\n8,0.5,0.5\n9,0.5,0.75\n").z0_ohm == z0_ohm

    @pytest.mark.parametrize(("preamble", "found"), [(1999, True), (2001, False)])
    def test_numbers_are_looked_for_in_two_thousand_lines(self, preamble: int, found: bool) -> None:
        lines = ["remark"] * preamble + ["7,0.5,0.25"] * 10
        assert (detect_dialect(lines) is not None) == found

    @pytest.mark.parametrize(("rows", "width"), [(49, 3), (50, 2)])
    def test_fifty_rows_of_one_width_are_the_table(self, rows: int, width: int) -> None:
        dialect = detect_dialect(["7,0.5"] * rows + ["7,0.5,0.25"] * 200)
        assert dialect is not None
        assert dialect.width == width

    @pytest.mark.parametrize(("rows", "separator"), [(20, None), (21, ",")])
    def test_so_is_a_run_of_more_than_half_the_lines(self, rows: int, separator: str) -> None:
        dialect = detect_dialect(["7, 15"] * rows + ["7, 1,5"] * (40 - rows))
        assert dialect is not None
        assert dialect.separator == separator


def swept(*starts: float, points: int = 11) -> str:
    rows = [[start + i / 10, 0.5, 0.25] for start in starts for i in range(points)]
    return table(HEADER.strip(), rows)


class TestSeveralSweeps:
    @pytest.mark.parametrize(("points", "is_multiple"), [(2, False), (3, True)])
    def test_a_sweep_has_three_rows(self, points: int, is_multiple: bool) -> None:
        text = swept(7.0, 7.0, points=points)
        if is_multiple:
            assert "2 sweeps in it" in refusal(text)
        else:
            assert "frequencies-repeated" in codes(read(text))

    @pytest.mark.parametrize(("second", "is_multiple"), [(6.55, True), (6.45, False)])
    def test_two_share_half_their_span(self, second: float, is_multiple: bool) -> None:
        # From 7 to 8 MHz, then again from below: what is passed twice runs from 7 on.
        text = swept(7.0, second)
        if is_multiple:
            assert "2 sweeps in it" in refusal(text)
        else:
            assert "frequencies-sorted" in codes(read(text))

    @pytest.mark.parametrize(("count", "found"), [(1000, "1000 sweeps in it"), (1001, "over 1000")])
    def test_a_thousand_sweeps_are_separated(self, count: int, found: str) -> None:
        assert found in refusal(swept(*[7.0] * count, points=3))

    @pytest.mark.parametrize(
        ("sweeps", "found"), [(12, "12 sweeps in it"), (13, "13 sweeps under 1801 lines of text")]
    )
    def test_twenty_thousand_lines_more_are_repeated(self, sweeps: int, found: str) -> None:
        # 12 times 1801 lines are fewer than the file's own and 20,000; 13 times are more.
        text = "# remark\n" * 1800 + swept(*[7.0] * sweeps, points=3)
        assert found in refusal(text)


def test_999_references_are_taken() -> None:
    def text(count: int) -> str:
        above = "[Version] 2.0\n# MHz S RI\n[Number of Ports] 1\n[Reference]\n" + "50 " * count
        return above + "\n[Network Data]\n7 0.5 0.25\n"

    assert "999 reference impedances, 1 port(s)" in refusal(text(999), "a.s1p")
    assert "over 999 references" in refusal(text(1000), "a.s1p")


class TestWhichReader:
    """The most confident reader reads: an order of confidences, whatever their figures."""

    def reader(self, text: str, name: str) -> str:
        return read_text(text, name).origin.reader

    def test_a_header_is_surer_than_a_name(self) -> None:
        text = "MHz,re,im\n7,0.5,0.25\n8,0.5,0.5\n9,0.5,0.75\n"
        assert self.reader(text, "a.s1p") == "table"

    def test_a_name_is_surer_than_rows_of_numbers(self) -> None:
        assert self.reader("7 0.5 0.25\n8 0.5 0.5\n", "a.s1p") == "touchstone"

    def test_a_broken_option_line_under_a_name_is_surer_than_a_header(self) -> None:
        text = "# MHz S RU R 50\nMHz,re,im\n7,0.5,0.25\n8,0.5,0.5\n9,0.5,0.75\n"
        assert "'RU' in the option line" in refusal(text, "a.s1p")

    def test_a_bare_mark_is_surer_than_rows_of_numbers(self) -> None:
        assert self.reader("#\n7 0.5 0.25\n8 0.5 0.5\n", "a.txt") == "touchstone"

    def test_a_header_is_surer_than_a_bare_mark(self) -> None:
        text = "#\nMHz,re,im\n7,0.5,0.25\n8,0.5,0.5\n9,0.5,0.75\n"
        assert self.reader(text, "a.txt") == "table"

    def test_rows_of_numbers_are_a_table_without_a_header(self) -> None:
        assert "no header names the 3 columns" in refusal("7 0.5 0.25\n8 0.5 0.5\n", "a.txt")
