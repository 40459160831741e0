"""Screening before a fit: sweeps that cannot be fitted at all."""

from __future__ import annotations

import numpy as np

from sweeplab.finding import Finding, Threshold
from sweeplab.resonance.circle.thresholds import MIN_POINTS
from sweeplab.sweep import ComplexArray, Sweep

_NEXT_POINTS = 201
_ALIKE: Threshold = 1e-9
# What no instrument measures. Beyond the radio spectrum, or with steps finer than any
# synthesizer's, positions in the span are not distinct in double precision; the squares of larger
# reflections swamp the antenna's in rounding.
_LOWEST_HZ: Threshold = 1.0
_HIGHEST_HZ: Threshold = 1e12
_LEAST_RELATIVE_SPAN: Threshold = 1e-9
# Span of the middle half of the points, relative to that of all: less is one point far away.
_LEAST_MIDDLE_SPAN: Threshold = 1e-6
_LARGEST_REFLECTION: Threshold = 1e6


def screen(sweep: Sweep) -> Finding | None:
    """Return why a sweep cannot be fitted at all, or None."""
    finite = np.isfinite(sweep.gamma)
    gamma = sweep.gamma if finite.all() else sweep.gamma[finite]
    if gamma.size < MIN_POINTS:
        return Finding(
            code="too-few-points",
            level="problem",
            text=f"Only {gamma.size} usable points: a resonance needs at least {MIN_POINTS}.",
            evidence={"points": float(gamma.size)},
            action=f"Sweep again with {_NEXT_POINTS} points.",
        )
    beyond = _beyond_instruments(sweep, gamma)
    if beyond is not None:
        return beyond
    ends_alike = abs(gamma.item(gamma.size // 2) - gamma.item(0)) < _ALIKE  # cheap, settles most
    if ends_alike and float(np.abs(gamma - gamma[0]).max()) < _ALIKE:
        return Finding(
            code="flat",
            level="problem",
            text="Every point shows the same reflection: nothing was measured.",
            evidence={"reflection": abs(complex(gamma[0]))},
            action="Check the lead, the analyzer's calibration and that the antenna is connected.",
        )
    return None


def _beyond_instruments(sweep: Sweep, gamma: ComplexArray) -> Finding | None:
    f_hz, quarter = sweep.f_hz, len(sweep) // 4
    low, high = f_hz.item(0), f_hz.item(-1)
    middle = f_hz.item(-1 - quarter) - f_hz.item(quarter)
    out_of_range = low < _LOWEST_HZ or high > _HIGHEST_HZ
    uneven = middle < _LEAST_MIDDLE_SPAN * (high - low)
    if out_of_range or uneven or high - low < _LEAST_RELATIVE_SPAN * high:
        return Finding(
            code="frequencies-implausible",
            level="problem",
            text=f"The sweep runs from {low:.12g} to {high:.12g} Hz, which no analyzer does.",
            evidence={"f_start_hz": low, "f_stop_hz": high},
            action="Check the frequencies' unit, and delete rows that do not belong to the sweep.",
        )
    # The sum of squares is cheap, and clears all but a few.
    if np.vdot(gamma, gamma).real <= _LARGEST_REFLECTION**2:
        return None
    largest = float(np.maximum(np.abs(gamma.real), np.abs(gamma.imag)).max())
    if largest <= _LARGEST_REFLECTION:
        return None
    return Finding(
        code="reflections-implausible",
        level="problem",
        text=(
            f"A reflection of magnitude {largest:.2g} stands in the sweep: an antenna sends back 1 "
            "at most."
        ),
        evidence={"largest_reflection": largest},
        action="Check the file's numbers and, where a line is described, its length and loss.",
    )
