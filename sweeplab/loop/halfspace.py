"""Currents over a lossy half-space, as plane waves: down to the ground and back.

Lengths along the ground are counted in wave numbers: ``s`` is the horizontal wave number over k,
``sz = sqrt(1 - s^2)`` the vertical one, ``s2 = sqrt(eps - s^2)`` that in the ground, both with a
positive imaginary part; time factor ``exp(-j w t)``. Below ``s = 1`` waves leave to the sky, above
they cling to the current and feed the ground alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from sweeplab.sweep import ComplexArray, FloatArray

EPS0_F_PER_M = 8.8541878128e-12
_BELOW, _ABOVE = 40, 80
# Beyond 50 wavelengths the ground draws nothing any more and the sky gets what it gets.
_HIGHEST_KH = 314.0
# Waves that fade to exp(-2 _FADED) on the way down and back no longer count.
_FADED = 8.0
# Azimuths must resolve the waves up to where they have faded to exp(-2 _RESOLVED).
_RESOLVED = 3.5
_MOST_AZIMUTHS = 240
_BLOCKS = 5


@dataclass(frozen=True, eq=False)
class Waves:
    """The plane waves that carry an integral ``Int_0^inf (s/sz) ds``.

    The root's pole at ``s = 1`` goes away with ``s = sin t`` below and ``s = cosh u`` above.

    Parameters
    ----------
    s, sz : ndarray, shape (n,)
    weight : ndarray of complex, shape (n,)
        Of the integral, ``s/sz`` included.
    below : int
        How many, the first ones, have ``s < 1``.
    """

    s: FloatArray
    sz: ComplexArray
    weight: ComplexArray
    below: int

    @classmethod
    def down_to(cls, kh: float) -> Waves:
        """Return the waves that matter to a current at `kh` over k above ground, or higher."""
        # The way down and back turns the phase through 2 kh: one point more a radian of kh.
        below = _BELOW + 8 * math.ceil(kh / 8)
        x, w = _gauss(below)
        t, wt = x * math.pi / 2, w * math.pi / 2
        x, w = _gauss(_ABOVE)
        # Over sea the reflection turns within a hundredth of s = 1: squares crowd there.
        last = math.asinh(max(_FADED / kh, 1.0))
        u, wu = last * x**2, 2 * last * x * w
        return cls(
            s=np.concatenate([np.sin(t), np.cosh(u)]),
            sz=np.concatenate([np.cos(t), 1j * np.sinh(u)]),
            weight=np.concatenate([np.sin(t) * wt, -1j * np.cosh(u) * wu]),
            below=below,
        )


@dataclass(frozen=True, eq=False)
class Spectrum:
    """A current's plane waves over ground, summed over azimuth; no ground constant is in it.

    Row 0 of every array is the wave whose electric field lies along the ground (s), row 1 the one
    whose magnetic field does (p).

    Parameters
    ----------
    waves : Waves
    crossed : ndarray of complex, shape (2, n)
        Wave sent down times wave received from below.
    away, down : ndarray, shape (2, waves.below)
        Squared waves sent up and down that reach the far field.
    """

    waves: Waves
    crossed: ComplexArray
    away: FloatArray
    down: FloatArray

    @property
    def whole(self) -> float:
        """Power radiated in free space, over ``eta k^2/(16 pi^2)`` for currents in A rms."""
        weight = self.waves.weight[: self.waves.below].real
        return float(((self.away + self.down) @ weight).sum())

    def total_ratio(self, reflection: ComplexArray, raised: float = 0.0) -> float:
        """Return the power the current delivers over that in free space; see `reaction`."""
        return 1 + self.reaction(reflection, raised).real

    def reaction(self, reflection: ComplexArray, raised: float = 0.0) -> complex:
        """Return the impedance that the reflected field brings, over the radiation resistance.

        Its resistance and, time factor ``exp(-j w t)``, less its reactance: waves beyond ``s = 1``
        store energy as the current's image does.

        Parameters
        ----------
        reflection : ndarray of complex, shape (2, n)
            Fresnel's coefficients, rows s and p.
        raised : float
            How much higher the current stands than when the spectrum was made, times k.
        """
        crossed = reflection * self.crossed * np.exp(2j * raised * self.waves.sz)
        return 2 * complex((crossed @ self.waves.weight).sum()) / self.whole

    def sky_ratio(self, reflection: ComplexArray, raised: float = 0.0) -> float:
        """Return the power that reaches the sky over the whole in free space; see `total_ratio`."""
        below = slice(self.waves.below)
        r = reflection[:, below]
        crossed = r * self.crossed[:, below] * np.exp(2j * raised * self.waves.sz[below])
        up = self.away + abs(r) ** 2 * self.down + 2 * crossed.real
        return float((up @ self.waves.weight[below].real).sum()) / self.whole


def fresnel(waves: Waves, eps: complex) -> ComplexArray:
    """Return Fresnel's reflection coefficients ``rs, rp``, shape (2, n).

    ``rs = (sz - s2)/(sz + s2)``, ``rp = (eps sz - s2)/(eps sz + s2)`` (L. Novotny & B. Hecht,
    Principles of Nano-Optics, ch. 2, memory); -1 and 1 for an infinite `eps`.

    Parameters
    ----------
    waves : Waves
    eps : complex
        Relative permittivity of the ground, conductivity in its positive imaginary part.
    """
    if math.isinf(abs(eps)):
        return np.repeat([[-1.0 + 0j], [1.0 + 0j]], waves.s.size, axis=1)
    s2 = np.sqrt(eps - waves.s**2 + 0j)
    sz = waves.sz
    return np.stack([(sz - s2) / (sz + s2), (eps * sz - s2) / (eps * sz + s2)])


def complex_permittivity(f_hz: float, eps_r: float, sigma_s_per_m: float) -> complex:
    """Return ``eps_r + j sigma/(w eps0)``, time factor ``exp(-j w t)``."""
    if math.isinf(sigma_s_per_m):
        return complex(math.inf)
    return complex(eps_r, sigma_s_per_m / (2 * math.pi * f_hz * EPS0_F_PER_M))


def spectrum_of(places: FloatArray, moments: ComplexArray) -> Spectrum:
    """Return the plane waves of a current over ground.

    Parameters
    ----------
    places : ndarray, shape (n, 3)
        Where the current's pieces are, times the wave number; z up from the ground.
    moments : ndarray of complex, shape (n, 3)
        Current times length of each, time factor ``exp(-j w t)``.
    """
    lowest = float(places[:, 2].min())
    too_high = max(lowest - _HIGHEST_KH, 0.0)
    lowest -= too_high
    waves = Waves.down_to(lowest)
    flat = places[:, :2] - places[:, :2].mean(axis=0)
    current = _Current(flat, places[:, 2] - too_high, moments, lowest)
    low = waves.below
    below = waves.sz[:low]
    (sent, risen), step = current.rays(waves.s[:low], below, -below)
    # What a current receives is what it sends, reversed and conjugate: what rises below s = 1, what
    # fades downward above.
    crossed = [(sent * risen.conj()).sum(axis=2) * step]
    # Waves near s = 1 vary less round about than those that fade fast: fewer azimuths serve.
    for some in np.array_split(np.arange(low, len(waves.s)), _BLOCKS):
        (fading,), turn = current.rays(waves.s[some], waves.sz[some])
        crossed.append((fading * fading.conj()).sum(axis=2) * turn)
    return Spectrum(
        waves,
        np.concatenate(crossed, axis=1),
        (abs(risen) ** 2).sum(axis=2) * step,
        (abs(sent) ** 2).sum(axis=2) * step,
    )


@dataclass(frozen=True, eq=False)
class _Current:
    """A current's pieces: their places along the ground and above it times k, and moments."""

    flat: FloatArray
    z: FloatArray
    moments: ComplexArray
    lowest: float

    def rays(self, s: FloatArray, *ways: ComplexArray) -> tuple[list[ComplexArray], float]:
        """Return its plane waves by polarisation, wave and azimuth, and the azimuths' step.

        One array of shape (2, waves, azimuths) for each sz in `ways`; a negative one rises.
        """
        reach = float(np.linalg.norm(self.flat, axis=1).max())
        azimuths = _azimuths(reach * float(s.max()), reach, self.lowest)
        a = np.stack([np.cos(azimuths), np.sin(azimuths)])
        phase = np.exp(-1j * (s[:, None, None] * (self.flat @ a).T))
        turn = np.concatenate([a, -a], axis=1)
        found = []
        for sz in ways:
            moments = np.exp(1j * sz[:, None] * self.z)[:, :, None] * self.moments
            found.append(_polarised(_rays(phase, moments), turn, s, sz))
        return found, 2 * math.pi / turn.shape[1]


def _rays(phase: ComplexArray, moments: ComplexArray) -> ComplexArray:
    """Sum the current's pieces to vectors of plane waves, shape (waves, azimuths, 3).

    `phase` (waves, azimuths, n) covers half a turn: the other half has the conjugate phase.
    """
    both = phase @ np.concatenate([moments, moments.conj()], axis=2)
    return np.concatenate([both[:, :, :3], both[:, :, 3:].conj()], axis=1)


def _polarised(rays: ComplexArray, a: FloatArray, s: FloatArray, sz: ComplexArray) -> ComplexArray:
    """Return the parts of `rays` along b (row s) and p (row p), shape (2, waves, azimuths).

    ``p = sz a + s z`` for waves sent down; those that rise have the other sign of sz.
    """
    along = rays[:, :, 0] * a[0] + rays[:, :, 1] * a[1]
    across = rays[:, :, 1] * a[0] - rays[:, :, 0] * a[1]
    return np.stack([across, sz[:, None] * along + s[:, None] * rays[:, :, 2]])


def dipole(kh: float, vertical_loop: bool) -> Spectrum:
    """Return the plane waves of a loop small against everything: a magnetic dipole over ground.

    The dual of L. Novotny & B. Hecht, Principles of Nano-Optics, ch. 10 (memory).

    Parameters
    ----------
    kh : float
        Height times wave number.
    vertical_loop : bool
        The loop's plane stands upright, so that its moment lies along the ground.
    """
    kh = min(kh, _HIGHEST_KH)
    waves = Waves.down_to(kh)
    there_and_back = np.exp(2j * kh * waves.sz)
    cosine2, sine2 = waves.sz**2, waves.s**2
    if vertical_loop:
        crossed = np.stack([-cosine2, np.ones_like(cosine2)]) * there_and_back
        sent = np.stack([cosine2.real, np.ones_like(sine2)])
    else:
        crossed = np.stack([sine2 * there_and_back, np.zeros_like(cosine2)])
        sent = np.stack([sine2, np.zeros_like(sine2)])
    sent = sent[:, : waves.below]
    return Spectrum(waves, crossed, sent, sent)


def _azimuths(most: float, reach: float, lowest: float) -> FloatArray:
    """Return azimuths over half a turn, dense enough for a current's extent times `most`/`reach`.

    Waves that have faded to exp(-2 _RESOLVED) need no more than those that have not.
    """
    orders = 2 * min(most, reach * max(1.0, _RESOLVED / lowest))
    half = min(math.ceil(orders / 2) + 6, _MOST_AZIMUTHS // 2)
    return np.asarray(math.pi * (np.arange(half) + 0.5) / half)


@lru_cache(maxsize=16)
def _gauss(points: int) -> tuple[FloatArray, FloatArray]:
    """Return Gauss-Legendre nodes and weights on 0 to 1."""
    x, w = np.polynomial.legendre.leggauss(points)
    return (x + 1) / 2, w / 2
