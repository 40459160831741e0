"""Jobs that join an open log with the rest of the house, for commands and demo alike."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sweeplab.errors import ReadError, SweepError, SweeplabError

if TYPE_CHECKING:
    from sweeplab.build import Build
    from sweeplab.log import Added, Log, StoredSweep
    from sweeplab.reading import Reading
    from sweeplab.reference import Reference
    from sweeplab.study.compare import Comparison
Failed = Callable[[str, Exception], None]
# Fitting together costs a fraction of one by one; few enough that the first answer comes soon.
_BATCH = 24


def readings_of(
    files: Iterable[str],
    build: Build | None,
    setting: str | None,
    failed: Failed,
    *,
    columns: Sequence[str] | None = None,
    z0_ohm: float | None = None,
    near_hz: float | None = None,
    reference: Reference | None = None,
) -> Iterator[Reading]:
    """Yield the readings of files, in the order given, fitted a batch at a time.

    Parameters
    ----------
    files : iterable of str
    build : Build or None
    setting : str or None
    failed : callable
        Told each file that could not be read, and why; the rest is done.
    columns, z0_ohm : optional
        As `read_sweep` takes them.
    near_hz, reference : optional
        As `take_readings` takes them.

    Raises
    ------
    BuildError
        The build has no such setting.
    """
    from sweeplab.files import read_sweep
    from sweeplab.reading import take_readings

    left = iter(files)
    while batch := list(islice(left, _BATCH)):
        sweeps = []
        for file in batch:
            try:
                sweep = read_sweep(file, columns=columns, z0_ohm=z0_ohm)
                if reference is not None:
                    # Tried here, so that a sweep it does not cover fails alone.
                    reference.correct(sweep)
                sweeps.append(sweep)
            except (ReadError, SweepError) as error:
                failed(file, error)
        yield from take_readings(sweeps, build, setting, near_hz=near_hz, reference=reference)


def add_files(
    log: Log,
    files: Iterable[str],
    build: Build,
    setting: str | None,
    failed: Failed,
    *,
    columns: Sequence[str] | None = None,
    z0_ohm: float | None = None,
) -> Iterator[tuple[Reading, Added]]:
    """Add files to a log, yielding each once it is committed; otherwise as `readings_of`."""
    told: dict[str, Any] = {"columns": columns, "z0_ohm": z0_ohm}
    for reading in readings_of(files, build, setting, failed, **told):
        file = reading.sweep.origin.file
        try:
            raw = Path(file).read_bytes()
            if hashlib.sha256(raw).hexdigest() != reading.sweep.origin.sha256:
                raise ReadError(file, "changed while it was read", "add it again")
            added = log.add(reading.sweep, raw, reading, build, setting, **told)
        except (SweeplabError, OSError) as error:
            failed(file, error)
            continue
        yield reading, added


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
