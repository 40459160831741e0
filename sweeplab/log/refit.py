"""Readings made anew from raw bytes and builds."""

from __future__ import annotations

from collections.abc import Callable, Collection
from typing import TYPE_CHECKING

from sweeplab.errors import SweeplabError
from sweeplab.finding import Finding
from sweeplab.log.rows import Reread
from sweeplab.log.store import Log

if TYPE_CHECKING:
    from sweeplab.reading import Reading
    from sweeplab.sweep import Sweep

    Read = Callable[..., Sweep]
    Take = Callable[..., Reading]


def reread(
    log: Log,
    sweep_ids: Collection[int] | None = None,
    read: Read | None = None,
    take: Take | None = None,
) -> Reread:
    """Make readings anew, each in a transaction of its own.

    A sweep that can no longer be read, or on which a computation breaks off, keeps its old reading,
    with the version that made it.

    Parameters
    ----------
    log : Log
    sweep_ids : collection of int or None
        Which sweeps; None for all whose readings another version made.
    read : callable or None
        Bytes, name, ``columns`` and ``z0_ohm`` to Sweep; None for sweeplab's own readers.
    take : callable or None
        Sweep, build, setting, and ``near_hz`` and ``reference`` where the log has them, to
        Reading; None for sweeplab's own fit.
    """
    from sweeplab.files import sweep_from_bytes
    from sweeplab.reading import take_reading

    read, take = read or sweep_from_bytes, take or take_reading
    ids = [sweep.id for sweep in log.stale()] if sweep_ids is None else list(sweep_ids)
    done: list[int] = []
    failed: list[Finding] = []
    for sweep_id in ids:
        stored = log.sweep(sweep_id)
        try:
            sweep = read(log.raw(sweep_id), stored.file, **log.read_with(sweep_id))
            told = log.taken_with(sweep_id)
            reading = take(sweep, log.build(stored.build), stored.setting, **told)
        except SweeplabError as error:
            failed.append(_failure(sweep_id, error))
            continue
        if reading.unforeseen is not None:
            failed.append(_failure(sweep_id, reading.unforeseen.text))
            continue
        log.replace_reading(sweep_id, reading)
        done.append(sweep_id)
    return Reread(tuple(done), tuple(failed))


def _failure(sweep_id: int, error: SweeplabError | str) -> Finding:
    return Finding(
        "log-unreadable", "warning",
        f"sweep {sweep_id} could not be read again and keeps its old reading: {error}",
        {"sweep": sweep_id}, "look at its raw bytes, or set it aside",
    )  # fmt: skip
