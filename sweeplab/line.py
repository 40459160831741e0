"""A feed line between the analyzer's reference plane and the antenna: delay, loss, de-embedding."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sweeplab.sweep import ComplexArray, FloatArray, Sweep

C0_M_PER_S = 299_792_458.0
# Thin coaxial line at 10 MHz; thick has a quarter, a poor one twice that (common practice, no
# source).
_THIN_COAX_DB_PER_100M = 4.6
_U_LOSS_RELATIVE = 0.7


@dataclass(frozen=True)
class Line:
    """A uniform feed line.

    Parameters
    ----------
    length_m : float
        Physical length [m].
    velocity_factor : float
        Phase velocity over that of light.
    loss_db_per_100m : tuple of (float, float)
        Matched loss at frequencies: (f_hz, dB per 100 m), interpolated log-log; beyond the ends
        the loss goes on with the square root of frequency. Empty: taken as lossless.
    z0_ohm : float
        Characteristic impedance [ohm].
    u_length_m : float
        Standard uncertainty of the length [m].
    """

    length_m: float
    velocity_factor: float = 1.0
    loss_db_per_100m: tuple[tuple[float, float], ...] = ()
    z0_ohm: float = 50.0
    u_length_m: float = 0.0

    @property
    def delay_s(self) -> float:
        """Round-trip delay of a reflection at the far end [s]."""
        return 2 * self.length_m / (self.velocity_factor * C0_M_PER_S)

    @property
    def u_delay_s(self) -> float:
        """Standard uncertainty of the round-trip delay [s]."""
        return 2 * self.u_length_m / (self.velocity_factor * C0_M_PER_S)

    def loss_db(self, f_hz: FloatArray) -> FloatArray:
        """Return the one-way matched loss [dB] at `f_hz`, same shape."""
        f = np.asarray(f_hz, dtype=float)
        if not self.loss_db_per_100m:
            return np.zeros_like(f)
        table = np.array(sorted(self.loss_db_per_100m))
        x, y = np.log(table[:, 0]), np.log(np.maximum(table[:, 1], 1e-12))
        inside = np.clip(np.log(f), x[0], x[-1])
        # Copper's loss follows the square root of frequency where the table ends.
        per_100m = np.exp(np.interp(inside, x, y) + 0.5 * (np.log(f) - inside))
        return np.asarray(per_100m * self.length_m / 100)

    def round_trip(self, f_hz: FloatArray) -> ComplexArray:
        """Return ``exp(-2 gamma l)``, what the line does to a reflection in its own z0.

        The line's characteristic impedance is taken as real.
        """
        phase = 2 * np.pi * np.asarray(f_hz, dtype=float) * self.delay_s
        return np.asarray(10 ** (-self.loss_db(f_hz) / 10) * np.exp(-1j * phase))


def renormalized(gamma: ComplexArray, from_ohm: float, to_ohm: float) -> ComplexArray:
    """Return reflections against `to_ohm` of loads whose reflections against `from_ohm` are given.

    Both impedances are real: ``r = (to - from)/(to + from)``, ``(gamma - r)/(1 - r gamma)``.
    """
    if from_ohm == to_ohm:
        return gamma
    r = (to_ohm - from_ohm) / (to_ohm + from_ohm)
    return np.asarray((gamma - r) / (1 - r * gamma))


def deembed(sweep: Sweep, line: Line) -> Sweep:
    """Return the sweep as it would have been taken at the line's far end.

    The sweep keeps its reference impedance; a line of another impedance is taken off in its own.
    """
    # Where nothing comes back through the line nothing is known: not finite, as if not measured.
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        inner = renormalized(sweep.gamma, sweep.z0_ohm, line.z0_ohm) / line.round_trip(sweep.f_hz)
        return sweep.with_gamma(renormalized(inner, line.z0_ohm, sweep.z0_ohm))


def embed(sweep: Sweep, line: Line) -> Sweep:
    """Return the sweep as it would have been taken through the line: the inverse of `deembed`."""
    inner = renormalized(sweep.gamma, sweep.z0_ohm, line.z0_ohm) * line.round_trip(sweep.f_hz)
    return sweep.with_gamma(renormalized(inner, line.z0_ohm, sweep.z0_ohm))


def propagation_per_radian(f_hz: FloatArray, f_mid_hz: float, line: Line | None) -> ComplexArray:
    """Return ``2 gamma l`` of a short piece of line, per radian of its phase at mid-band.

    Of a line whose length is uncertain the piece has delay and loss. Of an exact one only the slope
    of the phase counts: a constant phase is much like a reactance.

    Parameters
    ----------
    f_hz : ndarray, shape (n,)
    f_mid_hz : float
    line : Line or None

    Returns
    -------
    ndarray of complex, shape (n,)
    """
    phase = 1j * f_hz / f_mid_hz
    if line is None or line.u_length_m == 0 or line.length_m == 0:
        return np.asarray(phase - 1j, dtype=np.complex128)
    phase_of_line = 2 * math.pi * f_mid_hz * line.delay_s
    # There and back: twice the loss one way, 20 dB a factor of ten.
    return np.asarray(phase + line.loss_db(f_hz) * math.log(10) / 10 / phase_of_line)


def round_trip_loss_prior(f_mid_hz: float, line: Line | None) -> tuple[float, float]:
    """Return mean and standard uncertainty of a line's round-trip loss where not described [Np].

    That of thin coaxial line; zero where there is no line, or its loss is described.
    """
    if line is None or line.loss_db_per_100m:
        return 0.0, 0.0
    loss_db = _THIN_COAX_DB_PER_100M * math.sqrt(f_mid_hz / 10e6) * line.length_m / 100
    mean = loss_db * math.log(10) / 10
    return mean, _U_LOSS_RELATIVE * mean
