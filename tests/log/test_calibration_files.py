"""What a sweep was read with stays with it: the resonance meant, and open, short and load."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from log_samples import a_build, a_reading, a_real_build, a_sweep, add, new_log, raw_bytes
from simulated import Truth

from sweeplab.errors import LogError
from sweeplab.log import Log, Standard, Standards, refit_readings
from sweeplab.reading import take_reading


def standards(load: bytes = raw_bytes(13)) -> Standards:
    return Standards(
        Standard("open.s1p", raw_bytes(11)),
        Standard("short.s1p", raw_bytes(12)),
        Standard("load.s1p", load),
    )


@pytest.fixture
def path(tmp_path: Path) -> Path:
    with new_log(tmp_path / "sweeplab.db"):
        return tmp_path / "sweeplab.db"


def add_with(log: Log, number: int, **options: object) -> bool:
    sweep, raw = a_sweep(number), raw_bytes(number)
    return log.add(sweep, raw, a_reading(), a_build(), **options).new  # type: ignore[arg-type]


def test_the_options_of_a_fit_are_stored(path: Path) -> None:
    with Log.open(path) as log:
        add_with(log, 1, near_hz=7.1e6, standards=standards())
        add(log, 2)
        options = log.reading_options(1)
        assert options["near_hz"] == 7.1e6
        assert options["calibration"].load.origin.file == "load.s1p"
        assert log.reading_options(2) == {}


def test_a_standard_of_many_sweeps_is_stored_once(path: Path) -> None:
    with Log.open(path) as log:
        for number in (1, 2):
            add_with(log, number, standards=standards())
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT count(*) FROM standards").fetchone() == (3,)


def test_the_same_bytes_with_other_standards_are_one_line(path: Path) -> None:
    with Log.open(path) as log:
        add_with(log, 1, near_hz=7.1e6, standards=standards())
        assert not add_with(log, 1, near_hz=7.1e6, standards=standards())
        assert not add_with(log, 1)
        for options in ({"near_hz": 7.2e6}, {"standards": standards(raw_bytes(14))}):
            with pytest.raises(LogError, match="left as it is"):
                add_with(log, 1, **options)
        assert len(log.sweeps()) == 1


def test_the_file_itself_keeps_them(path: Path) -> None:
    with Log.open(path) as log:
        add_with(log, 1, standards=standards())
    with closing(sqlite3.connect(path)) as connection:
        for statement in ("DELETE FROM standards", "UPDATE standards SET raw = x'00'"):
            with pytest.raises(sqlite3.IntegrityError):
                connection.execute(statement)


def test_a_changed_standard_is_found(path: Path) -> None:
    with Log.open(path) as log:
        add_with(log, 1, standards=standards())
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("DROP TRIGGER standards_stay")
        connection.execute("UPDATE standards SET raw = x'00' WHERE file = 'short.s1p'")
        connection.commit()
    with Log.open(path) as log:
        (finding,) = log.verify()
    assert (finding.code, finding.level) == ("log-bytes", "problem")
    assert "short.s1p" in finding.text


def touchstone(gamma: complex | None = None) -> bytes:
    """Return a sweep, or a standard, seen by an analyzer with a directivity of 5 %."""
    truth = Truth(noise=0)
    seen = 0.05 + 0.9 * (truth.reflection() if gamma is None else gamma + 0 * truth.f_hz)
    rows = [
        f"{float(f)!r} {float(g.real)!r} {float(g.imag)!r}"
        for f, g in zip(truth.f_hz, seen, strict=True)
    ]
    return "\n".join(["# HZ S RI R 50", *rows]).encode()


def test_a_refit_gives_the_same_figures(path: Path) -> None:
    from sweeplab.files import sweep_from_bytes

    names = ("open.s1p", "short.s1p", "load.s1p")
    taken = Standards(*(Standard(n, touchstone(g)) for n, g in zip(names, (1, -1, 0), strict=True)))
    build = a_real_build("with-standards")
    with Log.open(path) as log:
        log.add_build(build)
        sweep = sweep_from_bytes(touchstone(), "sweep.s1p")
        reading = take_reading(sweep, build, near_hz=7.1e6, calibration=taken.calibration())
        added = log.add(sweep, touchstone(), reading, build, near_hz=7.1e6, standards=taken)
        first = log.reading(added.id)
        assert refit_readings(log, [added.id]).failed == ()
        again = log.reading(added.id)
    assert again["resonance"] == first["resonance"]
    q0 = first["resonance"]["q_unloaded"]["value"]
    assert q0 == pytest.approx(Truth().q_unloaded, rel=1e-6)
