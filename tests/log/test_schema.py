"""What a log's file is, and how files that are older, newer or something else are treated."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from log_samples import add, new_log

from sweeplab.errors import LogError
from sweeplab.log import Log, schema

ADD_COLUMN = schema.Migration("a place", ("ALTER TABLE sweeps ADD COLUMN place TEXT",))
BROKEN = schema.Migration("broken", ("ALTER TABLE builds ADD COLUMN x", "CREATE TABEL y (z)"))


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "sweeplab.db"


def pragma(path: Path, name: str) -> object:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(f"PRAGMA {name}").fetchone()[0]


def bytes_of(folder: Path) -> dict[str, bytes]:
    return {file.name: file.read_bytes() for file in folder.iterdir()}


class TestNewFile:
    def test_is_marked_as_ours_and_carries_its_version(self, path: Path) -> None:
        new_log(path).close()
        assert pragma(path, "application_id") == int.from_bytes(b"SWPL", "big")
        assert pragma(path, "user_version") == len(schema.MIGRATIONS)
        assert pragma(path, "journal_mode") == "wal"
        # The header alone says so too: SQLite file format, section 1.3, bytes 60 and 68.
        header = path.read_bytes()[:100]
        assert header[68:72] == b"SWPL"
        assert int.from_bytes(header[60:64], "big") == len(schema.MIGRATIONS)

    def test_every_migration_left_its_record(self, path: Path) -> None:
        new_log(path).close()
        with closing(sqlite3.connect(path)) as connection:
            rows = connection.execute("SELECT version, name FROM migrations").fetchall()
        expected = [(n, step.name) for n, step in enumerate(schema.MIGRATIONS, start=1)]
        assert rows == expected

    def test_upholds_references_and_waits_for_the_disk(self, path: Path) -> None:
        with closing(schema.connect(path, create=True)) as connection:
            assert connection.execute("PRAGMA foreign_keys").fetchone()[0] == 1
            assert connection.execute("PRAGMA synchronous").fetchone()[0] == 2

    def test_creating_twice_opens(self, path: Path) -> None:
        with new_log(path) as log:
            add(log)
        with new_log(path) as log:
            assert len(log.sweeps()) == 1


class TestRefused:
    def test_no_file_says_what_to_do_and_makes_none(self, path: Path) -> None:
        with pytest.raises(LogError, match="sweeplab init"):
            Log.open(path)
        assert not path.exists()

    def test_no_folder_is_one_line(self, tmp_path: Path) -> None:
        with pytest.raises(LogError, match="no such folder"):
            Log.open(tmp_path / "nowhere" / "sweeplab.db", create=True)

    @pytest.mark.skipif(os.name == "nt", reason="pipes with names and devices of POSIX")
    def test_a_pipe_and_a_device_are_one_line(self, path: Path) -> None:
        os.mkfifo(path)
        for name in (path, Path(os.devnull)):
            with pytest.raises(LogError, match="pipe or device"):
                Log.open(name, create=True)

    @pytest.mark.parametrize("emptied", [False, True])
    def test_what_was_added_last_outlives_a_log_moved_without_it(
        self, path: Path, emptied: bool
    ) -> None:
        with closing(schema.connect(path, create=True)) as connection:
            connection.execute("CREATE TABLE x (y)")
            wal = path.with_name("sweeplab.db-wal")
            added = wal.read_bytes()
            moved = path.rename(path.with_name("moved.db"))
            if emptied:
                path.touch()
            with pytest.raises(LogError, match=r"sweeplab\.db-wal is left over"):
                Log.open(path, create=True)
            assert wal.read_bytes() == added
            assert added
        assert moved.is_file()

    def test_a_log_whose_making_was_cut_short_can_be_made(self, path: Path) -> None:
        # SQLite's journal of a file that holds nothing yet: https://www.sqlite.org/fileformat.html,
        # section 3, "the rollback journal".
        path.touch()
        path.with_name("sweeplab.db-journal").write_bytes(bytes.fromhex("d9d505f920a163d7"))
        Log.open(path, create=True).close()

    def test_a_folder_is_one_line(self, tmp_path: Path) -> None:
        with pytest.raises(LogError, match="could not be opened"):
            Log.open(tmp_path)

    @pytest.mark.parametrize("create", [False, True])
    @pytest.mark.parametrize(
        "content", [b"# HZ S RI R 50\n", b"SQLite format 3\x00", b"\x00" * 200]
    )
    def test_a_file_of_another_kind_is_left_alone(
        self, path: Path, content: bytes, create: bool
    ) -> None:
        path.write_bytes(content)
        with pytest.raises(LogError, match="no sweeplab log") as error:
            Log.open(path, create=create)
        assert "\n" not in str(error.value)
        assert bytes_of(path.parent) == {path.name: content}

    @pytest.mark.parametrize("mark", ["", "PRAGMA application_id = 77", "PRAGMA user_version = 1"])
    def test_another_programs_database_is_left_alone(self, path: Path, mark: str) -> None:
        with closing(sqlite3.connect(path)) as connection:
            connection.execute("CREATE TABLE sweeps (mine TEXT)")
            connection.execute(mark)
        before = bytes_of(path.parent)
        with pytest.raises(LogError, match="another program's database"):
            Log.open(path, create=True)
        assert bytes_of(path.parent) == before

    def test_an_empty_file_is_made_a_log_only_on_request(self, path: Path) -> None:
        path.touch()
        with pytest.raises(LogError, match="empty"):
            Log.open(path)
        assert path.read_bytes() == b""
        Log.open(path, create=True).close()
        Log.open(path).close()

    @pytest.mark.parametrize("create", [False, True])
    def test_a_newer_log_is_left_untouched(
        self, path: Path, monkeypatch: pytest.MonkeyPatch, create: bool
    ) -> None:
        monkeypatch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, ADD_COLUMN))
        new_log(path).close()
        monkeypatch.undo()
        before = bytes_of(path.parent)
        with pytest.raises(LogError, match="newer sweeplab"):
            Log.open(path, create=create)
        assert bytes_of(path.parent) == before

    def test_a_log_held_by_another_program_is_one_line(
        self, path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        new_log(path).close()
        monkeypatch.setattr(schema, "BUSY_TIMEOUT_S", 0.05)
        with closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            with Log.open(path) as log, pytest.raises(LogError, match="close that") as error:
                add(log)
        assert "\n" not in str(error.value)

    @pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
    def test_a_folder_without_rights_is_one_line(self, tmp_path: Path) -> None:
        folder = tmp_path / "locked"
        folder.mkdir(mode=0o500)
        with pytest.raises(LogError, match="check the disk and the rights"):
            Log.open(folder / "sweeplab.db", create=True)


class TestOlder:
    def test_is_migrated_after_a_backup_next_to_it(
        self, path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        with new_log(path) as log:
            add(log)
        old = len(schema.MIGRATIONS)
        monkeypatch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, ADD_COLUMN))
        with Log.open(path) as log:
            assert [sweep.file for sweep in log.sweeps()] == ["sweep-1.s1p"]
        assert pragma(path, "user_version") == old + 1
        (backup,) = path.parent.glob("*.backup")
        assert pragma(backup, "user_version") == old
        monkeypatch.undo()
        with Log.open(backup) as log:
            assert [sweep.file for sweep in log.sweeps()] == ["sweep-1.s1p"]

    def test_a_second_backup_does_not_take_the_place_of_the_first(self, path: Path) -> None:
        new_log(path).close()
        assert schema.back_up(path, "schema1") != schema.back_up(path, "schema1")
        assert len(list(path.parent.glob("*.backup"))) == 2
        assert not list(path.parent.glob("*.partial"))

    def test_a_migration_that_fails_leaves_the_log_as_it_was(
        self, path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        with new_log(path) as log:
            add(log)
        old = len(schema.MIGRATIONS)
        monkeypatch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, ADD_COLUMN, BROKEN))
        with pytest.raises(LogError, match="syntax error"):
            Log.open(path)
        monkeypatch.undo()
        assert pragma(path, "user_version") == old
        with Log.open(path) as log:
            assert log.verify() == []
            assert len(log.sweeps()) == 1
