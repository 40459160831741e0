"""How fast this machine is just now, so that limits of time hold on a slow or busy one too."""

from __future__ import annotations

import time

import numpy as np

# What the work below takes on the machine the limits were set on, with nothing else to do.
_THERE_S = 2.5e-3


def slowness() -> float:
    """Return how many times longer than there this machine takes; at least 1."""
    return max(1.0, min(_once() for _ in range(7)) / _THERE_S)


def _once() -> float:
    angles, matrix = np.linspace(0, 1, 400), np.eye(3)[None] + 0.1
    start = time.process_time()
    for _ in range(100):
        turned = np.exp(1j * angles)
        np.linalg.solve(matrix, (turned[:3].real * angles[-1])[None, :, None])
        np.sort(np.abs(turned - angles))
    return time.process_time() - start
