"""Sweeps as text: Touchstone one-ports and tables, each marked as invented; tables of figures."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from geometry import Array
from nec import Complex


def touchstone(f_hz: Array, gamma: Complex, comments: Sequence[str], digits: int = 7) -> str:
    """A Touchstone 1 one-port in Hz, real and imaginary part, 50 ohm."""
    lines = [f"! {comment}" for comment in comments] + ["# Hz S RI R 50"]
    lines += [f"{f:.0f} {g.real:.{digits}f} {g.imag:.{digits}f}" for f, g in _pairs(f_hz, gamma)]
    return "\n".join(lines) + "\n"


def touchstone_polar(f_hz: Array, gamma: Complex, comments: Sequence[str]) -> str:
    """A Touchstone 1 one-port in MHz, magnitude and degrees, 50 ohm."""
    lines = [f"! {comment}" for comment in comments] + ["# MHz S MA R 50"]
    lines += [
        f"{f / 1e6:.6f} {abs(g):.6f} {np.degrees(np.angle(g)):.4f}" for f, g in _pairs(f_hz, gamma)
    ]
    return "\n".join(lines) + "\n"


def reflection_table(f_hz: Array, gamma: Complex, comments: Sequence[str]) -> str:
    """A comma-separated table of the complex reflection."""
    lines = [f"! {comment}" for comment in comments] + ["frequency_hz,reflection_re,reflection_im"]
    lines += [f"{f:.0f},{g.real:.7f},{g.imag:.7f}" for f, g in _pairs(f_hz, gamma)]
    return "\n".join(lines) + "\n"


def impedance_table(f_hz: Array, gamma: Complex, comments: Sequence[str]) -> str:
    """A table of series resistance and reactance with semicolons and decimal commas, 50 ohm."""
    lines = [f"! {comment}" for comment in comments] + ["Frequency (MHz);R (ohm);X (ohm)"]
    for f, g in _pairs(f_hz, gamma):
        z = 50 * (1 + g) / (1 - g)
        lines.append(f"{f / 1e6:.6f};{z.real:.5f};{z.imag:.5f}".replace(".", ","))
    return "\n".join(lines) + "\n"


def write_table(path: Path, rows: Sequence[Mapping[str, Any]]) -> None:
    """Write figures as comma-separated values under the keys of the first row."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, fieldnames=list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def _pairs(f_hz: Array, gamma: Complex) -> list[tuple[float, complex]]:
    return [(float(f), complex(g)) for f, g in zip(f_hz, gamma, strict=True)]
