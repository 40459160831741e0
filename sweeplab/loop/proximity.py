"""Proximity effect of close parallel turns: on their resistance and their inductance.

A thin wire keeps its current on the axis. On round wires side by side, in strong skin effect, the
current spreads so that the vector potential is the same all round each (G. S. Smith, J. Appl. Phys.
43, 2196, 1972). In two dimensions that is solved by multipoles on the axes,

    A = -Re sum_i [I_i ln(z - z_i) - sum_n c_in (a/(z - z_i))^n]   (times mu0/2 pi)

with every harmonic round every wire zero. To lowest order each wire responds to its neighbour as
a dipole: the self term falls by (a/s)^2 and the loss grows by 2 (a/s)^2.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from sweeplab.sweep import ComplexArray, FloatArray

_ORDERS = 40
# Nearer than this, centre to centre in radii, the multipoles no longer converge; forced equal
# currents of three and more touching wires have no finite loss anyway.
_NEAREST_RADII = 2.1


@dataclass(frozen=True, eq=False)
class ProximityEffect:
    """Proximity effect of parallel round wires, per length.

    Parameters
    ----------
    potential : ndarray, shape (n, n)
        Added to the coefficients of potential ``-ln a`` and ``-ln s`` of the wires; the change of
        inductance per length over mu0/2 pi, and of charges' potential over 1/(2 pi eps0).
    extra_loss : float
        Additional over own resistance with equal currents the same way, averaged over the wires.
    """

    potential: FloatArray
    extra_loss: float


@lru_cache(maxsize=256)
def proximity_effect(positions: tuple[complex, ...]) -> ProximityEffect:
    """Return the proximity effect of equal round wires.

    Parameters
    ----------
    positions : tuple of complex
        Position of each in a plane across them, in radii.
    """
    count = len(positions)
    if count == 1:
        return ProximityEffect(np.zeros((1, 1)), 0.0)
    apart = _separations(np.array(positions))
    moments = _moments(apart)
    n = np.arange(1, _ORDERS + 1)
    powers = np.where(apart[:, :, None] != 0, _inverse(apart)[:, :, None] ** n, 0)
    # The mean potential round wire i that the multipoles of wire j bring, for a current in k.
    potential = np.einsum("ijn,jnk->ik", powers, moments).real
    even = moments.sum(axis=2)
    extra = float((2 * n**2 * np.abs(even) ** 2).sum() / count)
    return ProximityEffect((potential + potential.T) / 2, extra)


def _separations(positions: ComplexArray) -> ComplexArray:
    """Return the vectors from wire j to wire i, scaled up to where the multipoles converge."""
    apart = positions[:, None] - positions[None, :]
    nearest = np.abs(apart + np.diag(np.full(len(positions), np.inf))).min()
    return np.asarray(apart * max(1.0, _NEAREST_RADII / float(nearest)))


def _inverse(apart: ComplexArray) -> ComplexArray:
    return np.asarray(1 / np.where(apart == 0, 1, apart))


def _moments(apart: ComplexArray) -> ComplexArray:
    """Return ``c_jn`` for one ampere in each wire k, shape (wires, orders, wires).

    ``(a/(z_ij + a e^jt))^n`` has the harmonics ``C(n + m - 1, m) (-1)^m (a/z_ij)^(n + m)``,
    ``ln(z_ij + a e^jt)`` those of ``(-1)^(m + 1)/m (a/z_ij)^m``.
    """
    from scipy.special import comb

    count = len(apart)
    m = np.arange(1, _ORDERS + 1)
    sign = (-1.0) ** m
    t = np.where(apart == 0, 0, _inverse(apart))
    translation = comb(m[None, :] + m[:, None] - 1, m[:, None]) * sign[:, None]
    powers = t[:, :, None, None] ** (m[:, None] + m[None, :])
    # Wire i, harmonic m; wire j, order n.
    matrix = (translation * powers).transpose(0, 2, 1, 3).reshape(count * _ORDERS, -1)
    source = (t[:, :, None] ** m * (-sign / m)).transpose(0, 2, 1).reshape(-1, count)
    # conj(c) + matrix c = source, in real and imaginary parts.
    one = np.eye(len(matrix))
    system = np.block([[one + matrix.real, -matrix.imag], [matrix.imag, matrix.real - one]])
    solved = np.linalg.solve(system, np.concatenate([source.real, source.imag]))
    half = len(matrix)
    return np.asarray((solved[:half] + 1j * solved[half:]).reshape(count, _ORDERS, count))
