"""Jobs that join an open log with the rest of the house, for commands and demo alike."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sweeplab.build import Build
    from sweeplab.log import Added, Log, StoredSweep
    from sweeplab.reading import Reading
    from sweeplab.study.compare import Comparison


def add_file(
    log: Log,
    file: str,
    build: Build,
    setting: str | None = None,
    *,
    columns: list[str] | None = None,
    z0_ohm: float | None = None,
) -> tuple[Reading, Added]:
    """Read a sweep, take its reading on a build, and commit both to the log.

    Raises
    ------
    ReadError, BuildError, LogError
        The file could not be read, the build has no such setting, or the log has the same bytes
        in another place.
    """
    from sweeplab.files import read_sweep
    from sweeplab.reading import take_reading

    sweep = read_sweep(file, columns=columns, z0_ohm=z0_ohm)
    reading = take_reading(sweep, build, setting)
    raw = Path(file).read_bytes()
    added = log.add(sweep, raw, reading, build, setting, columns=columns, z0_ohm=z0_ohm)
    return reading, added


def read_again(log: Log, stored: StoredSweep) -> Reading:
    """Take a stored sweep's reading from its raw bytes; the log stays as it is."""
    from sweeplab.files import sweep_from_bytes
    from sweeplab.reading import take_reading

    sweep = sweep_from_bytes(log.raw(stored.id), stored.file, **log.read_with(stored.id))
    return take_reading(sweep, log.build(stored.build), stored.setting)


def compare_builds(log: Log, before: str, after: str) -> Comparison:
    """Compare two builds of a log."""
    from sweeplab.build import difference
    from sweeplab.study.compare import compare

    changes = difference(log.build(before), log.build(after))
    old, new = (log.records(build=name, set_aside=True) for name in (before, after))
    return compare(old, new, changes, names=(before, after))
