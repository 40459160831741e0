"""Makes tests/data/nec/impedance.csv: the gap impedance of single loops, converged, from NEC-2.

Run it from anywhere: ``python samples/recipe/make_impedance.py``. Conventions are in the README
next to the table.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from geometry import (
    Array,
    Wire,
    circle_nodes,
    polygon_nodes,
    rectangle_corners,
    regular_corners,
)
from nec import C0, COPPER_S_PER_M, solve
from writers import write_table

TABLE = Path(__file__).parents[2] / "tests" / "data" / "nec" / "impedance.csv"
PERIMETER_M = np.pi
GAP_M = PERIMETER_M / 36
RADIUS_M = 0.005
C_OVER_LAMBDA = (0.03, 0.05, 0.075, 0.10, 0.15, 0.20, 0.25, 0.30)
SPOT_HZ = (7.1e6, 14.1e6, 21.1e6, 28.5e6)


def shapes() -> dict[str, tuple[Array, int]]:
    """Nodes and gap segments of every shape; all segments equally long.

    Straight sides must hold a whole number of segments, which fixes the gap's split.
    """
    long_m = PERIMETER_M / 3
    sides = {
        "square": (regular_corners(4, PERIMETER_M), 7),
        "octagon": (regular_corners(8, PERIMETER_M), 8),
        "rectangle": (rectangle_corners(long_m, long_m / 2), 8),
    }
    table = {"circle": (circle_nodes(PERIMETER_M, GAP_M, 7, 35 * 7), 7)}
    for name, (corners, split) in sides.items():
        table[name] = (polygon_nodes(corners, GAP_M, split, GAP_M / split), split)
    corners = regular_corners(36, PERIMETER_M)
    table["polygon36"] = (np.vstack([_cut(a, b, 7) for a, b in _sides(corners)]), 7)
    return table


def rows() -> list[dict[str, str]]:
    """The table's rows."""
    sweep = tuple(share * C0 / PERIMETER_M for share in C_OVER_LAMBDA)
    out = []
    for name, (nodes, split) in shapes().items():
        spots = {"circle": sweep + SPOT_HZ, "polygon36": SPOT_HZ}.get(name, sweep)
        f_hz = np.array(sorted(spots))
        bare = solve([Wire(nodes, RADIUS_M, None, split)], [range(split)], f_hz)
        copper = solve([Wire(nodes, RADIUS_M, COPPER_S_PER_M, split)], [range(split)], f_hz)
        for n, f in enumerate(f_hz):
            z, z_copper = 1 / bare.y_s[n, 0, 0], 1 / copper.y_s[n, 0, 0]
            per_ampere = abs(z) ** 2
            out.append(
                {
                    "shape": name,
                    "c_over_lambda": f"{f * PERIMETER_M / C0:.6f}",
                    "f_hz": f"{f:.1f}",
                    "r_lossless_ohm": f"{z.real:.6g}",
                    "x_lossless_ohm": f"{z.imag:.6f}",
                    "r_radiated_ohm": f"{bare.radiated_s[n, 0, 0].real * per_ampere:.6g}",
                    "r_copper_total_ohm": f"{z_copper.real:.6g}",
                    "x_copper_ohm": f"{z_copper.imag:.6f}",
                    "segments": str(len(nodes)),
                    "gap_segments": str(split),
                }
            )
    return out


def _sides(corners: Array) -> list[tuple[Array, Array]]:
    """Sides of a polygon, the one from last to first corner in front."""
    start = np.roll(corners, 1, axis=0)
    return list(zip(start, corners, strict=True))


def _cut(start: Array, stop: Array, count: int) -> Array:
    """Start points of ``count`` equal pieces of a straight side."""
    return np.asarray(start + (stop - start) * np.arange(count)[:, None] / count)


def main() -> None:
    """Write the table."""
    write_table(TABLE, rows())


if __name__ == "__main__":
    main()
