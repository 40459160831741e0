"""Jobs that join an open log with the rest of the house, for commands and demo alike."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sweeplab.errors import ReadError, SweepError, SweeplabError, one_line

if TYPE_CHECKING:
    from sweeplab.builds import Build
    from sweeplab.calibration import OnePortCalibration
    from sweeplab.comparison.comparison import Comparison
    from sweeplab.log import Added, Log, Standards, StoredSweep
    from sweeplab.reading import Reading
    from sweeplab.sweep import Sweep
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
    port: int | None = None,
    near_hz: float | None = None,
    reference: OnePortCalibration | None = None,
) -> Iterator[Reading]:
    """Yield the readings of files, in the order given, fitted a batch at a time.

    Parameters
    ----------
    files : iterable of str
        Files, folders, archives, '-' for standard input.
    build : Build or None
    setting : str or None
    failed : callable
        Told each file that could not be read, or on which a computation broke off, and why; the
        rest is done.
    columns, z0_ohm, port : optional
        As `read_sweep` takes them.
    near_hz, reference : optional
        As `take_readings` takes them.

    Raises
    ------
    BuildError
        The build has no such setting.
    """
    from sweeplab.reading import take_readings

    told: dict[str, Any] = {"columns": columns, "z0_ohm": z0_ohm, "port": port}
    for batch in _read(files, failed, reference, told):
        sweeps = [sweep for sweep, _ in batch]
        for reading in take_readings(sweeps, build, setting, near_hz=near_hz, reference=reference):
            _report(reading, failed)
            yield reading


def _report(reading: Reading, failed: Failed) -> None:
    """Tell of a sweep on which a computation broke off; it is there all the same, refused."""
    broken = reading.unforeseen
    if broken is not None:
        file, what = reading.sweep.origin.file, broken.evidence
        with_what = f"{what['error']}, version {what['version']}"
        line = f"{file}: {broken.text} {broken.action} ({with_what})"
        failed(file, SweeplabError(one_line(line)))


def _read(
    files: Iterable[str], failed: Failed, reference: OnePortCalibration | None, told: dict[str, Any]
) -> Iterator[list[tuple[Sweep, bytes]]]:
    """Yield batches of sweeps, each with the bytes it was read from."""
    from sweeplab.files import read_each, sweep_paths

    found = (place for file in files for place in sweep_paths([file]))
    while batch := list(islice(found, _BATCH)):
        good = []
        for answer in read_each(batch, **told):
            try:
                if answer.sweep is None:
                    raise answer.error or ReadError(answer.name, "no sweep", "check the file")
                if reference is not None:
                    # Tried here, so that a sweep it does not cover fails alone.
                    reference.correct(answer.sweep)
                good.append((answer.sweep, answer.raw))
            except (ReadError, SweepError) as error:
                failed(answer.name, error)
        yield good


def add_files(
    log: Log,
    files: Iterable[str],
    build: Build,
    setting: str | None,
    failed: Failed,
    *,
    columns: Sequence[str] | None = None,
    z0_ohm: float | None = None,
    port: int | None = None,
    near_hz: float | None = None,
    standards: Standards | None = None,
) -> Iterator[tuple[Reading, Added]]:
    """Add files to a log, yielding each once it is committed; otherwise as `readings_of`.

    Parameters
    ----------
    standards : Standards or None
        Open, short and load taken out of every sweep; the log keeps their bytes.
    """
    from sweeplab.reading import take_readings

    told: dict[str, Any] = {"columns": columns, "z0_ohm": z0_ohm, "port": port}
    reference = None if standards is None else standards.reference()
    kept: dict[str, Any] = {**told, "near_hz": near_hz, "standards": standards}
    for batch in _read(files, failed, reference, told):
        sweeps = [sweep for sweep, _ in batch]
        readings = take_readings(sweeps, build, setting, near_hz=near_hz, reference=reference)
        for reading, (sweep, raw) in zip(readings, batch, strict=True):
            try:
                added = log.add(sweep, raw, reading, build, setting, **kept)
            except (SweeplabError, OSError) as error:
                failed(sweep.origin.file, error)
                continue
            _report(reading, failed)
            yield reading, added


def read_again(log: Log, stored: StoredSweep) -> Reading:
    """Take a stored sweep's reading from its raw bytes; the log stays as it is."""
    from sweeplab.files import sweep_from_bytes
    from sweeplab.reading import take_reading

    sweep = sweep_from_bytes(log.raw(stored.id), stored.file, **log.read_with(stored.id))
    told = log.taken_with(stored.id)
    return take_reading(sweep, log.build(stored.build), stored.setting, **told)


def compare_builds(log: Log, before: str, after: str) -> Comparison:
    """Compare two builds of a log; its other builds tell how far repeats scatter."""
    from sweeplab.builds import difference
    from sweeplab.comparison.comparison import compare

    changes = difference(log.build(before), log.build(after))
    old, new = (log.records(build=name, set_aside=True) for name in (before, after))
    others = [record for record in log.records() if record.build not in (before, after)]
    return compare(old, new, changes, others=others, names=(before, after))


def load_build(path: Path) -> Build:
    """Return the build that a file describes.

    Raises
    ------
    BuildError
        The file is no text, or its description does not hold.
    OSError
        The file could not be opened.
    """
    from sweeplab.builds import Build
    from sweeplab.errors import BuildError

    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise BuildError(
            "", f"byte {error.start} is not UTF-8", "save the file as UTF-8", str(path)
        ) from error
    return Build.from_toml(text, path=str(path))
