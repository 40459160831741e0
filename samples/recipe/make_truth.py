"""Makes tests/data/nec/truth: simulated sweeps of 64 antennas with their true efficiency.

Run it from anywhere: ``python samples/recipe/make_truth.py`` (some minutes). Seeded. The README in
tests/data/nec says what each figure means.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
from cases import Case, build_toml, draw, first_figures
from study import entry, grid, noisy_sweep, write
from twoport import Truth, TwoPort, loaded_frequency, skin_law, truth, two_port

FOLDER = Path(__file__).parents[2] / "tests" / "data" / "nec" / "truth"
SEED = 20260712
COUNT = 64
MARK = "simulated, made by samples/recipe/make_truth.py"


def solve_case(case: Case) -> tuple[TwoPort, Truth]:
    """The case's two-port, smooth over at least its sweep, and its true figures."""
    _, bandwidth = first_figures(case.antenna, case.f0_hz, case.esr_ohm)
    pair = two_port(case.antenna.solve(grid(case, bandwidth)), np.zeros((0, 9)), degree=5)
    return pair, truth(pair, case.f0_hz, float(skin_law(case.esr_ohm, np.array(case.f0_hz))))


def solved() -> Iterator[tuple[dict[str, Any], str]]:
    """Every case's element of cases.json, and its sweep."""
    for index in range(COUNT):
        rng = np.random.default_rng([SEED, index])
        case = draw(index, rng)
        pair, figures = solve_case(case)
        told = {
            **asdict(figures),
            "f_loaded_hz": loaded_frequency(pair, figures),
            "esr_ohm": float(skin_law(case.esr_ohm, np.array(case.f0_hz))),
        }
        text = build_toml(case, figures.capacitance_f)
        yield entry(case, text, told), noisy_sweep(case, pair, figures, MARK, rng)


if __name__ == "__main__":
    write(FOLDER, solved())
