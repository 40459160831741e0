"""How long things take, side by side in one process, on a machine that others may use."""

from __future__ import annotations

import gc
import math
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

Item = TypeVar("Item")


@dataclass(frozen=True)
class Row:
    """One line of the table.

    Parameters
    ----------
    what : str
    us : float
        Processor time for one item [us]; wall time where stated.
    ratio : float
        To the row that the section names.
    """

    what: str
    us: float
    ratio: float


def side_by_side(
    ways: Mapping[str, Callable[[Item], object]], items: Sequence[Item], rounds: int
) -> dict[str, float]:
    """Return each way's processor time for one item [us].

    Every item is done by every way in turn, again and again; of each pair the least counts, so
    that what else the machine does falls on all alike and is mostly left out.
    """
    best = {name: [math.inf] * len(items) for name in ways}
    gc.collect()
    gc.disable()
    try:
        for _ in range(rounds):
            for place, item in enumerate(items):
                for name, way in ways.items():
                    begun = time.process_time()
                    way(item)
                    best[name][place] = min(best[name][place], time.process_time() - begun)
    finally:
        gc.enable()
    return {name: 1e6 * sum(times) / len(times) for name, times in best.items()}


def rows(times: Mapping[str, float], against: str) -> list[Row]:
    """Return the table's rows, with ratios to one of them."""
    return [Row(name, us, us / times[against]) for name, us in times.items()]


def best_of(work: Callable[[], object], rounds: int, clock: Callable[[], float]) -> float:
    """Return the least time that some work takes [s]."""
    times = []
    for _ in range(rounds):
        begun = clock()
        work()
        times.append(clock() - begun)
    return min(times)
