"""Which of several resonances a sweep was taken for."""

from __future__ import annotations

import numpy as np

from sweeplab.bands import BANDS_HZ
from sweeplab.sweep import FloatArray


def wanted(f_hz: FloatArray, depth: FloatArray, near_hz: float | None) -> int:
    """Return the index of the resonance that is meant.

    Parameters
    ----------
    f_hz, depth : ndarray, shape (k,)
        Where each lies [Hz], and how much of the reflection it takes.
    near_hz : float or None
        Where the person expects it. Without it: the only one in an amateur band, else the deepest.
    """
    if near_hz is not None:
        return int(np.argmin(np.abs(f_hz - near_hz)))
    in_band = [k for k, f in enumerate(f_hz) if any(a <= f <= b for a, b in BANDS_HZ.values())]
    return in_band[0] if len(in_band) == 1 else int(np.argmax(depth))
