"""Stored sweeps read from their raw bytes once more, and their readings recomputed."""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING

from sweeplab.errors import SweeplabError
from sweeplab.finding import Finding
from sweeplab.log.rows import RefitResult
from sweeplab.log.store import Log

if TYPE_CHECKING:
    from sweeplab.reading import Reading
    from sweeplab.sweep import Sweep


def read_stored(log: Log, sweep_id: int, name: str | None = None) -> Sweep:
    """Read a stored sweep from its raw bytes, with the reader options it was added with.

    Parameters
    ----------
    log : Log
    sweep_id : int
    name : str or None
        The file name that the sweep shall carry; None for the one in the log.

    Raises
    ------
    LogError
        There is no such sweep.
    ReadError
        This version cannot read the bytes.
    """
    from sweeplab.files import sweep_from_bytes

    file = log.sweep(sweep_id).file if name is None else name
    return sweep_from_bytes(log.raw(sweep_id), file, **log.reader_options(sweep_id))


def recompute(log: Log, sweep_id: int) -> Reading:
    """Return a stored sweep's reading, from its raw bytes and its build; the log stays as it is.

    Raises
    ------
    SweeplabError
        This version cannot read the bytes, the build or the calibration.
    """
    from sweeplab.reading import take_reading

    stored = log.sweep(sweep_id)
    sweep, options = read_stored(log, sweep_id), log.reading_options(sweep_id)
    return take_reading(sweep, log.build(stored.build), stored.setting, **options)


def refit_readings(log: Log, sweep_ids: Collection[int] | None = None) -> RefitResult:
    """Recompute readings and store them, each in a transaction of its own.

    A sweep that can no longer be read, or on which a computation breaks off, keeps its old reading,
    with the version that made it.

    Parameters
    ----------
    log : Log
    sweep_ids : collection of int or None
        Which sweeps; None for all whose readings another version made.
    """
    ids = [sweep.id for sweep in log.stale()] if sweep_ids is None else list(sweep_ids)
    done: list[int] = []
    failed: list[Finding] = []
    for sweep_id in ids:
        # A wrong number is the caller's error; a sweep that fails is reported.
        log.sweep(sweep_id)
        try:
            reading = recompute(log, sweep_id)
        except SweeplabError as error:
            failed.append(_failure(sweep_id, str(error)))
            continue
        if reading.unforeseen is not None:
            failed.append(_failure(sweep_id, reading.unforeseen.text))
            continue
        log.replace_reading(sweep_id, reading)
        done.append(sweep_id)
    return RefitResult(tuple(done), tuple(failed))


def _failure(sweep_id: int, error: str) -> Finding:
    return Finding(
        code="log-unreadable",
        level="warning",
        text=f"sweep {sweep_id} could not be read again and keeps its old reading: {error}",
        evidence={"sweep": sweep_id},
        action="look at its raw bytes, or set it aside",
    )
