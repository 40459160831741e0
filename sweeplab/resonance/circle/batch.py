"""A batch of sweeps of equal length, and the circles fitted to them: one row per sweep."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from sweeplab.sweep import BoolArray, ComplexArray, FloatArray, IndexArray


@dataclass(frozen=True, eq=False)
class SweepBatch:
    """A batch of sweeps of one length, with each point's weight.

    Parameters
    ----------
    position : ndarray, shape (b, n)
        Of each point in the span: -1/2 at its low end, 1/2 at its high end.
    f_mid_hz, span_hz : ndarray, shape (b,)
        Middle and width of the span [Hz].
    gamma : ndarray of complex, shape (b, n)
        Zero where the weight is zero.
    weight : ndarray, shape (b, n)
        Of each point in the fit; zero where it is left out.
    """

    position: FloatArray
    f_mid_hz: FloatArray
    span_hz: FloatArray
    gamma: ComplexArray
    weight: FloatArray

    @classmethod
    def of(cls, f_hz: FloatArray, gamma: ComplexArray, weight: FloatArray) -> SweepBatch:
        """Return a batch from frequencies of shape (b, n) [Hz]."""
        span = f_hz[:, -1] - f_hz[:, 0]
        middle = (f_hz[:, -1] + f_hz[:, 0]) / 2
        return cls((f_hz - middle[:, None]) / span[:, None], middle, span, gamma, weight)

    def __len__(self) -> int:
        return len(self.position)

    @cached_property
    def unweighted(self) -> bool:
        """Whether every point has the weight one."""
        return bool((self.weight == 1).all())

    @property
    def f_hz(self) -> FloatArray:
        """Frequencies, shape (b, n) [Hz]."""
        return np.asarray(self.f_mid_hz[:, None] + self.span_hz[:, None] * self.position)

    def take(self, index: IndexArray | BoolArray | slice) -> SweepBatch:
        """Return the rows at `index`."""
        return SweepBatch(
            self.position[index],
            self.f_mid_hz[index],
            self.span_hz[index],
            self.gamma[index],
            self.weight[index],
        )

    def put(self, index: IndexArray | BoolArray, other: SweepBatch) -> SweepBatch:
        """Return a copy with data and weights at `index` replaced by `other`'s."""
        gamma, weight = self.gamma.copy(), self.weight.copy()
        gamma[index], weight[index] = other.gamma, other.weight
        return replace(self, gamma=gamma, weight=weight)

    def with_weight(self, weight: FloatArray) -> SweepBatch:
        """Return the same batch with other weights."""
        return replace(self, weight=weight)

    def binned(self, max_points: int) -> SweepBatch:
        """Return the batch with neighbours averaged down to at most `max_points` points."""
        points = self.position.shape[1]
        group = -(-points // max_points)
        if group == 1:
            return self
        edges = np.arange(0, points, group)
        weight = np.add.reduceat(self.weight, edges, axis=1)
        norm = np.maximum(weight, 1e-300)
        weighted = self.gamma if self.unweighted else self.weight * self.gamma
        gamma = np.asarray(np.add.reduceat(weighted, edges, axis=1) / norm, dtype=complex)
        # Where every weight is zero any finite position will do.
        positions = self.position if self.unweighted else self.weight * self.position
        position = np.add.reduceat(positions, edges, axis=1) / norm
        return SweepBatch(position, self.f_mid_hz, self.span_hz, gamma, weight)

    def sharpened(self, group: int) -> SweepBatch:
        """Return a batch averaged over `group` points with the smoothing of the average undone.

        The average of m points of a smooth curve is off by ``(1 - 1/m^2)/24`` of the averages'
        second difference. Averages that lack a point, and their neighbours, are left unchanged.
        """
        complete = self.weight == group
        all_three = complete[:, 2:] & complete[:, 1:-1] & complete[:, :-2]
        second_difference = self.gamma[:, 2:] - 2 * self.gamma[:, 1:-1] + self.gamma[:, :-2]
        gamma = self.gamma.copy()
        gamma[:, 1:-1] -= (1 - group**-2) / 24 * np.where(all_three, second_difference, 0)
        return replace(self, gamma=gamma)


@dataclass(frozen=True, eq=False)
class CircleFit:
    """The circles fitted to a batch.

    Parameters
    ----------
    p : ndarray, shape (b, 3)
        The nonlinear unknowns (x0, ln kappa, theta); see `sweeplab.resonance.circle.varpro`.
    linear : ndarray of complex, shape (b, 2)
        The linear unknowns (Gd, B).
    rss : ndarray, shape (b,)
        Weighted sum of abs(residual)**2.
    information : ndarray, shape (b, 7, 7)
        Fisher's, for unit noise variance per quadrature, of
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
