"""From a loop's description to one closed path of straight segments.

The plane of the loop is x-z, the gap on top at x = 0; turns side by side are stacked along y.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from sweeplab.errors import ModelError
from sweeplab.finding import Threshold
from sweeplab.loop.proximity import proximity_effect
from sweeplab.loop.thinwire import AdjacentTurns, Path
from sweeplab.sweep import FloatArray

_SEGMENTS_A_TURN = 56
# The charge piles up at the gap's edges: the answer converges with the gap's segments, and the
# kernel of a thin wire wants them no shorter than about its radius.
_GAP_SEGMENTS = (3, 6)
_GAP_SEGMENT_RADII = 1.5
_CLEARANCE_RADII = 5.0
# A longer gap leaves no loop.
_MOST_GAP_OF_TURN: Threshold = 0.3


@dataclass(frozen=True)
class Geometry:
    """A loop's sizes as the path needs them; hashable, so that results can be reused.

    Parameters
    ----------
    shape : str
        'circle', 'square', 'octagon' or 'rectangle'.
    turn_lengths_m : tuple of float
        Centre line of each turn [m].
    aspect : float
        Width over height, of a rectangle.
    turn_spacing_m : float
        Centre to centre, side by side [m].
    gap_m, leads_m : float
        Length under the capacitor's voltage and of each lead to it [m].
    radius_m : float
        Of the equivalent round wire [m].
    parallel : bool
        Turns share the gap, instead of carrying one current after the other.
    in_plane : bool
        Turns lie within one another, instead of side by side.
    """

    shape: str
    turn_lengths_m: tuple[float, ...]
    gap_m: float
    radius_m: float
    aspect: float = 1.0
    turn_spacing_m: float = 0.0
    leads_m: float = 0.0
    parallel: bool = False
    in_plane: bool = False


def closed_path(
    geometry: Geometry, segments_a_turn: int = _SEGMENTS_A_TURN, gap_segments: int = 0
) -> Path:
    """Return the path of a loop.

    Turns in series: each runs from the gap's right edge round to its left edge; a straight piece
    joins it to the next turn's right edge. From the last turn a lead runs outward, across the
    capacitor, and back to the first. Turns in parallel: a ring each, with a gap each, at one
    voltage.

    Parameters
    ----------
    geometry : Geometry
    segments_a_turn : int
    gap_segments : int
        Zero: as many as the gap's length asks for.

    Raises
    ------
    ModelError
        The gap does not fit the loop.
    """
    gap_segments = gap_segments or fitting_gap_segments(geometry)
    step = min(geometry.turn_lengths_m) / segments_a_turn
    turns = [_turn_in_place(geometry, turn, segments_a_turn) for turn in range(_count(geometry))]
    if geometry.parallel:
        rings = [_closed_ring([turn], geometry, step, gap_segments) for turn in turns]
        return _joined_rings(rings, turns, geometry.radius_m)
    return _joined_rings(
        [_closed_ring(turns, geometry, step, gap_segments)], turns, geometry.radius_m
    )


def _count(geometry: Geometry) -> int:
    return len(geometry.turn_lengths_m)


def _turn_in_place(geometry: Geometry, turn: int, segments_a_turn: int) -> FloatArray:
    """Return one turn's nodes where it lies, shape (n, 3) [m]."""
    length = geometry.turn_lengths_m[turn]
    if not geometry.gap_m < _MOST_GAP_OF_TURN * length:
        raise ModelError(f"a gap of {geometry.gap_m:.3g} m does not fit a turn of {length:.3g} m")
    first = geometry.turn_lengths_m[0]
    plane = _turn(geometry.shape, (length, first), geometry.aspect, geometry.gap_m, segments_a_turn)
    y = 0.0 if geometry.in_plane else turn * geometry.turn_spacing_m
    return np.stack([plane[:, 0], np.full(len(plane), y), plane[:, 1]], axis=1)


Ring = tuple[FloatArray, NDArray[np.bool_]]


def _closed_ring(
    runs: list[FloatArray], geometry: Geometry, step: float, gap_segments: int
) -> Ring:
    """Return one ring: runs joined one after the other, closed over the capacitor."""
    wire = np.concatenate(
        [
            part
            for run, following in zip(runs, [*runs[1:], None], strict=True)
            for part in (run, _joint(run, following, step))
        ]
    )
    bridge, in_gap = _bridge(wire[-1], wire[0], geometry, step, len(runs), gap_segments)
    flags = np.concatenate([np.zeros(len(wire) - 1, dtype=bool), in_gap])
    return np.concatenate([wire, bridge]), flags


def _joined_rings(rings: list[Ring], turns: list[FloatArray], radius_m: float) -> Path:
    sizes = [len(nodes) for nodes, _ in rings]
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    nodes = np.concatenate([nodes for nodes, _ in rings])
    return Path(
        nodes,
        np.concatenate([flags for _, flags in rings]),
        radius_m,
        tuple(int(start) for start in starts),
        _adjacent_turns(nodes, turns, radius_m) if len(turns) > 1 else None,
    )


def _adjacent_turns(nodes: FloatArray, turns: list[FloatArray], radius_m: float) -> AdjacentTurns:
    """Return which segments of the turns lie side by side, and what their crowding does."""
    places = np.arange(len(turns[0]) - 1)
    starts = [int(np.flatnonzero((nodes == turn[0]).all(axis=1))[0]) for turn in turns]
    middles = [(turn[1:] + turn[:-1]) / 2 for turn in turns]
    along = turns[0][1:] - turns[0][:-1]
    inward = np.cross(along, [0.0, -1.0, 0.0]) / np.linalg.norm(along, axis=1)[:, None]
    offsets = [middle - middles[0] for middle in middles]
    across = tuple(
        complex(np.mean((offset * inward).sum(axis=1)), np.mean(offset[:, 1])) / radius_m
        for offset in offsets
    )
    found = proximity_effect(across)
    apart = np.abs(np.array(across)[:, None] - np.array(across))
    # The solver's kernel sees other turns from the surface, on average a little too far away.
    kernel = np.log1p(1 / np.where(apart > 0, apart, np.inf) ** 2) / 2
    segments = np.array([start + places for start in starts])
    return AdjacentTurns(segments, found.potential + kernel, found.extra_loss)


def _joint(run: FloatArray, following: FloatArray | None, step: float) -> FloatArray:
    """Return the nodes strictly between one turn's end and the next one's start."""
    if following is None:
        return np.empty((0, 3))
    return _points_between(run[-1], following[0], step)


def _points_between(
    start: FloatArray, stop: FloatArray, step: float = math.inf, pieces: int = 0
) -> FloatArray:
    count = pieces or max(1, round(float(np.linalg.norm(stop - start)) / step))
    return np.asarray(start + np.linspace(0, 1, count + 1)[1:-1, None] * (stop - start))


def _bridge(
    end: FloatArray,
    start: FloatArray,
    geometry: Geometry,
    step: float,
    turns: int,
    gap_segments: int,
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Return nodes from the last turn's end over the capacitor to the first turn's start.

    The flags belong to the segments from `end` on, the last one closing the path.
    """
    # Turns in one plane: the way back crosses the joints between them at a distance.
    aside = _CLEARANCE_RADII * geometry.radius_m if geometry.in_plane and turns > 1 else 0.0
    out = np.array([0.0, aside, geometry.leads_m])
    left, right = end + out, start + out
    across = right - left
    distance = float(np.linalg.norm(across))
    # With several turns the opening is wider than the gap: the rest is lead on either side.
    margin = max(0.0, (1 - geometry.gap_m / distance) / 2) if turns > 1 else 0.0
    inner_left, inner_right = left + margin * across, right - margin * across
    corners = [end]
    for corner in (left, inner_left):
        if np.linalg.norm(corner - corners[-1]) > 1e-9:
            corners.append(corner)
    first_gap_corner = len(corners) - 1
    corners.append(inner_right)
    for corner in (right, start):
        if np.linalg.norm(corner - corners[-1]) > 1e-9:
            corners.append(corner)
    nodes: list[FloatArray] = []
    flags: list[bool] = []
    for i, (a, b) in enumerate(pairwise(corners)):
        gap = i == first_gap_corner
        inner = _points_between(a, b, step, gap_segments if gap else 0)
        nodes += [*inner, b]
        flags += [gap] * (len(inner) + 1)
    return np.array(nodes[:-1]).reshape(-1, 3), np.array(flags)


def fitting_gap_segments(geometry: Geometry) -> int:
    """Return into how many segments the gap is split."""
    fitting = round(geometry.gap_m / (_GAP_SEGMENT_RADII * geometry.radius_m))
    return min(max(fitting, _GAP_SEGMENTS[0]), _GAP_SEGMENTS[1])


def _turn(
    shape: str, lengths: tuple[float, float], aspect: float, opening: float, count: int
) -> FloatArray:
    """Return one turn's nodes in (x, z), from the opening's right edge to its left, (n, 2).

    `lengths` are its own and that of the turn whose number of segments it shares.
    """
    length, like = lengths
    if shape == "circle":
        return _circle(length, opening, count)
    stops = _corners_and_gap(shape, length, aspect, opening)
    counted = _corners_and_gap(shape, like, aspect, opening)
    nodes = [stops[0][None]]
    for (a, b), (c, d) in zip(pairwise(stops), pairwise(counted), strict=True):
        pieces = max(1, round(float(np.linalg.norm(d - c)) / (like / count)))
        nodes += [_points_between(a, b, pieces=pieces), b[None]]
    return np.concatenate(nodes)


def _corners_and_gap(shape: str, length: float, aspect: float, opening: float) -> list[FloatArray]:
    """Return the opening's right edge, the corners, the opening's left edge in (x, z)."""
    corners = _corners(shape, length, aspect)
    top = corners[0][1]
    return [np.array([opening / 2, top]), *corners, np.array([-opening / 2, top])]


def _circle(length: float, opening: float, count: int) -> FloatArray:
    radius = length / (2 * math.pi)
    half = math.asin(min(opening / (2 * radius), 1.0))
    angle = np.linspace(half, 2 * math.pi - half, count + 1)
    # Chords take area away; nodes a little outside the circle give it back, for the radiation
    # resistance goes with the area squared and the reactance but slowly with the length.
    chord = float(angle[1] - angle[0])
    outside = radius * math.sqrt(chord / math.sin(chord))
    return np.stack([outside * np.sin(angle), outside * np.cos(angle)], axis=1)


def _corners(shape: str, length: float, aspect: float) -> list[FloatArray]:
    """Return the corners from the right of the top side's middle round to its left."""
    if shape == "octagon":
        side = length / 8
        apothem = side / 2 / math.tan(math.pi / 8)
        radius = math.hypot(apothem, side / 2)
        angles = (np.arange(8) + 0.5) * math.pi / 4
        return [radius * np.array([math.sin(a), math.cos(a)]) for a in angles]
    height = length / 2 / (1 + (aspect if shape == "rectangle" else 1.0))
    width = length / 2 - height
    x, z = width / 2, height / 2
    return [np.array(corner) for corner in ((x, z), (x, -z), (-x, -z), (-x, z))]
