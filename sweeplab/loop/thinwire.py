"""Thin-wire method of moments over one closed path: rooftop currents, Galerkin testing.

Mixed potentials on the axis with the reduced kernel (R. F. Harrington, Field Computation by Moment
Methods, 1968; currents per joint, charges per segment):

    Z_mn = j w mu <f_m . f_n g> + 1/(j w eps) <f'_m f'_n g>,   g = exp(-jkR)/(4 pi R)

The exponential is expanded in powers of k. Its static part carries the kernel's peak and is
integrated in closed form over the source segment; every further power is smooth. So the geometry is
integrated once, the impedance at any frequency is a polynomial in k, and the radiation resistance
comes from odd powers alone, however small it is against the reactance.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sweeplab.errors import ModelError
from sweeplab.finding import Threshold
from sweeplab.line import C0_M_PER_S
from sweeplab.sweep import ComplexArray, FloatArray

MU0 = 4e-7 * math.pi
ETA0_OHM = MU0 * C0_M_PER_S
_TERMS = 22
# The expansion's last term at this size: 3**22/22! = 3e-11.
_LARGEST_KR: Threshold = 3.0
_NEAR_POINTS, _FAR_POINTS = 24, 5
_SMOOTH_POINTS = 5


@dataclass(frozen=True, eq=False)
class AdjacentTurns:
    """Turns that run side by side, and their proximity effect; see `sweeplab.loop.proximity`.

    Parameters
    ----------
    segments : ndarray of int, shape (turns, positions)
        Segments next to one another, a column for each position along the turn.
    potential : ndarray, shape (turns, turns)
        Added to the coefficients of potential ``-ln s`` between them.
    extra_loss : float
        Additional over own resistance.
    """

    segments: NDArray[np.intp]
    potential: FloatArray
    extra_loss: float


@dataclass(frozen=True, eq=False)
class Path:
    """Closed rings of straight segments; segment i runs from node i to the one that follows.

    Parameters
    ----------
    nodes_m : ndarray, shape (n, 3)
        Corners [m], ring after ring; the last of a ring is joined to its first.
    in_gap : ndarray of bool, shape (n,)
        Segments over which the capacitor's voltage stands: a run of them in every ring.
    radius_m : float
        Radius of the round wire that the kernel sees [m].
    ring_starts : tuple of int
        Index of each ring's first node. Several rings share one capacitor: turns in parallel.
    neighbours : AdjacentTurns or None
        Which turns run side by side; None for a single one, or filaments.
    """

    nodes_m: FloatArray
    in_gap: NDArray[np.bool_]
    radius_m: float
    ring_starts: tuple[int, ...] = (0,)
    neighbours: AdjacentTurns | None = None

    @property
    def rings(self) -> list[slice]:
        """The rings' places among the nodes."""
        stops = (*self.ring_starts[1:], len(self.nodes_m))
        return [slice(*ends) for ends in zip(self.ring_starts, stops, strict=True)]

    @property
    def following(self) -> NDArray[np.intp]:
        """Index of the node that follows each node, shape (n,)."""
        index = np.arange(1, len(self.nodes_m) + 1)
        for ring in self.rings:
            index[ring.stop - 1] = ring.start
        return index

    @property
    def vectors_m(self) -> FloatArray:
        """Segment vectors, shape (n, 3) [m]."""
        return np.asarray(self.nodes_m[self.following] - self.nodes_m)

    @property
    def lengths_m(self) -> FloatArray:
        """Segment lengths, shape (n,) [m]."""
        return np.asarray(np.linalg.norm(self.vectors_m, axis=1))


@dataclass(frozen=True, eq=False)
class Currents:
    """The solution at one frequency, for one ampere of mean current in the gap.

    Parameters
    ----------
    nodes_a : ndarray of complex, shape (n,)
        Current at each node [A].
    impedance_ohm : complex
        At the gap, capacitor removed, conductor as given to the solver.
    r_radiation_ohm : float
        ``Re(I* Z I)`` with the conductor's part left out [ohm].
    """

    nodes_a: ComplexArray
    impedance_ohm: complex
    r_radiation_ohm: float


class ThinWire:
    """The path's impedance matrices, integrated once, solved at any frequency.

    Parameters
    ----------
    path : Path
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._vector, self._scalar = _matrices(path)
        self._drive = _drive(path)
        self._overlap = _overlap(path, ~path.in_gap)
        self._extent_m = float(np.ptp(path.nodes_m, axis=0).max() * math.sqrt(2))

    def solve(
        self,
        f_hz: float,
        z_conductor_ohm_per_m: complex = 0.0,
        loads: Sequence[tuple[float, complex]] = (),
    ) -> Currents:
        """Return currents and impedance at one frequency.

        Parameters
        ----------
        f_hz : float
        z_conductor_ohm_per_m : complex
            Internal impedance of the conductor per length [ohm/m]; the gap has none.
        loads : sequence of (float, complex)
            Lumped parts in series: fraction of the conductor's way round from the gap, as in
            `current_at`, and impedance [ohm].

        Raises
        ------
        ModelError
            The loop is too large against the wavelength.
        """
        k = 2 * math.pi * f_hz / C0_M_PER_S
        if k * self._extent_m > _LARGEST_KR:
            raise ModelError(
                f"at {f_hz / 1e6:.3f} MHz the loop is {self._extent_m * f_hz / C0_M_PER_S:.2f} "
                "wavelengths across: no small loop; the model ends at about 0.47"
            )
        reactive, resistive = self._at(k)
        inner = z_conductor_ohm_per_m * self._overlap
        for fraction, z_ohm in loads:
            here = self._at_fraction(fraction)
            inner = inner + z_ohm * np.outer(here, here)
        solved = np.linalg.solve(1j * reactive + resistive + inner, self._drive + 0j)
        gap_current = complex(self._drive @ solved)
        current = np.asarray(solved / gap_current, dtype=np.complex128)
        r_radiation = float((current.conj() @ (resistive @ current)).real)
        return Currents(current, 1 / gap_current, r_radiation)

    def weight_of_length(self, currents: Currents) -> float:
        """Return ``integral |I|^2 ds / |I_gap|^2`` over the conductor [m]."""
        return float((currents.nodes_a.conj() @ self._overlap @ currents.nodes_a).real)

    def current_at(self, currents: Currents, fraction: float) -> complex:
        """Return the current at a fraction of the conductor's way round from the gap [A].

        Zero and one are the conductor's two ends at the gap. With turns in parallel: of the
        first turn.
        """
        return complex(self._at_fraction(fraction) @ currents.nodes_a)

    def _at_fraction(self, fraction: float) -> FloatArray:
        """Return what each node's current counts for at a fraction of the way round, shape (n,)."""
        in_gap = self.path.in_gap[self.path.rings[0]]
        wire = np.flatnonzero(~in_gap)
        # The conductor is one unbroken run of segments that starts where the gap ends.
        first = wire[~np.isin((wire - 1) % in_gap.size, wire)][0]
        order = (first + np.arange(wire.size)) % in_gap.size
        ends = np.concatenate([[0.0], np.cumsum(self.path.lengths_m[order])])
        nodes = np.append(order, (order[-1] + 1) % in_gap.size)
        place = fraction * ends[-1]
        before = int(np.clip(np.searchsorted(ends, place, side="right") - 1, 0, wire.size - 1))
        along = (place - ends[before]) / (ends[before + 1] - ends[before])
        counted = np.zeros(len(self.path.nodes_m))
        counted[nodes[before]] += 1 - along
        counted[nodes[before + 1]] += along
        return counted

    def _at(self, k: float) -> tuple[FloatArray, FloatArray]:
        """Return (X, R) of ``Z = R + jX`` at wave number k, each (n, n) [ohm]."""
        scale = ETA0_OHM / (4 * math.pi)
        n = np.arange(_TERMS)
        powers = k**n / np.cumprod(np.maximum(n, 1))
        # (-j)^n: even powers are reactive, odd ones radiate.
        sign = np.array([1, -1, -1, 1] * (_TERMS // 4 + 1))[:_TERMS] * powers
        even, odd = sign[0::2], sign[1::2]
        reactive = k * np.tensordot(even, self._vector[0::2], 1)
        reactive -= np.tensordot(even, self._scalar[0::2], 1) / k
        # j w mu (-j) = +w mu: the first odd power of the vector part is positive.
        resistive = -k * np.tensordot(odd, self._vector[1::2], 1)
        resistive += np.tensordot(odd, self._scalar[1::2], 1) / k
        return scale * reactive, scale * resistive


def _drive(path: Path) -> FloatArray:
    """Return what one volt, spread evenly over each ring's gap, puts on each node, shape (n,)."""
    gap = np.where(path.in_gap, path.lengths_m, 0.0)
    for ring in path.rings:
        gap[ring] /= gap[ring].sum()
    # Every gap segment drives its two end nodes by half its share.
    drive = gap / 2
    np.add.at(drive, path.following, gap / 2)
    return np.asarray(drive)


def _overlap(path: Path, counted: NDArray[np.bool_]) -> FloatArray:
    """Return ``integral f_m f_n ds`` over counted segments, shape (n, n) [m]."""
    n = len(path.lengths_m)
    length = np.where(counted, path.lengths_m, 0.0)
    matrix = np.zeros((n, n))
    i, j = np.arange(n), path.following
    np.add.at(matrix, (i, i), length / 3)
    np.add.at(matrix, (j, j), length / 3)
    np.add.at(matrix, (i, j), length / 6)
    np.add.at(matrix, (j, i), length / 6)
    return matrix


def _matrices(path: Path) -> tuple[FloatArray, FloatArray]:
    """Return vector and scalar parts for each power of k, each (terms, n, n)."""
    n = len(path.nodes_m)
    lengths = path.lengths_m
    along = path.vectors_m @ path.vectors_m.T / np.outer(lengths, lengths)
    charge = 1 / np.outer(lengths, lengths)
    pairs = np.empty((_TERMS, 2, 2, n, n))
    pairs[0] = _static_pairs(path)
    _smooth_pairs(path, pairs)
    # Node i is end 0 of segment i and end 1 of the one before.
    before = np.argsort(path.following)
    moved = pairs * along
    vector = moved[:, 0, 0] + moved[:, 1, 0][:, before] + moved[:, 0, 1][:, :, before]
    vector += moved[:, 1, 1][:, before][:, :, before]
    # A rooftop's charge is even on each segment, of opposite sign on the two.
    scalar = pairs.sum(axis=(1, 2)) * charge
    scalar -= scalar[:, before]
    scalar -= scalar[:, :, before]
    # A closed path carries no net charge: this power is zero but for rounding.
    scalar[1] = 0.0
    return _symmetric(vector), _symmetric(scalar)


def _symmetric(matrices: FloatArray) -> FloatArray:
    return np.asarray((matrices + matrices.transpose(0, 2, 1)) / 2)


def _gauss(points: int) -> tuple[FloatArray, FloatArray]:
    x, w = np.polynomial.legendre.leggauss(points)
    return (x + 1) / 2, w / 2


def _static_pairs(path: Path) -> FloatArray:
    """Return ``<lambda_a lambda_b 1/R>`` for every pair of segments, shape (2, 2, n, n) [m]."""
    n = len(path.nodes_m)
    middle = path.nodes_m + path.vectors_m / 2
    apart = np.linalg.norm(middle[:, None] - middle[None, :], axis=2)
    reach = path.lengths_m[:, None] + path.lengths_m[None, :]
    near = apart < 1.2 * reach
    pairs = np.empty((2, 2, n, n))
    for chosen, points in ((near, _NEAR_POINTS), (~near, _FAR_POINTS)):
        p, q = np.nonzero(chosen)
        pairs[:, :, p, q] = _static_integrals(path, p, q, points)
    # Outer and inner integral are done differently: the mean is symmetric.
    swapped = pairs.transpose(1, 0, 3, 2)
    pairs = (pairs + swapped) / 2
    if path.neighbours is not None:
        _add_proximity(pairs, path.neighbours, path.lengths_m)
    return pairs


def _add_proximity(pairs: FloatArray, neighbours: AdjacentTurns, lengths: FloatArray) -> None:
    """Add the proximity effect to ``<lambda_a lambda_b 1/R>`` of segments side by side.

    Over a long straight piece ``Int dl'/R`` is ``-2 ln s`` and a constant; charges and currents
    spread alike, so that both of the kernel's parts change by the same.
    """
    mass = np.array([[1 / 3, 1 / 6], [1 / 6, 1 / 3]])
    for i, p in enumerate(neighbours.segments):
        for j, q in enumerate(neighbours.segments):
            added = 2 * neighbours.potential[i, j] * np.sqrt(lengths[p] * lengths[q])
            pairs[:, :, p, q] += mass[:, :, None] * added


def _static_integrals(
    path: Path,
    p: np.ndarray,
    q: np.ndarray,
    points: int,
) -> FloatArray:
    """Integrate 1/R: over q in closed form, over p by Gauss. Shape (2, 2, pairs)."""
    x, w = _gauss(points)
    lengths = path.lengths_m
    observer = path.nodes_m[p][:, None] + x[None, :, None] * path.vectors_m[p][:, None]
    offset = observer - path.nodes_m[q][:, None]
    unit = (path.vectors_m / lengths[:, None])[q][:, None]
    length = lengths[q][:, None]
    s0 = (offset * unit).sum(axis=2)
    rho2 = np.maximum((offset**2).sum(axis=2) - s0**2, 0) + path.radius_m**2
    rho = np.sqrt(rho2)
    zeroth = np.arcsinh((length - s0) / rho) + np.arcsinh(s0 / rho)
    first = np.sqrt((length - s0) ** 2 + rho2) - np.sqrt(s0**2 + rho2) + s0 * zeroth
    rising = first / length
    inner = np.stack([zeroth - rising, rising])
    outer = np.stack([1 - x, x]) * w
    return np.asarray(np.einsum("ax,bpx->abp", outer, inner) * lengths[p])


def _smooth_pairs(path: Path, pairs: FloatArray) -> None:
    """Fill ``<lambda_a lambda_b R^(n-1)>`` for every power n >= 1 of `pairs`."""
    x, w = _gauss(_SMOOTH_POINTS)
    ends = np.stack([1 - x, x]) * w
    place = path.nodes_m[:, None] + x[None, :, None] * path.vectors_m[:, None]
    flat = place.reshape(-1, 3)
    squared = (flat**2).sum(axis=1)
    r2 = squared[:, None] + squared[None, :] - 2 * flat @ flat.T
    r = np.sqrt(np.maximum(r2, 0) + path.radius_m**2)
    n = len(path.nodes_m)
    size = np.outer(path.lengths_m, path.lengths_m)
    power = np.ones_like(r)
    for term in range(1, len(pairs)):
        blocks = power.reshape(n, x.size, n, x.size)
        half = np.einsum("ax,pxqy->apqy", ends, blocks)
        pairs[term] = np.einsum("apqy,by->abpq", half, ends) * size
        power = power * r
