"""Logs of every schema there ever was open today, with all they held."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from sweeplab.log import Log, refit_readings

LOGS = Path(__file__).parents[1] / "data" / "logs"


@pytest.fixture(params=sorted(LOGS.glob("schema*.db")), ids=lambda path: path.stem)
def log(request: pytest.FixtureRequest, tmp_path: Path) -> Log:
    path = shutil.copy(request.param, tmp_path / request.param.name)
    with Log.open(path) as log:
        yield log


@pytest.mark.parametrize("name", ["schema1.db", "schema2-standards.db"])
def test_there_is_a_log_of_every_schema(name: str) -> None:
    assert (LOGS / name).is_file()


def test_builds_changes_and_sweeps_are_all_there(log: Log) -> None:
    assert [build.name for build in log.builds()] == ["fen-1", "fen-2"]
    (change,) = log.changes()
    assert (change.before, change.after, change.why) == ("fen-1", "fen-2", "thicker tube")
    assert [
        (sweep.id, sweep.file, sweep.build, sweep.setting, sweep.band, sweep.status)
        for sweep in log.sweeps()
    ] == [
        (1, "first.s1p", "fen-1", None, "40m", "ok"),
        (2, "again.s1p", "fen-1", None, "40m", "ok"),
        (3, "thick.s1p", "fen-2", "low", "40m", "ok"),
        (4, "flat.s1p", "fen-2", None, "40m", "refused"),
    ]
    assert [sweep.set_aside for sweep in log.sweeps()] == [None, "the plug was loose", None, None]
    assert log.raw(1).startswith(b"! invented\n# HZ S RI R 50\n")
    assert [finding for finding in log.verify() if finding.level == "problem"] == []


def test_what_its_sweeps_were_read_with_is_there(log: Log) -> None:
    options = [log.reading_options(sweep.id) for sweep in log.sweeps()]
    if "standards" in log.path.name:
        assert options[2]["near_hz"] == 7.1e6
        assert options[2]["calibration"].short.origin.file == "short.s1p"
        options.pop(2)
    assert all(each == {} for each in options)


def test_its_builds_are_still_understood(log: Log) -> None:
    assert log.build("fen-1").describe()["conductor.diameter"] == "12 mm"
    assert log.build("fen-2").describe()["conductor.diameter"] == "15 mm"


def test_recomputed_readings_agree_with_those_stored(log: Log) -> None:
    stored = {record.sweep_id: record.figures for record in log.records(set_aside=True)}
    outcome = refit_readings(log, [1, 2, 3, 4])
    assert (outcome.done, outcome.failed) == ((1, 2, 3, 4), ())
    for record in log.records(set_aside=True):
        for name in ("f_loaded_hz", "q_loaded", "q_unloaded"):
            if record.status == "refused":
                assert name not in record.figures
                continue
            old, new = stored[record.sweep_id][name], record.figures[name]
            assert new.value == pytest.approx(old.value, abs=3 * old.u)
