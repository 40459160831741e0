"""Folders, zip archives and standard input, wherever a file is meant; nothing in them can hurt."""

from __future__ import annotations

import io
import os
import struct
import warnings
import zipfile
from pathlib import Path

import numpy as np
import pytest

from sweeplab.errors import ReadError
from sweeplab.files import archive, read_each, read_sweep, read_sweeps, sweep_paths

GOOD = "# MHz S RI R 50\n7 0.5 0.25\n8 0.25 0.5\n"


def names(*paths: object) -> list[str]:
    return [place.name for place in sweep_paths(map(str, paths))]


def refusals(*paths: object) -> list[str]:
    return [str(a.error) for a in read_each(sweep_paths(map(str, paths))) if a.error is not None]


def zipped(path: Path, files: dict[str, bytes | str], way: int = zipfile.ZIP_DEFLATED) -> Path:
    with zipfile.ZipFile(path, "w", way) as file, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # one test means to use a name twice
        for name, data in files.items():
            file.writestr(name, data)
    return path


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    top = tmp_path / "sweeps"
    (top / "day2").mkdir(parents=True)
    (top / ".hidden").mkdir()
    for name in ("b.s1p", "a.S1P", "day2/c.csv", ".hidden/d.s1p", ".e.s1p", "photo.jpg", "x.toml"):
        text = "MHz,re,im\n7,0.5,0.25\n8,0.25,0.5\n" if name.endswith("csv") else GOOD
        (top / name).write_text(text)
    return top


class TestFolder:
    def test_files_named_as_sweeps_are_found_by_name_and_below(self, folder: Path) -> None:
        found = [os.path.relpath(name, folder) for name in names(folder)]
        assert found == ["a.S1P", "b.s1p", os.path.join("day2", "c.csv")]

    def test_all_are_read(self, folder: Path) -> None:
        sweeps = read_sweeps([folder])
        assert [len(sweep) for sweep in sweeps] == [2, 2, 2]

    def test_order_of_paths_is_kept(self, folder: Path) -> None:
        b, a = folder / "b.s1p", folder / "a.S1P"
        assert names(b, folder / "day2", a) == [str(b), str(folder / "day2" / "c.csv"), str(a)]

    def test_a_bad_file_stops_no_other(self, folder: Path) -> None:
        (folder / "aa.s1p").write_text("# MHz S RI R 50\n7 half 0\n8 0 0\n")
        answers = list(read_each(sweep_paths([folder])))
        assert [answer.sweep is None for answer in answers] == [False, True, False, False]
        assert "'half' where a number should stand" in str(answers[1].error)

    def test_a_folder_without_sweeps_is_reported(self, folder: Path) -> None:
        empty = folder / "empty"
        empty.mkdir()
        expected = f"{empty}: no sweeps in the folder; name one that holds some"
        assert refusals(empty) == [expected]
        with pytest.raises(ReadError) as caught:
            read_sweeps([empty])
        assert str(caught.value) == expected

    def test_a_pipe_in_it_is_not_opened(self, folder: Path) -> None:
        os.mkfifo(folder / "pipe.s1p")
        assert refusals(folder) == [
            f"{folder / 'pipe.s1p'}: is a pipe, socket or device; copy the sweep to a file first"
        ]

    def test_a_link_to_a_folder_is_not_followed(self, folder: Path) -> None:
        (folder / "day2" / "up").symlink_to(folder)
        assert len(names(folder)) == 3

    def test_an_unreadable_folder_is_reported(
        self, folder: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        scan = os.scandir

        def closed(path: str) -> object:
            if path.endswith("day2"):
                raise PermissionError(13, "Permission denied", path)
            return scan(path)

        monkeypatch.setattr(os, "scandir", closed)
        assert refusals(folder) == [
            f"{folder / 'day2'}: permission denied; change its permissions or leave it out"
        ]


class TestArchive:
    def test_its_files_are_read_by_name_order(self, tmp_path: Path) -> None:
        path = zipped(tmp_path / "a.zip", {"b.s1p": GOOD, "in/a.s1p": GOOD, "notes.md": "x"})
        sweeps = read_sweeps([path])
        assert [s.origin.file for s in sweeps] == [f"{path}/b.s1p", f"{path}/in/a.s1p"]

    def test_one_is_read_by_name(self, tmp_path: Path) -> None:
        path = zipped(tmp_path / "a.ZIP", {"in/a.s1p": GOOD})
        np.testing.assert_array_equal(read_sweep(f"{path}/in/a.s1p").f_hz, [7e6, 8e6])

    def test_one_in_a_folder_is_read_too(self, tmp_path: Path) -> None:
        zipped(tmp_path / "a.zip", {"a.s1p": GOOD})
        assert names(tmp_path) == [f"{tmp_path}/a.zip/a.s1p"]

    def test_the_member_time_is_the_fallback(self, tmp_path: Path) -> None:
        path = tmp_path / "a.zip"
        with zipfile.ZipFile(path, "w") as file:
            file.writestr(zipfile.ZipInfo("a.s1p", (2026, 5, 3, 10, 12, 0)), GOOD)
            file.writestr(zipfile.ZipInfo("b.s1p", (1980, 0, 0, 0, 0, 0)), GOOD)
        taken = [sweep.origin.taken for sweep in read_sweeps([path])]
        assert taken == ["2026-05-03T10:12:00Z", None]

    def test_a_changed_archive_is_read_again(self, tmp_path: Path) -> None:
        path = zipped(tmp_path / "a.zip", {"a.s1p": GOOD})
        assert len(read_sweeps([path])) == 1
        zipped(path, {"a.s1p": GOOD, "b.s1p": GOOD})
        assert len(read_sweeps([path])) == 2

    def test_several_sweeps_in_one_file_are_numbered(self, tmp_path: Path) -> None:
        rows = "7,0.5,0\n7.1,0.4,0\n7.2,0.3,0\n"
        path = zipped(tmp_path / "a.zip", {"a.csv": f"MHz,re,im\n{rows}{rows}"})
        files = [sweep.origin.file for sweep in read_sweeps([path])]
        assert files == [f"{path}/a.csv#1", f"{path}/a.csv#2"]
        assert len(read_sweep(f"{path}/a.csv#2")) == 3


class TestArchiveThatCouldHurt:
    """Each refusal in full, and the good file next to it is read all the same."""

    def answer(self, path: Path) -> str:
        answers = list(read_each(sweep_paths([path])))
        assert [a.name for a in answers if a.sweep is not None] == [f"{path}/good.s1p"]
        (error,) = [str(a.error) for a in answers if a.error is not None]
        return error

    @pytest.mark.parametrize("name", ["../up.s1p", "/etc/up.s1p", "in/../../up.s1p", "c:/up.s1p"])
    def test_names_that_lead_out(self, tmp_path: Path, name: str) -> None:
        path = zipped(tmp_path / "a.zip", {"good.s1p": GOOD, name: GOOD})
        assert self.answer(path) == f"{path}/{name}: the name leads out of the archive; rename it"

    def test_a_bomb_by_ratio_is_not_unpacked(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        path = zipped(tmp_path / "a.zip", {"bomb.csv": b"0" * 50_000_000})
        monkeypatch.setattr(zipfile.ZipFile, "open", lambda *_: pytest.fail("unpacked"))
        (line,) = refusals(path)
        assert line.startswith(f"{path}/bomb.csv: would unpack to 10")
        assert line.endswith("times its size, as no sweep does; unpack it yourself if you trust it")

    def test_a_bomb_by_size(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        path = zipped(tmp_path / "a.zip", {"good.s1p": GOOD, "large.csv": b"7,8,9\n" * 100})
        monkeypatch.setattr(archive, "SIZE_LIMIT_BYTES", 599)
        assert self.answer(path) == (
            f"{path}/large.csv: holds 0 MB, over the limit of 256 MB; save one sweep a file"
        )

    def test_too_much_all_together(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        path = zipped(tmp_path / "a.zip", {"a.s1p": GOOD, "b.s1p": GOOD})
        monkeypatch.setattr(archive, "_MAX_UNPACKED_BYTES", len(GOOD))
        assert refusals(path) == [
            f"{path}: would unpack to 0 MB, over the limit of 0 MB; "
            "unpack it yourself if you trust it"
        ]

    def test_too_many_files(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        path = zipped(tmp_path / "a.zip", {f"{k}.s1p": "" for k in range(99)})
        monkeypatch.setattr(archive, "_MAX_DIRECTORY_BYTES", 1000)
        assert refusals(path) == [
            f"{path}: lists more files than is sane; split it, or unpack it yourself"
        ]

    def test_a_size_that_is_a_lie_unpacks_no_further(self, tmp_path: Path) -> None:
        path = zipped(tmp_path / "a.zip", {"good.s1p": GOOD, "lie.csv": b"7,8,9\n" * 100_000})
        data = path.read_bytes()
        size = struct.pack("<I", 600_000)
        assert data.count(size) == 2
        path.write_bytes(data.replace(size, struct.pack("<I", 60)))
        assert self.answer(path) == (
            f"{path}/lie.csv: is damaged in the archive; make the archive again"
        )

    def test_an_archive_inside(self, tmp_path: Path) -> None:
        inner = io.BytesIO()
        with zipfile.ZipFile(inner, "w") as file:
            file.writestr("a.s1p", GOOD)
        path = zipped(tmp_path / "a.zip", {"good.s1p": GOOD, "in.zip": inner.getvalue()})
        assert self.answer(path) == (
            f"{path}/in.zip: is an archive inside an archive; unpack the outer one first"
        )

    def test_a_password(self, tmp_path: Path) -> None:
        path = zipped(tmp_path / "a.zip", {"good.s1p": GOOD, "lock.s1p": GOOD})
        data = bytearray(path.read_bytes())
        place = data.rfind(b"PK\x01\x02")
        data[place + 8] |= 1
        path.write_bytes(data)
        assert self.answer(path) == (
            f"{path}/lock.s1p: is encrypted; unpack it with its password first"
        )

    def test_a_rare_method(self, tmp_path: Path) -> None:
        path = zipped(tmp_path / "a.zip", {"a.s1p": GOOD}, zipfile.ZIP_LZMA)
        assert refusals(path) == [
            f"{path}/a.s1p: is packed by a rare method; pack it by the common one, deflate"
        ]

    def test_a_name_twice(self, tmp_path: Path) -> None:
        path = tmp_path / "a.zip"
        with zipfile.ZipFile(path, "w") as file, warnings.catch_warnings():
            warnings.simplefilter("ignore")
            for name in ("good.s1p", "twice.s1p", "twice.s1p"):
                file.writestr(name, GOOD)
        assert self.answer(path) == (
            f"{path}/twice.s1p: stands 2 times in the archive; give each file its own name"
        )

    def test_a_name_that_would_write_on_the_terminal(self, tmp_path: Path) -> None:
        path = zipped(tmp_path / "a.zip", {"good.s1p": GOOD, "\x1b[31m.s1p": GOOD})
        assert self.answer(path) == (
            f"{path}/\\x1b[31m.s1p: the name holds characters that do not print; rename it"
        )

    @pytest.mark.parametrize("data", [b"", b"PK\x05\x06", b"no archive" * 9])
    def test_no_archive_at_all(self, tmp_path: Path, data: bytes) -> None:
        path = tmp_path / "a.zip"
        path.write_bytes(data)
        assert refusals(path) == [f"{path}: is no whole zip archive; make the archive again"]

    def test_a_missing_member(self, tmp_path: Path) -> None:
        path = zipped(tmp_path / "a.zip", {"a.s1p": GOOD})
        assert refusals(f"{path}/b.s1p") == [
            f"{path}/b.s1p: no such file in the archive; check the name"
        ]

    def test_every_byte_of_an_archive_may_be_wrong(self, tmp_path: Path) -> None:
        path = zipped(tmp_path / "a.zip", {"a.s1p": GOOD})
        whole = path.read_bytes()
        for place in range(len(whole)):
            for value in (0, 0xFF, whole[place] ^ 1):
                path.write_bytes(whole[:place] + bytes([value]) + whole[place + 1 :])
                for answer in read_each(sweep_paths([path])):
                    assert answer.sweep is not None or "; " in str(answer.error)


class TestStandardInput:
    def give(self, monkeypatch: pytest.MonkeyPatch, data: bytes) -> None:
        monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(data)))

    def test_a_dash_means_standard_input(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.give(monkeypatch, GOOD.encode())
        (sweep,) = read_sweeps(["-"])
        assert (sweep.origin.file, sweep.origin.taken, len(sweep)) == ("-", None, 2)

    def test_nothing_in_it(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.give(monkeypatch, b"")
        assert refusals("-") == ["-: the file is empty; save the sweep again"]

    def test_too_much(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("sweeplab.files.disk.SIZE_LIMIT_BYTES", 9)
        self.give(monkeypatch, GOOD.encode())
        expected = "-: holds more than the limit of 256 MB; save one sweep a file"
        assert refusals("-") == [expected]

    def test_it_is_closed(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("sys.stdin", None)
        assert refusals("-") == ["-: cannot be read; pipe a file into it"]


def test_a_name_that_is_none() -> None:
    assert refusals("a\0b") == ["a\\x00b: not a file name; check the name"]


def test_a_time_that_no_calendar_holds(tmp_path: Path) -> None:
    path = tmp_path / "a.s1p"
    path.write_text(GOOD)
    os.utime(path, (1e10, 1e10))
    assert read_sweep(path).origin.taken == "2286-11-20T17:46:40Z"
