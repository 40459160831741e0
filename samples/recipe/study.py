"""Shared by the truth studies: a case's frequencies, its noisy sweep, and the files they write."""

from __future__ import annotations

import json
import zipfile
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
from cases import Case, first_figures
from geometry import Array
from twoport import (
    Truth,
    TwoPort,
    capacitance_at,
    loaded_frequency,
    reflection,
    skin_law,
    truth,
    two_port,
)
from writers import touchstone


def spread(case: Case, bandwidth_hz: float) -> float:
    """How far from the resonance the ports must be known, as a fraction of it."""
    reach = bandwidth_hz / case.f0_hz * (case.span_bandwidths / 2 + 1)
    return float(np.clip(1.3 * reach, 0.05, 0.2))


def grid(case: Case, bandwidth_hz: float) -> Array:
    """Nine frequencies over at least the case's sweep [Hz]."""
    width = spread(case, bandwidth_hz)
    return np.asarray(case.f0_hz * np.linspace(1 - width, 1 + width, 9))


def solve_case(case: Case) -> tuple[TwoPort, Truth]:
    """The case's two-port in free space, smooth over at least its sweep, and its true figures."""
    _, bandwidth = first_figures(case.antenna, case.f0_hz, case.esr_ohm)
    pair = two_port(case.antenna.solve(grid(case, bandwidth)), np.zeros((0, 9)), degree=5)
    return pair, truth(pair, case.f0_hz, esr_ohm(case))


def esr_ohm(case: Case) -> float:
    """The capacitor's series resistance at the case's resonance [ohm]."""
    return float(skin_law(case.esr_ohm, np.array(case.f0_hz)))


def noisy_sweep(
    case: Case, pair: TwoPort, figures: Truth, mark: str, rng: np.random.Generator
) -> str:
    """The noisy sweep as Touchstone text."""
    bandwidth = figures.half_power_bandwidth_hz
    centre = loaded_frequency(pair, figures) + case.off_centre_bandwidths * bandwidth
    half = case.span_bandwidths / 2 * bandwidth
    f_hz = np.round(np.linspace(centre - half, centre + half, case.points))
    esr = skin_law(case.esr_ohm, f_hz)
    gamma = reflection(pair, f_hz, capacitance_at(pair, case.f0_hz), esr, case.line)
    noise = rng.standard_normal(case.points) + 1j * rng.standard_normal(case.points)
    return touchstone(f_hz, gamma + case.noise * noise, [mark, case.name], digits=6)


def entry(case: Case, build_toml: str, truth: dict[str, float]) -> dict[str, Any]:
    """One element of cases.json."""
    return {
        "name": case.name,
        "sweep": f"{case.name}.s1p",
        "build_toml": build_toml,
        "truth": {key: float(f"{value:.9g}") for key, value in truth.items()},
        "noise": case.noise,
        "points": case.points,
        "esr_told": case.esr_described,
    }


def write(folder: Path, pairs: Iterable[tuple[dict[str, Any], str]]) -> None:
    """Write cases.json and sweeps.zip from elements and their sweeps."""
    folder.mkdir(parents=True, exist_ok=True)
    entries = []
    with zipfile.ZipFile(folder / "sweeps.zip", "w", zipfile.ZIP_DEFLATED, compresslevel=9) as file:
        for element, sweep in pairs:
            entries.append(element)
            # A fixed date keeps the archive the same from run to run.
            member = zipfile.ZipInfo(element["sweep"], (2026, 1, 1, 0, 0, 0))
            member.compress_type = zipfile.ZIP_DEFLATED
            file.writestr(member, sweep)
    text = json.dumps(entries, indent=1, allow_nan=False)
    (folder / "cases.json").write_text(text + "\n", encoding="utf-8")
