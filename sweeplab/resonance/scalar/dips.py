"""Several dips in the magnitude of a reflection: which is selected, and the points around it.

Without the phase two resonances cannot be fitted together as circles on one background. The
selected dip is fitted alone, on the points between the local maxima to either side of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sweeplab.bands import select_resonance
from sweeplab.finding import Finding, Threshold
from sweeplab.resonance.circle.thresholds import MIN_POINTS
from sweeplab.resonance.interference import noise_from_neighbours
from sweeplab.sweep import FloatArray, Sweep

# A dip lies below the lower of the maxima beside it by this share of the largest reflection, and by
# this many standard deviations of the noise.
_MIN_DEPTH: Threshold = 0.03
_MIN_DEPTH_OVER_NOISE: Threshold = 8.0
_MAX_SMOOTHED_POINTS = 120
# Blind to three broadcasters in a row.
_MEDIAN_POINTS = 7


@dataclass(frozen=True, eq=False)
class IsolatedDip:
    """One dip of a sweep that has several.

    Parameters
    ----------
    sweep : Sweep
        NaN beyond the maxima to either side of the dip.
    others_hz : tuple of float
        Frequencies of the other dips [Hz].
    """

    sweep: Sweep
    others_hz: tuple[float, ...]

    def finding(self) -> Finding:
        """Return the finding that names the other dips."""
        others = ", ".join(f"{f / 1e6:.4g}" for f in self.others_hz)
        used = self.sweep.f_hz[np.isfinite(self.sweep.gamma)]
        low, high = float(used[0]), float(used[-1])
        return Finding(
            code="another-dip",
            level="note",
            text=f"The sweep dips at {others} MHz too; without the phase the dips cannot be told "
            f"apart by one fit: only {low / 1e6:.5g} to {high / 1e6:.5g} MHz were used.",
            evidence={
                "f_other_hz": self.others_hz[0],
                "dips": float(len(self.others_hz) + 1),
                "f_low_hz": low,
                "f_high_hz": high,
            },
            action="If another was meant, say so with --near; save complex data (Touchstone).",
        )


def isolate_dip(sweep: Sweep, near_hz: float | None) -> IsolatedDip | None:
    """Return the sweep around the dip nearest to a frequency; None where there is only one.

    Parameters
    ----------
    sweep : Sweep
    near_hz : float or None
        Without it the selected dip is the only one in an amateur band, else the deepest.
    """
    measured = np.flatnonzero(np.isfinite(sweep.gamma))
    if measured.size < 2 * MIN_POINTS:
        return None
    magnitude = np.abs(sweep.gamma[measured])
    smoothed, width = _smoothed(magnitude)
    dips, maxima = _find_dips(smoothed, noise_from_neighbours(magnitude) / math.sqrt(width))
    if len(dips) < 2:
        return None
    middle = np.minimum(np.array(dips) * width + width // 2, measured.size - 1)
    f_hz = sweep.f_hz[measured[middle]]
    depth = np.array(
        [smoothed[maxima[k : k + 2]].min() - smoothed[dip] for k, dip in enumerate(dips)]
    )
    selected = select_resonance(f_hz, depth, near_hz)
    first = maxima[selected] * width
    last = min(maxima[selected + 1] * width + width, measured.size)
    if last - first < MIN_POINTS:
        return None
    gamma = np.full_like(sweep.gamma, complex(math.nan, math.nan))
    window = measured[first:last]
    gamma[window] = sweep.gamma[window]
    others = tuple(float(f) for k, f in enumerate(f_hz) if k != selected)
    return IsolatedDip(sweep.with_gamma(gamma), others)


def _smoothed(magnitude: FloatArray) -> tuple[FloatArray, int]:
    """Return running medians, averaged over neighbours, and how many went into each average."""
    padded = np.pad(magnitude, _MEDIAN_POINTS // 2, mode="edge")
    median = np.median(np.lib.stride_tricks.sliding_window_view(padded, _MEDIAN_POINTS), axis=1)
    width = max(1, median.size // _MAX_SMOOTHED_POINTS)
    edges = np.arange(0, median.size, width)
    count = np.diff(np.append(edges, median.size))
    return np.add.reduceat(median, edges) / count, width


def _find_dips(magnitude: FloatArray, noise: float) -> tuple[list[int], list[int]]:
    """Return the indices of the dips, and of the maxima before, between and after them."""
    min_depth = max(_MIN_DEPTH * float(magnitude.max()), _MIN_DEPTH_OVER_NOISE * noise)
    dips: list[int] = []
    maxima = [0]
    minimum, falling = 0, True
    for index, value in enumerate(magnitude):
        maximum = magnitude[maxima[-1]]
        if falling and value < magnitude[minimum]:
            minimum = index
        elif falling and min(maximum, value) > magnitude[minimum] + min_depth:
            dips.append(minimum)
            maxima.append(index)
            falling = False
        elif value > maximum:
            maxima[-1] = minimum = index
        elif not falling and value < maximum - min_depth:
            minimum, falling = index, True
    # Beyond the outer dips every point is used.
    maxima[0], maxima[-1] = 0, magnitude.size - 1
    return dips, maxima
