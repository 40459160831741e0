"""Makes tests/data/nec/ground.csv: effect of ground on a loop's radiated power, from NEC-2.

Run it from anywhere: ``python samples/recipe/make_ground.py``. Sommerfeld ground, lossless loops;
heights keep clear of where the engine's interpolation tables jump (README next to the table).
"""

from __future__ import annotations

from itertools import product
from pathlib import Path

from geometry import Wire, circle_nodes, placed, segments_for_gap
from nec import C0, radiated_share
from writers import write_table

TABLE = Path(__file__).parents[2] / "tests" / "data" / "nec" / "ground.csv"
RADIUS_M = 0.005
F_HZ = (3.6e6, 7.1e6, 14.1e6, 28.5e6)
C_OVER_LAMBDA = (0.05, 0.10, 0.20)
HEIGHT_OVER_LAMBDA = (0.065, 0.20, 0.30, 0.40)
GROUNDS = ((5.0, 0.001), (13.0, 0.005), (20.0, 0.03))
STANDS = ("gap top", "gap bottom", "horizontal")


def rows() -> list[dict[str, str]]:
    """The table's rows."""
    out = []
    for f, share in product(F_HZ, C_OVER_LAMBDA):
        around = round(share * C0 / f, 3)
        split = segments_for_gap(around / 36, RADIUS_M, most=4)
        nodes = circle_nodes(around, around / 36, split, 35 * split)
        free, _ = radiated_share(Wire(nodes, RADIUS_M, None, split), f, None)
        for h, stand, ground in product(HEIGHT_OVER_LAMBDA, STANDS, GROUNDS):
            height = round(h * C0 / f, 3)
            wire = Wire(placed(nodes, stand, height), RADIUS_M, None, split)
            resistance, sky = radiated_share(wire, f, ground)
            out.append(
                {
                    "f_hz": f"{f:.0f}",
                    "circumference_m": f"{around:.3f}",
                    "centre_height_m": f"{height:.3f}",
                    "stand": stand,
                    "eps_r": f"{ground[0]:g}",
                    "sigma_s_per_m": f"{ground[1]:g}",
                    "total_over_free": f"{resistance / free:.5f}",
                    "sky_over_total": f"{sky:.5f}",
                }
            )
    return out


def main() -> None:
    """Write the table."""
    write_table(TABLE, rows())


if __name__ == "__main__":
    main()
