"""Efficiency inferred from full-wave sweeps, compared with the textbook's.

Run by hand in tests/: ``python -m studies.efficiency``.
"""

from __future__ import annotations

import json
import math
import zipfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from studies.page import write
from sweeplab import Build, fit_resonance, loss_budget
from sweeplab.files import sweep_from_bytes
from sweeplab.line import Line

NEC = Path(__file__).parents[1] / "data" / "nec"
STUDIES = {"truth": ("free space, one turn", "efficiency"),
           "truth_turns": ("free space, two turns in series", "efficiency"),
           "truth_ground": ("over ground: power to the sky", "efficiency_over_ground")}  # fmt: skip


def main() -> None:
    """Run the studies and write them down."""
    lines = ["| sweeps | median error | 95th percentile | worst | truth in the 95 % interval |",
             "|---|---|---|---|---|"]  # fmt: skip
    for folder, (label, name) in STUDIES.items():
        errors, inside = [], []
        for case, sweep, build in _cases(folder):
            estimate = getattr(loss_budget(sweep, build), name)
            truth = case["truth"][name]
            errors.append(abs(estimate.value / truth - 1))
            inside.append(estimate.low <= truth <= estimate.high)
        lines.append(f"| {len(errors)}, {label} | {_percent(errors)} | {np.sum(inside)} of "
                     f"{len(inside)} |")  # fmt: skip
    for label, describe in (
        ("its line's length described to 10 %", _uncertain_length),
        ("its line's loss left out", _without_loss),
    ):
        lines.append(_row(label, describe))
    textbook = [
        abs(_textbook(case, sweep, build) / case["truth"]["efficiency"] - 1)
        for case, sweep, build in _cases("truth") if build.loop.shape == "circle"
    ]  # fmt: skip
    lines.append(f"| {len(textbook)} circles of the first, textbook formulas | "
                 f"{_percent(textbook)} | none given |")  # fmt: skip
    write("efficiency", "\n".join(lines))


def _row(label: str, describe: Any) -> str:
    """Return the row of the first study's sweeps through a line, the line described otherwise."""
    errors, inside = [], []
    for index, (case, sweep, build) in enumerate(_cases("truth")):
        if build.feed.line is None:
            continue
        line = describe(build.feed.line, np.random.default_rng([11, index]))
        described = replace(build, feed=replace(build.feed, line=line))
        estimate, truth = loss_budget(sweep, described).efficiency, case["truth"]["efficiency"]
        errors.append(abs(estimate.value / truth - 1))
        inside.append(estimate.low <= truth <= estimate.high)
    return (f"| {len(errors)} of the first, {label} | {_percent(errors)} | {np.sum(inside)} of "
            f"{len(inside)} |")  # fmt: skip


def _uncertain_length(line: Line, rng: np.random.Generator) -> Line:
    wrong = line.length_m * (1 + 0.1 * float(rng.standard_normal()))
    return replace(line, length_m=wrong, u_length_m=0.1 * line.length_m)


def _without_loss(line: Line, rng: np.random.Generator) -> Line:
    return replace(line, loss_db_per_100m=())


def _cases(folder: str) -> Any:
    archive = zipfile.ZipFile(NEC / folder / "sweeps.zip")
    for case in json.loads((NEC / folder / "cases.json").read_text(encoding="utf-8")):
        sweep = sweep_from_bytes(archive.read(case["sweep"]), case["sweep"])
        yield case, sweep, Build.from_toml(case["build_toml"])


def _percent(errors: list[float]) -> str:
    figures = np.median(errors), np.percentile(errors, 95), max(errors)
    return " | ".join(f"{100 * figure:.2f} %" for figure in figures)


def _textbook(case: dict[str, Any], sweep: Any, build: Build) -> float:
    """Return Q0 Rrad/(w L) by the small loop (C. A. Balanis, Antenna Theory, ch. 5)."""
    line = None if build.feed is None else build.feed.line
    fit = fit_resonance(sweep, line=line)
    assert fit.q_unloaded is not None
    assert build.conductor.diameter is not None
    f, size = case["truth"]["f0_hz"], build.loop.circumference.value
    radius = size / (2 * math.pi)
    radiation = 20 * math.pi**2 * (size * f / 299_792_458) ** 4
    inductance = 4e-7 * math.pi * radius
    inductance *= math.log(16 * radius / build.conductor.diameter.value) - 2
    return fit.q_unloaded.value * radiation / (2 * math.pi * f * inductance)


if __name__ == "__main__":
    main()
