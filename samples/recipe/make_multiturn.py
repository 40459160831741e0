"""Makes tests/data/nec/multiturn.csv and multiturn_paths.json: turns in series, side by side.

Run it from anywhere: ``python samples/recipe/make_multiturn.py``. The path is described in the
README next to the table, node by node in the JSON file.
"""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path

import numpy as np
from geometry import Array, Wire
from nec import COPPER_S_PER_M, solve
from writers import write_table

FOLDER = Path(__file__).parents[2] / "tests" / "data" / "nec"
TURN_M = 2.0
RADIUS_M = 0.005
SEGMENT_M = 0.012
GAP_SEGMENTS = 3
OUTWARD_M = 0.05
LEAST_WIDTH_M = 0.05
SPACINGS_M = (0.05, 0.10)
F_HZ = {2: (1.85e6, 3.6e6, 5.35e6, 7.1e6, 10.12e6), 3: (1.85e6, 3.6e6, 5.35e6, 7.1e6)}


def path(turns: int, spacing_m: float) -> Array:
    """Segment nodes of ``turns`` plane circles in series, the gap's first.

    Each circle is open by ``width`` (chord, 50 mm or a little more) about +x; slanting links lead
    from the end of one to the start of the next; from the last end one runs 50 mm outward, back
    across all turns in a straight line with the gap in its middle, and inward to the first start.
    """
    rise = (turns - 1) * spacing_m
    # A whole number of segments on either side of the gap, all as long as the gap's own.
    least = float(np.hypot(rise, LEAST_WIDTH_M)) / SEGMENT_M
    run = (GAP_SEGMENTS + 2 * int(np.ceil((least - GAP_SEGMENTS) / 2))) * SEGMENT_M
    width = float(np.sqrt(run**2 - rise**2))
    radius = TURN_M / (2 * np.pi)
    opening = np.arcsin(width / 2 / radius)
    steps = round((TURN_M - 2 * radius * opening) / SEGMENT_M)
    angles = np.linspace(opening, 2 * np.pi - opening, steps + 1)
    flat = np.column_stack([radius * np.cos(angles), radius * np.sin(angles)])
    pieces = [np.column_stack([flat, np.full(steps + 1, n * spacing_m)]) for n in range(turns)]
    out = np.array([OUTWARD_M, 0.0, 0.0])
    last, first = pieces[-1][-1] + out, pieces[0][0] + out
    along = (first - last) / run
    middle, half = (first + last) / 2, GAP_SEGMENTS * SEGMENT_M / 2
    stops = [middle + half * along, first, pieces[0][0]]
    way = _straights(stops)
    for n, piece in enumerate(pieces):
        way.append(piece[1:])
        if n + 1 < turns:
            way.append(_cut(piece[-1], pieces[n + 1][0]))
    way += _straights([pieces[-1][-1], last, middle - half * along])[1:]
    rest = np.vstack(way)
    inner = np.arange(GAP_SEGMENTS)[:, None] / GAP_SEGMENTS
    return np.vstack([rest[-1] + (rest[0] - rest[-1]) * inner, rest[:-1]])


def rows(turns: int, spacing_m: float, nodes: Array) -> list[dict[str, str]]:
    """The table's rows for one antenna."""
    f_hz = np.array(F_HZ[turns])
    ports = [range(GAP_SEGMENTS)]
    bare = solve([Wire(nodes, RADIUS_M, None, GAP_SEGMENTS)], ports, f_hz)
    copper = solve([Wire(nodes, RADIUS_M, COPPER_S_PER_M, GAP_SEGMENTS)], ports, f_hz)
    out = []
    for n, f in enumerate(f_hz):
        z, z_copper = 1 / bare.y_s[n, 0, 0], 1 / copper.y_s[n, 0, 0]
        radiated = bare.radiated_s[n, 0, 0].real * abs(z) ** 2
        out.append(
            {
                "turns": str(turns),
                "turn_spacing_m": f"{spacing_m:.2f}",
                "f_hz": f"{f:.0f}",
                "r_lossless_ohm": f"{z.real:.6g}",
                "x_lossless_ohm": f"{z.imag:.5f}",
                "r_radiated_ohm": f"{radiated:.6g}",
                "r_copper_total_ohm": f"{z_copper.real:.6g}",
                "x_copper_ohm": f"{z_copper.imag:.5f}",
                "segments": str(len(nodes)),
            }
        )
    return out


def _straights(stops: list[Array]) -> list[Array]:
    """The first stop, then the nodes of each straight run."""
    return [stops[0][None], *(_cut(a, b) for a, b in pairwise(stops))]


def _cut(start: Array, stop: Array) -> Array:
    """Nodes after ``start`` up to ``stop``, about one segment apart."""
    count = max(1, round(float(np.linalg.norm(stop - start)) / SEGMENT_M))
    return np.asarray(start + (stop - start) * np.arange(1, count + 1)[:, None] / count)


def main() -> None:
    """Write both files."""
    table, paths = [], []
    for turns in F_HZ:
        for spacing_m in SPACINGS_M:
            nodes = path(turns, spacing_m)
            table += rows(turns, spacing_m, nodes)
            paths.append(
                {
                    "turns": turns,
                    "turn_spacing_m": spacing_m,
                    "conductor_radius_m": RADIUS_M,
                    "gap_segments": GAP_SEGMENTS,
                    "nodes_m": np.round(nodes, 7).tolist(),
                }
            )
    write_table(FOLDER / "multiturn.csv", table)
    (FOLDER / "multiturn_paths.json").write_text(json.dumps(paths) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
