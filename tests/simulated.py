"""Sweeps made by formula for the tests.

The reflection of one resonance behind a lossless line is written down here on its own, from
coupling factor and loaded Q (D. Kajfez & E. J. Hwan, IEEE Trans. MTT 32, 666, 1984):

    G = e^(ja) [1 - 2 beta/(1 + beta)/(1 + j QL t)] e^(-j theta (f - fmid)/span),  t = f/fL - fL/f
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sweeplab.sweep import Sweep

REPOSITORY = Path(__file__).parents[1]
NEC = Path(__file__).parent / "data" / "nec"


@dataclass(frozen=True)
class Truth:
    """What goes into a simulated sweep.

    Parameters
    ----------
    f_loaded_hz, q_loaded, coupling_factor : float
    theta : float
        Phase change over the span by an undescribed line [rad].
    angle : float
        Phase of the detuned reflection at the centre of the span [rad].
    span_bandwidths : float
        Width of the sweep in half-power bandwidths.
    off_centre : float
        Offset of the resonance from the centre of the span, in half-power bandwidths.
    points : int
    noise : float
        Standard deviation of the noise in each quadrature.
    """

    f_loaded_hz: float = 7.1e6
    q_loaded: float = 300.0
    coupling_factor: float = 0.6
    theta: float = 0.0
    angle: float = 0.3
    span_bandwidths: float = 6.0
    off_centre: float = 0.0
    points: int = 201
    noise: float = 0.0

    @property
    def q_unloaded(self) -> float:
        """``Q0 = QL (1 + beta)``."""
        return self.q_loaded * (1 + self.coupling_factor)

    @property
    def f_hz(self) -> NDArray[np.float64]:
        """Frequencies of the sweep [Hz]."""
        bandwidth = self.f_loaded_hz / self.q_loaded
        centre = self.f_loaded_hz - self.off_centre * bandwidth
        half = self.span_bandwidths * bandwidth / 2
        return np.linspace(centre - half, centre + half, self.points)

    def reflection(self) -> NDArray[np.complex128]:
        """Return the reflection without noise."""
        f = self.f_hz
        t = f / self.f_loaded_hz - self.f_loaded_hz / f
        diameter = 2 * self.coupling_factor / (1 + self.coupling_factor)
        locus = np.exp(1j * self.angle) * (1 - diameter / (1 + 1j * self.q_loaded * t))
        position = (f - (f[0] + f[-1]) / 2) / (f[-1] - f[0])
        return np.asarray(locus * np.exp(-1j * self.theta * position))

    def sweep(self, rng: np.random.Generator | None = None) -> Sweep:
        """Return the sweep, with noise where a generator is given."""
        gamma = self.reflection()
        if rng is not None:
            gamma = gamma + white(rng, self.points, self.noise)
        return Sweep(self.f_hz, gamma)


def white(rng: np.random.Generator, points: int, sigma: float) -> NDArray[np.complex128]:
    """Return complex white noise, `sigma` in each quadrature."""
    return np.asarray(sigma * (rng.standard_normal(points) + 1j * rng.standard_normal(points)))


def drawn(rng: np.random.Generator) -> Truth:
    """Draw a sweep as people take them: any band, Q, coupling, line, width and noise."""
    return Truth(
        f_loaded_hz=math.exp(rng.uniform(math.log(3.5e6), math.log(30e6))),
        q_loaded=math.exp(rng.uniform(math.log(30), math.log(2000))),
        coupling_factor=math.exp(rng.uniform(math.log(0.1), math.log(10))),
        theta=rng.uniform(0, 2),
        angle=rng.uniform(-math.pi, math.pi),
        span_bandwidths=rng.uniform(3, 12),
        off_centre=rng.uniform(-0.5, 0.5),
        points=int(rng.integers(51, 402)),
        noise=math.exp(rng.uniform(math.log(3e-4), math.log(1e-2))),
    )
