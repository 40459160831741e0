"""An antenna as the recipes describe it, and the engine's wires and ports for it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from geometry import (
    Array,
    Wire,
    circle_nodes,
    coupling_nodes,
    polygon_nodes,
    rectangle_corners,
    regular_corners,
    segments_for_gap,
)
from nec import COPPER_S_PER_M, Ports, solve

# Straight sides of these shapes, with a gap of one 36th, hold whole segments only if the gap is
# divided into a multiple of this.
_SPLIT = {"circle": 1, "square": 1, "rectangle": 2, "octagon": 4}


@dataclass(frozen=True)
class Antenna:
    """Main loop and coupling loop in one plane, in free space.

    ``shape`` is circle, square, octagon or rectangle (2:1); the gap sits in the middle of a side
    (a long one), the coupling loop inside, opposite. ``joint_positions`` are fractions of the way
    round from the gap.
    """

    shape: str
    perimeter_m: float
    gap_m: float
    radius_m: float
    conductivity_s_per_m: float
    coupling_circumference_m: float
    coupling_radius_m: float
    coupling_offset_m: float
    joint_positions: tuple[float, ...] = ()
    coupling_conductivity_s_per_m: float = COPPER_S_PER_M

    def main_wire(self) -> Wire:
        """The main loop, its segments as equal as the shape allows."""
        split = _SPLIT[self.shape]
        most = 7 if split == 1 else 8
        count = max(split, segments_for_gap(self.gap_m, self.radius_m, most) // split * split)
        segment = self.gap_m / count
        if self.shape == "circle":
            chords = round((self.perimeter_m - self.gap_m) / segment)
            nodes = circle_nodes(self.perimeter_m, self.gap_m, count, chords)
        else:
            nodes = polygon_nodes(self._corners(), self.gap_m, count, segment)
        return Wire(nodes, self.radius_m, self.conductivity_s_per_m, count)

    def coupling_wire(self, main: Wire) -> Wire:
        """The coupling loop: a polygon of 16 to 32 sides, its feed nearest the main conductor."""
        fit = int(self.coupling_circumference_m / (2.3 * self.coupling_radius_m))
        chords = int(np.clip(fit // 2 * 2, 12, 32))
        nodes = coupling_nodes(
            main.nodes_m, self.coupling_offset_m, self.coupling_circumference_m, chords
        )
        return Wire(nodes, self.coupling_radius_m, self.coupling_conductivity_s_per_m, 1)

    def solve(self, f_hz: Array) -> Ports:
        """Ports over ``f_hz``: gap, coupling feed, then one for each joint position."""
        main = self.main_wire()
        return solve([main, self.coupling_wire(main)], self.ports(main), f_hz)

    def ports(self, main: Wire) -> list[list[int]]:
        """Segments of gap, coupling feed and joints, counted over both wires."""
        ports = [list(range(main.gap_segments)), [len(main.nodes_m)]]
        return ports + [[main.segment_at(position)] for position in self.joint_positions]

    def size_toml(self) -> str:
        """The size line or lines of the build file."""
        millimetres = self.perimeter_m * 1000
        if self.shape == "rectangle":
            return f'width = "{millimetres / 3:.3f} mm"\nheight = "{millimetres / 6:.3f} mm"'
        if self.shape == "square":
            return f'side = "{millimetres / 4:.3f} mm"'
        return f'circumference = "{millimetres:.3f} mm"'

    def half_height_m(self) -> float:
        """From centre to the lowest point of an upright loop, gap at top or bottom [m]."""
        per_perimeter = {"circle": 1 / (2 * np.pi), "square": 1 / 8, "rectangle": 1 / 12}
        if self.shape == "octagon":
            return float(self.perimeter_m / 16 / np.tan(np.pi / 8))
        return float(self.perimeter_m * per_perimeter[self.shape])

    def _corners(self) -> Array:
        if self.shape == "rectangle":
            return rectangle_corners(self.perimeter_m / 3, self.perimeter_m / 6)
        return regular_corners({"square": 4, "octagon": 8}[self.shape], self.perimeter_m)
