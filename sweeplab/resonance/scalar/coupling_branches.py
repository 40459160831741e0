"""Under- or over-coupled: the two circles that the size of a reflection allows.

Where the dip leaves the share ``z`` of the detuned ``|G|^2``, lossless coupling has
``d = |B|/|Gd| = 1 -+ sqrt(z)`` (D. Kajfez & E. J. Hwan, IEEE Trans. MTT 32, 666, 1984), with
``beta = d/(2 - d)`` and ``Q0 = QL (1 + beta)``. Near the match the two merge and the root bends
what is normal in the data, so intervals are a figure's range over the 95 % contour of what is
nearly normal: loaded Q's logarithm and ``sqrt(z + s^2/|Gd|^2)``, the least size measured, s the
noise a quadrature. Where nothing bends that is the usual interval.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sweeplab.estimate import Estimate, coverage_factor
from sweeplab.resonance.result import Circle
from sweeplab.resonance.scalar.power_fit import LEAST_P, MOST_P, UNKNOWNS, PowerFit
from sweeplab.sweep import ComplexArray, FloatArray

_CONTOUR_POINTS = 120
# Shares closer to none or all than this are held there.
_LEAST_SHARE = 1e-9


@dataclass(frozen=True, eq=False)
class CouplingBranches:
    """Pairs of circles with a real positive detuned reflection.

    Parameters
    ----------
    f_loaded_hz, q_loaded, detuned : ndarray, shape (m,)
    share_left : ndarray, shape (m,)
        Of ``|Gd|^2`` in the dip, z; noise may take it below zero.
    skew : ndarray, shape (m,)
        ``Im(B/Gd)``: zero where coupling is lossless.
    """

    f_loaded_hz: FloatArray
    q_loaded: FloatArray
    detuned: FloatArray
    share_left: FloatArray
    skew: FloatArray

    @classmethod
    def of(cls, fit: PowerFit, unknowns: FloatArray) -> CouplingBranches:
        """Return the circles of unknowns (x0, ln kappa, a0, a1, a2), shape (m, 5).

        ``C = Gd* B`` has ``Im C = a2/2`` and ``Re C = -a0 (1 -+ sqrt(z))`` with
        ``z = 1 + a1/a0 - (a2/(2 a0))^2``.
        """
        f_mid, span = float(fit.rows.f_mid_hz[0]), float(fit.rows.span_hz[0])
        place, log_kappa = np.clip(unknowns[:, :2], LEAST_P, MOST_P).T
        f = np.maximum(f_mid + place * span, 1e-3 * f_mid)
        a0 = np.maximum(unknowns[:, 2], 1e-12)
        skew = unknowns[:, 4] / (2 * a0)
        left = 1 + unknowns[:, 3] / a0 - skew**2
        return cls(f, np.exp(log_kappa) * f / span, np.sqrt(a0), left, skew)

    def drop(self, over: bool) -> ComplexArray:
        """Return B of one candidate, shape (m,)."""
        left = np.clip(self.share_left, 0, 1 - _LEAST_SHARE)
        root = np.sqrt(left)
        # 1 - sqrt(z) without cancellation.
        along = 1 + root if over else (1 - left) / (1 + root)
        return np.asarray(self.detuned * (-along + 1j * self.skew))

    def unloaded(self, over: bool) -> tuple[FloatArray, FloatArray]:
        """Return Q0 and coupling factor of one candidate, each of shape (m,)."""
        d = np.abs(self.drop(over)) / self.detuned
        beta = d / np.maximum(2 - d, _LEAST_SHARE)
        return self.q_loaded * (1 + beta), beta

    def circle(self, fit: PowerFit, over: bool) -> Circle:
        """Return the first pair's circle on one side."""
        return Circle(
            float(self.f_loaded_hz[0]), float(self.q_loaded[0]), complex(self.detuned[0]),
            complex(self.drop(over)[0]), 0.0, float(fit.rows.f_mid_hz[0]),
        )  # fmt: skip


@dataclass(frozen=True, eq=False)
class Spread:
    """The candidates about a fit, as far as the noise lets them be.

    Parameters
    ----------
    sides : Candidates
        Of the fit, then one standard deviation ahead along each of five independent directions,
        then behind.
    contour : Candidates
        On the 95 % contour.
    """

    sides: CouplingBranches
    contour: CouplingBranches

    @classmethod
    def of(cls, fit: PowerFit, inflation: float) -> Spread:
        """Return the spread of a fit whose uncertainties are inflated by a factor."""
        nothing = np.zeros((UNKNOWNS, UNKNOWNS))
        axes = inflation * _root(nothing if fit.covariance is None else fit.covariance).T
        here = np.concatenate([fit.p, fit.a])
        sides = CouplingBranches.of(fit, np.concatenate([here[None], here + axes, here - axes]))
        return cls(sides, _contour(sides, fit.noise, coverage_factor(fit.dof)))

    def covariance(self) -> FloatArray:
        """Return the covariance in the order of `Resonance.covariance`, under-coupled."""
        c, drop = self.sides, self.sides.drop(over=False)
        nothing = np.zeros_like(c.detuned)
        columns = (c.f_loaded_hz, c.q_loaded, nothing, c.detuned, nothing, drop.real, drop.imag)
        slopes = np.stack([_slopes(column) for column in columns])
        return np.asarray(slopes @ slopes.T)

    def unloaded(self, over: bool) -> list[Estimate]:
        """Return Q0 and coupling factor of one candidate."""
        pairs = zip(self.sides.unloaded(over), self.contour.unloaded(over), strict=True)
        return [
            Estimate(float(x[0]), deviation(x), float(ring.min()), float(ring.max()))
            for x, ring in pairs
        ]


def _contour(sides: CouplingBranches, noise: float, reach: float) -> CouplingBranches:
    """Return the fit, then its contour at `reach` standard deviations."""
    floor = (noise / float(sides.detuned[0])) ** 2
    least = math.sqrt(max(float(sides.share_left[0]) + floor, floor / 4))
    log_q = np.log(sides.q_loaded)
    slopes = np.stack([_slopes(log_q), _slopes(sides.share_left) / (2 * least)])
    angle = np.linspace(0, 2 * math.pi, _CONTOUR_POINTS, endpoint=False)
    ring = reach * _root(slopes @ slopes.T) @ np.stack([np.cos(angle), np.sin(angle)])
    ring = np.concatenate([np.zeros((2, 1)), ring], axis=1)

    def same(values: FloatArray) -> FloatArray:
        return np.full(ring.shape[1], values[0])

    return CouplingBranches(
        same(sides.f_loaded_hz),
        np.exp(log_q[0] + ring[0]),
        same(sides.detuned),
        np.maximum(least + ring[1], 0) ** 2 - floor,
        same(sides.skew),
    )


def _slopes(sides: FloatArray) -> FloatArray:
    """Return a figure's rise a standard deviation along each of the five directions."""
    return np.asarray((sides[1 : 1 + UNKNOWNS] - sides[1 + UNKNOWNS :]) / 2)


def deviation(sides: FloatArray) -> float:
    """Return the standard uncertainty of a figure evaluated on `Spread.sides`."""
    return float(np.linalg.norm(_slopes(sides)))


def _root(covariance: FloatArray) -> FloatArray:
    """Return R with ``R R^T`` the covariance, which may be zero."""
    scale = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    values, vectors = np.linalg.eigh(covariance / scale[:, None] / scale)
    return np.asarray(scale[:, None] * vectors * np.sqrt(np.maximum(values, 0)))
