"""A batch of sweeps as the fits see it, and where their fits ended: one row a sweep."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from sweeplab.finding import Threshold
from sweeplab.sweep import ComplexArray, FloatArray

BoolArray = NDArray[np.bool_]
IndexArray = NDArray[np.intp]
# Where the span ends, either side of its middle: a resonance further out was not swept over.
SPAN_END: Threshold = 0.5


@dataclass(frozen=True, eq=False)
class SweepBatch:
    """A batch of sweeps of one length, with each point's weight.

    Parameters
    ----------
    u : ndarray, shape (b, n)
        Places of the points in the span: -1/2 at its low end, 1/2 at its high end.
    f_mid_hz, span_hz : ndarray, shape (b,)
        Middle and width of the span [Hz].
    gamma : ndarray of complex, shape (b, n)
        Zero where the weight is zero.
    weight : ndarray, shape (b, n)
        How much the point counts; zero where it doesn't.
    """

    u: FloatArray
    f_mid_hz: FloatArray
    span_hz: FloatArray
    gamma: ComplexArray
    weight: FloatArray

    @classmethod
    def of(cls, f_hz: FloatArray, gamma: ComplexArray, weight: FloatArray) -> SweepBatch:
        """Return rows from frequencies of shape (b, n) [Hz]."""
        span = f_hz[:, -1] - f_hz[:, 0]
        middle = (f_hz[:, -1] + f_hz[:, 0]) / 2
        return cls((f_hz - middle[:, None]) / span[:, None], middle, span, gamma, weight)

    def __len__(self) -> int:
        return len(self.u)

    @cached_property
    def all_count(self) -> bool:
        """Whether every point counts, and equally."""
        return bool((self.weight == 1).all())

    @property
    def f_hz(self) -> FloatArray:
        """Frequencies, shape (b, n) [Hz]."""
        return np.asarray(self.f_mid_hz[:, None] + self.span_hz[:, None] * self.u)

    def take(self, index: IndexArray | BoolArray | slice) -> SweepBatch:
        """Return the rows at `index`."""
        return SweepBatch(
            self.u[index], self.f_mid_hz[index], self.span_hz[index],
            self.gamma[index], self.weight[index],
        )  # fmt: skip

    def put(self, index: IndexArray | BoolArray, other: SweepBatch) -> SweepBatch:
        """Return a copy with data and weights at `index` replaced by `other`'s."""
        gamma, weight = self.gamma.copy(), self.weight.copy()
        gamma[index], weight[index] = other.gamma, other.weight
        return replace(self, gamma=gamma, weight=weight)

    def weighted(self, weight: FloatArray) -> SweepBatch:
        """Return the same rows with other weights."""
        return replace(self, weight=weight)

    def binned(self, most: int) -> SweepBatch:
        """Return the rows with neighbours averaged until at most `most` points are left."""
        points = self.u.shape[1]
        group = -(-points // most)
        if group == 1:
            return self
        edges = np.arange(0, points, group)
        weight = np.add.reduceat(self.weight, edges, axis=1)
        norm = np.maximum(weight, 1e-300)
        weighed = self.gamma if self.all_count else self.weight * self.gamma
        gamma = np.asarray(np.add.reduceat(weighed, edges, axis=1) / norm, dtype=complex)
        # Where no point counts the place does not matter, as long as it is one.
        places = self.u if self.all_count else self.weight * self.u
        u = np.add.reduceat(places, edges, axis=1) / norm
        return SweepBatch(u, self.f_mid_hz, self.span_hz, gamma, weight)

    def sharpened(self, group: int) -> SweepBatch:
        """Return rows that were averaged over `group` points with the averaging's blur taken out.

        Of a smooth curve an average of m points is off by ``(1 - 1/m^2)/24`` of the averages'
        second difference. Averages that lack a point, or stand beside such, stay as they are.
        """
        whole = self.weight == group
        beside = whole[:, 2:] & whole[:, 1:-1] & whole[:, :-2]
        bent = self.gamma[:, 2:] - 2 * self.gamma[:, 1:-1] + self.gamma[:, :-2]
        gamma = self.gamma.copy()
        gamma[:, 1:-1] -= (1 - group**-2) / 24 * np.where(beside, bent, 0)
        return replace(self, gamma=gamma)


@dataclass(frozen=True, eq=False)
class CircleFit:
    """Where the batch's fits ended.

    Parameters
    ----------
    p : ndarray, shape (b, 3)
        (x0, ln kappa, theta).
    linear : ndarray of complex, shape (b, 2)
        (Gd, B).
    rss : ndarray, shape (b,)
        Weighted sum of abs(residual)**2.
    information : ndarray, shape (b, 7, 7)
        Fisher's, for unit noise variance a quadrature, of
        (x0, ln kappa, theta, Re Gd, Im Gd, Re B, Im B).
    """

    p: FloatArray
    linear: ComplexArray
    rss: FloatArray
    information: FloatArray

    def take(self, index: IndexArray | BoolArray | slice) -> CircleFit:
        """Return the rows at `index`."""
        return CircleFit(
            self.p[index], self.linear[index], self.rss[index], self.information[index]
        )

    def put(self, index: IndexArray | BoolArray, other: CircleFit) -> CircleFit:
        """Return a copy with the rows at `index` replaced by `other`'s."""
        copy = CircleFit(
            self.p.copy(), self.linear.copy(), self.rss.copy(), self.information.copy()
        )
        copy.p[index], copy.linear[index] = other.p, other.linear
        copy.rss[index], copy.information[index] = other.rss, other.information
        return copy
