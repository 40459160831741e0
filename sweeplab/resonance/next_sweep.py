"""The next sweep to take, and the uncertainty to expect of it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sweeplab.finding import Threshold
from sweeplab.resonance.circle.batch import SweepBatch
from sweeplab.resonance.circle.varpro import solve

# Half-power bandwidths: close to the optimum for QL, wide enough for a line's phase.
_SPAN: Threshold = 6.0
_POINTS = (101, 201, 401, 1001)
_GOOD_ENOUGH: Threshold = 0.01
# At a diameter of 2 the unloaded Q is infinite.
_MOST_DIAMETER: Threshold = 1.95


@dataclass(frozen=True)
class NextSweep:
    """A sweep to take.

    Parameters
    ----------
    f_start_hz, f_stop_hz : float
    points : int
    u_q_unloaded : float
        Relative standard uncertainty of the unloaded Q to expect at the measured noise.
    """

    f_start_hz: float
    f_stop_hz: float
    points: int
    u_q_unloaded: float

    def __str__(self) -> str:
        half = (self.f_stop_hz - self.f_start_hz) / 2e6
        digits = max(0, math.ceil(-math.log10(max(half, 1e-9) / 50)))
        start, stop = self.f_start_hz / 1e6, self.f_stop_hz / 1e6
        accuracy = f"{100 * self.u_q_unloaded:.2g} %"
        return (
            f"Sweep {start:.{digits}f} to {stop:.{digits}f} MHz with {self.points} points: that "
            f"gives the unloaded Q to about {accuracy}."
        )


def next_sweep(f_loaded_hz: float, q_loaded: float, diameter: float, noise: float) -> NextSweep:
    """Return the smallest usual sweep that gives the unloaded Q to one per cent, if any does.

    Parameters
    ----------
    f_loaded_hz, q_loaded : float
    diameter : float
        ``abs(B)/abs(Gd)``.
    noise : float
        Per quadrature.
    """
    half = _SPAN / 2 * f_loaded_hz / q_loaded
    start, stop = f_loaded_hz - half, f_loaded_hz + half
    for points in _POINTS:
        u = expected_u(f_loaded_hz, q_loaded, diameter, noise, start, stop, points)
        if u < _GOOD_ENOUGH:
            break
    return NextSweep(start, stop, points, u)


def expected_u(
    f_loaded_hz: float,
    q_loaded: float,
    diameter: float,
    noise: float,
    f_start_hz: float,
    f_stop_hz: float,
    points: int,
) -> float:
    """Return the Cramer-Rao bound on u(Q0)/Q0 of a sweep, its line's delay unknown."""
    f = np.linspace(f_start_hz, f_stop_hz, points)
    t = f / f_loaded_hz - f_loaded_hz / f
    d = min(diameter, _MOST_DIAMETER)
    circle = np.asarray(1 - d / (1 + 1j * q_loaded * t), dtype=complex)
    batch = SweepBatch.of(f[None], circle[None], np.ones((1, points)))
    span, middle = f_stop_hz - f_start_hz, (f_stop_hz + f_start_hz) / 2
    p = np.array([[(f_loaded_hz - middle) / span, math.log(q_loaded * span / f_loaded_hz), 0.0]])
    information = solve(batch, p, np.ones(1, dtype=bool), steps=0).information[0]
    covariance = np.linalg.pinv(information) * noise**2
    # ln Q0 = ln QL + ln 2 - ln(2 - d), and QL = kappa f_loaded/span.
    by_d = d / (2 - d)
    gradient = np.array([span / f_loaded_hz, 1, 0, -by_d, 0, -by_d / d, 0])
    return math.sqrt(max(float(gradient @ covariance @ gradient), 0.0))
