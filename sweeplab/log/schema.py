"""The log's file: its application id, its tables, and the migrations of older ones.

A migration is a tuple of statements. All pending ones run in one transaction together with their
records in the table ``migrations`` and with ``PRAGMA user_version``, so that a file is always of
exactly one version. An older file is first backed up; a newer one is not touched.
"""

from __future__ import annotations

import sqlite3
import struct
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from sweeplab.errors import LogError
from sweeplab.output import replacing
from sweeplab.version import __version__

APPLICATION_ID = 0x5357504C  # 'SWPL', at byte 68 of the file
BUSY_TIMEOUT_S = 60.0

# The header's layout: https://www.sqlite.org/fileformat.html, section 1.3.
_MAGIC = b"SQLite format 3\x00"
_HEADER_SIZE = 100
_USER_VERSION_AT = 60
_APPLICATION_ID_AT = 68


@dataclass(frozen=True)
class Migration:
    """One step from a version of the schema to the next: its name and statements."""

    name: str
    statements: tuple[str, ...]


MIGRATIONS: tuple[Migration, ...] = (
    Migration(
        "builds, changes, sweeps, readings",
        (
            """CREATE TABLE migrations (
                version INTEGER PRIMARY KEY,
                name TEXT NOT NULL,
                at TEXT NOT NULL,
                program_version TEXT NOT NULL)""",
            """CREATE TABLE builds (
                id INTEGER PRIMARY KEY,
                name TEXT NOT NULL UNIQUE,
                toml TEXT NOT NULL,
                added_at TEXT NOT NULL)""",
            """CREATE TABLE changes (
                id INTEGER PRIMARY KEY,
                before_id INTEGER NOT NULL REFERENCES builds (id),
                after_id INTEGER NOT NULL UNIQUE REFERENCES builds (id),
                why TEXT NOT NULL,
                at TEXT NOT NULL,
                CHECK (before_id <> after_id))""",
            """CREATE TABLE sweeps (
                id INTEGER PRIMARY KEY,
                sha256 TEXT NOT NULL UNIQUE CHECK (length(sha256) = 64),
                file TEXT NOT NULL,
                raw BLOB NOT NULL,
                read_with TEXT NOT NULL,
                taken TEXT,
                added_at TEXT NOT NULL,
                build_id INTEGER NOT NULL REFERENCES builds (id),
                setting TEXT,
                set_aside TEXT)""",
            "CREATE INDEX sweeps_of_build ON sweeps (build_id)",
            """CREATE TABLE readings (
                sweep_id INTEGER PRIMARY KEY REFERENCES sweeps (id),
                program_version TEXT NOT NULL,
                made_at TEXT NOT NULL,
                band TEXT NOT NULL,
                status TEXT NOT NULL CHECK (status IN ('ok', 'doubtful', 'refused')),
                reading TEXT NOT NULL,
                figures TEXT NOT NULL,
                shares TEXT NOT NULL)""",
            """CREATE TABLE events (
                id INTEGER PRIMARY KEY,
                sweep_id INTEGER NOT NULL REFERENCES sweeps (id),
                at TEXT NOT NULL,
                what TEXT NOT NULL,
                why TEXT NOT NULL)""",
            # Triggers protect the measurements from any program that opens the file.
            """CREATE TRIGGER builds_are_kept BEFORE DELETE ON builds
                BEGIN SELECT RAISE(ABORT, 'builds are never deleted'); END""",
            """CREATE TRIGGER builds_stay BEFORE UPDATE OF name, toml ON builds
                BEGIN SELECT RAISE(ABORT, 'a build is changed by adding another'); END""",
            """CREATE TRIGGER changes_are_kept BEFORE DELETE ON changes
                BEGIN SELECT RAISE(ABORT, 'changes are never deleted'); END""",
            """CREATE TRIGGER sweeps_are_kept BEFORE DELETE ON sweeps
                BEGIN SELECT RAISE(ABORT, 'sweeps are set aside, never deleted'); END""",
            """CREATE TRIGGER sweeps_stay BEFORE UPDATE OF sha256, raw ON sweeps
                BEGIN SELECT RAISE(ABORT, 'raw bytes stay as they came'); END""",
        ),
    ),
    Migration(
        "the resonance meant, and standards",
        (
            """CREATE TABLE standards (
                id INTEGER PRIMARY KEY,
                sha256 TEXT NOT NULL CHECK (length(sha256) = 64),
                file TEXT NOT NULL,
                raw BLOB NOT NULL,
                UNIQUE (sha256, file))""",
            "ALTER TABLE sweeps ADD COLUMN near_hz REAL",
            "ALTER TABLE sweeps ADD COLUMN open_id INTEGER REFERENCES standards (id)",
            "ALTER TABLE sweeps ADD COLUMN short_id INTEGER REFERENCES standards (id)",
            "ALTER TABLE sweeps ADD COLUMN load_id INTEGER REFERENCES standards (id)",
            """CREATE TRIGGER standards_are_kept BEFORE DELETE ON standards
                BEGIN SELECT RAISE(ABORT, 'standards are never deleted'); END""",
            """CREATE TRIGGER standards_stay BEFORE UPDATE ON standards
                BEGIN SELECT RAISE(ABORT, 'raw bytes stay as they came'); END""",
        ),
    ),
)


def now_utc() -> str:
    """Return the time as ISO 8601 in UTC, to the second."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[sqlite3.Connection]:
    """Hold the one write lock for a block: all of it is committed, or none."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield connection
        connection.execute("COMMIT")
    except BaseException:
        with suppress(sqlite3.Error):
            connection.execute("ROLLBACK")
        raise


def connect(path: Path, *, create: bool = False) -> sqlite3.Connection:
    """Open a log's file, made or brought up to date where needed.

    Raises
    ------
    LogError
        There is no such file, it is no sweeplab log, or a newer program made it.
    sqlite3.Error
        The disk or a lock stood in the way.
    """
    _check_file(path, create=create)
    mode = "rwc" if create else "rw"
    uri = f"{path.absolute().as_uri()}?mode={mode}"
    connection = sqlite3.connect(uri, uri=True, timeout=BUSY_TIMEOUT_S, isolation_level=None)
    try:
        connection.row_factory = sqlite3.Row
        connection.execute("PRAGMA foreign_keys = ON")
        # In WAL mode FULL waits for the disk at each commit: what was reported as added has
        # survived a power cut too.
        connection.execute("PRAGMA synchronous = FULL")
        if _version(connection) != len(MIGRATIONS):
            _migrate(connection, path)
        connection.execute("PRAGMA journal_mode = WAL")
    except BaseException:
        connection.close()
        raise
    return connection


def _check_file(path: Path, *, create: bool) -> None:
    """Refuse, from its first bytes and without opening it as a database, what is no log."""
    try:
        # Opening a pipe would wait for a writer.
        if path.exists() and not (path.is_file() or path.is_dir()):
            raise LogError(f"{path}: is a pipe or device, no sweeplab log; name a file")
        with path.open("rb") as file:
            header = file.read(_HEADER_SIZE)
    except FileNotFoundError:
        if not create:
            raise LogError(
                f"{path}: there is no log; make one with `sweeplab init`, or name another with "
                f"--log or SWEEPLAB_LOG"
            ) from None
        if not path.absolute().parent.is_dir():
            raise LogError(f"{path}: there is no such folder; make it first") from None
        _check_left_over(path, "-wal", "-journal")
        return
    except OSError as error:
        raise LogError(f"{path}: could not be opened: {error.strerror}") from None
    if not header:
        if not create:
            raise LogError(f"{path}: the file is empty; make a log of it with `sweeplab init`")
        # Not the journal: where making a log was cut short, it lies beside the empty file.
        _check_left_over(path, "-wal")
        return
    if len(header) < _HEADER_SIZE or not header.startswith(_MAGIC):
        raise LogError(f"{path}: this is no sweeplab log; name another file with --log")
    (version,) = struct.unpack_from(">i", header, _USER_VERSION_AT)
    (application_id,) = struct.unpack_from(">I", header, _APPLICATION_ID_AT)
    if application_id == APPLICATION_ID:
        _refuse_newer(path, version)
    elif application_id != 0 or version != 0:
        raise LogError(f"{path}: another program's database, no sweeplab log; it was left alone")


def _check_left_over(path: Path, *ends: str) -> None:
    """Refuse to make a log beside what SQLite would take for its own old pages, and delete."""
    for left in files_of(path)[1:]:
        if left.name.endswith(ends) and left.exists() and left.stat().st_size:
            raise LogError(
                f"{path}: {left.name} is left over of a log that was moved or removed, and may "
                f"hold what was added last; move it to where that log is"
            )


def _version(connection: sqlite3.Connection) -> int:
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def _refuse_newer(path: Path, version: int) -> None:
    if version > len(MIGRATIONS):
        raise LogError(
            f"{path}: a newer sweeplab made this log (schema {version}, this program knows "
            f"{len(MIGRATIONS)}); it was left alone: install a newer sweeplab"
        )


def _migrate(connection: sqlite3.Connection, path: Path) -> None:
    """Run the migrations that are due, all of them or none."""
    with transaction(connection):
        # Another process may have come first while this one waited for the lock.
        version = _version(connection)
        _refuse_newer(path, version)
        if version == 0:
            _check_empty(connection, path)
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        elif version < len(MIGRATIONS):
            back_up(path, f"schema{version}")
        for number, migration in enumerate(MIGRATIONS[version:], start=version + 1):
            for statement in migration.statements:
                connection.execute(statement)
            connection.execute(
                "INSERT INTO migrations (version, name, at, program_version) VALUES (?, ?, ?, ?)",
                (number, migration.name, now_utc(), __version__),
            )
        connection.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")


def _check_empty(connection: sqlite3.Connection, path: Path) -> None:
    if connection.execute("SELECT 1 FROM sqlite_master LIMIT 1").fetchone() is not None:
        raise LogError(f"{path}: another program's database, no sweeplab log; it was left alone")


def files_of(path: Path) -> tuple[Path, ...]:
    """Return the log's file and those that SQLite keeps beside it while the log is open."""
    whole = path.resolve()
    return whole, *(whole.with_name(whole.name + end) for end in ("-wal", "-shm", "-journal"))


def back_up(path: Path, label: str) -> Path:
    """Copy what is committed in a log to a new file beside it and return that file's path.

    The copy gets its name only once it is whole.
    """
    target = path.with_name(f"{path.name}.{label}.backup")
    count = 1
    while target.exists():
        count += 1
        target = path.with_name(f"{path.name}.{label}-{count}.backup")
    source = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)
    with (
        closing(source),
        replacing(target) as partial,
        closing(sqlite3.connect(partial)) as copy,
    ):
        source.backup(copy)
    return target
