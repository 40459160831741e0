"""Invented sweeps for the bench: 201 points, clean one-port files as most are."""

from __future__ import annotations

from pathlib import Path

import numpy as np

POINTS = 201


def write(folder: Path, count: int) -> list[str]:
    """Write so many files of sweeps with a resonance and noise; return their paths."""
    random = np.random.default_rng(20260503)
    paths = []
    for number in range(count):
        f0 = 7.1e6 * (1 + 0.002 * random.standard_normal())
        q = random.uniform(200, 500)
        f = np.linspace(f0 * (1 - 3 / q), f0 * (1 + 3 / q), POINTS)
        turn = np.exp(1j * random.uniform(-3, 3))
        gamma = turn * (-0.97 + random.uniform(0.6, 1.6) / (1 + 1j * q * (f / f0 - f0 / f)))
        gamma += 1e-3 * (random.standard_normal(POINTS) + 1j * random.standard_normal(POINTS))
        lines = [f"{a:.0f} {b.real:.9f} {b.imag:.9f}\n" for a, b in zip(f, gamma, strict=True)]
        path = folder / f"{number:05d}.s1p"
        path.write_text("".join(["! invented\n", "# Hz S RI R 50\n", *lines]))
        paths.append(str(path))
    return paths
