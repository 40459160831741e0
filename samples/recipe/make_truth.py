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
from cases import build_toml, draw
from study import entry, esr_ohm, noisy_sweep, solve_case, write
from twoport import loaded_frequency

FOLDER = Path(__file__).parents[2] / "tests" / "data" / "nec" / "truth"
SEED = 20260712
COUNT = 64
MARK = "simulated, made by samples/recipe/make_truth.py"


def solved() -> Iterator[tuple[dict[str, Any], str]]:
    """Every case's element of cases.json, and its sweep."""
    for index in range(COUNT):
        rng = np.random.default_rng([SEED, index])
        case = draw(index, rng)
        pair, figures = solve_case(case)
        truth = {
            **asdict(figures),
            "f_loaded_hz": loaded_frequency(pair, figures),
            "esr_ohm": esr_ohm(case),
        }
        text = build_toml(case, figures.capacitance_f)
        yield entry(case, text, truth), noisy_sweep(case, pair, figures, MARK, rng)


if __name__ == "__main__":
    write(FOLDER, solved())
