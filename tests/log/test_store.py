"""What goes into a log and what comes out of it."""

from __future__ import annotations

import hashlib
import json
import math
import sqlite3
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from log_samples import a_build, a_reading, a_real_build, a_sweep, add, new_log, raw_bytes

from sweeplab import __version__
from sweeplab.builds.diff import difference
from sweeplab.errors import BuildError, LogError, ReadError
from sweeplab.estimate import Estimate
from sweeplab.log import Log
from sweeplab.log.refit import refit_readings
from sweeplab.sweep import Origin, Sweep


@pytest.fixture
def log(tmp_path: Path) -> Log:
    with new_log(tmp_path / "sweeplab.db") as log:
        yield log


class TestAdding:
    def test_a_sweep_comes_back_as_it_went_in(self, log: Log) -> None:
        added = add(log)
        assert added.new
        assert added.sha256 == hashlib.sha256(raw_bytes(1)).hexdigest()
        stored = log.sweep(added.id)
        assert stored.to_json() == {
            "id": added.id,
            "file": "sweep-1.s1p",
            "sha256": added.sha256,
            "taken": "2024-05-01T10:00:00Z",
            "build": "quay-1",
            "setting": None,
            "band": "40m",
            "status": "ok",
            "set_aside": None,
        }
        assert log.raw(added.id) == raw_bytes(1)

    def test_the_same_bytes_twice_are_one_sweep(self, log: Log) -> None:
        first, again = add(log), add(log)
        assert (again.id, again.sha256, again.new) == (first.id, first.sha256, False)
        assert len(log.sweeps()) == 1

    def test_the_same_bytes_under_another_build_are_refused_with_the_place_they_have(
        self, log: Log
    ) -> None:
        add(log)
        log.add_build(a_build("quay-2"))
        with pytest.raises(
            LogError, match=r"sweep-1.s1p: .* sweep 1 .* of build 'quay-1'"
        ) as error:
            add(log, build="quay-2")
        assert "\n" not in str(error.value)
        assert [sweep.build for sweep in log.sweeps()] == ["quay-1"]

    def test_the_same_bytes_in_another_setting_are_refused(self, log: Log) -> None:
        log.add(a_sweep(), raw_bytes(1), a_reading(), "quay-1", "one section")
        with pytest.raises(LogError, match="setting 'one section'"):
            add(log)

    def test_a_build_that_is_not_there_is_named_with_the_nearest(self, log: Log) -> None:
        with pytest.raises(LogError, match=r"no build 'quai-1'.*did you mean 'quay-1'"):
            add(log, build="quai-1")
        assert log.sweeps() == []

    def test_a_reading_that_cannot_be_stored_leaves_no_sweep_behind(self, log: Log) -> None:
        with pytest.raises(LogError, match="CHECK"):
            add(log, status="splendid")
        assert log.sweeps() == []
        assert add(log).new

    def test_a_figure_that_is_not_finite_is_not_known(self, log: Log) -> None:
        figures = {
            "q_unloaded": Estimate.normal(400, 2),
            "swr_min": Estimate(1.2, math.inf, 1.0, math.inf),
        }
        add(log, values=figures)
        (record,) = log.records()
        assert set(record.figures) == set(record.shares) == {"q_unloaded"}

    def test_a_file_name_that_is_no_utf_8_stays_readable(self, log: Log) -> None:
        # What Python makes of a Latin-1 name on a UTF-8 file system (PEP 383).
        name = b"br\xfccke.s1p".decode("utf-8", "surrogateescape")
        added = log.add(
            Sweep([7e6, 7.1e6], [0.5, 0.4], origin=Origin(file=name)),  # type: ignore[arg-type]
            raw_bytes(1), a_reading(), "quay-1",
        )  # fmt: skip
        assert log.sweep(added.id).file == "br\\udcfccke.s1p"

    @settings(max_examples=25)
    @given(raw=st.binary(max_size=400), file=st.text(st.characters(), max_size=20))
    def test_any_bytes_under_any_name_come_back_as_they_were(self, raw: bytes, file: str) -> None:
        with TemporaryDirectory() as folder, new_log(Path(folder) / "sweeplab.db") as log:
            sweep = Sweep([7e6], [0.5], origin=Origin(file=file))  # type: ignore[arg-type]
            added = log.add(sweep, raw, a_reading(), "quay-1")
            assert log.raw(added.id) == raw
            assert log.verify() == []

    def test_the_readers_options_are_stored(self, log: Log) -> None:
        columns = ["frequency Hz", "R ohm", "X ohm"]
        added = log.add(
            a_sweep(), raw_bytes(1), a_reading(), "quay-1", columns=columns, z0_ohm=75.0
        )
        assert log.reader_options(added.id) == {"columns": columns, "z0_ohm": 75.0}


class TestAsking:
    def test_sweeps_are_picked_by_build_and_band_in_the_order_added(self, log: Log) -> None:
        log.add_build(a_build("quay-2"))
        add(log, 3, band="20m")
        add(log, 1, build="quay-2")
        add(log, 2)
        assert [sweep.file for sweep in log.sweeps()] == [
            "sweep-3.s1p", "sweep-1.s1p", "sweep-2.s1p",
        ]  # fmt: skip
        assert [sweep.id for sweep in log.sweeps(build="quay-1")] == [1, 3]
        assert [sweep.id for sweep in log.sweeps(build="quay-1", band="40m")] == [3]
        with pytest.raises(LogError, match="no build"):
            log.sweeps(build="nowhere")

    def test_records_carry_figures_shares_and_version(self, log: Log) -> None:
        figures = {"efficiency": Estimate(0.213, 0.011, 0.19, 0.24)}
        add(log, values=figures)
        (record,) = log.records()
        assert record.figures == figures
        assert record.shares == {"efficiency": {"fit": 0.011}}
        assert record.noise("efficiency") == 0.011
        assert (record.build, record.band, record.program_version) == (
            "quay-1", "40m", __version__,
        )  # fmt: skip
        assert record.counts

    def test_an_unknown_sweep_is_one_line(self, log: Log) -> None:
        for ask in (log.sweep, log.raw, log.reading, log.reader_options):
            with pytest.raises(LogError, match="there is no sweep 17"):
                ask(17)

    def test_bytes_are_found_again(self, log: Log) -> None:
        assert log.find(raw_bytes(1)) is None
        add(log)
        assert log.find(raw_bytes(1)) == log.sweep(1)

    def test_readings_are_strict_json(self, log: Log) -> None:
        add(log)
        assert json.loads(json.dumps(log.reading(1), allow_nan=False))["status"] == "ok"


class TestAfterwards:
    def test_a_sweep_set_aside_stays_and_no_longer_counts(self, log: Log) -> None:
        add(log)
        log.set_aside(1, "cable was loose")
        assert log.sweep(1).set_aside == "cable was loose"
        assert log.records() == []
        (record,) = log.records(set_aside=True)
        assert not record.counts
        log.restore(1, "it was not")
        assert log.sweep(1).set_aside is None
        assert [(event.what, event.why) for event in log.events()] == [
            ("set aside", "cable was loose"), ("taken back", "it was not"),
        ]  # fmt: skip

    def test_setting_aside_needs_a_reason(self, log: Log) -> None:
        add(log)
        with pytest.raises(LogError, match="say why"):
            log.set_aside(1, "  ")

    def test_a_sweep_filed_under_the_wrong_build_can_be_moved(self, log: Log) -> None:
        log.add_build(a_build("quay-2"))
        add(log)
        log.reassign(1, a_reading(band="20m"), "quay-2", None, "mixed up the folders")
        moved = log.sweep(1)
        assert (moved.build, moved.band) == ("quay-2", "20m")
        assert log.events()[0].what == "moved from build 'quay-1'"

    @pytest.mark.parametrize("table", ["sweeps", "builds", "changes"])
    def test_the_file_itself_refuses_to_forget(self, log: Log, table: str) -> None:
        add(log)
        log.change("quay-1", "quay-2", {}, "cleaned the joint")
        with (
            sqlite3.connect(log.path) as other,
            pytest.raises(sqlite3.IntegrityError, match="never deleted"),
        ):
            other.execute(f"DELETE FROM {table}")
        other.close()


class TestBuildsAndChanges:
    def test_the_same_build_twice_is_one(self, log: Log) -> None:
        assert log.add_build(a_build()) is False
        assert [build.name for build in log.builds()] == ["quay-1"]

    def test_another_description_under_the_same_name_is_refused(self, log: Log) -> None:
        other = a_real_build().with_changes({"loop.circumference": "3.30 m"})
        with pytest.raises(LogError, match=r"another description.*build change quay-1"):
            log.add_build(other)

    def test_a_build_comes_back_equal(self, log: Log) -> None:
        log.add_build(a_real_build("quay-2"))
        assert log.build("quay-2").to_toml() == a_real_build("quay-2").to_toml()
        assert log.build("quay-2").describe() == a_real_build("quay-2").describe()

    def test_a_change_makes_the_next_build_and_says_why(self, log: Log) -> None:
        change = log.change("quay-1", "quay-2", {"conductor.diameter": "15 mm"}, "thicker tube")
        assert (change.before, change.after, change.why) == ("quay-1", "quay-2", "thicker tube")
        assert log.changes() == [change]
        (moved,) = difference(log.build("quay-1"), log.build("quay-2"))
        assert (moved.key, moved.before, moved.after) == ("conductor.diameter", "12 mm", "15 mm")
        assert log.build("quay-2").name == "quay-2"

    def test_a_change_that_does_not_hold_leaves_nothing(self, log: Log) -> None:
        with pytest.raises(BuildError):
            log.change("quay-1", "quay-2", {"loop.circumfrence": "3 m"}, "slip of the pen")
        assert [build.name for build in log.builds()] == ["quay-1"]

    def test_a_change_to_a_name_that_is_taken_leaves_nothing(self, log: Log) -> None:
        log.add_build(a_build("quay-2"))
        with pytest.raises(LogError, match="'quay-2'"):
            log.change("quay-1", "quay-2", {}, "again")
        assert log.changes() == []


class TestRecomputedReadings:
    def test_only_stale_readings_are_recomputed(
        self, log: Log, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr("sweeplab.log.store.__version__", "0.0.1")
        add(log, 1)
        monkeypatch.undo()
        add(log, 2)
        assert [sweep.id for sweep in log.stale()] == [1]
        calls = []

        def read(raw: bytes, name: str, **options: object) -> object:
            calls.append((raw, name, options))
            return a_sweep(1)

        monkeypatch.setattr("sweeplab.files.sweep_from_bytes", read)
        monkeypatch.setattr(
            "sweeplab.reading.take_reading", lambda sweep, build, setting: a_reading(band="20m")
        )
        outcome = refit_readings(log)
        assert (outcome.done, outcome.failed) == ((1,), ())
        assert calls == [(raw_bytes(1), "sweep-1.s1p", {"columns": None, "z0_ohm": None})]
        assert [(record.band, record.program_version) for record in log.records()] == [
            ("20m", __version__), ("40m", __version__),
        ]  # fmt: skip
        assert log.stale() == []

    def test_a_sweep_that_can_no_longer_be_read_keeps_its_reading(
        self, log: Log, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        add(log)

        def read(raw: bytes, name: str, **options: object) -> object:
            raise ReadError(name, "no numbers", "look at it", line=2)

        monkeypatch.setattr("sweeplab.files.sweep_from_bytes", read)
        outcome = refit_readings(log, [1])
        assert outcome.done == ()
        assert "sweep-1.s1p:2: no numbers" in outcome.failed[0].text
        assert log.sweep(1).band == "40m"


class TestVerifying:
    def test_a_sound_log_has_nothing_to_report(self, log: Log) -> None:
        add(log)
        assert log.verify() == []

    def test_changed_bytes_are_found(self, log: Log) -> None:
        add(log)
        with sqlite3.connect(log.path) as other:
            other.execute("DROP TRIGGER sweeps_stay")
            other.execute("UPDATE sweeps SET raw = x'00'")
        other.close()
        (finding,) = log.verify()
        assert (finding.code, finding.level) == ("log-bytes", "problem")

    def test_a_sweep_without_its_build_is_found(self, log: Log) -> None:
        add(log)
        with sqlite3.connect(log.path) as other:
            other.execute("UPDATE sweeps SET build_id = 99")
        other.close()
        assert [finding.code for finding in log.verify()] == ["log-reference"]

    def test_readings_of_another_version_are_noted(
        self, log: Log, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        add(log)
        monkeypatch.setattr("sweeplab.log.verify.__version__", "9.9.9")
        assert [(finding.code, finding.level) for finding in log.verify()] == [
            ("log-stale", "note")
        ]
