"""Under- or over-coupled: the two circles that the magnitude of a reflection allows.

With ``z`` the ratio of ``|G|^2`` in the dip to the detuned ``|G|^2``, lossless coupling has
``d = |B|/|Gd| = 1 -+ sqrt(z)`` (D. Kajfez & E. J. Hwan, IEEE Trans. MTT 32, 666, 1984), with
``beta = d/(2 - d)`` and ``Q0 = QL (1 + beta)``. Near the match the two merge and the figures
are no longer normal, so an interval is a figure's range over the 95 % contour of two quantities
that nearly are: the loaded Q's logarithm and ``sqrt(z + s^2/|Gd|^2)``, the least magnitude
measured, with s the noise per quadrature. Where the figures are linear in the data that is the
usual interval.
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
# Keeps 1 - z and 2 - d away from zero.
_MIN_RATIO = 1e-9


@dataclass(frozen=True, eq=False)
class CouplingBranches:
    """Pairs of circles, under- and over-coupled, with a real positive detuned reflection.

    Parameters
    ----------
    f_loaded_hz, q_loaded, detuned : ndarray, shape (m,)
    dip_ratio : ndarray, shape (m,)
        Of ``|G|^2`` in the dip to ``|Gd|^2``, z; noise may take it below zero.
    skew : ndarray, shape (m,)
        ``Im(B/Gd)``: zero where coupling is lossless.
    """

    f_loaded_hz: FloatArray
    q_loaded: FloatArray
    detuned: FloatArray
    dip_ratio: FloatArray
    skew: FloatArray

    @classmethod
    def from_unknowns(cls, fit: PowerFit, unknowns: FloatArray) -> CouplingBranches:
        """Return the circles of unknowns (x0, ln kappa, a0, a1, a2), shape (m, 5).

        ``C = Gd* B`` has ``Im C = a2/2`` and ``Re C = -a0 (1 -+ sqrt(z))`` with
        ``z = 1 + a1/a0 - (a2/(2 a0))^2``.
        """
        f_mid, span = float(fit.batch.f_mid_hz[0]), float(fit.batch.span_hz[0])
        x0, log_kappa = np.clip(unknowns[:, :2], LEAST_P, MOST_P).T
        f = np.maximum(f_mid + x0 * span, 1e-3 * f_mid)
        a0 = np.maximum(unknowns[:, 2], 1e-12)
        skew = unknowns[:, 4] / (2 * a0)
        dip_ratio = 1 + unknowns[:, 3] / a0 - skew**2
        return cls(
            f_loaded_hz=f,
            q_loaded=np.exp(log_kappa) * f / span,
            detuned=np.sqrt(a0),
            dip_ratio=dip_ratio,
            skew=skew,
        )

    def drop(self, over: bool) -> ComplexArray:
        """Return B of one candidate, shape (m,)."""
        z = np.clip(self.dip_ratio, 0, 1 - _MIN_RATIO)
        root = np.sqrt(z)
        # 1 - sqrt(z) without cancellation.
        in_phase = 1 + root if over else (1 - z) / (1 + root)
        return np.asarray(self.detuned * (-in_phase + 1j * self.skew))

    def unloaded(self, over: bool) -> tuple[FloatArray, FloatArray]:
        """Return Q0 and coupling factor of one candidate, each of shape (m,)."""
        d = np.abs(self.drop(over)) / self.detuned
        beta = d / np.maximum(2 - d, _MIN_RATIO)
        return self.q_loaded * (1 + beta), beta

    def circle(self, fit: PowerFit, over: bool) -> Circle:
        """Return one candidate's circle, of the first pair."""
        return Circle(
            f_loaded_hz=float(self.f_loaded_hz[0]),
            q_loaded=float(self.q_loaded[0]),
            detuned=complex(self.detuned[0]),
            drop=complex(self.drop(over)[0]),
            delay_s=0.0,
            f_ref_hz=float(fit.batch.f_mid_hz[0]),
        )


@dataclass(frozen=True, eq=False)
class BranchUncertainty:
    """The pairs of circles around a fit that the noise allows.

    Parameters
    ----------
    sigma_points : CouplingBranches
        The fit, then one standard deviation forwards along each of five independent directions,
        then backwards (S. J. Julier & J. K. Uhlmann, Proc. SPIE 3068, 182, 1997, memory).
    contour : CouplingBranches
        The fit, then its 95 % contour.
    """

    sigma_points: CouplingBranches
    contour: CouplingBranches

    @classmethod
    def from_fit(cls, fit: PowerFit, inflation: float) -> BranchUncertainty:
        """Return the uncertainty of a fit, inflated by a factor."""
        covariance = fit.covariance
        if covariance is None:
            covariance = np.zeros((UNKNOWNS, UNKNOWNS))
        axes = inflation * _square_root(covariance).T
        mean = np.concatenate([fit.p, fit.a])
        unknowns = np.concatenate([mean[None], mean + axes, mean - axes])
        sigma_points = CouplingBranches.from_unknowns(fit, unknowns)
        return cls(sigma_points, _contour(sigma_points, fit.noise, coverage_factor(fit.dof)))

    def covariance(self) -> FloatArray:
        """Return the covariance in the order of `Resonance.covariance`, under-coupled."""
        c, drop = self.sigma_points, self.sigma_points.drop(over=False)
        zero = np.zeros_like(c.detuned)
        columns = (c.f_loaded_hz, c.q_loaded, zero, c.detuned, zero, drop.real, drop.imag)
        slopes = np.stack([_slopes(column) for column in columns])
        return np.asarray(slopes @ slopes.T)

    def unloaded(self, over: bool) -> list[Estimate]:
        """Return Q0 and coupling factor of one candidate."""
        pairs = zip(self.sigma_points.unloaded(over), self.contour.unloaded(over), strict=True)
        return [
            Estimate(
                value=float(values[0]),
                u=standard_uncertainty(values),
                low=float(contour.min()),
                high=float(contour.max()),
            )
            for values, contour in pairs
        ]


def _contour(sigma_points: CouplingBranches, noise: float, coverage: float) -> CouplingBranches:
    """Return the fit, then its contour at `coverage` standard deviations."""
    floor = (noise / float(sigma_points.detuned[0])) ** 2
    least = math.sqrt(max(float(sigma_points.dip_ratio[0]) + floor, floor / 4))
    log_q = np.log(sigma_points.q_loaded)
    slopes = np.stack([_slopes(log_q), _slopes(sigma_points.dip_ratio) / (2 * least)])
    angle = np.linspace(0, 2 * math.pi, _CONTOUR_POINTS, endpoint=False)
    circle = np.stack([np.cos(angle), np.sin(angle)])
    ellipse = coverage * _square_root(slopes @ slopes.T) @ circle
    offsets = np.concatenate([np.zeros((2, 1)), ellipse], axis=1)

    def constant(values: FloatArray) -> FloatArray:
        return np.full(offsets.shape[1], values[0])

    return CouplingBranches(
        f_loaded_hz=constant(sigma_points.f_loaded_hz),
        q_loaded=np.exp(log_q[0] + offsets[0]),
        detuned=constant(sigma_points.detuned),
        dip_ratio=np.maximum(least + offsets[1], 0) ** 2 - floor,
        skew=constant(sigma_points.skew),
    )


def _slopes(values: FloatArray) -> FloatArray:
    """Return a figure's change per standard deviation along each direction, shape (5,)."""
    return np.asarray((values[1 : 1 + UNKNOWNS] - values[1 + UNKNOWNS :]) / 2)


def standard_uncertainty(values: FloatArray) -> float:
    """Return that of a figure with these values at `BranchUncertainty.sigma_points`."""
    return float(np.linalg.norm(_slopes(values)))


def _square_root(covariance: FloatArray) -> FloatArray:
    """Return R with ``R R^T`` the covariance, which may be zero."""
    scale = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    values, vectors = np.linalg.eigh(covariance / scale[:, None] / scale)
    return np.asarray(scale[:, None] * vectors * np.sqrt(np.maximum(values, 0)))
