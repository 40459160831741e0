"""Every refusal, word for word: one line with file, line, what was found and what to do."""

# ruff: noqa: E501  (a message in one piece reads best)

from __future__ import annotations

import os
import pickle
import socket
from pathlib import Path

import pytest

from sweeplab.errors import ReadError
from sweeplab.files import disk, read_sweep, read_sweeps, sweep_from_bytes

# Title, text, and the message after the file's name.
TOUCHSTONE = [
    (
        "no option line and frequencies in hertz",
        "7000000 0.5 0.25\n8000000 0.5 0.25\n",
        ":1: no option line, and its default (GHz S MA R 50) would mean frequencies up to 8e+15 Hz; put one above, such as '# MHz S RI R 50', with the unit, parameter, format and reference the file was saved in",
    ),
    (
        "no option line and real parts",
        "7 -0.5 0.25\n8 0.5 0.25\n",
        ":1: no option line, and its default (GHz S MA R 50) would mean a magnitude below zero; put one above, such as '# MHz S RI R 50', with the unit, parameter, format and reference the file was saved in",
    ),
    (
        "no numbers at all",
        "<html>not found</html>",
        ":1: '<html>not' where a number should stand; correct or delete the line",
    ),
    (
        "unknown word",
        "# MHz S RI R 50 dBm\n7 0.5 0.25\n8 0.5 0.25\n",
        ":1: 'dBm' in the option line; write it like '# MHz S RI R 50'",
    ),
    (
        "two units",
        "# MHz GHz S\n7 0.5 0.25\n8 0.5 0.25\n",
        ":1: two units in the option line; keep one",
    ),
    (
        "hybrid of one port",
        "# MHz H RI R 50\n7 0.5 0.25\n8 0.5 0.25\n",
        ": H parameters of 1 port(s); save the sweep as S, Z or Y parameters: hybrids are a two-port's",
    ),
    (
        "no resistance",
        "# MHz S RI R\n7 0.5 0.25\n8 0.5 0.25\n",
        ":1: no resistance after R in the option line; write it like '# MHz S RI R 50'",
    ),
    (
        "zero resistance",
        "# MHz S RI R 0\n7 0.5 0.25\n8 0.5 0.25\n",
        ":1: '0' as a reference impedance; give a positive number of ohms",
    ),
    (
        "complex reference",
        "# MHz S RI R (50+50j)\n7 0.5 0.25\n8 0.5 0.25\n",
        ":1: a complex reference impedance, '(50+50j)'; save the sweep against a real one, such as R 50",
    ),
    (
        "three references",
        "# MHz S RI R 50 60 70\n7 0.5 0.25\n8 0.5 0.25\n",
        ": 3 reference impedances, 1 port(s); give one, or one a port",
    ),
    (
        "word for number",
        "# MHz S RI R 50\n7 0.5 0.25\n8 half 0.25\n9 0.5 0.25\n",
        ":3: 'half' where a number should stand; correct or delete the line",
    ),
    (
        "short row",
        "# MHz S RI R 50\n7 0.5 0.25\n8 0.5\n9 0.5 0.25\n",
        ":3: 2 values where 3 should stand; correct or delete the line",
    ),
    (
        "long row",
        "# MHz S RI R 50\n7 0.5 0.25\n8 0.5 0.25 0.125\n9 0.5 0.25\n",
        ":3: 4 values where 3 should stand; correct or delete the line",
    ),
    ("no rows", "# MHz S RI R 50\n", ": no data; save the sweep again"),
    (
        "one short row",
        "# MHz S RI R 50\n7 0.5\n",
        ":2: 2 values where 3 should stand; correct or delete the line",
    ),
    (
        "negative frequency",
        "# MHz S RI R 50\n-7 0.5 0.25\n7 0.5 0.25\n8 0.5 0.25\n",
        ":2: a negative frequency; correct or delete the line",
    ),
    (
        "nothing usable",
        "# MHz S RI R 50\n7 nan nan\n",
        ": no row holds usable numbers; save the sweep again",
    ),
    (
        "version",
        "[Version] 3.0\n# MHz S RI\n[Number of Ports] 1\n[Number of Frequencies] 1\n[Network Data]\n7 0 0\n[End]\n",
        ":1: version '3.0'; save as Touchstone 1 or 2.0",
    ),
    (
        "ports",
        "[Version] 2.0\n# MHz S RI\n[Number of Ports]\n[Number of Frequencies] 1\n[Network Data]\n7 0 0\n[End]\n",
        ":3: no [Number of Ports]; give it a whole number",
    ),
    (
        "keyword",
        "[Version] 2.0\n# MHz S RI\n[Number of Ports] 1\n[Number of Frequencies] 1\n[Colour] red\n[Network Data]\n7 0 0\n[End]\n",
        ":5: keyword '[Colour] red'; use one of Touchstone 2.1 or delete the line",
    ),
    (
        "matrix format",
        "[Version] 2.0\n# MHz S RI\n[Number of Ports] 1\n[Number of Frequencies] 1\n[Matrix Format] Round\n[Network Data]\n7 0 0\n[End]\n",
        ":5: matrix format 'Round'; use Full, Lower or Upper",
    ),
    (
        "mixed mode",
        "[Version] 2.0\n# MHz S RI\n[Number of Ports] 1\n[Number of Frequencies] 1\n[Mixed-Mode Order] D1,2 C1,2\n[Network Data]\n7 0 0\n[End]\n",
        ":5: mixed-mode data; save single-ended data",
    ),
    (
        "references v2",
        "[Version] 2.0\n# MHz S RI\n[Number of Ports] 1\n[Number of Frequencies] 1\n[Reference] 50 75\n[Network Data]\n7 0 0\n[End]\n",
        ": 2 reference impedances, 1 port(s); give one, or one a port",
    ),
    (
        "reference word v2",
        "[Version] 2.0\n# MHz S RI\n[Number of Ports] 1\n[Number of Frequencies] 1\n[Reference] fifty\n[Network Data]\n7 0 0\n[End]\n",
        ":5: 'fifty' as a reference impedance; give a positive number of ohms",
    ),
]
TABLES = [
    (
        "no header",
        "7,0.5,0.25\n8,0.5,0.25\n",
        ":1: no header names the 3 columns, whose first row is '7 | 0.5 | 0.25'; say what the 3 columns are, for example --columns \"f_mhz,re,im\"",
    ),
    (
        "header says nothing",
        "a,b,c\n7,0.5,0.25\n",
        ":2: no header names the 3 columns, whose first row is '7 | 0.5 | 0.25'; say what the 3 columns are, for example --columns \"f_mhz,re,im\"",
    ),
    (
        "no frequency",
        "Re,Im,SWR\n0.5,0.25,3\n",
        ": no frequency among 'Re', 'Im', 'SWR'; say what the 3 columns are, for example --columns \"f_mhz,re,im\"",
    ),
    (
        "no unit",
        "Freq,Re,Im\n7,0.5,0.25\n8,0.5,0.25\n",
        ": frequency column 'Freq' names no unit: 7 to 8 could be MHz or GHz; say what the 3 columns are, for example --columns \"f_mhz,re,im\"",
    ),
    (
        "no quantity",
        "Freq (MHz),Gain\n7,0.5\n",
        ": no reflection, impedance or SWR among 'Freq (MHz)', 'Gain'; say what the 2 columns are, for example --columns \"f_mhz,swr\"",
    ),
    (
        "angle unit",
        "MHz,magnitude,angle\n7,0.5,1.5\n",
        ": angle column 'angle' names no unit: values up to 1.5 could be degrees or radians; say what the 3 columns are, for example --columns \"f_mhz,magnitude,angle_deg\"",
    ),
    (
        "ohms without a word of it",
        "MHz,re,im\n7,35,-120\n8,36,-119\n",
        ": 're' is no part of a reflection, whose size would be 125; say what the 3 columns are, for example --columns \"f_mhz,r_ohm,x_ohm\"",
    ),
    (
        "two real parts",
        "MHz,A re,B re,A im\n7,0.5,0.4,0.25\n",
        ": two columns fit as re, 'A re' and 'B re'; say what the 4 columns are, for example --columns \"f_mhz,re,skip,im\"",
    ),
    (
        "readings disagree",
        "MHz,re,im,r,x\n7,0.5,0.25,50,0\n8,0.5,0.25,50,0\n",
        ': two readings that disagree: re and im give 0.500+0.250j but r_ohm and x_ohm give 0.000+0.000j; say what the 5 columns are, for example --columns "f_mhz,re,im,skip,skip"',
    ),
    (
        "frequencies disagree",
        "MHz,Hz,re,im\n7,8e6,0.5,0.25\n",
        ": frequency columns that disagree, 'MHz' and 'Hz'; say what the 4 columns are, for example --columns \"f_mhz,skip,re,im\"",
    ),
    (
        "transmission",
        "% freq S21\n% MHz re im\n7 0.5 0.25\n",
        ":2: columns of S21, not of a reflection at port 1; export S11",
    ),
    (
        "word for number",
        "MHz,re,im\n7,0.5,0.25\n8,half,0.25\n9,0.5,0.25\n",
        ":3: 'half' where a number should stand; correct or delete the line",
    ),
    (
        "short row",
        "MHz,re,im\n7,0.5,0.25\n8,0.5\n9,0.5,0.25\n",
        ":3: 2 values where 3 should stand; correct or delete the line",
    ),
    (
        "long row",
        "MHz,re,im\n7,0.5,0.25\n8,0.5,0.25,1\n9,0.5,0.25\n",
        ":3: 4 values where 3 should stand; correct or delete the line",
    ),
    (
        "commas for both",
        "MHz,re,im\n7,1,0,5,0,25\n8,1,0,5,0,25\n",
        ":2: a header of 3 columns over rows of 6; put ';' between the columns where ',' is the decimal sign, or say what the 6 columns are, for example --columns \"f_mhz,re,im,skip,skip,skip\"",
    ),
    (
        "prose",
        "Dear reader,\nno sweep here.\n",
        ": no sweep in it, not a Touchstone file (no option line '# ...'), not a table (no rows of numbers); give a Touchstone file (.s1p) or a table whose header names its columns",
    ),
]


def refusal(data: bytes, name: str, **options: object) -> str:
    """The one line with which the bytes are refused."""
    with pytest.raises(ReadError) as caught:
        sweep_from_bytes(data, name, **options)  # type: ignore[arg-type]
    return str(caught.value)


@pytest.mark.parametrize(
    ("text", "message"), [case[1:] for case in TOUCHSTONE], ids=[case[0] for case in TOUCHSTONE]
)
def test_touchstone(text: str, message: str) -> None:
    assert refusal(text.encode(), "a.s1p") == "a.s1p" + message


def test_quoted_text_is_short_and_printable() -> None:
    text = "# MHz S RI R 50\n7 0.5 0.25\n8 \x1b[31m" + "0" * 1000 + " 0.25\n9 0.5 0.25\n"
    shown = "\\x1b[31m" + "0" * 32
    assert refusal(text.encode(), "a.s1p") == (
        f"a.s1p:3: '{shown}...' where a number should stand; correct or delete the line"
    )


@pytest.mark.parametrize(
    ("text", "message"), [case[1:] for case in TABLES], ids=[case[0] for case in TABLES]
)
def test_table(text: str, message: str) -> None:
    assert refusal(text.encode(), "a.csv") == "a.csv" + message


TEXT_WANTED = "export the sweep as Touchstone (.s1p) or as a table"


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "the file is empty; save the sweep again"),
        (b"\xef\xbb\xbf \r\n", "the file is empty; save the sweep again"),
        (
            b"PK\x03\x04...",
            f"holds a zip archive or a spreadsheet's workbook, no text; {TEXT_WANTED}",
        ),
        (b"\x1f\x8b...", f"holds a gzip archive, no text; {TEXT_WANTED}"),
        (b"%PDF-1.7", f"holds a PDF document, no text; {TEXT_WANTED}"),
        (b"\x89PNG...", f"holds a picture, no text; {TEXT_WANTED}"),
        (b"SQLite format 3\0", f"holds a database, no text; {TEXT_WANTED}"),
        (bytes(range(256)), f"holds binary data, no text; {TEXT_WANTED}"),
        (bytes(range(1, 9)) * 9, f"holds binary data, no text; {TEXT_WANTED}"),
    ],
)
def test_no_text(data: bytes, message: str) -> None:
    assert refusal(data, "a.s1p") == f"a.s1p: {message}"


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (
            {"columns": ["f_mhz", "re"]},
            "2 columns named, 3 in the file; name each, with skip for those not used",
        ),
        (
            {"columns": ["f_mhz", "re", "imag"]},
            "unknown column word 'imag'; use f_hz, f_khz, f_mhz, f_ghz, re, im, magnitude, db, "
            "angle_deg, angle_rad, r_ohm, x_ohm, x_abs_ohm, z_abs_ohm, z_angle_deg, z_angle_rad, angle_abs_deg, z_angle_abs_deg, g_s, b_s, g_ms, b_ms, swr, return_loss_db, gamma, z_ohm, y_s, skip",
        ),
        (
            {"columns": ["re", "im", "skip"]},
            "no frequency among 're', 'im', 'skip'; say what the 3 columns are, for example "
            '--columns "f_mhz,re,im"',
        ),
        (
            {"columns": ["re", "im", "f_mhz", "skip", "skip", "skip", "skip", "skip", "skip"]},
            "9 columns named, 3 in the file; name each, with skip for those not used",
        ),
        (
            {"port": 2},
            "port 2 asked of a table; say instead what its columns are, with skip for other ports'",
        ),
        ({"port": 0}, "asked for port 0; count ports from 1"),
        ({"z0_ohm": 0.0}, "asked for a reference of 0 ohm; give a positive number of ohms"),
        (
            {"z0_ohm": float("nan")},
            "asked for a reference of nan ohm; give a positive number of ohms",
        ),
    ],
)
def test_named_options(options: dict[str, object], message: str) -> None:
    assert refusal(b"7,0.5,0.25\n8,0.5,0.25\n", "a.csv", **options) == f"a.csv: {message}"


def test_a_missing_port() -> None:
    assert refusal(b"# MHz S RI R 50\n7 0 0\n", "a.s1p", port=2) == (
        "a.s1p: port 2 asked of 1 port(s); ask for one that is there"
    )


def test_an_error_survives_pickling() -> None:
    with pytest.raises(ReadError) as caught:
        sweep_from_bytes(b"# MHz S RI R 50\n7 half 0.25\n8 0 0\n", "a.s1p")
    again = pickle.loads(pickle.dumps(caught.value))
    assert str(again) == str(caught.value)
    assert again.line == 2


def test_named_columns_of_prose() -> None:
    assert refusal(b"Dear reader\n", "a.txt", columns=["f_mhz", "swr"]) == (
        "a.txt: no rows of numbers; save the sweep again as a table"
    )


def disk_refusal(path: str | os.PathLike[str]) -> str:
    with pytest.raises(ReadError) as caught:
        read_sweep(path)
    return str(caught.value)


class TestDisk:
    def test_missing(self, tmp_path: Path) -> None:
        path = tmp_path / "a.s1p"
        assert disk_refusal(path) == f"{path}: no such file; check the name and the folder"

    def test_folder(self, tmp_path: Path) -> None:
        assert disk_refusal(tmp_path) == f"{tmp_path}: is a folder; name the files in it"

    def test_file_taken_for_a_folder(self, tmp_path: Path) -> None:
        (tmp_path / "a").write_text("")
        path = tmp_path / "a" / "b.s1p"
        assert disk_refusal(path) == f"{path}: not a directory; check the name and the drive"

    def test_pipe_is_not_opened(self, tmp_path: Path) -> None:
        path = tmp_path / "a.s1p"
        os.mkfifo(path)
        expected = f"{path}: is a pipe, socket or device; copy the sweep to a file first"
        assert disk_refusal(path) == expected

    def test_device(self) -> None:
        expected = "/dev/null: is a pipe, socket or device; copy the sweep to a file first"
        assert disk_refusal("/dev/null") == expected

    def test_socket(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.chdir(tmp_path)  # a socket's path may not be long
        with socket.socket(socket.AF_UNIX) as listener:
            listener.bind("a")
            expected = "a: is a pipe, socket or device; copy the sweep to a file first"
            assert disk_refusal("a") == expected

    def test_no_permission(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        path = tmp_path / "a.s1p"
        path.write_text("# S\n1 0 0\n")

        def closed(*_: object) -> None:
            raise PermissionError(13, "Permission denied")

        # Permissions do not bind every user, so the refusal is made here.
        monkeypatch.setattr("os.open", closed)
        expected = f"{path}: may not be read (permission denied); change its permissions"
        assert disk_refusal(path) == expected

    def test_too_large_is_not_loaded(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        path = tmp_path / "a.s1p"
        with path.open("wb") as file:
            file.truncate(disk.SIZE_LIMIT_BYTES + 44_000_000)  # takes no room on the disk

        def never(*_: object) -> None:
            raise AssertionError("opened")

        monkeypatch.setattr("os.open", never)
        expected = f"{path}: holds 300 MB, over the limit of 256 MB; save one sweep a file"
        assert disk_refusal(path) == expected

    def test_grown_while_read(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        path = tmp_path / "a.s1p"
        path.write_text("# S\n1 0 0\n")

        def grow(*_: object) -> None:
            path.write_text("# S\n1 0 0\n" * 2)

        monkeypatch.setattr(disk, "_check_status", grow)
        monkeypatch.setattr(disk, "SIZE_LIMIT_BYTES", 12)
        assert "over the limit" in disk_refusal(path)

    def test_no_name(self) -> None:
        assert disk_refusal("a\0b") == "a\\x00b: not a file name; check the name"

    def test_several_stop_at_the_first(self, tmp_path: Path) -> None:
        good = tmp_path / "a.s1p"
        good.write_text("# MHz S RI R 50\n7 0.5 0.25\n")
        with pytest.raises(ReadError) as caught:
            read_sweeps([good, tmp_path / "b.s1p", tmp_path / "c.s1p"])
        assert caught.value.path == str(tmp_path / "b.s1p")


class TestLimits:
    def test_lines(self) -> None:
        text = "# MHz S RI R 50\n7 0.5 0.25\n" + "\n" * 1_200_000
        assert refusal(text.encode(), "a.s1p") == (
            "a.s1p: holds 1200003 lines, over the limit of 1200000; "
            "save one sweep a file, with fewer points"
        )

    def test_characters_of_a_line(self) -> None:
        assert refusal(b"# MHz S RI R 50\n" + b"7 " * 100_001, "a.s1p") == (
            "a.s1p:2: a line of 200002 characters, over the limit of 200000; "
            "save the sweep with one row a line"
        )

    def test_characters_of_an_option_line(self) -> None:
        assert refusal(b"# MHz S RI R" + b" 50" * 9_000 + b"\n7 0 0\n", "a.s1p") == (
            "a.s1p:1: a line of 27012 characters; write it shorter"
        )

    def test_characters_of_a_row(self) -> None:
        text = "MHz,re,im\n7,0,0\n8,0,0\n9," + "0" * 20_000 + "\n"
        assert (
            refusal(text.encode(), "a.csv")
            == "a.csv:4: a row of 20002 characters; save one row a line"
        )

    def test_references(self) -> None:
        text = "[Version] 2.0\n# MHz S RI\n[Number of Ports] 1\n[Reference]\n" + "5 " * 1_000
        assert (
            refusal(text.encode(), "a.s1p")
            == "a.s1p:5: over 999 references; give one, or one a port"
        )

    @pytest.mark.parametrize(
        ("name", "text"),
        [
            ("a.s1p", "# MHz S RI R 50\n7 nan 0\n8 nan 0\n9 nan 0\n"),
            ("a.csv", "MHz,re,im\n7,n/a,0\n8,n/a,0\n9,n/a,0\n"),
            ("a.csv", "MHz,S11\n7,1+1j\n8,1+1j\n"),
        ],
    )
    def test_repaired_rows(self, monkeypatch: pytest.MonkeyPatch, name: str, text: str) -> None:
        for user in ("table.data_block", "touchstone.data_rows", "table.reader"):
            monkeypatch.setattr(f"sweeplab.files.{user}.REPAIRED_ROW_LIMIT", 2)
        found = refusal(text.encode(), name)
        assert found.endswith(
            "over 200000 rows spelled in a way that must be mended, until here; "
            "save the sweep again as plain numbers"
        )

    def test_sweeps_under_a_long_preamble(self) -> None:
        text = "# remark\n" * 1_900 + "MHz,re,im\n" + "7,0,0\n8,0,0\n9,0,0\n" * 20
        assert refusal(text.encode(), "a.csv") == (
            "a.csv: 20 sweeps under 1901 lines of text; split the file"
        )


def test_of_many_comments_the_first_are_stored() -> None:
    text = "# MHz S RI R 50\n7 0 0 ! here\n" + "! there\n" * 20_000
    sweep = sweep_from_bytes(text.encode(), "a.s1p")
    assert len(sweep.origin.comments) == 10_000
    (finding,) = [finding for finding in sweep.findings if finding.code == "comments-cut"]
    assert finding.evidence == {"left_out": 10_001}
