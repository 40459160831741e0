"""Makes tests/data/nec/truth: simulated sweeps of 64 antennas with their true efficiency.

Run it from anywhere: ``python samples/recipe/make_truth.py`` (some minutes). Seeded. The README in
tests/data/nec says what each figure means.
"""

from __future__ import annotations

import json
import zipfile
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
from cases import Case, build_toml, draw, first_figures
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

FOLDER = Path(__file__).parents[2] / "tests" / "data" / "nec" / "truth"
SEED = 20260712
COUNT = 64
MARK = "simulated, made by samples/recipe/make_truth.py"


def solve_case(case: Case) -> tuple[TwoPort, Truth]:
    """The case's two-port, smooth over at least its sweep, and its true figures."""
    _, bandwidth = first_figures(case.antenna, case.f0_hz, case.esr_ohm)
    reach = bandwidth / case.f0_hz * (case.span_bandwidths / 2 + 1)
    spread = float(np.clip(1.3 * reach, 0.05, 0.2))
    grid = case.f0_hz * np.linspace(1 - spread, 1 + spread, 9)
    pair = two_port(case.antenna.solve(grid), np.zeros((0, 9)), degree=5)
    return pair, truth(pair, case.f0_hz, float(skin_law(case.esr_ohm, np.array(case.f0_hz))))


def sweep(case: Case, pair: TwoPort, figures: Truth, rng: np.random.Generator) -> str:
    """The noisy sweep as Touchstone text."""
    bandwidth = figures.half_power_bandwidth_hz
    centre = loaded_frequency(pair, figures) + case.off_centre_bandwidths * bandwidth
    half = case.span_bandwidths / 2 * bandwidth
    f_hz = np.round(np.linspace(centre - half, centre + half, case.points))
    esr = skin_law(case.esr_ohm, f_hz)
    gamma = reflection(pair, f_hz, capacitance_at(pair, case.f0_hz), esr, case.line)
    noise = rng.standard_normal(case.points) + 1j * rng.standard_normal(case.points)
    return touchstone(f_hz, gamma + case.noise * noise, [MARK, case.name], digits=6)


def entry(case: Case, pair: TwoPort, figures: Truth) -> dict[str, Any]:
    """One element of cases.json."""
    return {
        "name": case.name,
        "sweep": f"{case.name}.s1p",
        "build_toml": build_toml(case, figures.capacitance_f),
        "truth": {
            **{key: float(f"{value:.9g}") for key, value in asdict(figures).items()},
            "f_loaded_hz": float(f"{loaded_frequency(pair, figures):.9g}"),
            "esr_ohm": float(skin_law(case.esr_ohm, np.array(case.f0_hz))),
        },
        "noise": case.noise,
        "points": case.points,
        "esr_told": case.esr_told,
    }


def main() -> None:
    """Draw, solve, sweep, write."""
    FOLDER.mkdir(parents=True, exist_ok=True)
    entries = []
    with zipfile.ZipFile(FOLDER / "sweeps.zip", "w", zipfile.ZIP_DEFLATED, compresslevel=9) as file:
        for index in range(COUNT):
            rng = np.random.default_rng([SEED, index])
            case = draw(index, rng)
            pair, figures = solve_case(case)
            entries.append(entry(case, pair, figures))
            # A fixed date keeps the archive the same from run to run.
            member = zipfile.ZipInfo(f"{case.name}.s1p", (2026, 1, 1, 0, 0, 0))
            member.compress_type = zipfile.ZIP_DEFLATED
            file.writestr(member, sweep(case, pair, figures, rng))
    text = json.dumps(entries, indent=1, allow_nan=False)
    (FOLDER / "cases.json").write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
