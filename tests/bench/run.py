"""The bench: everything in one process run, ratios printed, docs/performance.md written.

    pip install -e '.[test,bench]'
    python tests/bench/run.py             # some minutes; --quick for a tenth of it

Absolute times are those of one machine at one hour, ratios hold better: see ``measure``.
"""

from __future__ import annotations

import logging
import os
import platform
import sys
import tempfile
import time
import warnings
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

import alternatives
import invented
import numpy as np
from measure import Row, best_of, rows, side_by_side

from sweeplab import analyze, fit_many, fit_resonance, read_sweep, read_sweeps
from sweeplab.reading import take_reading

DOC = Path(__file__).parents[2] / "docs" / "performance.md"
LIBRARIES = ("numpy", "scipy", "scikit-rf", "lmfit", "pandas", "dask")
Sections = list[tuple[str, list[str]]]


def reading(paths: list[str], quick: bool) -> list[Row]:
    """Reading a file, alone and of many."""
    ways: dict[str, Callable[[str], object]] = {
        "numpy.loadtxt, its fast path": alternatives.loadtxt,
        "sweeplab.read_sweep": read_sweep,
        "bare split and numpy.array": alternatives.bare,
        "scikit-rf Network": alternatives.network,
    }
    times = side_by_side(ways, paths[:64], 8 if quick else 40)
    some = paths[:640]
    many = best_of(lambda: read_sweeps(some), 3 if quick else 20, time.process_time)
    together = {"sweeplab.read_sweeps, 640 at once": 1e6 * many / len(some)}
    return rows({**together, **times}, "numpy.loadtxt, its fast path")


def fitting(paths: list[str], quick: bool) -> list[Row]:
    """Fitting one sweep that was read."""
    sweeps = read_sweeps(paths[:64])
    ways = {
        "sweeplab.fit_resonance": fit_resonance,
        "scipy least_squares, derivatives given": alternatives.fit_least_squares,
        "scipy curve_fit": alternatives.fit_curve_fit,
        "lmfit Model": alternatives.fit_lmfit,
        "scikit-rf Qfactor": alternatives.fit_qfactor,
    }
    times = side_by_side(ways, sweeps[:16], 2 if quick else 5)
    batch = best_of(lambda: fit_many(sweeps), 2 if quick else 7, time.process_time)
    together = {"sweeplab.fit_many, 64 at once": 1e6 * batch / len(sweeps)}
    return rows({**together, **times}, "scipy least_squares, derivatives given")


def whole(paths: list[str], quick: bool) -> list[Row]:
    """File to figures."""
    few = paths[:16]
    ways: dict[str, Callable[[str], object]] = {
        "sweeplab: read, fit, match, one by one": lambda path: take_reading(read_sweep(path)),
        "scikit-rf: Network and Qfactor": alternatives.fit_qfactor_of,
    }
    times = side_by_side(ways, few, 2 if quick else 5)
    many = paths[:1000]
    batch = best_of(lambda: analyze(many), 1 if quick else 6, time.process_time)
    together = {"sweeplab.analyze, one process": 1e6 * batch / len(many)}
    return rows({**together, **times}, "scikit-rf: Network and Qfactor")


def growth(paths: list[str], quick: bool) -> list[str]:
    """How reading and analyze grow with the number of files."""
    counts = [10, 100, 1000] if quick else [10, 100, 1000, 10_000]
    works: dict[str, Callable[[list[str]], object]] = {
        "read_sweeps": read_sweeps,
        "analyze": analyze,
    }
    lines = ["| files | " + " | ".join(works) + " |", "|---|" + "---|" * len(works)]
    times: dict[str, list[float]] = {name: [] for name in works}
    for count in counts:
        for name, work in works.items():
            rounds = 5 if count <= 100 else 1
            some = paths[:count]
            times[name].append(best_of(lambda: work(some), rounds, time.process_time))  # noqa: B023
        lines.append(
            f"| {count:,} | " + " | ".join(f"{t[-1]:.3f} s" for t in times.values()) + " |"
        )
    slopes = {name: np.polyfit(np.log(counts), np.log(t), 1)[0] for name, t in times.items()}
    lines.append("| exponent | " + " | ".join(f"{slope:.3f}" for slope in slopes.values()) + " |")
    return lines


def processes(paths: list[str], quick: bool) -> list[str]:
    """Analyze over one and two processes and over a Dask cluster: time and the same answers.

    Wall time needs cores that are free. The parent's own processor time bounds what more
    processes could bring: it is all that is not shared out.
    """
    some = paths[: 400 if quick else 2000]
    begun = time.process_time()
    alone = analyze(some)
    whole_s = time.process_time() - begun
    head = "| over | wall time | speed-up | parent's processor time | same figures |"
    lines = [head, "|---|---|---|---|---|", f"| no pool | | | {whole_s:.2f} s | |"]
    pools = {"1 process": pool(1), "2 processes": pool(2), "Dask, 2 workers": dask(2)}
    first = 0.0
    for name, opened in pools.items():
        with opened as executor:
            analyze(some[:256], executor=executor)  # imports are not what is measured
            frames = []
            begun = time.process_time()
            rounds = 1 if quick else 5
            wall = best_of(
                lambda: frames.append(analyze(some, executor=executor)),  # noqa: B023
                rounds,
                time.perf_counter,
            )
            own_s = (time.process_time() - begun) / rounds
        first = first or wall
        same = all(frame.equals(alone) for frame in frames)
        figures = f"{wall:.2f} s | {first / wall:.2f} | {own_s:.2f} s"
        lines.append(f"| {name} | {figures} | {'yes' if same else 'NO'} |")
    return lines


@contextmanager
def pool(workers: int) -> Iterator[Executor]:
    """A pool of processes."""
    with ProcessPoolExecutor(workers) as executor:
        yield executor


@contextmanager
def dask(workers: int) -> Iterator[Executor]:
    """A Dask cluster on this machine, as the executor that its client gives."""
    from distributed import Client, LocalCluster

    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    with (
        LocalCluster(
            n_workers=workers,
            threads_per_worker=1,
            dashboard_address=None,
            silence_logs=logging.CRITICAL,
        ) as cluster,
        Client(cluster) as client,
        client.get_executor() as executor,
    ):
        yield executor


def table(found: list[Row]) -> list[str]:
    """Return rows as Markdown."""
    lines = ["| | time an item | ratio |", "|---|---|---|"]
    return lines + [f"| {row.what} | {row.us:.0f} µs | {row.ratio:.2f} |" for row in found]


def document(sections: Sections, quick: bool) -> str:
    """Return docs/performance.md."""
    today = f"{datetime.now(UTC):%Y-%m-%d}"
    busy = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
    versions = ", ".join(f"{name} {version(name)}" for name in LIBRARIES)
    opening = f"""# Performance

Written by `python tests/bench/run.py{" --quick" if quick else ""}` on {today}, all in
one process run. To repeat it: `pip install -e '.[test,bench]'`, then that command.

Python {platform.python_version()}, {versions}; {os.cpu_count()} cores, which others used at the \
same time (load average {busy:.1f} at the end). Of every item and way the least of several rounds \
counts, ways in turn, processor time unless it says wall time: ratios can be trusted further than \
times. Sweeps are invented: {invented.POINTS} points, one port, Touchstone 1.
"""
    parts = [f"## {title}\n\n" + "\n".join(lines) + "\n" for title, lines in sections]
    return "\n".join([opening, *parts])


def main() -> None:
    """Run everything, print it, write the document."""
    quick = "--quick" in sys.argv[1:]
    warnings.simplefilter("ignore")
    with tempfile.TemporaryDirectory() as folder:
        paths = invented.write(Path(folder), 1000 if quick else 10_000)
        sections: Sections = []
        for title, lines in (
            ("Reading a file", lambda: table(reading(paths, quick))),
            ("Fitting a sweep", lambda: table(fitting(paths, quick))),
            ("From file to figures", lambda: table(whole(paths, quick))),
            ("As files grow in number", lambda: growth(paths, quick)),
            ("Over processes", lambda: processes(paths, quick)),
        ):
            sections.append((title, lines()))
            print(f"\n{title}\n" + "\n".join(sections[-1][1]), flush=True)
    DOC.write_text(document(sections, quick), encoding="utf-8")


if __name__ == "__main__":
    main()
