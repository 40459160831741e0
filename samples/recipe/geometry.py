"""Closed wire paths as segments: the loops and coupling loops that the recipes pass to the engine.

Every loop is a list of nodes; segment ``i`` runs straight from node ``i`` to node ``i + 1`` and
the last one closes the path. The gap is always segments ``0 .. m-1``, collinear, so that a source
or load spreads over a gap of fixed length however fine the segments are.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Wire:
    """One closed wire.

    ``nodes_m`` has shape (n, 3) [m], ``radius_m`` is the conductor's radius,
    ``conductivity_s_per_m`` None means lossless; the first ``gap_segments`` segments are the gap;
    ``crowding`` multiplies the conductor's resistance where a neighbour crowds its current.
    """

    nodes_m: Array
    radius_m: float
    conductivity_s_per_m: float | None
    gap_segments: int
    crowding: float = 1.0

    @property
    def ends_m(self) -> Array:
        """Segment end points, shape (n, 3) [m]."""
        return np.roll(self.nodes_m, -1, axis=0)

    @property
    def lengths_m(self) -> Array:
        """Segment lengths, shape (n,) [m]."""
        return np.asarray(np.linalg.norm(self.ends_m - self.nodes_m, axis=1))

    def segment_at(self, position: float) -> int:
        """Index of the segment at a fraction of the way round from the gap's middle."""
        lengths = self.lengths_m
        along = (np.cumsum(lengths) - lengths / 2 - lengths[: self.gap_segments].sum() / 2) % (
            lengths.sum()
        )
        return int(np.argmin(np.abs(along - position * lengths.sum())))


def circle_nodes(circumference_m: float, gap_m: float, gap_segments: int, chords: int) -> Array:
    """Chords equivalent to a true circle, in the xy plane, centred on the origin.

    The gap is one straight chord of length ``gap_m`` whose middle points to +x; the rest of the
    way is ``chords`` equal chords. All nodes lie on a circle a trifle larger than the true one, so
    that the polygon encloses the true circle's area: a small loop's radiation resistance follows
    the square of the area.
    """
    radius = circumference_m / (2 * np.pi)
    outer = radius
    for _ in range(20):
        gap_angle = 2 * np.arcsin(gap_m / (2 * outer))
        step = (2 * np.pi - gap_angle) / chords
        area = outer**2 / 2 * (chords * np.sin(step) + np.sin(gap_angle))
        outer *= float(np.sqrt(np.pi * radius**2 / area))
    angles = gap_angle / 2 + step * np.arange(chords + 1)
    x, y = outer * np.cos(angles), outer * np.sin(angles)
    rest = np.column_stack([x, y, np.zeros(chords + 1)])
    return _with_gap(rest, gap_segments)


def polygon_nodes(corners_m: Array, gap_m: float, gap_segments: int, segment_m: float) -> Array:
    """Straight sides through ``corners_m`` (n, 3), gap in the middle of the side last to first.

    Each side, or half side next to the gap, is cut in equal segments of about ``segment_m``.
    """
    last, first = corners_m[-1], corners_m[0]
    middle, along = (last + first) / 2, (first - last) / np.linalg.norm(first - last)
    path = np.vstack([middle + along * gap_m / 2, corners_m, middle - along * gap_m / 2])
    nodes = [path[:1]]
    for start, stop in itertools.pairwise(path):
        count = max(1, round(float(np.linalg.norm(stop - start)) / segment_m))
        nodes.append(start + (stop - start) * np.arange(1, count + 1)[:, None] / count)
    return _with_gap(np.vstack(nodes), gap_segments)


def regular_corners(sides: int, perimeter_m: float) -> Array:
    """Corners of a regular polygon, its last side (where the gap goes) facing +x."""
    radius = perimeter_m / sides / (2 * np.sin(np.pi / sides))
    angles = 2 * np.pi * (np.arange(sides) + 0.5) / sides
    return np.column_stack([radius * np.cos(angles), radius * np.sin(angles), np.zeros(sides)])


def rectangle_corners(long_m: float, short_m: float) -> Array:
    """Corners of a rectangle, long sides along y, its last side (long) facing +x."""
    x, y = short_m / 2, long_m / 2
    return np.array([[x, y, 0.0], [-x, y, 0.0], [-x, -y, 0.0], [x, -y, 0.0]])


def coupling_nodes(main: Array, offset_m: float, circumference_m: float, chords: int) -> Array:
    """A plain polygon inside the main loop, in its plane, opposite the gap.

    ``main`` are the main loop's nodes (gap at +x); the coupling loop's nearest point lies
    ``offset_m`` from the main conductor's centre line at -x. Its feed, segment 0, is that nearest
    chord; the polygon has the area of the true circle of ``circumference_m``.
    """
    equal_area = np.sqrt(2 * np.pi / chords / np.sin(2 * np.pi / chords))
    radius = circumference_m / (2 * np.pi) * equal_area
    angles = np.pi + 2 * np.pi * (np.arange(chords) - 0.5) / chords
    apothem = radius * np.cos(np.pi / chords)
    centre_x = float(main[:, 0].min()) + offset_m + apothem
    x, y = centre_x + radius * np.cos(angles), radius * np.sin(angles)
    return np.column_stack([x, y, np.zeros(chords)])


def placed(nodes: Array, stand: str, height_m: float) -> Array:
    """A loop, drawn in the xy plane with its gap at +x, set up with its centre at a height.

    ``stand`` is 'gap top', 'gap bottom' or 'horizontal'.
    """
    x, y = nodes[:, 0], nodes[:, 1]
    if stand == "horizontal":
        return np.column_stack([x, y, np.full(len(x), height_m)])
    up = x if stand == "gap top" else -x
    return np.column_stack([y, np.zeros(len(x)), height_m + up])


def segments_for_gap(gap_m: float, radius_m: float, most: int = 7) -> int:
    """Into how many segments a gap is divided: as many as the engine can handle.

    It refuses segments shorter than the wire's diameter where they meet at an angle.
    """
    return max(1, min(most, int(gap_m / (2.15 * radius_m))))


def _with_gap(rest: Array, gap_segments: int) -> Array:
    """Nodes along the loop from gap end to gap end, the gap's own nodes first."""
    start, stop = rest[-1], rest[0]
    inner = start + (stop - start) * np.arange(gap_segments)[:, None] / gap_segments
    return np.vstack([inner, rest[:-1]])
