"""A quick test for drift in a whole batch of fits: which rows need the thorough one.

The score tests of `sweeplab.resonance.drift.score` on averages of neighbouring points: of every
kind of step between any two averages; of smooth drift as if the circle's unknowns absorbed none
of it, which the threshold allows for.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sweeplab.finding import Threshold
from sweeplab.resonance.circle.batch import SweepBatch
from sweeplab.resonance.circle.fit import BatchFit
from sweeplab.resonance.circle.varpro import detuning
from sweeplab.resonance.drift.score import cosine_basis
from sweeplab.sweep import BoolArray, ComplexArray, FloatArray, IndexArray

# Averages over the span, and in a half-power bandwidth at least.
_MIN_AVERAGES, _MIN_AVERAGES_IN_BANDWIDTH = 32, 6
# Averages of the rows tested together: they stay in a processor's cache.
_AVERAGES_AT_ONCE = 2**12
# Chi-square of a step of the reflection, of the resonance, of loss and coupling; of smooth drift of
# amplitude, of phase, of the resonance. One to five sweeps in a thousand without drift pass, and
# seven in a thousand of the drifts that the thorough test would detect are lost (25 to 401 points,
# 24,000 and 10,000 draws).
_REFLECTION_STEP: Threshold = 21.0
_RESONANCE_STEP: Threshold = 17.5
_LOSS_STEP: Threshold = 20.5
_AMPLITUDE_DRIFT: Threshold = 39.0
_PHASE_DRIFT: Threshold = 39.0
_RESONANCE_DRIFT: Threshold = 48.0
_STEP_LIMITS = np.array([_REFLECTION_STEP, _RESONANCE_STEP, _LOSS_STEP])
_SMOOTH_LIMITS = np.array([_AMPLITUDE_DRIFT, _PHASE_DRIFT, _RESONANCE_DRIFT])
# A step that the circle's unknowns absorb but for this share is not identifiable from averages.
_MIN_SHARE: Threshold = 0.02
# Nor are loss and coupling apart where the square of their correlation is above this.
_MAX_CORRELATION_SQUARED: Threshold = 0.98


def may_have_drifted(fitted: BatchFit) -> BoolArray:
    """Return in which rows something may have drifted, shape (b,)."""
    points = fitted.batch.position.shape[1]
    in_bandwidth = points * np.exp(-np.clip(fitted.fit.p[:, 1], 0, 30))
    width = np.minimum(points / _MIN_AVERAGES, in_bandwidth / _MIN_AVERAGES_IN_BANDWIDTH)
    width = np.maximum(width, 1).astype(int)
    found = np.zeros(len(fitted.batch), dtype=bool)
    for averaged_points in sorted(set(width.tolist())):
        index = np.flatnonzero(width == averaged_points)
        rows_at_once = max(1, _AVERAGES_AT_ONCE * averaged_points // points)
        for first in range(0, index.size, rows_at_once):
            part = index[first : first + rows_at_once]
            found[part] = _BatchScore.from_fits(fitted, part, averaged_points).significant()
    return found


@dataclass(frozen=True, eq=False)
class _BatchScore:
    """What the score tests of some rows need, on averages of neighbouring points.

    Parameters
    ----------
    tangents : ndarray of complex, shape (b, 5, k)
        Weighted and conjugate: the model's slopes by x0 and by ln kappa, the model times u, one,
        and the Lorentzian. With those turned by 90 degrees they are the circle's tangents.
    derivatives : ndarray of complex, shape (b, 4, k)
        Of the reflection by a drift of amplitude, the resonance, loss and coupling: the model, its
        slopes by x0 and by ln kappa, and the resonance's part of it. The first turned by 90
        degrees is phase's.
    score : ndarray of complex, shape (b, 4, k)
        The latter, conjugate, times the residual.
    tangent_score : ndarray of complex, shape (b, 5)
        Inner products of the tangents with the residual: not quite zero, for the averaging.
    linear : ndarray of complex, shape (b, 2)
        (Gd, B).
    inverse_information : ndarray, shape (b, 7, 7)
        Inverse of the tangents' real inner products; zero where one was not fitted.
    variance : ndarray, shape (b, 1)
        Of the noise, per quadrature.
    """

    tangents: ComplexArray
    derivatives: ComplexArray
    score: ComplexArray
    tangent_score: ComplexArray
    linear: ComplexArray
    inverse_information: FloatArray
    variance: FloatArray

    @classmethod
    def from_fits(cls, fitted: BatchFit, index: IndexArray, averaged_points: int) -> _BatchScore:
        """Return the score of some rows, `averaged_points` points averaged."""
        own = fitted.batch
        residual = SweepBatch(
            own.position[index],
            own.f_mid_hz[index],
            own.span_hz[index],
            fitted.residual[index],
            own.weight[index],
        )
        batch = residual.binned(-(-residual.position.shape[1] // averaged_points))
        linear = fitted.fit.linear[index]
        derivatives, tangents = _derivatives(batch, fitted.fit.p[index], linear)
        np.conjugate(tangents, out=tangents)
        tangents *= batch.weight[:, None]
        score = derivatives.conj() * (batch.weight * batch.gamma)[:, None]
        tangent_score = (tangents @ batch.gamma[:, :, None])[:, :, 0]
        variance = fitted.sigma[index] ** 2
        # NaN where the data do not determine the circle; such a fit is not credible anyway.
        inverse = np.nan_to_num(fitted.covariance[index] / variance[:, None, None])
        return cls(tangents, derivatives, score, tangent_score, linear, inverse, variance[:, None])

    def significant(self) -> BoolArray:
        """Return of every row whether it may have drifted, shape (b,)."""
        steps, smooth = self._step_chi_square(), self._smooth_chi_square()
        return np.asarray(
            (steps > _STEP_LIMITS).any(axis=1) | (smooth > _SMOOTH_LIMITS).any(axis=1)
        )

    def _step_chi_square(self) -> FloatArray:
        """Return that of the best step of reflection, resonance, loss and coupling, (b, 3)."""
        cross, inner = self._inner_products()
        flat = cross.reshape(*cross.shape[:2], -1)
        shifts = (self.inverse_information @ flat).reshape(cross.shape)
        information = inner[:, :5] - np.einsum("bijk,bijk->bjk", shifts, cross)
        identifiable = information > _MIN_SHARE * inner[:, :5]
        absorbed = np.einsum("bi,bijk->bjk", _with_all_tangents(self.tangent_score), shifts)
        score = np.cumsum(_by_quantity(self.score), axis=2) - absorbed
        score = np.where(identifiable, score, 0)
        information = np.where(identifiable, information, 1)
        gain = score * score / information
        mixed = inner[:, 5] - np.einsum("bik,bik->bk", shifts[:, :, 3], cross[:, :, 4])
        mixed = np.where(identifiable[:, 3] & identifiable[:, 4], mixed, 0)
        best = [gain[:, 0] + gain[:, 1], gain[:, 2], _joint_gain(gain, score, information, mixed)]
        return np.stack([one.max(axis=1) for one in best], axis=1) / self.variance

    def _inner_products(self) -> tuple[FloatArray, FloatArray]:
        """Return those of all steps with the tangents and with themselves.

        Returns
        -------
        cross : ndarray, shape (b, 7, 5, k)
            With the tangents, of steps of amplitude, phase, the resonance, loss, coupling.
        inner : ndarray, shape (b, 6, k)
            With themselves, and last that of loss with coupling.
        """
        by_amplitude, by_place, by_width, by_depth = (
            np.cumsum(self.tangents * self.derivatives[:, kind, None], axis=2) for kind in range(4)
        )
        cross = np.empty((len(by_amplitude), 7, 5, by_amplitude.shape[2]))
        steps = (by_amplitude, 1j * by_amplitude, by_place, by_width, by_depth)
        for kind, products in enumerate(steps):
            _with_all_tangents(products, out=cross[:, :, kind])
        linear = self.linear.conj()[:, :, None]
        model = (linear * by_amplitude[:, 3:]).sum(axis=1).real
        depth = (linear[:, 1] * by_depth[:, 4]).real
        inner = [model, model, by_place[:, 0].real, by_width[:, 1].real, depth, by_depth[:, 1].real]
        return cross, np.stack(inner, axis=1)

    def _smooth_chi_square(self) -> FloatArray:
        """Return that of smooth drift of amplitude, of phase, of the resonance, shape (b, 3)."""
        basis = cosine_basis(self.score.shape[2]).T
        squares = (_by_quantity(self.score)[:, :3] @ basis) ** 2
        weight, derivatives = self.tangents[:, 3:4].real, self.derivatives[:, :2]
        expected = (weight * (derivatives.real**2 + derivatives.imag**2)) @ basis**2
        expected = expected * self.variance[:, :, None] + 1e-300
        return np.asarray((squares / expected[:, [0, 0, 1]]).sum(axis=2))


def _derivatives(
    batch: SweepBatch, p: FloatArray, linear: ComplexArray
) -> tuple[ComplexArray, ComplexArray]:
    """Return the reflection's derivatives by drift, (b, 4, k), and the tangents, (b, 5, k)."""
    detuned, drop = linear[:, :1], linear[:, 1:]
    x, by_x0 = detuning(batch, p)
    lorentzian = 1 / (1 + 1j * x)
    slope = (-1j * drop) * lorentzian * lorentzian
    derivatives = np.empty((len(batch), 4, x.shape[1]), dtype=complex)
    np.multiply(slope, by_x0, out=derivatives[:, 1])
    np.multiply(slope, x, out=derivatives[:, 2])
    np.multiply(lorentzian, drop, out=derivatives[:, 3])
    np.add(derivatives[:, 3], detuned, out=derivatives[:, 0])
    tangents = np.empty((len(batch), 5, x.shape[1]), dtype=complex)
    tangents[:, :2], tangents[:, 3], tangents[:, 4] = derivatives[:, 1:3], 1, lorentzian
    np.multiply(derivatives[:, 0], batch.position, out=tangents[:, 2])
    return derivatives, tangents


def _joint_gain(
    gain: FloatArray, score: FloatArray, information: FloatArray, mixed: FloatArray
) -> FloatArray:
    """Return what loss and coupling together take off the sum of squares, shape (b, k).

    Parameters
    ----------
    gain, score, information : ndarray, shape (b, 5, k)
        Of each quantity alone.
    mixed : ndarray, shape (b, k)
        Information of loss with coupling.
    """
    product = information[:, 3] * information[:, 4]
    correlation_squared = mixed * mixed / product
    shared = 2 * mixed * score[:, 3] * score[:, 4] / product
    joint = gain[:, 3] + gain[:, 4] - shared
    joint = joint / np.maximum(1 - correlation_squared, 1 - _MAX_CORRELATION_SQUARED)
    separate = correlation_squared < _MAX_CORRELATION_SQUARED
    return np.where(separate, joint, np.maximum(gain[:, 3], gain[:, 4]))


def _with_all_tangents(products: ComplexArray, out: FloatArray | None = None) -> FloatArray:
    """Return the real inner products with all seven tangents, shape (b, 7, ...)."""
    if out is None:
        out = np.empty((len(products), 7, *products.shape[2:]))
    out[:, :2], out[:, 2] = products[:, :2].real, -products[:, 2].imag
    out[:, 3::2], out[:, 4::2] = products[:, 3:].real, products[:, 3:].imag
    return out


def _by_quantity(score: ComplexArray) -> FloatArray:
    """Return the score of amplitude, phase, the resonance, loss, coupling, shape (b, 5, k)."""
    return np.concatenate([score[:, :1].real, score[:, :1].imag, score[:, 1:].real], axis=1)
