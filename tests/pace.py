"""How fast this machine is at the moment, so that time limits hold on a slow or busy one too."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

# What the work below takes on the machine the limits were set on, with nothing else to do.
_REFERENCE_S = 2.5e-3


def slowness(rounds: int = 7) -> float:
    """Return how many times longer than the reference this machine takes; at least 1."""
    return max(1.0, min(_seconds(_work) for _ in range(rounds)) / _REFERENCE_S)


def least_seconds(work: Callable[[], object], *, enough_s: float, tries: int = 7) -> float:
    """Return the processor time that `work` takes at best, at the reference machine's pace.

    Other processes on a core can only add to it, so the least of several tries counts, each
    divided by the machine's slowness at that moment; a try within `enough_s` ends them.
    """
    least = float("inf")
    for _ in range(tries):
        took = _seconds(work)
        least = min(least, took if took <= enough_s else took / slowness(3))
        if least <= enough_s:
            break
    return least


def _work() -> None:
    angles, matrix = np.linspace(0, 1, 400), np.eye(3)[None] + 0.1
    for _ in range(100):
        phasors = np.exp(1j * angles)
        np.linalg.solve(matrix, (phasors[:3].real * angles[-1])[None, :, None])
        np.sort(np.abs(phasors - angles))


def _seconds(work: Callable[[], object]) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start
