"""How near the fit comes to what a sweep holds: table and plot for docs/validation.md.

Run by hand in tests/: ``python -m studies.estimator [cells] [draws]``.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from studies.cells import NAMES, Cell, binomial_half_width, latin_truths, study
from studies.page import DOCS, write
from sweeplab import Line

LABELS = dict(zip(NAMES, ("resonance", "loaded Q", "unloaded Q", "coupling factor"), strict=True))


def main() -> None:
    """Run the study and write it down."""
    words = [int(word) for word in sys.argv[1:]]
    count, draws = [*words, *(60, 10_000)[len(words) :]]
    start = time.process_time()
    rng = np.random.default_rng(20261125)
    truths = latin_truths(count, seed=7)
    unknown = [study(truth, draws, rng) for truth in truths]
    known = [study(truth, draws, rng, Line(0.0)) for truth in truths if truth.theta == 0]
    seconds = time.process_time() - start
    write("estimator", text(unknown, known, draws, seconds))
    plot([*unknown, *known])


def text(unknown: list[Cell], known: list[Cell], draws: int, seconds: float) -> str:
    """Return the part of docs/validation.md."""
    small = [cell for cell in unknown if cell.bound_q_unloaded < 0.03]
    large = [cell for cell in unknown if cell.bound_q_unloaded >= 0.03]
    lines = [
        f"{len(unknown)} cells of {draws} draws each with the line unknown, {len(known)} with its "
        f"delay known; {seconds:.0f} s of processor time. The bound is computed in "
        "`tests/studies/limit.py` without sweeplab.",
        "",
        f"In {len(small)} cells the bound on u(Q0)/Q0 is under 3 %, in {len(large)} above it (up "
        f"to {100 * max(cell.bound_q_unloaded for cell in unknown):.1f} %). A standard deviation "
        f"over {draws} draws scatters by {100 / np.sqrt(2 * draws):.1f} %, a mean by "
        f"{1 / np.sqrt(draws):.3f} of the bound, a coverage of 95 % by "
        f"{100 * binomial_half_width(draws, 1):.2f} points (one standard deviation each).",
        "",
        "| line | figure | spread/bound, median (worst) | largest bias/bound | coverage, "
        "lowest to highest |",
        "|---|---|---|---|---|",
    ]
    for label, cells in (("unknown", small), ("unknown, bound over 3 %", large), ("known", known)):
        for i, name in enumerate(NAMES if cells else ()):
            spread = np.array([cell.spread[i] for cell in cells])
            worst = spread[np.argmax(np.abs(spread - 1))]
            bias = max(abs(cell.bias[i]) for cell in cells)
            cover = [cell.coverage[i] for cell in cells]
            lines.append(
                f"| {label} | {LABELS[name]} | {np.median(spread):.3f} ({worst:.3f}) | {bias:.3f} "
                f"| {100 * min(cover):.1f} to {100 * max(cover):.1f} % |"
            )
    lost = sum(cell.statuses["refused"] for cell in [*unknown, *known])
    lines += ["", f"Refused: {lost} of {draws * (len(unknown) + len(known))} sweeps."]
    return "\n".join(lines)


def plot(cells: list[Cell]) -> None:
    """Draw spread and coverage of the unloaded Q over its bound."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    mpl.rcParams["svg.hashsalt"] = "sweeplab"
    figure = Figure(figsize=(7.5, 3.2), layout="constrained")
    left, right = figure.subplots(1, 2)
    bound = [100 * cell.bound_q_unloaded for cell in cells]
    i, draws = NAMES.index("q_unloaded"), cells[0].draws
    left.plot(bound, [cell.spread[i] for cell in cells], "o", ms=3.5, color="#1b5e83")
    left.axhspan(1 - 3.29 / np.sqrt(2 * draws), 1 + 3.29 / np.sqrt(2 * draws), color="#d9e4ea")
    left.set_ylabel("spread of unloaded Q over the bound")
    right.plot(bound, [100 * cell.coverage[i] for cell in cells], "s", ms=3.5, color="#1b5e83")
    half = 100 * binomial_half_width(draws)
    right.axhspan(95 - half, 95 + half, color="#d9e4ea")
    right.set_ylabel("coverage of the 95 % interval (%)")
    for ax in (left, right):
        ax.set_xscale("log")
        ax.set_xlabel("bound on u(Q0)/Q0 (%); band: 99.9 % of draws")
    figure.savefig(DOCS / "validation-estimator.svg", metadata={"Date": None})


if __name__ == "__main__":
    main()
