"""The loop's far field in free space: directivity, and radiated power counted once more."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sweeplab.line import C0_M_PER_S
from sweeplab.loop.thinwire import ETA0_OHM, Currents, Path
from sweeplab.sweep import FloatArray

# Odd, so that the equator is one of the directions.
_POLAR, _ROUND = 25, 48


@dataclass(frozen=True)
class Pattern:
    """What the far field says.

    Parameters
    ----------
    directivity : float
        Greatest radiation intensity over its mean; 1.5 for a small loop.
    r_radiation_ohm : float
        Radiated power over the gap's mean current squared [ohm].
    """

    directivity: float
    r_radiation_ohm: float


def far_field(path: Path, currents: Currents, f_hz: float) -> Pattern:
    """Integrate the far field of a solved current over the sphere.

    ``E ~ (r x r x N)``, ``N = sum I dl exp(jk r.r')``; intensity ``eta k^2 |N_t|^2/(16 pi^2)``
    for rms currents (C. A. Balanis, Antenna Theory, eq. 3-58 to 3-60, memory).
    """
    k = 2 * math.pi * f_hz / C0_M_PER_S
    nodes, following = currents.nodes_a, path.following
    moments = ((nodes + nodes[following]) / 2)[:, None] * path.vectors_m
    middles = path.nodes_m + path.vectors_m / 2
    towards, weights = _directions()
    phase = np.exp(1j * k * towards @ middles.T)
    field = phase @ moments
    across = (np.abs(field) ** 2).sum(axis=1) - np.abs((field * towards).sum(axis=1)) ** 2
    intensity = ETA0_OHM * k**2 / (16 * math.pi**2) * across
    power = float(weights @ intensity)
    return Pattern(4 * math.pi * float(intensity.max()) / power, power)


def _directions() -> tuple[FloatArray, FloatArray]:
    """Return unit vectors over the sphere, shape (m, 3), and their solid angles, shape (m,)."""
    cosine, weight = np.polynomial.legendre.leggauss(_POLAR)
    angle = 2 * math.pi * np.arange(_ROUND) / _ROUND
    sine = np.sqrt(1 - cosine**2)
    towards = np.stack(
        [
            np.outer(sine, np.cos(angle)).ravel(),
            np.repeat(cosine, _ROUND),
            np.outer(sine, np.sin(angle)).ravel(),
        ],
        axis=1,
    )
    return towards, np.repeat(weight, _ROUND) * 2 * math.pi / _ROUND
