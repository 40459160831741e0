"""Files that are written: nothing of another kind is replaced, and a file is whole or not there."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from contextlib import contextmanager
from pathlib import Path

import pytest

from sweeplab.errors import OutputError
from sweeplab.output import PLOTS, REPORT, Kind, replacing, write

OLD = b'<!doctype html>\n<html>\n<meta name="generator" content="sweeplab 0.1">\nold'
NEW = OLD.replace(b"old", b"new")
# The first bytes by the formats' own documents: PNG (W3C, section 5.2), PDF (ISO 32000-1, 7.5.2),
# SVG as XML with a prolog (W3C, XML 1.0, section 2.8).
PNG = b"\x89PNG\r\n\x1a\n" + bytes(20)
PDF = b"%PDF-1.4\n"
SVG = (
    b'\xef\xbb\xbf<?xml version="1.0"?>\n<!-- drawn -->\n'
    b'<!DOCTYPE svg PUBLIC "-//W3C//DTD SVG 1.1//EN" "svg11.dtd">\n<svg xmlns="x"></svg>'
)
OTHERS = {
    "log": b"SQLite format 3\x00" + bytes(84),
    "Touchstone": b"! a sweep\n# MHz S RI R 50\n7.0 0.9 0.1\n",
    "build": b'name = "first"\n[loop]\n',
    "page": b"<!doctype html>\n<html><title>sweeplab</title>mine</html>",
    "blank": b"\n",
}
posix = pytest.mark.skipif(os.name == "nt", reason="pipes with names, limits and links of POSIX")


@contextmanager
def at_most(size: int):
    """Let no file of this process grow larger, as on a full disk."""
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def refused(path: Path, kind: Kind = REPORT, **options) -> str:
    with pytest.raises(OutputError) as caught:
        write(path, NEW, kind, **options)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)
    return str(caught.value)


class TestWhatIsReplaced:
    @pytest.mark.parametrize(
        ("kind", "old"),
        [(REPORT, OLD), (PLOTS[".png"], PNG), (PLOTS[".pdf"], PDF), (PLOTS[".svg"], SVG)],
    )
    def test_one_of_its_kind_is(self, tmp_path: Path, kind: Kind, old: bytes) -> None:
        path = tmp_path / "out"
        path.write_bytes(old)
        write(path, NEW, kind)
        assert path.read_bytes() == NEW
        assert list(tmp_path.iterdir()) == [path]

    @pytest.mark.parametrize("kind", [REPORT, *PLOTS.values()], ids=lambda kind: kind.name)
    @pytest.mark.parametrize("other", OTHERS.values(), ids=OTHERS)
    def test_anything_else_is_not(self, tmp_path: Path, kind: Kind, other: bytes) -> None:
        path = tmp_path / "out"
        path.write_bytes(other)
        assert kind.name in refused(path, kind)
        assert path.read_bytes() == other
        assert list(tmp_path.iterdir()) == [path]

    def test_an_image_is_no_image_of_another_format(self, tmp_path: Path) -> None:
        (tmp_path / "out").write_bytes(PNG)
        refused(tmp_path / "out", PLOTS[".svg"])

    def test_an_empty_file_is(self, tmp_path: Path) -> None:
        (tmp_path / "out").touch()
        write(tmp_path / "out", NEW, REPORT)
        assert (tmp_path / "out").read_bytes() == NEW

    @posix
    def test_permissions_stay(self, tmp_path: Path) -> None:
        path = tmp_path / "out"
        path.write_bytes(OLD)
        path.chmod(0o640)
        write(path, NEW, REPORT)
        assert path.stat().st_mode & 0o777 == 0o640

    def test_a_write_protected_file_is_not(self, tmp_path: Path, monkeypatch) -> None:
        path = tmp_path / "out"
        path.write_bytes(OLD)
        # Asked of the system, since the superuser may write to any.
        monkeypatch.setattr(os, "access", lambda *_: False)
        assert "write-protected" in refused(path)
        assert path.read_bytes() == OLD

    @posix
    def test_a_link_stays_one_and_its_file_is_replaced(self, tmp_path: Path) -> None:
        (tmp_path / "kept").mkdir()
        file, link = tmp_path / "kept" / "file", tmp_path / "link"
        file.write_bytes(OLD)
        link.symlink_to(file)
        write(link, NEW, REPORT)
        assert link.is_symlink()
        assert file.read_bytes() == NEW

    @pytest.mark.parametrize("present", [True, False])
    @pytest.mark.parametrize("name", ["log.db-wal", "LOG.db-wal"])
    def test_what_it_may_never_be_is_not(self, tmp_path: Path, present: bool, name: str) -> None:
        never = tmp_path / "log.db-wal"
        if present:
            never.touch()
        before = list(tmp_path.iterdir())
        assert "log" in refused(tmp_path / name, never=[never])
        assert list(tmp_path.iterdir()) == before

    @posix
    def test_nor_by_another_name(self, tmp_path: Path) -> None:
        log = tmp_path / "log.db"
        log.write_bytes(OLD)
        (tmp_path / "hard").hardlink_to(log)
        (tmp_path / "soft").symlink_to(log)
        for name in ("hard", "soft"):
            refused(tmp_path / name, never=[log])
        assert log.read_bytes() == OLD

    def test_what_came_while_it_was_written_is_not(self, tmp_path: Path, monkeypatch) -> None:
        path = tmp_path / "out"
        monkeypatch.setattr(os, "fsync", lambda _: path.write_bytes(OTHERS["log"]))
        refused(path)
        assert path.read_bytes() == OTHERS["log"]
        assert list(tmp_path.iterdir()) == [path]


class TestWhatCannotBeWritten:
    def test_a_folder(self, tmp_path: Path) -> None:
        assert "folder" in refused(tmp_path)

    def test_into_a_folder_that_is_not_there(self, tmp_path: Path) -> None:
        assert "make it first" in refused(tmp_path / "nowhere" / "out")

    def test_below_a_file(self, tmp_path: Path) -> None:
        (tmp_path / "file").write_bytes(OLD)
        refused(tmp_path / "file" / "out")

    @posix
    def test_a_link_that_leads_to_itself(self, tmp_path: Path) -> None:
        (tmp_path / "out").symlink_to("out")
        refused(tmp_path / "out", never=[tmp_path / "log.db"])

    @posix
    def test_a_device(self) -> None:
        assert "device" in refused(Path("/dev/full" if Path("/dev/full").exists() else "/dev/tty"))

    @posix
    def test_a_pipe_that_nobody_reads(self, tmp_path: Path) -> None:
        os.mkfifo(tmp_path / "pipe")
        assert "nobody reads" in refused(tmp_path / "pipe")


@posix
class TestStreams:
    def test_a_pipe_is_written_into(self, tmp_path: Path) -> None:
        os.mkfifo(tmp_path / "pipe")
        reader = os.open(tmp_path / "pipe", os.O_RDONLY | os.O_NONBLOCK)
        os.set_blocking(reader, True)
        found: list[bytes] = []
        # More than a pipe holds, so that the writer must wait for the reader.
        data = NEW * 2000

        def drain() -> None:
            while piece := os.read(reader, 2**16):
                found.append(piece)

        # The first bytes end the wait for a writer.
        write(tmp_path / "pipe", b"x", REPORT)
        holder = os.open(tmp_path / "pipe", os.O_WRONLY)
        draining = threading.Thread(target=drain)
        draining.start()
        write(tmp_path / "pipe", data, REPORT)
        os.close(holder)
        draining.join(10)
        os.close(reader)
        assert b"".join(found) == b"x" + data

    def test_the_null_device_takes_everything(self) -> None:
        write(Path(os.devnull), NEW, REPORT)
        assert not Path(os.devnull).is_file()


@posix
class TestFailures:
    @pytest.mark.parametrize("old", [None, OLD])
    def test_a_full_disk_leaves_what_was_there(self, tmp_path: Path, old: bytes | None) -> None:
        path = tmp_path / "out"
        if old is not None:
            path.write_bytes(old)
        with at_most(1000), pytest.raises(OutputError, match="out: could not be written"):
            write(path, NEW * 100, REPORT)
        assert [file.read_bytes() for file in tmp_path.iterdir()] == ([] if old is None else [old])

    def test_an_interruption_leaves_what_was_there(self, tmp_path: Path, monkeypatch) -> None:
        def interrupt(_: int) -> None:
            raise KeyboardInterrupt

        path = tmp_path / "out"
        path.write_bytes(OLD)
        monkeypatch.setattr(os, "fsync", interrupt)
        with pytest.raises(KeyboardInterrupt):
            write(path, NEW, REPORT)
        assert [file.read_bytes() for file in tmp_path.iterdir()] == [OLD]

    def test_a_killed_process_leaves_what_was_there(self, tmp_path: Path) -> None:
        path = tmp_path / "out"
        path.write_bytes(OLD)
        code = (
            "import os, signal, sys\n"
            "from pathlib import Path\n"
            "from sweeplab.output import REPORT, write\n"
            "os.fsync = lambda _: os.kill(os.getpid(), signal.SIGKILL)\n"
            "write(Path(sys.argv[1]), b'half', REPORT)\n"
        )
        done = subprocess.run([sys.executable, "-c", code, str(path)], timeout=60, check=False)
        assert done.returncode == -signal.SIGKILL
        assert path.read_bytes() == OLD

    def test_a_name_is_taken_once_all_is_written(self, tmp_path: Path) -> None:
        path = tmp_path / "out"
        with replacing(path) as partial:
            partial.write_bytes(b"half")
            assert not path.exists()
        assert path.read_bytes() == b"half"
