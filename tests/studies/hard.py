"""Sweeps that tell little: results for the unloaded Q where its bound is above 3 %.

Run by hand in tests/: ``python -m studies.hard [cells] [draws]``.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np
from simulated import Truth

from studies.cells import NAMES, Cell, latin_truths, study
from studies.limit import bounds
from studies.page import write

# Within the design hardly a sweep in a thousand is as bad: more noise makes it so.
SHALLOWEST, DEEPEST = 0.03, 0.3


def hard_truths(count: int, seed: int) -> list[Truth]:
    """Return truths of the design with noise that puts the bound on u(Q0)/Q0 at 3 to 30 %."""
    targets = np.geomspace(SHALLOWEST, DEEPEST, count)
    return [
        # The bound goes with the noise.
        replace(truth, noise=truth.noise * float(target) / bounds(truth)["q_unloaded"])
        for truth, target in zip(latin_truths(count, seed), targets, strict=True)
    ]


def row(cell: Cell) -> str:
    """Return a line of the table."""
    truth, i = cell.truth, NAMES.index("q_unloaded")
    shares = [cell.statuses[status] / cell.draws for status in ("ok", "doubtful", "refused")]
    figures = (
        f"{truth.q_loaded:.0f}", f"{truth.coupling_factor:.2f}", str(truth.points),
        f"{truth.span_bandwidths:.1f}", f"{truth.noise:.1e}", f"{100 * cell.bound_q_unloaded:.1f}",
        *(f"{100 * share:.1f}" for share in shares),
        # A handful of answers has no coverage worth a figure.
        f"{100 * cell.coverage[i]:.1f}" if shares[2] < 0.9 else "-",
        f"{cell.spread[i]:.2f}" if shares[2] < 0.9 else "-",
    )  # fmt: skip
    return "| " + " | ".join(figures) + " |"


def main() -> None:
    """Run the study and write it down."""
    given = [int(word) for word in sys.argv[1:3]]
    count, draws = given + [24, 10_000][len(given) :]
    rng = np.random.default_rng(43)
    cells = [study(truth, draws, rng) for truth in hard_truths(count, seed=5)]
    cells.sort(key=lambda cell: cell.bound_q_unloaded)
    heads = ["QL", "beta", "points", "span", "noise", "bound %", "ok %", "doubtful %", "refused %",
             "covered %", "spread/bound"]  # fmt: skip
    lines = ["| " + " | ".join(heads) + " |", "|---" * len(heads) + "|", *map(row, cells)]
    mixed = sum(0.05 < cell.statuses["refused"] / draws < 0.95 for cell in cells)
    lines += ["", f"{draws} draws a row. In {mixed} of {len(cells)} the noise's luck decides "
              "between an answer and a refusal (5 to 95 % refused)."]  # fmt: skip
    write("hard", "\n".join(lines))


if __name__ == "__main__":
    main()
