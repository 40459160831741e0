"""A figure with its uncertainty, after the GUM (JCGM 100:2008)."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

_NORMAL_95 = 1.959963984540054
_EXPANSION_FROM = 15.0


@dataclass(frozen=True)
class Estimate:
    """A value, its standard uncertainty and its 95 % interval.

    Parameters
    ----------
    value : float
        Best estimate, SI units.
    u : float
        Standard uncertainty, same unit.
    low, high : float
        Ends of the 95 % interval; not always symmetric about `value`.
    """

    value: float
    u: float
    low: float
    high: float

    @classmethod
    def normal(cls, value: float, u: float, dof: float = math.inf) -> Estimate:
        """Return an estimate whose interval follows Student's t (the normal law without `dof`)."""
        half = coverage_factor(dof) * u
        return cls(float(value), float(u), float(value - half), float(value + half))

    @classmethod
    def lognormal(cls, value: float, u: float, dof: float = math.inf) -> Estimate:
        """Return an estimate of a positive figure, normal in its logarithm.

        The interval is ``value * exp(+-k u/value)``: it stays positive however wide it is.
        """
        if value <= 0:
            return cls.normal(value, u, dof)
        stretch = math.exp(min(coverage_factor(dof) * u / value, 600.0))
        return cls(float(value), float(u), float(value / stretch), float(value * stretch))

    @classmethod
    def normals(
        cls, values: NDArray[np.float64], u: NDArray[np.float64], dof: NDArray[np.float64]
    ) -> list[Estimate]:
        """Return one `normal` estimate for each row of arrays of shape (b,)."""
        half = _coverage_factors(dof) * u
        columns = (values, u, values - half, values + half)
        return [cls(*row) for row in zip(*(column.tolist() for column in columns), strict=True)]

    @classmethod
    def lognormals(
        cls, values: NDArray[np.float64], u: NDArray[np.float64], dof: NDArray[np.float64]
    ) -> list[Estimate]:
        """Return one `lognormal` estimate for each row of arrays of positive values, shape (b,)."""
        stretch = np.exp(np.minimum(_coverage_factors(dof) * u / values, 600.0))
        columns = (values, u, values / stretch, values * stretch)
        return [cls(*row) for row in zip(*(column.tolist() for column in columns), strict=True)]

    @classmethod
    def share(cls, value: float, u: float, dof: float = math.inf) -> Estimate:
        """Return an estimate of a proportion between 0 and 1, normal in its logit.

        The interval stays between 0 and 1 and is asymmetric near them; a value outside keeps the
        normal interval, since it shows that something is wrong.
        """
        if not 0 < value < 1:
            return cls.normal(value, u, dof)
        odds = value / (1 - value)
        stretch = math.exp(min(coverage_factor(dof) * u / (value * (1 - value)), 300.0))
        low, high = odds / stretch, odds * stretch
        return cls(float(value), float(u), float(low / (1 + low)), float(high / (1 + high)))

    def widened(self, *others: float) -> Estimate:
        """Return the estimate with its interval extended to include all of `others`."""
        low, high = min(self.low, *others), max(self.high, *others)
        return Estimate(self.value, self.u, low, high)

    def clipped(self, low: float, high: float) -> Estimate:
        """Return the estimate with the ends of its interval clipped to what is possible."""
        return Estimate(self.value, self.u, max(self.low, low), min(self.high, high))

    def to_json(self) -> dict[str, float]:
        """Return the four figures as the ``E`` of the JSON output."""
        return {"value": self.value, "u": self.u, "low": self.low, "high": self.high}

    def is_finite(self) -> bool:
        """Return whether all four figures are finite."""
        return all(map(math.isfinite, (self.value, self.u, self.low, self.high)))


def _coverage_factors(dof: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.array([coverage_factor(one) for one in dof.tolist()])


@lru_cache(maxsize=512)
def coverage_factor(dof: float = math.inf) -> float:
    """Return k for a two-sided 95 % interval with `dof` degrees of freedom (GUM table G.2).

    Student's t quantile; from 15 degrees of freedom on its expansion in 1/dof (Abramowitz &
    Stegun, 26.7.5), which is accurate to 1e-6 there.
    """
    if math.isinf(dof):
        return _NORMAL_95
    if dof < _EXPANSION_FROM:
        from scipy.special import stdtrit

        return float(stdtrit(dof, 0.975))
    x = _NORMAL_95
    terms = (
        (x**3 + x) / 4,
        (5 * x**5 + 16 * x**3 + 3 * x) / 96,
        (3 * x**7 + 19 * x**5 + 17 * x**3 - 15 * x) / 384,
        (79 * x**9 + 776 * x**7 + 1482 * x**5 - 1920 * x**3 - 945 * x) / 92160,
    )
    return x + sum(term / dof ** (power + 1) for power, term in enumerate(terms))


def propagate(
    function: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    x: Sequence[float] | NDArray[np.float64],
    covariance: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Propagate a covariance through a function: ``J C J^T`` (GUM eq. 13, JCGM 102 eq. 3).

    Parameters
    ----------
    function : callable
        Maps shape (n,) to shape (m,).
    x : array_like, shape (n,)
        Best estimates of the input quantities.
    covariance : ndarray, shape (n, n)
        Covariance of `x`.

    Returns
    -------
    y : ndarray, shape (m,)
    covariance : ndarray, shape (m, m)
    """
    point = np.asarray(x, dtype=float)
    y = np.atleast_1d(np.asarray(function(point), dtype=float))
    u = np.sqrt(np.diag(covariance))
    jacobian = np.zeros((y.size, point.size))
    for i in np.flatnonzero(u > 0):
        # A hundredth of the standard uncertainty is small against any curvature that matters
        # and large against rounding errors.
        step = max(1e-2 * u[i], 1e-9 * abs(point[i]))
        above, below = point.copy(), point.copy()
        above[i] += step
        below[i] -= step
        difference = np.atleast_1d(function(above)) - np.atleast_1d(function(below))
        jacobian[:, i] = difference / (above[i] - below[i])
    return y, jacobian @ covariance @ jacobian.T
