"""The range of frequencies that a build's capacitor tunes."""

from __future__ import annotations

import math

import numpy as np

from sweeplab.builds import Build
from sweeplab.errors import ModelError
from sweeplab.finding import Threshold
from sweeplab.loop import LoopModel

# From below the lowest amateur band that such loops serve to above the highest.
_LOWEST_HZ: Threshold = 1e6
_HIGHEST_HZ: Threshold = 60e6
_SCAN = 18
_ITERATIONS = 8


def range_known(build: Build) -> bool:
    """Say whether both ends of the capacitor's range are described."""
    capacitor = build.capacitor
    return capacitor is not None and capacitor.c_min is not None and capacitor.c_max is not None


def tuning_range(build: Build, model: LoopModel) -> tuple[float, float]:
    """Return the range the capacitor tunes [Hz]; where an end is not described, the model's own.

    Raises
    ------
    ModelError
        The loop is past its own resonance at every frequency considered.
    """
    capacitor = build.capacitor
    least = None if capacitor is None or capacitor.c_min is None else capacitor.c_min.value
    curve = _tuning_curve(model, least or 0.0)
    low, high = curve[0][0], curve[-1][0]
    if capacitor is not None and capacitor.c_max is not None:
        low = _frequency_at(model, curve, capacitor.c_max.value)
    if capacitor is not None and capacitor.c_min is not None:
        high = _frequency_at(model, curve, capacitor.c_min.value)
    return low, high


def _required_capacitance(model: LoopModel, f_hz: float) -> float | None:
    """Return the capacitance that tunes the loop [F]; None past the loop's own resonance."""
    try:
        x = model.impedance(f_hz).imag
    except ModelError:
        return None
    return 1 / (2 * math.pi * f_hz * x) if x > 0 else None


def _tuning_curve(model: LoopModel, c_least_f: float) -> list[tuple[float, float]]:
    """Return frequencies with the capacitance each needs, falling, as far as needed.

    Up to the loop's own resonance where it takes less than `c_least_f` to get there.
    """
    curve: list[tuple[float, float]] = []
    for f in np.geomspace(_LOWEST_HZ, _HIGHEST_HZ, _SCAN):
        c = _required_capacitance(model, float(f))
        if c is None:
            break
        curve.append((float(f), c))
        if c < c_least_f:
            return curve
    if len(curve) < 2:
        raise ModelError("the loop is past its own resonance at every frequency asked about")
    return _extended_to_own_resonance(model, curve)


def _extended_to_own_resonance(
    model: LoopModel, curve: list[tuple[float, float]]
) -> list[tuple[float, float]]:
    """Return the curve extended to just below the loop's own resonance."""
    ratio = (_HIGHEST_HZ / _LOWEST_HZ) ** (1 / (_SCAN - 1))
    last, end = curve[-1][0], min(curve[-1][0] * ratio, _HIGHEST_HZ)
    for _ in range(_ITERATIONS):
        middle = math.sqrt(last * end)
        c = _required_capacitance(model, middle)
        if c is None:
            end = middle
        else:
            last = middle
            curve.append((middle, c))
    return curve


def _frequency_at(model: LoopModel, curve: list[tuple[float, float]], c_f: float) -> float:
    """Return the frequency at which that capacitance tunes, within the curve."""
    above = next((i for i, (_, c) in enumerate(curve) if c <= c_f), None)
    if above is None:
        return curve[-1][0]
    if above == 0:
        return curve[0][0]
    (f_low, c_low), (f_high, c_high) = curve[above - 1], curve[above]
    f = f_low
    for _ in range(_ITERATIONS):
        # Capacitance over frequency is nearly straight in logarithms.
        share = math.log(c_low / c_f) / math.log(c_low / c_high)
        f = f_low * (f_high / f_low) ** share
        c = _required_capacitance(model, f)
        if c is None or abs(c / c_f - 1) < 1e-7:
            break
        if c > c_f:
            f_low, c_low = f, c
        else:
            f_high, c_high = f, c
    return f
