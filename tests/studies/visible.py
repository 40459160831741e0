"""How much of a drift one sweep can show at all: see ``studies.interference``.

Run by hand in tests/: ``python -m studies.visible``.
"""

from __future__ import annotations

import numpy as np

from studies.interference import DRIFT_SHAPES, DRIFTING, chi_square_beyond_circle
from studies.page import write

SIZES = (3, 10, 30)
DRAWS = 40


def main() -> None:
    """Run the study and write it down."""
    rng = np.random.default_rng(71)
    heads = ["what moves", "how", *(f"{size} s" for size in SIZES)]
    lines = ["| " + " | ".join(heads) + " |", "|---" * len(heads) + "|"]
    for quantity in DRIFTING:
        for shape in DRIFT_SHAPES:
            cells = []
            for size in SIZES:
                left = chi_square_beyond_circle(quantity, shape, size, DRAWS, rng)
                low, middle, high = np.quantile(left, (0.1, 0.5, 0.9))
                cells.append(f"{middle:.1f} ({low:.1f} to {high:.1f})")
            lines.append("| " + " | ".join([quantity, shape, *cells]) + " |")
    write("visible", "\n".join(lines))


if __name__ == "__main__":
    main()
