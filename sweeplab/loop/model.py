"""LoopModel: a build's loop as the capacitor sees it."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TYPE_CHECKING, overload

import numpy as np

from sweeplab.errors import ModelError
from sweeplab.finding import Threshold
from sweeplab.line import C0_M_PER_S
from sweeplab.loop.conductor import conductor_impedance, equivalent_radius
from sweeplab.loop.path import Geometry, closed_path, fitting_gap_segments
from sweeplab.loop.pattern import far_field
from sweeplab.loop.thinwire import Currents, ThinWire
from sweeplab.sweep import ComplexArray, FloatArray

if TYPE_CHECKING:
    from sweeplab.builds import Build

# Where the gap is not described: what a small air-variable capacitor and its lugs span.
NOMINAL_GAP_M = 0.03
_MOST_TURNS: Threshold = 4
# Of the described turn: how long the innermost of turns in one plane is at least.
_LEAST_INNERMOST: Threshold = 0.1
_SLOPE_STEP = 1e-4
_COARSE_SEGMENTS = 28


@lru_cache(maxsize=128)
def _thin_wire(geometry: Geometry) -> ThinWire:
    return ThinWire(closed_path(geometry))


@lru_cache(maxsize=32)
def _coarse_wire(geometry: Geometry) -> ThinWire:
    """Return the same loop on half the segments, for the solver's error."""
    fewer = (fitting_gap_segments(geometry) + 1) // 2
    return ThinWire(closed_path(geometry, _COARSE_SEGMENTS, fewer))


class LoopModel:
    """The main loop of a build: impedance at the gap, radiation, conductor, current's shape.

    Every resistance is referred to the mean current in the capacitor's gap.

    Parameters
    ----------
    build : Build
        The capacitor is left out; so are parts and ground.

    Raises
    ------
    ModelError
        The description lies outside the model: no spacing between turns, more than four turns,
        a gap that does not fit.
    """

    def __init__(self, build: Build) -> None:
        self._conductor = build.conductor
        self.geometry = geometry_of(build)
        self._wire = _thin_wire(self.geometry)
        neighbours = self._wire.path.neighbours
        self._proximity = 1.0 if neighbours is None else 1 + neighbours.extra_loss
        self._solved: dict[tuple[float, bool], Currents] = {}

    def currents(self, f_hz: float, lossless: bool = False) -> Currents:
        """Return the solved current at one frequency [Hz]; see `Currents`."""
        key = (float(f_hz), lossless)
        if key not in self._solved:
            z = 0j if lossless else self._z_per_m(f_hz)
            self._solved[key] = self._wire.solve(f_hz, z)
        return self._solved[key]

    @overload
    def impedance(self, f_hz: float) -> complex: ...
    @overload
    def impedance(self, f_hz: FloatArray) -> ComplexArray: ...
    def impedance(self, f_hz: float | FloatArray) -> complex | ComplexArray:
        """Return the impedance at the gap, capacitor removed, conductor's loss in [ohm].

        Parameters
        ----------
        f_hz : float or ndarray
            The answer has its shape.
        """
        if np.ndim(f_hz) == 0:
            return self.currents(float(f_hz)).impedance_ohm
        f = np.asarray(f_hz, dtype=float)
        return np.array([self.impedance(float(x)) for x in f.ravel()]).reshape(f.shape)

    @overload
    def radiation_resistance(self, f_hz: float) -> float: ...
    @overload
    def radiation_resistance(self, f_hz: FloatArray) -> FloatArray: ...
    def radiation_resistance(self, f_hz: float | FloatArray) -> float | FloatArray:
        """Return the radiation resistance in free space [ohm], same shape as `f_hz`."""
        if np.ndim(f_hz) == 0:
            return self.currents(float(f_hz)).r_radiation_ohm
        f = np.asarray(f_hz, dtype=float)
        return np.array([self.radiation_resistance(float(x)) for x in f.ravel()]).reshape(f.shape)

    @overload
    def effective_reactance(self, f_hz: float) -> float: ...
    @overload
    def effective_reactance(self, f_hz: FloatArray) -> FloatArray: ...
    def effective_reactance(self, f_hz: float | FloatArray) -> float | FloatArray:
        """Return ``(w/2)(dX/dw + X/w)``, so that ``R_total = X_eff/Q0`` [ohm].

        The form of A. D. Yaghjian & S. R. Best, IEEE Trans. AP 53, 1298, 2005, for a loop whose
        capacitor is eliminated at resonance.
        """
        if np.ndim(f_hz) == 0:
            f = float(f_hz)
            ahead = self._wire.solve(f * (1 + _SLOPE_STEP), self._z_per_m(f)).impedance_ohm.imag
            behind = self._wire.solve(f * (1 - _SLOPE_STEP), self._z_per_m(f)).impedance_ohm.imag
            slope = (ahead - behind) / (2 * _SLOPE_STEP)
            return (slope + self.impedance(f).imag) / 2
        x = np.asarray(f_hz, dtype=float)
        return np.array([self.effective_reactance(float(y)) for y in x.ravel()]).reshape(x.shape)

    def conductor_resistance(self, f_hz: float) -> float:
        """Return the conductor's ohmic resistance referred to the gap current [ohm]."""
        length = self._wire.weight_of_length(self.currents(f_hz))
        return self._z_per_m(f_hz).real * length

    def part_weight(self, f_hz: float, position: float) -> float:
        """Return ``|I(at the part)/I(gap)|^2`` at a fraction of the way round from the gap."""
        return abs(self._wire.current_at(self.currents(f_hz), position)) ** 2

    def solver_error(self, f_hz: float) -> tuple[float, float]:
        """Return how far reactance and radiation resistance may be from converged, relative.

        Twice the difference from the same loop on half the segments.
        """
        fine = self.currents(f_hz, lossless=True)
        coarse = _coarse_wire(self.geometry).solve(f_hz)
        return (
            2 * abs(coarse.impedance_ohm.imag / fine.impedance_ohm.imag - 1),
            2 * abs(coarse.r_radiation_ohm / fine.r_radiation_ohm - 1),
        )

    def directivity(self, f_hz: float) -> float:
        """Return the directivity in free space: 1.5 for a small loop."""
        return far_field(self._wire.path, self.currents(f_hz), f_hz).directivity

    def least_q(self, f_hz: float) -> float:
        """Return the least radiation Q that currents on the loop's sphere can have.

        ``3/(ka)^3`` for a magnetic dipole (H. L. Thal, IEEE Trans. AP 54, 2757, 2006, memory;
        the limit of small ka).
        """
        nodes = self._wire.path.nodes_m
        centre = (nodes.max(axis=0) + nodes.min(axis=0)) / 2
        radius = float(np.linalg.norm(nodes - centre, axis=1).max()) + self.geometry.radius_m
        return 3 / (2 * math.pi * f_hz / C0_M_PER_S * radius) ** 3

    def _z_per_m(self, f_hz: float) -> complex:
        z = conductor_impedance(self._conductor, f_hz)
        return complex(z.real * self._proximity, z.imag)


def geometry_of(build: Build) -> Geometry:
    """Return the sizes the path needs.

    Raises
    ------
    ModelError
        The arrangement lies outside the model.
    """
    loop = build.loop
    turns = int(loop.turns)
    if turns > _MOST_TURNS:
        raise ModelError(f"{turns} turns: the model holds for one to {_MOST_TURNS}")
    if turns > 1 and loop.turn_spacing is None:
        raise ModelError("several turns need loop.turn_spacing, centre to centre")
    in_plane = turns > 1 and loop.arrangement == "in-plane"
    aspect = 1.0
    if loop.shape == "rectangle":
        if loop.width is None or loop.height is None:
            raise ModelError("a rectangle needs loop.width and loop.height")
        aspect = loop.width.value / loop.height.value
        site = build.site
        if site is not None and site.orientation == "vertical" and site.gap_at == "side":
            # The path has its gap on top: on its side it is the other way round.
            aspect = 1 / aspect
    return Geometry(
        shape=loop.shape,
        turn_lengths_m=_turn_lengths(build, in_plane),
        gap_m=gap_of(build),
        radius_m=equivalent_radius(build.conductor),
        aspect=aspect,
        turn_spacing_m=0.0 if loop.turn_spacing is None else loop.turn_spacing.value,
        leads_m=0.0 if loop.leads is None else loop.leads.value,
        parallel=turns > 1 and loop.winding == "parallel",
        in_plane=in_plane,
    )


# How much longer a turn is that lies one spacing further out: its perimeter over its inradius.
_PERIMETER_PER_INRADIUS = {
    "circle": 2 * math.pi,
    "octagon": 16 * math.tan(math.pi / 8),
    "square": 8.0,
    "rectangle": 8.0,
}


def _turn_lengths(build: Build, in_plane: bool) -> tuple[float, ...]:
    """Return each turn's length [m]; of turns in one plane the described size is the outermost."""
    loop = build.loop
    if loop.turn_lengths:
        return tuple(length.value for length in loop.turn_lengths)
    size, turns = loop.circumference.value, int(loop.turns)
    if not in_plane or loop.turn_spacing is None:
        return (size,) * turns
    shorter = loop.turn_spacing.value * _PERIMETER_PER_INRADIUS[loop.shape]
    lengths = tuple(size - turn * shorter for turn in range(turns))
    if lengths[-1] <= _LEAST_INNERMOST * size:
        raise ModelError("so many turns do not fit within one another at this spacing")
    return lengths


def gap_of(build: Build) -> float:
    """Return the gap's length [m]: described, else nominal and never a large part of the loop."""
    if build.loop.gap is not None:
        return build.loop.gap.value
    return min(NOMINAL_GAP_M, build.loop.circumference.value / 25)
