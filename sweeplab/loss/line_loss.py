"""What the sweep has to say of a line that the description tells but roughly."""

from __future__ import annotations

import math

import numpy as np

from sweeplab.line import Line
from sweeplab.sweep import ComplexArray, FloatArray

# At 10 MHz.
_THIN_COAX_DB_PER_100M = 4.6
_U_LOSS_RELATIVE = 0.7


def rest_of_line(f_hz: FloatArray, f_mid_hz: float, line: Line | None) -> ComplexArray:
    """Return what a rest of the line does, per radian of its turn at mid-band, shape (n,).

    Of a line whose length is uncertain a piece: it turns the whole picture, and has the line's
    loss. Of an exact one only the slope, for a constant turn is much like a reactance.
    """
    turned = 1j * f_hz / f_mid_hz
    if line is None or line.u_length_m == 0 or line.length_m == 0:
        return np.asarray(turned - 1j, dtype=np.complex128)
    per_line = 2 * math.pi * f_mid_hz * line.delay_s
    # There and back: twice the loss one way, 20 dB a factor of ten.
    return np.asarray(turned + line.loss_db(f_hz) * math.log(10) / 10 / per_line)


def unsaid_loss(f_mid_hz: float, line: Line | None) -> tuple[float, float]:
    """Return what a line's loss there and back may be where nobody says, and how far off [Np].

    Thin coaxial line; thick has a quarter, a poor one twice that (common practice, no source).
    """
    if line is None or line.loss_db_per_100m:
        return 0.0, 0.0
    loss_db = _THIN_COAX_DB_PER_100M * math.sqrt(f_mid_hz / 10e6) * line.length_m / 100
    mean = loss_db * math.log(10) / 10
    return mean, _U_LOSS_RELATIVE * mean
