"""The log: what was built, changed and measured, in one SQLite file."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any

from sweeplab.errors import LogError
from sweeplab.log import calibration_files, schema, serialize
from sweeplab.log.database import Database, errors_of
from sweeplab.log.rows import Added, Event, StoredBuild, StoredChange, StoredSweep
from sweeplab.version import __version__

if TYPE_CHECKING:
    from sweeplab.builds import Build
    from sweeplab.finding import Finding
    from sweeplab.log.calibration_files import Standards
    from sweeplab.reading import Reading
    from sweeplab.record import Record
    from sweeplab.sweep import Sweep

_SWEEP = """SELECT s.id, s.file, s.sha256, s.taken, s.added_at, b.name AS build, s.setting,
    r.band, r.status, s.set_aside, r.program_version
    FROM sweeps s JOIN builds b ON b.id = s.build_id JOIN readings r ON r.sweep_id = s.id"""
_RECORD = _SWEEP.replace("r.program_version", "r.program_version, r.figures, r.shares")


class Log(Database):
    """A log, open. Use it as a context manager.

    Every write is one transaction, on the disk when the method returns; a second process may
    write to the same file, each waits for the other. Nothing is ever deleted.
    """

    # Builds and changes

    def add_build(self, build: Build) -> bool:
        """Add a build and return whether it was new. The same build twice is one.

        Raises
        ------
        LogError
            Another description goes by that name.
        """
        with self._writing():
            return self._insert_build(build)

    def change(self, old: str, new: str, settings: Mapping[str, str], why: str) -> StoredChange:
        """Add the build `new`: the build `old` with `settings` changed, and why.

        Parameters
        ----------
        old, new : str
            Names of the builds.
        settings : mapping of str to str
            Dotted key to value as text, such as ``{'feed.circumference': '0.70 m'}``. Empty
            where the description stays the same, as when a joint was cleaned.
        why : str

        Raises
        ------
        LogError
            There is no build `old`, or `new` is taken.
        BuildError
            The change does not hold.
        """
        after = self.build(old).with_changes({**settings, "name": new})
        with self._writing() as connection:
            if not self._insert_build(after):
                raise LogError(f"build {new!r} is in the log already; choose another name")
            cursor = connection.execute(
                "INSERT INTO changes (before_id, after_id, why, at) VALUES (?, ?, ?, ?)",
                (self._build_id(old), self._build_id(new), serialize.clean(why), schema.now_utc()),
            )
            number = cursor.lastrowid
        return next(change for change in self.changes() if change.id == number)

    def builds(self) -> list[StoredBuild]:
        """Return the builds in the order they were added."""
        rows = self._rows("SELECT name, toml, added_at FROM builds ORDER BY id")
        return [StoredBuild(**row) for row in rows]

    def build(self, name: str) -> Build:
        """Return a build by its name; LogError where there is no such build."""
        from sweeplab.builds import Build

        rows = self._rows("SELECT toml FROM builds WHERE name = ?", name)
        if not rows:
            raise self._no_build(name)
        return Build.from_toml(rows[0]["toml"], path=f"{self.path} (build {name})")

    def changes(self) -> list[StoredChange]:
        """Return the changes in the order they were made."""
        rows = self._rows(
            """SELECT c.id, before.name AS before, after.name AS after, c.why, c.at FROM changes c
            JOIN builds before ON before.id = c.before_id
            JOIN builds after ON after.id = c.after_id ORDER BY c.id"""
        )
        return [StoredChange(**row) for row in rows]

    # Sweeps

    def add(
        self,
        sweep: Sweep,
        raw: bytes,
        reading: Reading,
        build: Build | str,
        setting: str | None = None,
        *,
        columns: Sequence[str] | None = None,
        z0_ohm: float | None = None,
        port: int | None = None,
        near_hz: float | None = None,
        standards: Standards | None = None,
    ) -> Added:
        """Add a sweep with its reading; on the disk when this returns.

        Parameters
        ----------
        sweep : Sweep
            Its origin gives file and time.
        raw : bytes
            The file's bytes, kept verbatim.
        reading : Reading
        build : Build or str
            The build it was taken on, or that build's name.
        setting : str or None
            The build's setting.
        columns, z0_ohm, port : optional
            The reader's options, so that the bytes can be read again.
        near_hz, standards : optional
            Frequency near the resonance that was meant [Hz]; files of the calibration applied.

        Raises
        ------
        LogError
            The build is not in the log, or the same bytes are there under another build or
            setting, or read with another `near_hz` or other `standards`.
        """
        name = build if isinstance(build, str) else build.name
        sha256 = hashlib.sha256(raw).hexdigest()
        options = {"columns": columns and list(columns), "z0_ohm": z0_ohm}
        # Left out where not given, so that what a log holds does not change for most.
        options |= {} if port is None else {"port": port}
        file = sweep.origin.file
        with self._writing() as connection:
            build_id = self._build_id(name)
            if same := self._sweeps_where("s.sha256 = ?", sha256):
                _check_same_build(same[0], file, name, setting)
                calibration_files.check_same(connection, same[0], file, near_hz, standards)
                return Added(same[0].id, sha256, new=False)
            sweep_id = self._insert_sweep(sweep, raw, serialize.pack(options), build_id, setting)
            calibration_files.store(connection, sweep_id, near_hz, standards)
            self._put_reading(sweep_id, reading)
        return Added(sweep_id, sha256, new=True)

    def sweeps(self, build: str | None = None, band: str | None = None) -> list[StoredSweep]:
        """Return the sweeps, those set aside too, in the order they were added."""
        if build is not None:
            self._build_id(build)
        return self._sweeps_where(
            "(?1 IS NULL OR b.name = ?1) AND (?2 IS NULL OR r.band = ?2)", build, band
        )

    def sweep(self, sweep_id: int) -> StoredSweep:
        """Return one sweep by its number; LogError where there is no such sweep."""
        found = self._sweeps_where("s.id = ?", sweep_id)
        if not found:
            raise LogError(
                f"there is no sweep {sweep_id} in {self.path}; `sweeplab list` shows all"
            )
        return found[0]

    def find(self, raw: bytes) -> StoredSweep | None:
        """Return the sweep whose bytes these are, where it is in the log."""
        found = self._sweeps_where("s.sha256 = ?", hashlib.sha256(raw).hexdigest())
        return found[0] if found else None

    def raw(self, sweep_id: int) -> bytes:
        """Return a sweep's bytes as its file had them."""
        self.sweep(sweep_id)
        return bytes(self._rows("SELECT raw FROM sweeps WHERE id = ?", sweep_id)[0]["raw"])

    def reading(self, sweep_id: int) -> dict[str, Any]:
        """Return a sweep's reading as the JSON contract of ``read`` has it."""
        self.sweep(sweep_id)
        rows = self._rows("SELECT reading FROM readings WHERE sweep_id = ?", sweep_id)
        return serialize.unpack(rows[0]["reading"])

    def records(
        self, build: str | None = None, band: str | None = None, *, set_aside: bool = False
    ) -> list[Record]:
        """Return sweeps as plain records for comparison, in the order they were added.

        Parameters
        ----------
        build, band : str or None
            Only those of this build, of this band.
        set_aside : bool
            Those set aside too; a record says that it is.
        """
        if build is not None:
            self._build_id(build)
        rows = self._rows(
            f"""{_RECORD} WHERE (?1 IS NULL OR b.name = ?1) AND (?2 IS NULL OR r.band = ?2)
            AND (?3 OR s.set_aside IS NULL) ORDER BY s.id""",
            build,
            band,
            set_aside,
        )
        return [serialize.unpack_record(row) for row in rows]

    # Corrections of a sweep's entry

    def set_aside(self, sweep_id: int, why: str) -> None:
        """Exclude a sweep from all figures. It stays in the log, and can be restored."""
        if not why.strip():
            raise LogError(f"sweep {sweep_id} was not set aside: say why")
        self.sweep(sweep_id)
        with self._writing() as connection:
            connection.execute(
                "UPDATE sweeps SET set_aside = ? WHERE id = ?", (serialize.clean(why), sweep_id)
            )
            self._note(sweep_id, "set aside", why)

    def restore(self, sweep_id: int, why: str = "") -> None:
        """Include a sweep again that was set aside."""
        self.sweep(sweep_id)
        with self._writing() as connection:
            connection.execute("UPDATE sweeps SET set_aside = NULL WHERE id = ?", (sweep_id,))
            self._note(sweep_id, "taken back", why)

    def reassign(
        self, sweep_id: int, reading: Reading, build: Build | str, setting: str | None, why: str
    ) -> None:
        """Move a sweep to the build or setting it was really taken on, with its new reading."""
        old = self.sweep(sweep_id)
        name = build if isinstance(build, str) else build.name
        with self._writing() as connection:
            connection.execute(
                "UPDATE sweeps SET build_id = ?, setting = ? WHERE id = ?",
                (self._build_id(name), setting, sweep_id),
            )
            self._put_reading(sweep_id, reading)
            self._note(sweep_id, f"moved from {_build_text(old.build, old.setting)}", why)

    def events(self) -> list[Event]:
        """Return the corrections of sweeps' entries, in order."""
        rows = self._rows("SELECT sweep_id, at, what, why FROM events ORDER BY id")
        return [Event(**row) for row in rows]

    # Readings recomputed, and checks

    def stale(self) -> list[StoredSweep]:
        """Return the sweeps whose readings another version of sweeplab made."""
        return self._sweeps_where("r.program_version <> ?", __version__)

    def reader_options(self, sweep_id: int) -> dict[str, Any]:
        """Return the reader's options: ``columns``, ``z0_ohm``, ``port``."""
        self.sweep(sweep_id)
        rows = self._rows("SELECT read_with FROM sweeps WHERE id = ?", sweep_id)
        return serialize.unpack(rows[0]["read_with"])

    def reading_options(self, sweep_id: int) -> dict[str, Any]:
        """Return the options of `take_reading`: ``near_hz`` and ``calibration``, where given."""
        self.sweep(sweep_id)
        with errors_of(self.path):
            near_hz, standards = calibration_files.load(self._connection, sweep_id)
        options: dict[str, Any] = {} if near_hz is None else {"near_hz": near_hz}
        if standards is not None:
            options["calibration"] = standards.calibration()
        return options

    def replace_reading(self, sweep_id: int, reading: Reading) -> None:
        """Replace a sweep's reading by a recomputed one."""
        self.sweep(sweep_id)
        with self._writing():
            self._put_reading(sweep_id, reading)

    def verify(self) -> list[Finding]:
        """Check the file, the references and every sweep's bytes; return what is wrong."""
        from sweeplab.log.verify import verify

        with errors_of(self.path):
            return verify(self._connection)

    def _insert_build(self, build: Build) -> bool:
        toml = build.to_toml()
        rows = self._rows("SELECT toml FROM builds WHERE name = ?", build.name)
        if rows:
            if rows[0]["toml"] != toml:
                raise LogError(
                    f"build {build.name!r} is in the log with another description; record the "
                    f"difference with `sweeplab build change {build.name} NEW --set key=value "
                    f"--why TEXT`, or give this one another name"
                )
            return False
        self._connection.execute(
            "INSERT INTO builds (name, toml, added_at) VALUES (?, ?, ?)",
            (build.name, toml, schema.now_utc()),
        )
        return True

    def _build_id(self, name: str) -> int:
        rows = self._rows("SELECT id FROM builds WHERE name = ?", name)
        if not rows:
            raise self._no_build(name)
        return int(rows[0]["id"])

    def _no_build(self, name: str) -> LogError:
        names = [build.name for build in self.builds()]
        near = get_close_matches(name, names, n=1)
        if near:
            hint = f"did you mean {near[0]!r}?"
        elif names:
            hint = f"there are {', '.join(names)}"
        else:
            hint = "there are none yet: `sweeplab build add FILE.toml` adds one"
        return LogError(f"there is no build {name!r} in {self.path}; {hint}")

    def _insert_sweep(
        self, sweep: Sweep, raw: bytes, read_with: str, build_id: int, setting: str | None
    ) -> int:
        values = {
            "sha256": hashlib.sha256(raw).hexdigest(),
            "file": serialize.clean(sweep.origin.file),
            "raw": raw,
            "read_with": read_with,
            "taken": sweep.origin.taken,
            "added_at": schema.now_utc(),
            "build_id": build_id,
            "setting": setting,
        }
        cursor = self._connection.execute(
            f"INSERT INTO sweeps ({', '.join(values)}) VALUES ({', '.join('?' * len(values))})",
            tuple(values.values()),
        )
        return int(cursor.lastrowid or 0)

    def _put_reading(self, sweep_id: int, reading: Reading) -> None:
        self._connection.execute(
            "INSERT OR REPLACE INTO readings VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (sweep_id, __version__, schema.now_utc(), *serialize.pack_reading(reading)),
        )

    def _note(self, sweep_id: int, what: str, why: str) -> None:
        self._connection.execute(
            "INSERT INTO events (sweep_id, at, what, why) VALUES (?, ?, ?, ?)",
            (sweep_id, schema.now_utc(), what, serialize.clean(why)),
        )

    def _sweeps_where(self, condition: str, *values: Any) -> list[StoredSweep]:
        rows = self._rows(f"{_SWEEP} WHERE {condition} ORDER BY s.id", *values)
        return [StoredSweep(**row) for row in rows]


def _build_text(build: str, setting: str | None) -> str:
    return f"build {build!r}" if setting is None else f"build {build!r}, setting {setting!r}"


def _check_same_build(stored: StoredSweep, file: str, build: str, setting: str | None) -> None:
    if (stored.build, stored.setting) != (build, setting):
        before = _build_text(stored.build, stored.setting)
        raise LogError(
            f"{file}: these bytes are already sweep {stored.id} ({stored.file}) of {before}; it "
            f"was not added to {_build_text(build, setting)}"
        )
