"""Makes tests/data/nec/truth_turns: simulated sweeps of 16 loops of two turns, with their truth.

Run it from anywhere: ``python samples/recipe/make_truth_turns.py`` (some minutes). Seeded. The
README in tests/data/nec says how the turns run and what each figure means.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
from cases import Case, build_toml, circumference_for, log_uniform, swept
from nec import ALUMINIUM_S_PER_M, C0, COPPER_S_PER_M
from study import entry, esr_ohm, noisy_sweep, solve_case, write
from turns import Turns
from twoport import loaded_frequency

FOLDER = Path(__file__).parents[2] / "tests" / "data" / "nec" / "truth_turns"
SEED = 20260912
COUNT = 16
MARK = "simulated, made by samples/recipe/make_truth_turns.py"


def draw(index: int, rng: np.random.Generator) -> Case:
    """Two random turns whose coupling loop could be sized; draws again until one fits."""
    way = "helix" if index % 4 == 3 else "slanted"
    close = index % 4 == 1
    for _ in range(200):
        f0 = log_uniform(rng, 3.5e6, 14.5e6)
        length = round(log_uniform(rng, 1.5, 2.8), 2)
        if not 0.06 <= 2 * length * f0 / C0 <= 0.2:
            continue
        # The outer turn is the longer one by the length inside an enclosure, in every fourth case.
        longer = round(float(rng.uniform(0.01, 0.045)), 3) if index % 4 == 2 else 0.0
        radius = round(float(rng.uniform(2, 4.5)), 1) / 1000
        spacing = round(float(rng.uniform(*((4, 9) if close else (10, 16)))) * radius, 3)
        gap = round(float(rng.uniform(0.03, 0.06)), 3)
        leads = round(float(rng.uniform(0.04, 0.06)), 3)
        # As many segments as the engine and the computing time allow.
        count = int(gap / max(2.15 * radius, 2 * length / 620))
        if count < 3:
            continue
        esr = round(log_uniform(rng, 5, 80), 1) / 1000
        lengths = (length, round(length * (1 + longer), 3))
        turns = _fed(way, lengths, spacing, (gap, count, leads), radius, (f0, esr), rng)
        if turns is not None:
            return swept(f"turns-{index:02d}", turns, f0, esr, index // 2 % 2 == 0, rng)
    raise RuntimeError(f"case {index}: no antenna found")


def _fed(
    way: str,
    lengths: tuple[float, float],
    spacing: float,
    opening: tuple[float, int, float],
    radius: float,
    at: tuple[float, float],
    rng: np.random.Generator,
) -> Turns | None:
    """The turns with a coupling loop sized for a drawn coupling factor, or None."""
    target = log_uniform(rng, 0.33, 2.8)
    coupling_radius = round(float(rng.uniform(1.5, 3.0)), 1) / 1000
    offset = round(float(rng.uniform(2.5, 5.0)) * (radius + coupling_radius), 4)
    conductivity = COPPER_S_PER_M if rng.random() < 0.6 else ALUMINIUM_S_PER_M
    least = 12 * 2.4 * coupling_radius
    most = 0.75 * lengths[0] - np.pi * offset

    def turns(around: float) -> Turns:
        return Turns(
            way,
            lengths,
            spacing,
            *opening,
            radius,
            conductivity,
            round(around, 4),
            coupling_radius,
            offset,
        )

    def coarse(around: float) -> Turns:
        return replace(turns(around), gap_segments=2)

    start = float(np.clip(0.15 * lengths[0], least, most))
    around = circumference_for(coarse, target, start, least, most, *at)
    return None if around is None else turns(around)


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
        assert isinstance(case.antenna, Turns)
        turns_entry = {"way": case.antenna.way, "segments": len(case.antenna.main_wire().nodes_m)}
        yield entry(case, text, truth) | turns_entry, noisy_sweep(case, pair, figures, MARK, rng)


if __name__ == "__main__":
    write(FOLDER, solved())
