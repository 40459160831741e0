"""The coupling loop: its inductance, its loss, and its mutual impedance with the main loop.

The mutual inductance is referred to the current at the capacitor's gap and weighs the main loop by
the current it carries at each place. The coupling loop's own current is taken as the same all
round, so that only the main loop's vector potential acts on it (J. C. Maxwell, Treatise, art. 701).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from sweeplab.builds.materials import COPPER_S_PER_M
from sweeplab.errors import ModelError
from sweeplab.finding import Threshold
from sweeplab.line import C0_M_PER_S
from sweeplab.loop.conductor import round_wire_impedance
from sweeplab.loop.inductance import (
    circle_inductance,
    circle_polygon,
    path_integral,
    regular_polygon,
    self_inductance,
)
from sweeplab.loop.model import LoopModel
from sweeplab.loop.path import closed_path
from sweeplab.loop.thinwire import MU0, Path
from sweeplab.sweep import ComplexArray, FloatArray

_CIRCLE_SIDES = 32
# The coupling loop lies so close that the main loop's chords must be much shorter than the solver
# needs: a chord's height counts against the offset.
_FINE_SEGMENTS = 112
# Half the coupling loop's electrical length [rad] up to which it is taken as a shorted line.
_MOST_HALF_PHASE: Threshold = 1.4
# Where along a turn the tangent is taken, as a fraction of its length either way: more than one
# chord of a circle.
_TANGENT_STEP = 0.01


@dataclass(frozen=True)
class CouplingGeometry:
    """Sizes of a coupling loop.

    Parameters
    ----------
    shape : str
        'circle' or 'square'.
    circumference_m : float
        Centre line [m].
    conductor_radius_m : float
        [m]
    offset_m : float
        Coupling conductor to main conductor where nearest, centre to centre [m].
    position : float
        Where on a turn of the main loop it sits: 0 at the gap, 0.5 opposite.
    tilt_rad : float
        Turn out of the main loop's plane, about the line from the nearest point to its middle.
    """

    circumference_m: float
    conductor_radius_m: float
    offset_m: float
    shape: str = "circle"
    position: float = 0.5
    tilt_rad: float = 0.0

    @property
    def half_width_m(self) -> float:
        """From its middle to where it is nearest the main conductor [m]."""
        return self.circumference_m / (2 * math.pi if self.shape == "circle" else 8)


@dataclass(frozen=True)
class Coupling:
    """A coupling loop's own impedance and its mutual impedance with a main loop, at one frequency.

    Parameters
    ----------
    f_hz : float
    l_h : float
        The coupling loop's inductance, as its terminals show it [H].
    m_h : float
        Mutual inductance referred to the main loop's gap current [H].
    r_ohm : float
        The coupling loop's conductor [ohm]; joints and connectors are not in it.
    r_radiation_ohm : float
        Its own radiation resistance [ohm].
    r_mutual_ohm : float
        Real part of the mutual impedance, whose imaginary part is ``w m_h`` [ohm]: the two radiate
        together, and the main loop's current is not quite in phase all round.
    """

    f_hz: float
    l_h: float
    m_h: float
    r_ohm: float
    r_radiation_ohm: float
    r_mutual_ohm: float

    @property
    def x_ohm(self) -> float:
        """The coupling loop's reactance [ohm]."""
        return 2 * math.pi * self.f_hz * self.l_h

    def factor(self, r_total_ohm: float, z0_ohm: float = 50.0) -> float:
        """Return ``beta = (wM)^2 Z0/((Z0^2 + Xc^2) R)``.

        The resistance that the source, behind the coupling loop's reactance, puts into the main
        loop, over the main loop's own (D. Kajfez & E. J. Hwan, IEEE Trans. MTT 32, 666, 1984, for
        the coupling factor).

        Parameters
        ----------
        r_total_ohm : float
            Of the main loop, referred to the gap current.
        z0_ohm : float
        """
        mutual_ohm = 2 * math.pi * self.f_hz * self.m_h
        return mutual_ohm**2 * z0_ohm / ((z0_ohm**2 + self.x_ohm**2) * r_total_ohm)


def coupling_of(model: LoopModel, feed: CouplingGeometry, f_hz: float) -> Coupling:
    """Return the impedances of a coupling loop inside the loop of `model`.

    Raises
    ------
    ModelError
        It does not fit inside the main loop, or the main loop is too large for the model.
    """
    main = closed_path(model.geometry, _FINE_SEGMENTS)
    nodes = coupling_nodes(model, feed)
    k = 2 * math.pi * f_hz / C0_M_PER_S
    current = _current_on(main, model, f_hz)
    linked = sum(
        path_integral(main.nodes_m[ring], nodes, 0.0, current[ring], k) for ring in main.rings
    )
    return Coupling(
        f_hz=f_hz,
        l_h=_inductance(feed) * _shorted_line_factor(k * feed.circumference_m / 2),
        m_h=abs(linked.real) * MU0 / (4 * math.pi),
        r_ohm=wire_resistance(feed.circumference_m, feed.conductor_radius_m, f_hz),
        r_radiation_ohm=small_loop_radiation_resistance(feed.shape, feed.circumference_m, f_hz),
        # j w mu0/4 pi times the integral, its sign that of a positive mutual inductance.
        r_mutual_ohm=-math.copysign(1, linked.real) * linked.imag * 1e-7 * 2 * math.pi * f_hz,
    )


def small_loop_radiation_resistance(shape: str, circumference_m: float, f_hz: float) -> float:
    """Return ``20 pi^2 (C/lambda)^4``, of a square in the ratio of the areas squared [ohm].

    C. A. Balanis, Antenna Theory, eq. 5-24, of one turn.

    Parameters
    ----------
    shape : str
        'circle' or 'square'.
    circumference_m, f_hz : float
    """
    area_ratio = 1.0 if shape == "circle" else math.pi / 4
    return 20 * math.pi**2 * (circumference_m * f_hz / C0_M_PER_S) ** 4 * area_ratio**2


def wire_resistance(length_m: float, radius_m: float, f_hz: float) -> float:
    """Return the resistance of a round copper wire [ohm]."""
    return round_wire_impedance(f_hz, radius_m, COPPER_S_PER_M).real * length_m


def coupling_factor(
    model: LoopModel,
    feed: CouplingGeometry,
    f_hz: float,
    r_total_ohm: float,
    z0_ohm: float = 50.0,
) -> float:
    """Return the predicted coupling factor; see `Coupling.factor`."""
    return coupling_of(model, feed, f_hz).factor(r_total_ohm, z0_ohm)


def coupling_nodes(model: LoopModel, feed: CouplingGeometry) -> FloatArray:
    """Return the coupling loop's corners inside the main loop's first turn, shape (n, 3) [m].

    It lies in that turn's plane unless tilted.

    Raises
    ------
    ModelError
        It does not fit inside the main loop.
    """
    turn = _first_turn(model)
    nearest, inward = _point_and_normal(turn, feed.position)
    half = feed.half_width_m
    across = float(np.ptp(turn @ inward))
    if 2 * half + feed.offset_m >= across:
        raise ModelError(
            f"a coupling loop {2 * half:.3g} m wide, {feed.offset_m:.3g} m from the conductor, "
            f"does not fit into a loop {across:.3g} m across"
        )
    if feed.shape == "circle":
        flat = circle_polygon(half, _CIRCLE_SIDES)
    else:
        flat = regular_polygon(4, feed.circumference_m)
    normal = np.array([0.0, 1.0, 0.0])
    sideways = np.cross(normal, inward)
    tilted = math.cos(feed.tilt_rad) * sideways + math.sin(feed.tilt_rad) * normal
    centre = nearest + (feed.offset_m + half) * inward
    return np.asarray(centre + flat[:, :1] * inward + flat[:, 1:2] * tilted)


def inner_width_m(model: LoopModel, position: float) -> float:
    """Return the main loop's width from the conductor at `position` straight across [m]."""
    turn = _first_turn(model)
    return float(np.ptp(turn @ _point_and_normal(turn, position)[1]))


def _current_on(fine: Path, model: LoopModel, f_hz: float) -> ComplexArray:
    """Return the solved current at the nodes of a finer copy of the path [A]."""
    coarse = closed_path(model.geometry)
    solved = model.currents(f_hz).nodes_a
    current = np.empty(len(fine.nodes_m), dtype=complex)
    for fine_ring, coarse_ring in zip(fine.rings, coarse.rings, strict=True):
        known_at = _fractions(coarse.lengths_m[coarse_ring])
        fractions = _fractions(fine.lengths_m[fine_ring])[:-1]
        closed = np.append(solved[coarse_ring], solved[coarse_ring][0])
        real, imaginary = (
            np.interp(fractions, known_at, component) for component in (closed.real, closed.imag)
        )
        current[fine_ring] = real + 1j * imaginary
    return current


def _fractions(lengths_m: FloatArray) -> FloatArray:
    """Return how far round each node of a ring is, from 0 to 1, shape (n + 1,)."""
    ends = np.concatenate([[0.0], np.cumsum(lengths_m)])
    return np.asarray(ends / ends[-1])


def _first_turn(model: LoopModel) -> FloatArray:
    """Return the first turn's nodes from the gap's one edge to the other, shape (n, 3) [m]."""
    first = model.geometry.turn_lengths_m[:1]
    alone = replace(model.geometry, turn_lengths_m=first, leads_m=0.0)
    path = closed_path(alone, _FINE_SEGMENTS)
    return path.nodes_m[: int((~path.in_gap).sum()) + 1]


def _point_and_normal(turn: FloatArray, position: float) -> tuple[FloatArray, FloatArray]:
    """Return a point of a turn and the unit vector inward there."""
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(turn, axis=0), axis=1))])

    def at(fraction: float) -> FloatArray:
        arc_m = np.clip(fraction, 0, 1) * along[-1]
        return np.array([np.interp(arc_m, along, axis) for axis in turn.T])

    tangent = at(position + _TANGENT_STEP) - at(position - _TANGENT_STEP)
    # The turn runs clockwise seen with x to the right and z up: inward is to its right.
    inward = np.array([tangent[2], 0.0, -tangent[0]])
    return at(position), inward / float(np.linalg.norm(inward))


def _inductance(feed: CouplingGeometry) -> float:
    if feed.shape == "circle":
        return circle_inductance(feed.half_width_m, feed.conductor_radius_m)
    return self_inductance(regular_polygon(4, feed.circumference_m), feed.conductor_radius_m)


def _shorted_line_factor(half_phase: float) -> float:
    """Return ``tan(x)/x``, by which a shorted line's inductance exceeds its low-frequency limit."""
    return math.tan(half_phase) / half_phase if 1e-6 < half_phase < _MOST_HALF_PHASE else 1.0
