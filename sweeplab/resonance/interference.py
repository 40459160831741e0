"""Points that interference hit: which points of a sweep white noise alone would not reach.

One rule for every fit. The noise is estimated from the median deviation of the data from the
model, which a few outliers do not move (F. R. Hampel, J. Amer. Stat. Assoc. 69, 383, 1974,
memory); a point is an outlier where white noise would put one that far off in one sweep of a
hundred. Many outliers are a misfit of the model, not interference: then every point counts.
"""

from __future__ import annotations

import math

import numpy as np

from sweeplab.finding import Threshold
from sweeplab.sweep import BoolArray, FloatArray

# Median magnitude of white noise: real of unit standard deviation, and complex of unit standard
# deviation per quadrature.
HALF_NORMAL_MEDIAN = 0.6745
RAYLEIGH_MEDIAN = math.sqrt(2 * math.log(2))
# One sweep in a hundred without interference loses a point: 0.005 % of the information.
FALSE_ALARMS_A_SWEEP: Threshold = 0.01
# Share of the measured points; more outliers than that are no interference.
MOST_SET_ASIDE: Threshold = 0.15


def white_noise_reach(points: FloatArray) -> FloatArray:
    """Return how many standard deviations white noise reaches in one sweep of a hundred.

    Of n complex values n exp(-k^2/2) exceed k standard deviations per quadrature (Rayleigh); of n
    real ones fewer.

    Parameters
    ----------
    points : ndarray
        Number n of points.
    """
    return np.asarray(np.sqrt(2 * np.log(points / FALSE_ALARMS_A_SWEEP)))


def without_outliers(
    deviation: FloatArray,
    measured: BoolArray,
    noise_median: float,
    least_deviation: float,
    reach: float | None = None,
) -> BoolArray:
    """Return which measured points count, shape (b, n).

    Parameters
    ----------
    deviation : ndarray, shape (b, n)
        Magnitude of the data's deviation from the model.
    measured : ndarray of bool, shape (b, n)
    noise_median : float
        `HALF_NORMAL_MEDIAN` of real deviations, `RAYLEIGH_MEDIAN` of complex ones.
    least_deviation : float
        No point nearer to the model than this is an outlier, however small the noise.
    reach : float or None
        Standard deviations beyond which a point is an outlier; `white_noise_reach` of the points
        measured where None.
    """
    n = measured.sum(axis=1)
    # What was not measured sorts last.
    ordered = np.sort(np.where(measured, deviation, np.inf), axis=1)
    row = np.arange(len(n))
    median = (ordered[row, (n - 1) // 2] + ordered[row, n // 2]) / 2
    limit = median / noise_median * (white_noise_reach(n) if reach is None else reach)
    counts = np.asarray(measured & (deviation <= np.maximum(limit, least_deviation)[:, None]))
    too_many = counts.sum(axis=1) < (1 - MOST_SET_ASIDE) * n
    counts[too_many] = measured[too_many]
    return counts


def noise_from_neighbours(values: FloatArray) -> float:
    """Return the standard deviation of a smooth curve's real white noise, shape (n,).

    From the median second difference, whose standard deviation is sqrt(6) times the noise's.
    """
    median = float(np.median(np.abs(np.diff(values, 2))))
    return median / (HALF_NORMAL_MEDIAN * math.sqrt(6))
