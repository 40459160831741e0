"""Several dips in the size of a reflection: which is meant, and the points about it.

Without the phase two resonances cannot be fitted together as circles on one background. The wanted
dip is fitted alone, on the points up to the crests between it and its neighbours.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sweeplab.finding import Finding, Threshold
from sweeplab.resonance.circle.fit import MIN_POINTS
from sweeplab.resonance.interference import noise_from_neighbours
from sweeplab.resonance.wanted import wanted
from sweeplab.sweep import FloatArray, Sweep

# A dip stands below the lower of the crests beside it by so much of the largest reflection, and by
# so many times what neighbouring points scatter.
_LEAST_DEPTH: Threshold = 0.03
_FAR_OFF_NOISE: Threshold = 8.0
_SMOOTHED_POINTS = 120
_MEDIAN = 7


@dataclass(frozen=True, eq=False)
class Dips:
    """A sweep's dips.

    Parameters
    ----------
    sweep : Sweep
        NaN beyond the crests about the wanted dip.
    others_hz : tuple of float
        Where the others are [Hz].
    """

    sweep: Sweep
    others_hz: tuple[float, ...]

    def finding(self) -> Finding:
        """Return what to say of the others."""
        others = ", ".join(f"{f / 1e6:.4g}" for f in self.others_hz)
        seen = self.sweep.f_hz[np.isfinite(self.sweep.gamma)]
        low, high = float(seen[0]), float(seen[-1])
        return Finding(
            "another-dip", "note",
            f"The sweep dips at {others} MHz too; without the phase the dips cannot be told apart "
            f"by one fit: only {low / 1e6:.5g} to {high / 1e6:.5g} MHz were used.",
            {"f_other_hz": self.others_hz[0], "dips": float(len(self.others_hz) + 1),
             "f_low_hz": low, "f_high_hz": high},
            "If another was meant, say so with --near; save complex data (Touchstone).",
        )  # fmt: skip


def about_the_wanted(sweep: Sweep, near_hz: float | None) -> Dips | None:
    """Return the sweep about the dip nearest to a frequency; None where there is but one.

    Parameters
    ----------
    sweep : Sweep
    near_hz : float or None
        Without it the wanted dip is the only one in an amateur band, else the deepest.
    """
    measured = np.flatnonzero(np.isfinite(sweep.gamma))
    if measured.size < 2 * MIN_POINTS:
        return None
    magnitude = np.abs(sweep.gamma[measured])
    size, width = _smoothed(magnitude)
    dips, crests = _dips(size, noise_from_neighbours(magnitude) / math.sqrt(width))
    if len(dips) < 2:
        return None
    place = np.minimum(np.array(dips) * width + width // 2, measured.size - 1)
    f_hz = sweep.f_hz[measured[place]]
    depth = np.array([size[crests[k : k + 2]].min() - size[dip] for k, dip in enumerate(dips)])
    chosen = wanted(f_hz, depth, near_hz)
    first = crests[chosen] * width
    last = min(crests[chosen + 1] * width + width, measured.size)
    if last - first < MIN_POINTS:
        return None
    gamma = np.full_like(sweep.gamma, complex(math.nan, math.nan))
    window = measured[first:last]
    gamma[window] = sweep.gamma[window]
    others = tuple(float(f) for k, f in enumerate(f_hz) if k != chosen)
    return Dips(sweep.with_gamma(gamma), others)


def _smoothed(size: FloatArray) -> tuple[FloatArray, int]:
    """Return medians of neighbours, averaged, and how many went into each average.

    A median of seven is blind to three broadcasters in a row.
    """
    padded = np.pad(size, _MEDIAN // 2, mode="edge")
    size = np.median(np.lib.stride_tricks.sliding_window_view(padded, _MEDIAN), axis=1)
    width = max(1, size.size // _SMOOTHED_POINTS)
    edges = np.arange(0, size.size, width)
    count = np.diff(np.append(edges, size.size))
    return np.add.reduceat(size, edges) / count, width


def _dips(size: FloatArray, noise: float) -> tuple[list[int], list[int]]:
    """Return the places of the dips, and of the crests before, between and after them."""
    least = max(_LEAST_DEPTH * float(size.max()), _FAR_OFF_NOISE * noise)
    dips: list[int] = []
    crests = [0]
    low, falling = 0, True
    for place, value in enumerate(size):
        crest = size[crests[-1]]
        if falling and value < size[low]:
            low = place
        elif falling and min(crest, value) > size[low] + least:
            dips.append(low)
            crests.append(place)
            falling = False
        elif value > crest:
            crests[-1] = low = place
        elif not falling and value < crest - least:
            low, falling = place, True
    # Beyond the outer dips every point counts.
    crests[0], crests[-1] = 0, size.size - 1
    return dips, crests
