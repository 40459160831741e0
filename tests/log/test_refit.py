"""A stored sweep read from its bytes once more, with the options it was added with."""

from __future__ import annotations

from pathlib import Path

import pytest
from log_samples import a_build, a_reading, a_sweep, new_log

from sweeplab.errors import LogError
from sweeplab.log import Log, refit_readings
from sweeplab.log.refit import read_stored

TABLE = b"1.0,10,5\n1.1,20,5\n1.2,30,5\n1.3,40,5\n"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A log with a table whose columns and impedance are not in the file."""
    with new_log(tmp_path / "sweeplab.db") as log:
        log.add(
            a_sweep(1),
            TABLE,
            a_reading(),
            a_build(),
            columns=["f_mhz", "r_ohm", "x_ohm"],
            z0_ohm=75.0,
        )
    return tmp_path / "sweeplab.db"


def test_the_readers_options_are_applied(path: Path) -> None:
    with Log.open(path) as log:
        sweep = read_stored(log, 1)
    assert sweep.z0_ohm == 75.0
    assert sweep.f_hz == pytest.approx([1.0e6, 1.1e6, 1.2e6, 1.3e6])
    z = 10 + 5j
    assert sweep.gamma[0] == pytest.approx((z - 75) / (z + 75))


def test_it_has_the_logs_file_name_or_another(path: Path) -> None:
    with Log.open(path) as log:
        assert read_stored(log, 1).origin.file == log.sweep(1).file
        assert read_stored(log, 1, "7").origin.file == "7"


def test_a_wrong_number_is_an_error_and_nothing_is_changed(path: Path) -> None:
    with Log.open(path) as log:
        before = log.reading(1)
        with pytest.raises(LogError, match="no sweep 9"):
            refit_readings(log, [9, 1])
        assert log.reading(1) == before
