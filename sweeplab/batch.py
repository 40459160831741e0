"""Many sweeps read and fitted into one table."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from concurrent.futures import Executor
from functools import partial
from os import PathLike
from typing import TYPE_CHECKING, Any

from sweeplab.files import SweepPath, read_each, sweep_paths
from sweeplab.reading import RESONANCE_FIGURES, Reading, take_readings
from sweeplab.runtime import keep_freed_memory, no_collection, one_blas_thread

if TYPE_CHECKING:
    import pandas as pd

    from sweeplab.builds import Build

_LOSS_COLUMNS = ("x_eff_ohm", "r_total_ohm", "r_radiation_ohm", "r_loss_ohm", "efficiency")
# In one process larger batches save overhead; workers take smaller ones, to finish together.
_BATCH_IN_PROCESS, _BATCH_OF_WORKER = 256, 64


def analyze(
    paths: Iterable[str | PathLike[str]],
    build: Build | None = None,
    executor: Executor | None = None,
) -> pd.DataFrame:
    """Read and fit many sweeps.

    Parameters
    ----------
    paths : iterable of str or path
        Files, folders, zip archives.
    build : Build or None
        The build they were all taken on; adds its losses.
    executor : concurrent.futures.Executor or None
        Where to run; any object with its ``map``.

    Returns
    -------
    pandas.DataFrame
        One row a sweep, in the order given, in a folder or an archive by name. A file that could
        not be read has status 'failed', its message under ``findings``, and no figures.
    """
    import pandas as pd

    files = sweep_paths(paths)
    size = _BATCH_IN_PROCESS if executor is None else _BATCH_OF_WORKER
    batches = [files[first : first + size] for first in range(0, len(files), size)]
    work = partial(_rows, build=build)
    results = map(work, batches) if executor is None else executor.map(work, batches)
    rows = [row for batch in results for row in batch]
    return pd.DataFrame(rows, columns=_columns(build is not None))


def _columns(with_build: bool) -> list[str]:
    figures = [
        "f_loaded_hz",
        "q_loaded",
        "q_unloaded",
        "coupling_factor",
        "half_power_bandwidth_hz",
        "swr_min",
        "f_swr_min_hz",
    ]
    columns = ["file", "sha256", "status", "points"]
    columns += [column for name in figures for column in (name, f"u_{name}")]
    columns += ["residual_rms", "points_in_bandwidth", "findings"]
    if with_build:
        columns += [column for name in _LOSS_COLUMNS for column in (name, f"u_{name}")]
    return columns


def _rows(batch: Sequence[SweepPath], build: Build | None) -> list[dict[str, Any]]:
    """Read and fit one batch, so that a worker process gets more than a file at a time."""
    keep_freed_memory()
    with one_blas_thread(), no_collection():
        return _fitted(batch, build)


def _fitted(batch: Sequence[SweepPath], build: Build | None) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = []
    sweeps = []
    for result in read_each(batch):
        rows.append({"file": result.name})
        if result.sweep is not None:
            sweeps.append(result.sweep)
        else:
            rows[-1] |= {"status": "failed", "findings": str(result.error)}
    readable = (row for row in rows if "status" not in row)
    for row, reading in zip(readable, take_readings(sweeps, build), strict=True):
        row |= _row(reading)
    return rows


def _row(reading: Reading) -> dict[str, Any]:
    resonance, match = reading.resonance, reading.match
    row: dict[str, Any] = {
        "sha256": reading.sweep.origin.sha256,
        "status": reading.status,
        "points": len(reading.sweep),
        "swr_min": match.swr_min,
        "u_swr_min": match.u_swr_min,
        "f_swr_min_hz": match.f_swr_min_hz,
        "u_f_swr_min_hz": match.u_f_swr_min_hz,
        "residual_rms": resonance.residual_rms,
        "points_in_bandwidth": resonance.points_in_bandwidth,
        "findings": ";".join(finding.code for finding in reading.findings),
    }
    named = [(name, getattr(resonance, name)) for name in RESONANCE_FIGURES]
    if reading.loss is not None:
        named += [(name, getattr(reading.loss, name)) for name in _LOSS_COLUMNS]
    for name, estimate in named:
        row[name] = None if estimate is None else estimate.value
        row[f"u_{name}"] = None if estimate is None else estimate.u
    return row
