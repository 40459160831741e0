"""Sweeps read, fitted and added to a log, and builds compared: shared by commands and demo."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING

from sweeplab.errors import ReadError, SweepError, SweeplabError, one_line

if TYPE_CHECKING:
    from sweeplab.builds import Build
    from sweeplab.calibration import OnePortCalibration
    from sweeplab.comparison.comparison import Comparison
    from sweeplab.log import Added, Log, Standards
    from sweeplab.reading import Reading
    from sweeplab.sweep import Sweep

OnFailure = Callable[[str, Exception], None]
# Fitting together costs a fraction of one by one; few enough that the first result comes soon.
_BATCH = 24


@dataclass(frozen=True)
class ReadingOptions:
    """How sweeps are read from their files and fitted.

    Parameters
    ----------
    columns, z0_ohm, port : optional
        As `read_sweep` takes them.
    near_hz : float or None
        As `take_readings` takes it [Hz].
    standards : Standards or None
        Files of the open, short and load whose calibration is applied to every sweep.
    """

    columns: Sequence[str] | None = None
    z0_ohm: float | None = None
    port: int | None = None
    near_hz: float | None = None
    standards: Standards | None = None


_DEFAULTS = ReadingOptions()


def readings_of(
    files: Iterable[str],
    build: Build | None,
    setting: str | None,
    failed: OnFailure,
    options: ReadingOptions = _DEFAULTS,
) -> Iterator[Reading]:
    """Yield the readings of files, in the order given, fitted a batch at a time.

    Parameters
    ----------
    files : iterable of str
        Files, folders, archives, '-' for standard input.
    build : Build or None
    setting : str or None
    failed : callable
        Called with the name of each file that could not be read, or on which a computation broke
        off, and the error; the other files are read all the same.
    options : ReadingOptions

    Raises
    ------
    BuildError
        The build has no such setting.
    ReadError
        A standard's file could not be read.
    """
    for reading, _ in _readings(files, build, setting, failed, options):
        _report(reading, failed)
        yield reading


def add_files(
    log: Log,
    files: Iterable[str],
    build: Build,
    setting: str | None,
    failed: OnFailure,
    options: ReadingOptions = _DEFAULTS,
) -> Iterator[tuple[Reading, Added]]:
    """Add files to a log, yielding each once it is committed; otherwise as `readings_of`."""
    for reading, raw in _readings(files, build, setting, failed, options):
        try:
            added = log.add(
                reading.sweep,
                raw,
                reading,
                build,
                setting,
                columns=options.columns,
                z0_ohm=options.z0_ohm,
                port=options.port,
                near_hz=options.near_hz,
                standards=options.standards,
            )
        except (SweeplabError, OSError) as error:
            failed(reading.sweep.origin.file, error)
            continue
        _report(reading, failed)
        yield reading, added


def _readings(
    files: Iterable[str],
    build: Build | None,
    setting: str | None,
    failed: OnFailure,
    options: ReadingOptions,
) -> Iterator[tuple[Reading, bytes]]:
    """Yield readings, each with the bytes its sweep was read from."""
    from sweeplab.reading import take_readings

    calibration = None if options.standards is None else options.standards.calibration()
    for batch in _batches(files, failed, calibration, options):
        sweeps = [sweep for sweep, _ in batch]
        readings = take_readings(
            sweeps, build, setting, near_hz=options.near_hz, calibration=calibration
        )
        yield from zip(readings, (raw for _, raw in batch), strict=True)


def _batches(
    files: Iterable[str],
    failed: OnFailure,
    calibration: OnePortCalibration | None,
    options: ReadingOptions,
) -> Iterator[list[tuple[Sweep, bytes]]]:
    """Yield batches of sweeps, each with the bytes it was read from."""
    from sweeplab.files import read_each, sweep_paths

    paths = (path for file in files for path in sweep_paths([file]))
    while batch := list(islice(paths, _BATCH)):
        readable = []
        for result in read_each(
            batch, columns=options.columns, z0_ohm=options.z0_ohm, port=options.port
        ):
            try:
                if result.sweep is None:
                    raise result.error or ReadError(result.name, "no sweep", "check the file")
                if calibration is not None:
                    # Tried now, so that a sweep it does not cover fails alone.
                    calibration.correct(result.sweep)
                readable.append((result.sweep, result.raw))
            except (ReadError, SweepError) as error:
                failed(result.name, error)
        yield readable


def _report(reading: Reading, failed: OnFailure) -> None:
    """Report a sweep on which a computation broke off; its reading is refused, not left out."""
    finding = reading.unforeseen
    if finding is not None:
        file, evidence = reading.sweep.origin.file, finding.evidence
        details = f"{evidence['error']}, version {evidence['version']}"
        line = f"{file}: {finding.text} {finding.action} ({details})"
        failed(file, SweeplabError(one_line(line)))


def compare_builds(log: Log, before: str, after: str) -> Comparison:
    """Compare two builds of a log; its other builds show how far repeats scatter."""
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
