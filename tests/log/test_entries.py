"""A log's entries: their order, the conditions of each list, the sentences of each refusal."""

from __future__ import annotations

import hashlib
import re
import sqlite3
import struct
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from log_samples import a_build, a_reading, a_sweep, add, new_log, raw_bytes

from sweeplab import __version__
from sweeplab.builds import Build
from sweeplab.errors import LogError
from sweeplab.estimate import Estimate
from sweeplab.finding import Finding
from sweeplab.log import Log, Standard, Standards, refit, schema, serialize
from sweeplab.log.calibration_files import check_same

TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ")


@pytest.fixture
def log(tmp_path: Path) -> Log:
    with new_log(tmp_path / "sweeplab.db") as log:
        yield log


def by_hand(log: Log, *statements: str) -> None:
    """Change the file behind the log's back."""
    with closing(sqlite3.connect(log.path)) as connection:
        for statement in statements:
            connection.execute(statement)
        connection.commit()


class TestBuilds:
    def test_are_listed_in_the_order_added_with_text_and_time(self, log: Log) -> None:
        assert log.add_build(a_build("another"))
        stored = log.builds()
        assert [build.name for build in stored] == ["quay-1", "another"]
        assert stored[0].toml == a_build().to_toml()
        assert all(TIME.fullmatch(build.added_at) for build in stored)

    def test_one_that_is_there_is_not_new(self, log: Log) -> None:
        assert not log.add_build(a_build())
        assert len(log.builds()) == 1

    @pytest.mark.parametrize(
        ("names", "asked", "hint"),
        [
            (("quay-1", "roof"), "quay-l", "did you mean 'quay-1'?"),
            (("quay-1", "roof"), "garden", "there are quay-1, roof"),
            ((), "garden", "there are none yet: `sweeplab build add FILE.toml` adds one"),
        ],
    )
    def test_one_that_is_not_there_has_a_hint(
        self, tmp_path: Path, names: tuple[str, ...], asked: str, hint: str
    ) -> None:
        with Log.open(tmp_path / "other.db", create=True) as log:
            for name in names:
                log.add_build(a_build(name))
            for look_up in (log.build, log.sweeps, log.records):
                with pytest.raises(LogError) as error:
                    look_up(asked)
                line = f"there is no build {asked!r} in {log.path}; {hint}"
                assert str(error.value) == line

    def test_changes_are_listed_in_order_with_both_ends_and_why(self, log: Log) -> None:
        first = log.change("quay-1", "quay-2", {"loop.circumference": "3.3 m"}, "longer")
        second = log.change("quay-2", "quay-3", {}, "joint cleaned")
        assert log.changes() == [first, second]
        assert (first.before, first.after, first.why) == ("quay-1", "quay-2", "longer")
        assert (second.before, second.after, second.why) == ("quay-2", "quay-3", "joint cleaned")
        assert first.id < second.id
        assert TIME.fullmatch(first.at)

    def test_a_change_to_a_taken_name_is_refused(self, log: Log) -> None:
        log.change("quay-1", "quay-2", {}, "once")
        with pytest.raises(LogError, match="'quay-2' is in the log already"):
            log.change("quay-1", "quay-2", {}, "twice")
        assert len(log.changes()) == 1


class TestSweeps:
    @pytest.fixture
    def filled(self, log: Log) -> Log:
        log.add_build(a_build("quay-2"))
        add(log, 1, band="40m")
        add(log, 2, band="20m")
        add(log, 3, "quay-2", band="40m")
        log.set_aside(1, "loose")
        return log

    @pytest.mark.parametrize(
        ("build", "band", "found"),
        [
            (None, None, [1, 2, 3]),
            ("quay-1", None, [1, 2]),
            (None, "40m", [1, 3]),
            ("quay-1", "40m", [1]),
            ("quay-2", "20m", []),
        ],
    )
    def test_are_picked_by_build_and_band_together(
        self, filled: Log, build: str | None, band: str | None, found: list[int]
    ) -> None:
        assert [sweep.id for sweep in filled.sweeps(build, band)] == found
        assert [one.sweep_id for one in filled.records(build, band, set_aside=True)] == found
        counting = [number for number in found if number != 1]
        assert [one.sweep_id for one in filled.records(build, band)] == counting

    def test_a_record_has_what_its_entry_has(self, filled: Log) -> None:
        first, second, third = filled.records(set_aside=True)
        assert (first.set_aside, second.set_aside) == ("loose", None)
        assert (third.build, third.band, third.file) == ("quay-2", "40m", "sweep-3.s1p")
        assert third.taken == "2024-05-01T10:00:00Z"
        assert third.program_version == __version__
        assert third.shares == {"q_unloaded": {"fit": 3.0}}

    @pytest.mark.parametrize(
        "asked", ["sweep", "raw", "reading", "restore", "reader_options", "reading_options"]
    )
    def test_an_unknown_number_is_refused_wherever_it_is_asked_for(
        self, filled: Log, asked: str
    ) -> None:
        line = re.escape(f"there is no sweep 9 in {filled.path}; `sweeplab list` shows all")
        with pytest.raises(LogError, match=line):
            getattr(filled, asked)(9)
        assert len(filled.events()) == 1

    def test_an_unknown_number_is_not_corrected(self, filled: Log) -> None:
        for correct in (
            lambda: filled.set_aside(9, "why"),
            lambda: filled.replace_reading(9, a_reading()),
            lambda: filled.reassign(9, a_reading(), "quay-2", None, "why"),
        ):
            with pytest.raises(LogError, match="there is no sweep 9"):
                correct()

    def test_are_found_by_their_bytes_alone(self, filled: Log) -> None:
        found = filled.find(raw_bytes(2))
        assert found is not None
        assert found.id == 2
        assert filled.find(raw_bytes(8)) is None

    def test_the_same_bytes_elsewhere_name_both_places(self, filled: Log) -> None:
        sweep = a_sweep(2)
        with pytest.raises(LogError) as error:
            filled.add(sweep, raw_bytes(2), a_reading(), "quay-2", "one section")
        assert str(error.value) == (
            "sweep-2.s1p: these bytes are already sweep 2 (sweep-2.s1p) of build 'quay-1'; it was "
            "not added to build 'quay-2', setting 'one section'"
        )

    def test_options_of_the_reader_are_kept_and_a_port_only_where_given(self, filled: Log) -> None:
        sweep, raw = a_sweep(7), raw_bytes(7)
        added = filled.add(sweep, raw, a_reading(), "quay-1", columns=("f", "r"), z0_ohm=75.0)
        assert filled.reader_options(added.id) == {"columns": ["f", "r"], "z0_ohm": 75.0}
        assert filled.reader_options(1) == {"columns": None, "z0_ohm": None}
        added = filled.add(a_sweep(8), raw_bytes(8), a_reading(), a_build(), port=2)
        assert filled.reader_options(added.id) == {"columns": None, "z0_ohm": None, "port": 2}

    def test_a_reading_comes_back_and_can_be_replaced(self, filled: Log) -> None:
        assert filled.reading(1) == {"status": "ok", "findings": []}
        filled.replace_reading(1, a_reading(status="doubtful", band="60m"))
        assert filled.reading(1)["status"] == "doubtful"
        assert (filled.sweep(1).status, filled.sweep(1).band) == ("doubtful", "60m")
        assert filled.sweep(2).status == "ok"


class TestCorrections:
    def test_leave_an_event_each_in_order(self, log: Log) -> None:
        log.add_build(a_build("quay-2"))
        add(log, 1)
        add(log, 2)
        log.set_aside(1, "loose cable")
        assert log.sweep(1).set_aside == "loose cable"
        assert log.sweep(2).set_aside is None
        log.restore(1, "it was not")
        assert log.sweep(1).set_aside is None
        log.reassign(1, a_reading(status="doubtful"), "quay-2", "one", "wrong build")
        log.reassign(1, a_reading(), a_build(), None, "right after all")
        assert [(event.sweep_id, event.what, event.why) for event in log.events()] == [
            (1, "set aside", "loose cable"),
            (1, "taken back", "it was not"),
            (1, "moved from build 'quay-1'", "wrong build"),
            (1, "moved from build 'quay-2', setting 'one'", "right after all"),
        ]
        assert all(TIME.fullmatch(event.at) for event in log.events())

    def test_a_move_takes_build_setting_and_reading(self, log: Log) -> None:
        log.add_build(a_build("quay-2"))
        add(log, 1)
        add(log, 2)
        log.reassign(1, a_reading(status="doubtful"), "quay-2", "one", "wrong build")
        moved = log.sweep(1)
        assert (moved.build, moved.setting, moved.status) == ("quay-2", "one", "doubtful")
        other = log.sweep(2)
        assert (other.build, other.setting, other.status) == ("quay-1", None, "ok")

    @pytest.mark.parametrize("why", ["", "  "])
    def test_without_a_reason_nothing_is_set_aside(self, log: Log, why: str) -> None:
        add(log)
        with pytest.raises(LogError, match="sweep 1 was not set aside: say why"):
            log.set_aside(1, why)
        assert log.sweep(1).set_aside is None
        assert log.events() == []


class TestReadingsOfAnotherVersion:
    def test_are_listed_and_counted(self, log: Log) -> None:
        for number in (1, 2, 3):
            add(log, number)
        assert log.stale() == []
        by_hand(log, "UPDATE readings SET program_version = '0' WHERE sweep_id IN (1, 3)")
        assert [sweep.id for sweep in log.stale()] == [1, 3]
        (finding,) = log.verify()
        assert (finding.code, finding.level) == ("log-stale", "note")
        assert finding.text == "2 readings were made by another version of sweeplab"
        assert finding.evidence == {"readings": 2, "version": __version__}


class TestRefit:
    def test_of_a_computation_that_breaks_off_keeps_the_old_reading(
        self, log: Log, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        for number in (1, 2):
            add(log, number)
        broken = Finding(code="unforeseen", level="problem", text="it broke off", action="")
        outcomes: dict[int, Any] = {1: SimpleNamespace(unforeseen=broken), 2: a_reading(band="6m")}
        monkeypatch.setattr(refit, "recompute", lambda _, number: outcomes[number])
        result = refit.refit_readings(log, (1, 2))
        assert result.done == (2,)
        (failure,) = result.failed
        assert (failure.code, failure.level) == ("log-unreadable", "warning")
        assert failure.text == (
            "sweep 1 could not be read again and keeps its old reading: it broke off"
        )
        assert failure.evidence == {"sweep": 1}
        assert [sweep.band for sweep in log.sweeps()] == ["40m", "6m"]

    def test_of_none_named_takes_the_stale_alone(
        self, log: Log, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        for number in (1, 2):
            add(log, number)
        by_hand(log, "UPDATE readings SET program_version = '0' WHERE sweep_id = 2")
        monkeypatch.setattr(refit, "recompute", lambda *_: a_reading())
        assert refit.refit_readings(log).done == (2,)
        assert refit.refit_readings(log).done == ()
        assert refit.refit_readings(log, []).done == ()


class TestVerify:
    def test_names_sweeps_without_a_reading_in_order(self, log: Log) -> None:
        for number in (1, 2, 3):
            add(log, number)
        by_hand(log, "DELETE FROM readings WHERE sweep_id <> 2")
        found = log.verify()
        assert [finding.text for finding in found] == [
            "sweep 1 has no reading",
            "sweep 3 has no reading",
        ]
        assert [finding.evidence for finding in found] == [{"sweep": 1}, {"sweep": 3}]
        assert {(one.code, one.level) for one in found} == {("log-reference", "problem")}
        assert all(finding.action.startswith("stop adding") for finding in found)

    def test_names_row_and_table_of_a_broken_reference(self, log: Log) -> None:
        add(log)
        by_hand(log, "UPDATE sweeps SET build_id = 99")
        (finding,) = log.verify()
        assert finding.text == ("row 1 of table sweeps points to a row of builds that is not there")
        assert finding.evidence == {"table": "sweeps"}

    def test_names_the_changed_file_with_both_hashes_before_notes(self, log: Log) -> None:
        add(log, 1)
        add(log, 2)
        by_hand(
            log,
            "DROP TRIGGER sweeps_stay",
            "UPDATE sweeps SET raw = x'00' WHERE id = 2",
            "UPDATE readings SET program_version = '0'",
        )
        changed, stale = log.verify()
        assert (changed.code, changed.level, stale.level) == ("log-bytes", "problem", "note")
        assert changed.text == "sweep 2 (sweep-2.s1p): its bytes are not those that were added"
        assert changed.evidence == {
            "sha256": hashlib.sha256(raw_bytes(2)).hexdigest(),
            "found": hashlib.sha256(b"\0").hexdigest(),
        }

    def test_names_a_changed_standard(self, log: Log) -> None:
        files = [Standard(f"{name}.s1p", raw_bytes(20 + i)) for i, name in enumerate("osl")]
        log.add(a_sweep(), raw_bytes(1), a_reading(), "quay-1", standards=Standards(*files))
        assert log.verify() == []
        by_hand(log, "DROP TRIGGER standards_stay", "UPDATE standards SET raw = x'00' WHERE id = 2")
        (finding,) = log.verify()
        assert finding.text == "standard s.s1p: its bytes are not those that were added"
        assert finding.evidence["sha256"] == hashlib.sha256(raw_bytes(21)).hexdigest()
        assert (finding.code, finding.level) == ("log-bytes", "problem")


class TestCalibrationOfASweep:
    def standards(self, number: int = 20) -> Standards:
        return Standards(
            *(Standard(f"{n}.s1p", raw_bytes(number + i)) for i, n in enumerate("osl"))
        )

    def test_is_open_short_load_in_their_order(self, log: Log) -> None:
        log.add(a_sweep(), raw_bytes(1), a_reading(), "quay-1", standards=self.standards())
        calibration = log.reading_options(1)["calibration"]
        files = [s.origin.file for s in (calibration.open, calibration.short, calibration.load)]
        assert files == ["o.s1p", "s.s1p", "l.s1p"]
        assert "near_hz" not in log.reading_options(1)

    @pytest.mark.parametrize(
        ("near_hz", "number", "refused"),
        [
            (None, None, False),
            (7.1e6, None, False),
            (None, 20, False),
            (7.1e6, 20, False),
            (7.2e6, None, True),
            (7.2e6, 20, True),
            (None, 30, True),
            (7.1e6, 30, True),
        ],
    )
    def test_must_be_the_same_where_given_again(
        self, log: Log, near_hz: float | None, number: int | None, refused: bool
    ) -> None:
        given = None if number is None else self.standards(number)
        raw = raw_bytes(1)
        log.add(a_sweep(), raw, a_reading(), "quay-1", near_hz=7.1e6, standards=self.standards())
        if not refused:
            check_same(log._connection, log.sweep(1), "again.s1p", near_hz, given)
            return
        with pytest.raises(LogError) as error:
            check_same(log._connection, log.sweep(1), "again.s1p", near_hz, given)
        assert str(error.value) == (
            "again.s1p: these bytes are already sweep 1 (sweep-1.s1p), read with another --near or "
            "other standards; that sweep was left as it is"
        )


class TestSerialized:
    def test_what_is_not_finite_becomes_null_at_any_depth(self) -> None:
        value = {"a": [1.5, float("nan")], "b": {"c": float("inf")}, "d": (True, None, "x", 3)}
        assert serialize.pack(value) == '{"a":[1.5,null],"b":{"c":null},"d":[true,null,"x",3]}'

    def test_figures_that_are_not_finite_are_left_out_with_their_shares(self) -> None:
        values = {"a": Estimate.normal(1.0, 0.1), "b": Estimate(1.0, 0.1, 0.0, float("inf"))}
        band, status, _, figures, shares = serialize.pack_reading(a_reading(values=values))
        assert (band, status) == ("40m", "ok")
        assert set(serialize.unpack(figures)) == set(serialize.unpack(shares)) == {"a"}

    def test_text_that_is_no_utf_8_is_escaped(self) -> None:
        assert serialize.clean("käse-\udcff.s1p") == "käse-\\udcff.s1p"


class TestFile:
    def test_time_is_utc_to_the_second(self) -> None:
        before = datetime.now(UTC).replace(microsecond=0)
        now = datetime.strptime(schema.now_utc(), "%Y-%m-%dT%H:%M:%SZ").replace(tzinfo=UTC)
        assert before <= now <= datetime.now(UTC)

    def test_files_beside_a_log_are_those_of_sqlite(self, tmp_path: Path) -> None:
        assert [path.name for path in schema.files_of(tmp_path / "a.db")] == [
            "a.db", "a.db-wal", "a.db-shm", "a.db-journal",
        ]  # fmt: skip

    def header(self, version: int, application_id: int) -> bytes:
        """Return an SQLite header with these two numbers (fileformat.html, section 1.3)."""
        header = bytearray(100)
        header[:16] = b"SQLite format 3\x00"
        struct.pack_into(">i", header, 60, version)
        struct.pack_into(">I", header, 68, application_id)
        return bytes(header)

    @pytest.mark.parametrize(
        ("version", "application_id"), [(1, 0), (0, 7), (1, 7), (0, schema.APPLICATION_ID - 1)]
    )
    def test_another_programs_database_is_known_by_its_header(
        self, tmp_path: Path, version: int, application_id: int
    ) -> None:
        path = tmp_path / "other.db"
        path.write_bytes(self.header(version, application_id))
        with pytest.raises(LogError, match="another program's database"):
            schema.connect(path)
        assert path.read_bytes() == self.header(version, application_id)

    def test_a_newer_log_is_known_by_its_header(self, tmp_path: Path) -> None:
        path = tmp_path / "newer.db"
        newer = len(schema.MIGRATIONS) + 1
        path.write_bytes(self.header(newer, schema.APPLICATION_ID))
        known = f"schema {newer}, this program knows {newer - 1}"
        with pytest.raises(LogError, match=re.escape(known)):
            schema.connect(path)

    @pytest.mark.parametrize("size", [1, 99])
    def test_a_file_shorter_than_a_header_is_no_log(self, tmp_path: Path, size: int) -> None:
        path = tmp_path / "short.db"
        path.write_bytes(self.header(0, 0)[:size])
        for create in (False, True):
            with pytest.raises(LogError, match="this is no sweeplab log"):
                schema.connect(path, create=create)

    @pytest.mark.parametrize(
        ("end", "content", "beside_empty", "refused"),
        [
            ("-wal", b"x", False, True),
            ("-journal", b"x", False, True),
            ("-shm", b"x", False, False),
            ("-wal", b"", False, False),
            ("-wal", b"x", True, True),
            ("-journal", b"x", True, False),
        ],
    )
    def test_no_log_is_made_beside_what_a_moved_one_left(
        self, tmp_path: Path, end: str, content: bytes, beside_empty: bool, refused: bool
    ) -> None:
        path = tmp_path / "a.db"
        (tmp_path / f"a.db{end}").write_bytes(content)
        if beside_empty:
            path.touch()
        if refused:
            with pytest.raises(LogError, match=f"a.db{end} is left over"):
                Log.open(path, create=True)
        else:
            Log.open(path, create=True).close()
            with Log.open(path) as log:
                assert log.builds() == []

    def test_a_log_of_this_schema_is_not_backed_up(self, log: Log) -> None:
        with Log.open(log.path) as again:
            assert len(again.builds()) == 1
        assert not list(log.path.parent.glob("*.backup"))

    def test_backups_are_numbered_from_the_second_on(self, log: Log) -> None:
        add(log)
        names = [schema.back_up(log.path, "schema1").name for _ in range(3)]
        assert names == [
            "sweeplab.db.schema1.backup",
            "sweeplab.db.schema1-2.backup",
            "sweeplab.db.schema1-3.backup",
        ]
        with closing(sqlite3.connect(log.path.with_name(names[2]))) as copy:
            assert copy.execute("SELECT count(*) FROM sweeps").fetchone() == (1,)

    def test_what_fails_within_a_transaction_is_undone(self, log: Log) -> None:
        def broken_off() -> None:
            with log._writing() as connection:
                connection.execute("DELETE FROM migrations")
                raise ZeroDivisionError

        with pytest.raises(ZeroDivisionError):
            broken_off()
        with closing(sqlite3.connect(log.path)) as connection:
            (count,) = connection.execute("SELECT count(*) FROM migrations").fetchone()
        assert count == len(schema.MIGRATIONS)

    def test_an_error_of_the_disk_names_the_log_and_what_to_do(self, log: Log) -> None:
        log.close()
        with pytest.raises(LogError) as error:
            log.builds()
        assert str(error.value).startswith(f"{log.path}: ")
        assert str(error.value).endswith("check the disk and the rights on the file and its folder")

    def test_a_build_is_read_with_the_log_and_its_name_as_its_place(self, log: Log) -> None:
        by_hand(log, "DROP TRIGGER builds_stay", "UPDATE builds SET toml = 'name = 3'")
        with pytest.raises(Exception, match=r"sweeplab.db \(build quay-1\)"):
            log.build("quay-1")

    def test_a_build_comes_back(self, log: Log) -> None:
        assert log.build("quay-1") == Build.from_toml(a_build().to_toml())
