"""Currents over a lossy half-space, as plane waves: down to the ground and back.

Lengths along the ground are counted in wave numbers: ``s`` is the horizontal wave number over k,
``sz = sqrt(1 - s^2)`` the vertical one, ``s2 = sqrt(eps - s^2)`` that in the ground, both with a
positive imaginary part; time factor ``exp(-j w t)``. Below ``s = 1`` waves leave to the sky, above
they are evanescent and feed the ground alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from sweeplab.sweep import ComplexArray, FloatArray

EPS0_F_PER_M = 8.8541878128e-12
_PROPAGATING_POINTS, _EVANESCENT_POINTS = 40, 80
# Beyond 50 wavelengths the ground draws nothing any more and the sky gets what it gets.
_HIGHEST_KH = 314.0
# Waves that decay to exp(-2 _NEGLIGIBLE_DECAY) on the way down and back no longer count.
_NEGLIGIBLE_DECAY = 8.0
# Azimuths must resolve the waves up to where they have decayed to exp(-2 _RESOLVED_DECAY).
_RESOLVED_DECAY = 3.5
_MOST_AZIMUTHS = 240
_BLOCKS = 5


@dataclass(frozen=True, eq=False)
class SpectralGrid:
    """Quadrature points of an integral ``Int_0^inf (s/sz) ds`` over plane waves.

    The root's pole at ``s = 1`` goes away with ``s = sin t`` below and ``s = cosh u`` above.

    Parameters
    ----------
    s, sz : ndarray, shape (n,)
    weight : ndarray of complex, shape (n,)
        Of the integral, ``s/sz`` included.
    propagating : int
        How many, the first ones, have ``s < 1``.
    """

    s: FloatArray
    sz: ComplexArray
    weight: ComplexArray
    propagating: int

    @classmethod
    def for_height(cls, kh: float) -> SpectralGrid:
        """Return the points that matter to a current at a height of `kh` over k, or higher."""
        # The phase of the way down and back is 2 kh: one point more for each radian of kh.
        propagating = _PROPAGATING_POINTS + 8 * math.ceil(kh / 8)
        x, w = _gauss(propagating)
        t, wt = x * math.pi / 2, w * math.pi / 2
        x, w = _gauss(_EVANESCENT_POINTS)
        # Over sea the reflection changes within a hundredth of s = 1: squares are dense there.
        last = math.asinh(max(_NEGLIGIBLE_DECAY / kh, 1.0))
        u, wu = last * x**2, 2 * last * x * w
        return cls(
            s=np.concatenate([np.sin(t), np.cosh(u)]),
            sz=np.concatenate([np.cos(t), 1j * np.sinh(u)]),
            weight=np.concatenate([np.sin(t) * wt, -1j * np.cosh(u) * wu]),
            propagating=propagating,
        )


@dataclass(frozen=True, eq=False)
class Spectrum:
    """A current's plane waves over ground, summed over azimuth; without the ground's constants.

    Row 0 of every array is the wave whose electric field lies along the ground (s), row 1 the one
    whose magnetic field does (p).

    Parameters
    ----------
    grid : SpectralGrid
    reflected : ndarray of complex, shape (2, n)
        Wave sent downward times wave received from below.
    upward, downward : ndarray, shape (2, grid.propagating)
        Squared waves that reach the far field.
    """

    grid: SpectralGrid
    reflected: ComplexArray
    upward: FloatArray
    downward: FloatArray

    @property
    def free_space_power(self) -> float:
        """Power radiated in free space, over ``eta k^2/(16 pi^2)`` for currents in A rms."""
        weight = self.grid.weight[: self.grid.propagating].real
        return float(((self.upward + self.downward) @ weight).sum())

    def total_ratio(self, reflection: ComplexArray, raised: float = 0.0) -> float:
        """Return the power the current delivers over that in free space; see `reaction`."""
        return 1 + self.reaction(reflection, raised).real

    def reaction(self, reflection: ComplexArray, raised: float = 0.0) -> complex:
        """Return the impedance that the reflected field brings, over the radiation resistance.

        Its resistance and, with the time factor ``exp(-j w t)``, minus its reactance: waves beyond
        ``s = 1`` store energy as the current's image does.

        Parameters
        ----------
        reflection : ndarray of complex, shape (2, n)
            Fresnel's coefficients, rows s and p.
        raised : float
            How much higher the current is than when the spectrum was made, times k.
        """
        received = reflection * self.reflected * np.exp(2j * raised * self.grid.sz)
        return 2 * complex((received @ self.grid.weight).sum()) / self.free_space_power

    def sky_ratio(self, reflection: ComplexArray, raised: float = 0.0) -> float:
        """Return the power that reaches the sky over that radiated in free space."""
        propagating = slice(self.grid.propagating)
        r = reflection[:, propagating]
        received = r * self.reflected[:, propagating]
        received = received * np.exp(2j * raised * self.grid.sz[propagating])
        up = self.upward + abs(r) ** 2 * self.downward + 2 * received.real
        return float((up @ self.grid.weight[propagating].real).sum()) / self.free_space_power


def fresnel(grid: SpectralGrid, eps: complex) -> ComplexArray:
    """Return Fresnel's reflection coefficients ``rs, rp``, shape (2, n).

    ``rs = (sz - s2)/(sz + s2)``, ``rp = (eps sz - s2)/(eps sz + s2)`` (L. Novotny & B. Hecht,
    Principles of Nano-Optics, ch. 2, memory); -1 and 1 for an infinite `eps`.

    Parameters
    ----------
    grid : SpectralGrid
    eps : complex
        Relative permittivity of the ground, conductivity in its positive imaginary part.
    """
    if math.isinf(abs(eps)):
        return np.repeat([[-1.0 + 0j], [1.0 + 0j]], grid.s.size, axis=1)
    s2 = np.sqrt(eps - grid.s**2 + 0j)
    sz = grid.sz
    return np.stack([(sz - s2) / (sz + s2), (eps * sz - s2) / (eps * sz + s2)])


def complex_permittivity(f_hz: float, eps_r: float, sigma_s_per_m: float) -> complex:
    """Return ``eps_r + j sigma/(w eps0)``, time factor ``exp(-j w t)``."""
    if math.isinf(sigma_s_per_m):
        return complex(math.inf)
    return complex(eps_r, sigma_s_per_m / (2 * math.pi * f_hz * EPS0_F_PER_M))


def plane_wave_spectrum(positions: FloatArray, moments: ComplexArray) -> Spectrum:
    """Return the plane waves of a current over ground.

    Parameters
    ----------
    positions : ndarray, shape (n, 3)
        Of the current elements, times the wave number; z up from the ground.
    moments : ndarray of complex, shape (n, 3)
        Current times length of each, time factor ``exp(-j w t)``.
    """
    lowest = float(positions[:, 2].min())
    too_high = max(lowest - _HIGHEST_KH, 0.0)
    lowest -= too_high
    grid = SpectralGrid.for_height(lowest)
    horizontal = positions[:, :2] - positions[:, :2].mean(axis=0)
    current = _Current(horizontal, positions[:, 2] - too_high, moments, lowest)
    count = grid.propagating
    sz = grid.sz[:count]
    (down, up), step = current.plane_waves(grid.s[:count], sz, -sz)
    # A current receives the conjugate of what it sends the opposite way: upward waves below s = 1,
    # those that decay downward above.
    reflected = [(down * up.conj()).sum(axis=2) * step]
    # Waves near s = 1 vary less with azimuth than those that decay fast: fewer azimuths suffice.
    for block in np.array_split(np.arange(count, len(grid.s)), _BLOCKS):
        (evanescent,), step_there = current.plane_waves(grid.s[block], grid.sz[block])
        reflected.append((evanescent * evanescent.conj()).sum(axis=2) * step_there)
    return Spectrum(
        grid,
        np.concatenate(reflected, axis=1),
        (abs(up) ** 2).sum(axis=2) * step,
        (abs(down) ** 2).sum(axis=2) * step,
    )


@dataclass(frozen=True, eq=False)
class _Current:
    """Current elements: horizontal positions and heights times k, and moments."""

    horizontal: FloatArray
    z: FloatArray
    moments: ComplexArray
    lowest: float

    def plane_waves(
        self, s: FloatArray, *sz_sets: ComplexArray
    ) -> tuple[list[ComplexArray], float]:
        """Return its plane waves and the step of the azimuths.

        One array of shape (polarizations, waves, azimuths) for each array of sz; where that is
        negative the waves travel upward.
        """
        reach = float(np.linalg.norm(self.horizontal, axis=1).max())
        azimuths = _azimuths(reach * float(s.max()), reach, self.lowest)
        a = np.stack([np.cos(azimuths), np.sin(azimuths)])
        phase = np.exp(-1j * (s[:, None, None] * (self.horizontal @ a).T))
        directions = np.concatenate([a, -a], axis=1)
        found = []
        for sz in sz_sets:
            moments = np.exp(1j * sz[:, None] * self.z)[:, :, None] * self.moments
            found.append(_polarized(_plane_waves(phase, moments), directions, s, sz))
        return found, 2 * math.pi / directions.shape[1]


def _plane_waves(phase: ComplexArray, moments: ComplexArray) -> ComplexArray:
    """Sum the current elements to vectors of plane waves, shape (waves, azimuths, 3).

    `phase` (waves, azimuths, n) covers half a turn: the other half has the conjugate phase.
    """
    both = phase @ np.concatenate([moments, moments.conj()], axis=2)
    return np.concatenate([both[:, :, :3], both[:, :, 3:].conj()], axis=1)


def _polarized(waves: ComplexArray, a: FloatArray, s: FloatArray, sz: ComplexArray) -> ComplexArray:
    """Return the components of `waves` along b (row s) and p (row p), shape (2, waves, azimuths).

    ``p = sz a + s z`` for downward waves; upward ones have the other sign of sz.
    """
    along = waves[:, :, 0] * a[0] + waves[:, :, 1] * a[1]
    across = waves[:, :, 1] * a[0] - waves[:, :, 0] * a[1]
    return np.stack([across, sz[:, None] * along + s[:, None] * waves[:, :, 2]])


def dipole(kh: float, vertical_loop: bool) -> Spectrum:
    """Return the plane waves of a loop small against its height: a magnetic dipole over ground.

    The dual of L. Novotny & B. Hecht, Principles of Nano-Optics, ch. 10 (memory).

    Parameters
    ----------
    kh : float
        Height times wave number.
    vertical_loop : bool
        The loop's plane stands upright, so that its moment lies along the ground.
    """
    kh = min(kh, _HIGHEST_KH)
    grid = SpectralGrid.for_height(kh)
    round_trip = np.exp(2j * kh * grid.sz)
    cosine2, sine2 = grid.sz**2, grid.s**2
    if vertical_loop:
        reflected = np.stack([-cosine2, np.ones_like(cosine2)]) * round_trip
        power = np.stack([cosine2.real, np.ones_like(sine2)])
    else:
        reflected = np.stack([sine2 * round_trip, np.zeros_like(cosine2)])
        power = np.stack([sine2, np.zeros_like(sine2)])
    power = power[:, : grid.propagating]
    return Spectrum(grid, reflected, power, power)


def _azimuths(most: float, reach: float, lowest: float) -> FloatArray:
    """Return azimuths over half a turn, dense enough for a current's extent times `most`/`reach`.

    Waves that have decayed to exp(-2 _RESOLVED_DECAY) need no more than those that have not.
    """
    orders = 2 * min(most, reach * max(1.0, _RESOLVED_DECAY / lowest))
    half = min(math.ceil(orders / 2) + 6, _MOST_AZIMUTHS // 2)
    return np.asarray(math.pi * (np.arange(half) + 0.5) / half)


@lru_cache(maxsize=16)
def _gauss(points: int) -> tuple[FloatArray, FloatArray]:
    """Return Gauss-Legendre nodes and weights on 0 to 1."""
    x, w = np.polynomial.legendre.leggauss(points)
    return (x + 1) / 2, w / 2
