"""Two turns in series, side by side, as wires: drawn the way a builder bends and joins them.

Turns lie in planes across z, gap and joint about +x. Each turn is open there by a little more than
the gap; a straight slanted piece leads from the end of the first to the start of the second (or
both rise evenly, a helix). From the outer ends the conductor runs outward by the leads, then
straight across to the gap in the middle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from geometry import Array, Wire, coupling_nodes
from nec import COPPER_S_PER_M, Ports, solve

# How far the conductor's bends reach: it is bent, not broken, and the engine's power balances only
# where segments meet at small angles.
BEND_M = 0.015
# In which a path is drawn before it is cut into segments.
STEP_M = 0.001


@dataclass(frozen=True)
class Turns:
    """Two turns with a coupling loop in the plane of the first, inside, opposite the gap.

    ``way`` is 'slanted' or 'helix'; the turns' tops are level where they differ in length.
    ``gap_segments`` are in the gap, all others are as long.
    """

    way: str
    lengths_m: tuple[float, float]
    spacing_m: float
    gap_m: float
    gap_segments: int
    leads_m: float
    radius_m: float
    conductivity_s_per_m: float
    coupling_circumference_m: float
    coupling_radius_m: float
    coupling_offset_m: float

    shape = "circle"

    def main_wire(self) -> Wire:
        """Both turns, gap first, every segment as long as the gap's."""
        rise = self.spacing_m * (2 if self.way == "helix" else 1)
        # The gap's straight run goes on until the bends at its ends are over.
        run = self.gap_m + 2.2 * BEND_M
        width = max(self.gap_m, float(np.sqrt(max(run**2 - rise**2, 0.0))))
        first, second = self._helix(width) if self.way == "helix" else self._flat(width)
        out = np.array([self.leads_m, 0.0, 0.0])
        start, stop = first[0] + out, second[-1] + out
        middle = (start + stop) / 2
        nodes = _bent(np.vstack([middle, start, first, second, stop]))
        factor = 1 + crowding(self.spacing_m / self.radius_m)
        return Wire(
            _with_straight_gap(nodes, self.gap_m, self.gap_segments),
            self.radius_m,
            self.conductivity_s_per_m,
            self.gap_segments,
            factor,
        )

    def coupling_wire(self, main: Wire) -> Wire:
        """The coupling loop inside the first turn of ``main``, opposite the gap."""
        fit = int(self.coupling_circumference_m / (2.3 * self.coupling_radius_m))
        chords = int(np.clip(fit // 2 * 2, 12, 32))
        first = main.nodes_m[: len(main.nodes_m) // 2]
        nodes = coupling_nodes(first, self.coupling_offset_m, self.coupling_circumference_m, chords)
        nodes[:, 2] = first[int(np.argmin(first[:, 0])), 2]
        return Wire(nodes, self.coupling_radius_m, COPPER_S_PER_M, 1)

    def solve(self, f_hz: Array) -> Ports:
        """Ports over ``f_hz``: gap, coupling feed."""
        main = self.main_wire()
        ports = [list(range(main.gap_segments)), [len(main.nodes_m)]]
        return solve([main, self.coupling_wire(main)], ports, f_hz)

    def size_toml(self) -> str:
        """The lines of the build file that size the loop."""
        first, second = (1000 * length for length in self.lengths_m)
        size = f'turn_lengths = ["{first:.1f} mm", "{second:.1f} mm"]'
        if first == second:
            size = f'circumference = "{first:.1f} mm"'
        return f"""{size}
turns = 2
turn_spacing = "{self.spacing_m * 1000:.1f} mm"
leads = "{self.leads_m * 1000:.3f} mm\""""

    def _flat(self, width: float) -> tuple[Array, Array]:
        """Both turns in planes of their own, open by ``width``, openings level."""
        turns = []
        for n, length in enumerate(self.lengths_m):
            radius = length / (2 * np.pi)
            opening = np.arcsin(width / 2 / radius)
            steps = round((length - 2 * radius * opening) / STEP_M)
            radius *= _equal_area(2 * (np.pi - opening) / steps)
            angles = np.linspace(opening, 2 * np.pi - opening, steps + 1)
            level = self.lengths_m[0] / (2 * np.pi) - radius * np.cos(opening)
            x, y = radius * np.cos(angles) + level, radius * np.sin(angles)
            turns.append(np.column_stack([x, y, np.full(steps + 1, n * self.spacing_m)]))
        return turns[0], turns[1]

    def _helix(self, width: float) -> tuple[Array, Array]:
        """Both turns rising evenly, open by ``width`` about the gap; split half way."""
        radius = sum(self.lengths_m) / 2 / (2 * np.pi)
        opening = np.arcsin(width / 2 / radius)
        steps = 2 * round((2 * np.pi - opening) * radius / STEP_M)
        radius *= _equal_area(2 * (2 * np.pi - opening) / steps)
        angles = np.linspace(opening, 4 * np.pi - opening, steps + 1)
        z = self.spacing_m * 2 * np.linspace(0, 1, steps + 1)
        whole = np.column_stack([radius * np.cos(angles), radius * np.sin(angles), z])
        return whole[: steps // 2 + 1], whole[steps // 2 :]


def crowding(spacing_over_radius: float, points: int = 120) -> float:
    """Additional over own resistance of two equal parallel round wires with equal currents.

    In strong skin effect the current lies on the surface like charge on two conductors of one
    potential (G. S. Smith, J. Appl. Phys. 43, 2196, 1972): solved by strips with the logarithmic
    potential, loss going with the square of the density.
    """
    angle = 2 * np.pi * (np.arange(points) + 0.5) / points
    one = np.exp(1j * angle)
    # Seen in the mirror between them, the other wire's density is the same.
    other = spacing_over_radius - one.conj()
    apart = np.abs(one[:, None] - one)
    np.fill_diagonal(apart, 2 * np.pi / points / 2 * np.exp(-1))
    potential = -np.log(apart) - np.log(np.abs(one[:, None] - other))
    density = np.linalg.solve(potential, np.ones(points))
    return float(np.mean(density**2) / np.mean(density) ** 2 - 1)


def _bent(corners: Array) -> Array:
    """A closed path through ``corners``, in fine steps, its corners bent round.

    Each point becomes the weighted mean of the path ``BEND_M`` either way: a bend of about that
    radius, and a straight run stays straight.
    """
    closed = np.vstack([corners, corners[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    count = round(along[-1] / STEP_M)
    places = along[-1] * np.arange(count) / count
    fine = np.column_stack([np.interp(places, along, axis) for axis in closed.T])
    reach = round(BEND_M * count / along[-1])
    offsets = np.arange(-reach, reach + 1)
    weights = 1 + reach - np.abs(offsets)
    rolled = sum(w * np.roll(fine, k, axis=0) for w, k in zip(weights, offsets, strict=True))
    return np.asarray(rolled / weights.sum())


def _with_straight_gap(path: Array, gap_m: float, count: int) -> Array:
    """Nodes of equal segments round a closed path whose first point is the gap's middle."""
    closed = np.vstack([path, path[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    rest = along[-1] - gap_m
    pieces = round(rest / (gap_m / count))
    inner = gap_m * (np.arange(count) / count - 0.5)
    outer = gap_m / 2 + rest * np.arange(pieces) / pieces
    places = np.concatenate([inner, outer]) % along[-1]
    return np.column_stack([np.interp(places, along, axis) for axis in closed.T])


def _equal_area(step: float) -> float:
    """How much larger a polygon's radius is than that of the circle of its area."""
    return float(np.sqrt(step / np.sin(step)))
