"""Makes tests/data/nec/ground_reactance.csv: effect of ground on reactance, from NEC-2.

Run it from anywhere: ``python samples/recipe/make_ground_reactance.py`` (a minute). Sommerfeld
ground, lossless circles, low enough for the shift to stand clear of the engine's scatter.
"""

from __future__ import annotations

from itertools import product
from pathlib import Path

from geometry import Wire, circle_nodes, placed, segments_for_gap
from nec import C0, Ground, currents, segment_impedance
from writers import write_table

TABLE = Path(__file__).parents[2] / "tests" / "data" / "nec" / "ground_reactance.csv"
RADIUS_M = 0.005
F_HZ = 7.1e6
C_OVER_LAMBDA = (0.05, 0.10, 0.16)
HEIGHT_OVER_LAMBDA = (0.05, 0.065)
GROUNDS = ((5.0, 0.001), (13.0, 0.005), (20.0, 0.03))
STANDS = ("gap top", "gap bottom", "horizontal")
STEP = 0.01


def reactance(wire: Wire, f_hz: float, ground: Ground) -> float:
    """Reactance at the gap [ohm], referred to the gap's mean current."""
    gap = list(range(wire.gap_segments))
    row = currents([wire], [gap], f_hz, segment_impedance([wire], f_hz), ground)[0]
    return float((1 / row[gap].mean()).imag)


def x_eff(wire: Wire, ground: Ground) -> float:
    """``(w/2)(dX/dw + X/w)`` [ohm] by a central difference."""
    below, at, above = (reactance(wire, F_HZ * (1 + n * STEP), ground) for n in (-1, 0, 1))
    return ((above - below) / (2 * STEP) + at) / 2


def rows() -> list[dict[str, str]]:
    """The table's rows."""
    out = []
    for share in C_OVER_LAMBDA:
        around = round(share * C0 / F_HZ, 3)
        split = segments_for_gap(around / 36, RADIUS_M, most=4)
        nodes = circle_nodes(around, around / 36, split, 35 * split)
        free = x_eff(Wire(nodes, RADIUS_M, None, split), None)
        for h, stand, ground in product(HEIGHT_OVER_LAMBDA, STANDS, GROUNDS):
            height = round(h * C0 / F_HZ, 3)
            wire = Wire(placed(nodes, stand, height), RADIUS_M, None, split)
            out.append(
                {
                    "f_hz": f"{F_HZ:.0f}",
                    "circumference_m": f"{around:.3f}",
                    "centre_height_m": f"{height:.3f}",
                    "stand": stand,
                    "eps_r": f"{ground[0]:g}",
                    "sigma_s_per_m": f"{ground[1]:g}",
                    "x_eff_free_ohm": f"{free:.4f}",
                    "x_eff_added_ohm": f"{x_eff(wire, ground) - free:.4f}",
                }
            )
    return out


def main() -> None:
    """Write the table."""
    write_table(TABLE, rows())


if __name__ == "__main__":
    main()
