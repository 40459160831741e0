"""Inductance of thin-wire paths: Neumann's integral, and closed forms for circles.

The current flows on the conductor's surface (skin effect); the internal inductance belongs to the
conductor's internal impedance. Paths are closed polygons, shape (n, 3) [m], the last node joined
to the first.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from sweeplab.loop.thinwire import MU0
from sweeplab.sweep import ComplexArray, FloatArray

# Gauss points on a piece of outer path that is no longer than its distance from the inner one.
_POINTS = 6
_MOST_HALVINGS = 24
Weight = Callable[[FloatArray], ComplexArray]


def circle_inductance(radius_m: float, wire_radius_m: float) -> float:
    """Return ``mu0 a (ln(8a/r) - 2)`` [H], the thin circle in the skin-effect limit.

    E. B. Rosa & F. W. Grover, Bull. Bureau of Standards 8(1), 1912; F. W. Grover, Inductance
    Calculations, 1946.
    """
    return MU0 * radius_m * (math.log(8 * radius_m / wire_radius_m) - 2)


def coaxial_circles(a_m: float, b_m: float, distance_m: float) -> float:
    """Return the mutual inductance of two circles on one axis [H].

    ``mu0 sqrt(ab) [(2/k - k) K - (2/k) E]``, ``k^2 = 4ab/((a + b)^2 + d^2)`` (J. C. Maxwell,
    Treatise, art. 701; Rosa & Grover 1912, eq. 1).
    """
    from scipy.special import ellipe, ellipkm1

    reach2 = (a_m + b_m) ** 2 + distance_m**2
    # Near each other the circles' k is close to 1: its complement is formed without cancellation.
    complement = ((a_m - b_m) ** 2 + distance_m**2) / reach2
    k2 = 4 * a_m * b_m / reach2
    k = math.sqrt(k2)
    return float(
        MU0 * math.sqrt(a_m * b_m) * ((2 / k - k) * ellipkm1(complement) - 2 / k * ellipe(k2))
    )


def regular_polygon(sides: int, perimeter_m: float) -> FloatArray:
    """Return a regular polygon in the plane z = 0 about the origin, shape (sides, 3) [m]."""
    radius = perimeter_m / sides / (2 * math.sin(math.pi / sides))
    angle = 2 * math.pi * (np.arange(sides) + 0.5) / sides
    return np.stack([radius * np.cos(angle), radius * np.sin(angle), np.zeros(sides)], axis=1)


def circle_polygon(radius_m: float, sides: int) -> FloatArray:
    """Return a regular polygon with a circle's area, in the plane z = 0, shape (sides, 3) [m]."""
    step = 2 * math.pi / sides
    outside = radius_m * math.sqrt(step / math.sin(step))
    angle = step * (np.arange(sides) + 0.5)
    flat = np.zeros(sides)
    return np.stack([outside * np.cos(angle), outside * np.sin(angle), flat], axis=1)


def mutual_inductance(first_m: FloatArray, second_m: FloatArray, radius_m: float = 0.0) -> float:
    """Return the mutual inductance of two closed polygons [H].

    Parameters
    ----------
    first_m, second_m : ndarray, shape (n, 3) and (m, 3)
        Corners [m]; the sign follows the ways they run.
    radius_m : float
        Added to every distance in quadrature; 0 is two filaments.
    """
    return float(path_integral(second_m, first_m, radius_m).real) * MU0 / (4 * math.pi)


def self_inductance(path_m: FloatArray, wire_radius_m: float) -> float:
    """Return the inductance of a closed polygon of round wire, current on the surface [H].

    Neumann's integral between the axis and a filament on the surface (J. C. Maxwell, Treatise,
    art. 701; in a circle's limit Rosa & Grover's ``mu0 a (ln(8a/r) - 2)``).
    """
    return mutual_inductance(path_m, path_m, wire_radius_m)


def path_integral(
    inner_m: FloatArray,
    outer_m: FloatArray,
    radius_m: float = 0.0,
    node_weights: ComplexArray | None = None,
    k_per_m: float = 0.0,
) -> complex:
    """Return ``oint oint w dl . dl' exp(-jkR)/R`` [m], with ``R^2`` + `radius_m`\\ ^2 for R^2.

    Along each straight piece of the inner path 1/R is integrated in closed form, the smooth rest by
    Gauss. The outer path is halved until no piece is longer than its distance from the inner one.

    Parameters
    ----------
    inner_m, outer_m : ndarray, shape (n, 3) and (m, 3)
    radius_m : float
    node_weights : ndarray of complex, shape (n,), or None
        Current at the inner nodes, linear between them; None is one everywhere.
    k_per_m : float
        Wave number; 0 is the static integral.
    """
    weights = np.ones(len(inner_m), dtype=complex) if node_weights is None else node_weights
    starts, vectors, lengths = _pieces(inner_m)
    ends = np.roll(weights, -1)
    own = inner_m is outer_m
    place, step = _outer_points(outer_m, starts, vectors, radius_m, own)
    offset = place[:, None] - starts
    unit = vectors / lengths[:, None]
    s0 = (offset * unit).sum(axis=2)
    rho2 = np.maximum((offset**2).sum(axis=2) - s0**2, 0) + radius_m**2
    rho = np.sqrt(np.maximum(rho2, 1e-300))
    zeroth = np.arcsinh((lengths - s0) / rho) + np.arcsinh(s0 / rho)
    first = np.sqrt((lengths - s0) ** 2 + rho2) - np.sqrt(s0**2 + rho2) + s0 * zeroth
    inner = weights * zeroth + (ends - weights) * first / lengths
    static = complex((inner * (step @ unit.T)).sum())
    return static + _retarded(inner_m, outer_m, radius_m, (weights + ends) / 2, k_per_m)


def _pieces(path_m: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    vectors = np.roll(path_m, -1, axis=0) - path_m
    return path_m, vectors, np.asarray(np.linalg.norm(vectors, axis=1))


def _gauss(points: int) -> tuple[FloatArray, FloatArray]:
    x, w = np.polynomial.legendre.leggauss(points)
    return (x + 1) / 2, w / 2


def _outer_points(
    outer_m: FloatArray,
    inner_starts: FloatArray,
    inner_vectors: FloatArray,
    radius_m: float,
    own: bool,
) -> tuple[FloatArray, FloatArray]:
    """Return Gauss points on the outer path and their weighted line elements, each (points, 3)."""
    starts, vectors, lengths = _pieces(outer_m)
    index = np.arange(len(starts))
    done: list[tuple[FloatArray, FloatArray]] = []
    for _ in range(_MOST_HALVINGS):
        apart = _distance(starts + vectors / 2, inner_starts, inner_vectors)
        if own:
            # On its own piece the closed form is smooth but for the ends, where neighbours begin.
            apart[np.arange(len(index)), index] = np.inf
        fine = lengths <= np.hypot(apart.min(axis=1), radius_m)
        done.append((starts[fine], vectors[fine]))
        starts, vectors, lengths, index = (
            array[~fine] for array in (starts, vectors, lengths, index)
        )
        if not len(starts):
            break
        vectors, lengths = np.repeat(vectors / 2, 2, axis=0), np.repeat(lengths / 2, 2)
        starts, index = np.repeat(starts, 2, axis=0), np.repeat(index, 2)
        starts[1::2] += vectors[1::2]
    done.append((starts, vectors))
    starts, vectors = (np.concatenate([pair[i] for pair in done]) for i in (0, 1))
    x, w = _gauss(_POINTS)
    place = starts[:, None] + x[None, :, None] * vectors[:, None]
    step = w[None, :, None] * vectors[:, None]
    return place.reshape(-1, 3), step.reshape(-1, 3)


def _distance(points: FloatArray, starts: FloatArray, vectors: FloatArray) -> FloatArray:
    """Return the distance of every point from every piece, shape (points, pieces)."""
    offset = points[:, None] - starts
    along = (offset * vectors).sum(axis=2) / (vectors**2).sum(axis=1)
    nearest = offset - np.clip(along, 0, 1)[:, :, None] * vectors
    return np.asarray(np.linalg.norm(nearest, axis=2))


def _retarded(
    inner_m: FloatArray,
    outer_m: FloatArray,
    radius_m: float,
    weights: ComplexArray,
    k_per_m: float,
) -> complex:
    """Return ``oint oint w dl . dl' (exp(-jkR) - 1)/R``: smooth, so piece by piece suffices."""
    if k_per_m == 0:
        return 0j
    starts, vectors, _ = _pieces(inner_m)
    outer_starts, outer_vectors, _ = _pieces(outer_m)
    apart = (outer_starts + outer_vectors / 2)[:, None] - (starts + vectors / 2)
    r = np.sqrt((apart**2).sum(axis=2) + radius_m**2)
    # exp(-jkR) - 1 = -2j sin(kR/2) exp(-jkR/2), without cancellation.
    turned = -2j * np.sin(k_per_m * r / 2) * np.exp(-0.5j * k_per_m * r)
    kernel = turned / np.maximum(r, 1e-300)
    return complex((kernel * (outer_vectors @ vectors.T) * weights).sum())
