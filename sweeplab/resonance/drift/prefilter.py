"""A quick look for movement at a whole batch of fits: which rows are worth the thorough one.

The same score tests as in `sweeplab.resonance.drift.score`, on neighbours averaged: for a step of
every kind at every place; for courses as if the circle's unknowns took up nothing of them, which
the limit makes good.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sweeplab.finding import Threshold
from sweeplab.resonance.circle.batch import BoolArray, IndexArray, SweepBatch
from sweeplab.resonance.circle.fit import BatchFit
from sweeplab.resonance.circle.varpro import detuning
from sweeplab.resonance.drift.score import courses_over
from sweeplab.sweep import ComplexArray, FloatArray

# Places that are looked at, and how many of them a half-power bandwidth holds at least.
_PLACES, _IN_BANDWIDTH = 32, 6
# What is looked at together stays in a processor's cache.
_AT_ONCE_PLACES = 2**12
# Chi-square of a step of the reflection, of the resonance, of loss and coupling; of courses of
# amplitude, of phase, of the resonance. One to five still sweeps in a thousand pass, and seven in a
# thousand of the movements that the thorough look would notice are lost (25 to 401 points, 24,000
# and 10,000 draws).
_REFLECTION_STEP: Threshold = 21.0
_RESONANCE_STEP: Threshold = 17.5
_LOSS_STEP: Threshold = 20.5
_AMPLITUDE_COURSE: Threshold = 39.0
_PHASE_COURSE: Threshold = 39.0
_RESONANCE_COURSE: Threshold = 48.0
_STEP = np.array([_REFLECTION_STEP, _RESONANCE_STEP, _LOSS_STEP])
_COURSE = np.array([_AMPLITUDE_COURSE, _PHASE_COURSE, _RESONANCE_COURSE])
# A step that the circle's unknowns take up but for this share is not told by averages.
_UNSEEN: Threshold = 0.02
# Changes of loss and of coupling that have this much in common are not told apart either.
_ALIKE: Threshold = 0.98


def may_have_drifted(fitted: BatchFit) -> BoolArray:
    """Return in which rows something may have moved, shape (b,)."""
    points = fitted.batch.position.shape[1]
    in_bandwidth = points * np.exp(-np.clip(fitted.fit.p[:, 1], 0, 30))
    width = np.minimum(points / _PLACES, in_bandwidth / _IN_BANDWIDTH)
    width = np.maximum(width, 1).astype(int)
    found = np.zeros(len(fitted.batch), dtype=bool)
    for own in sorted(set(width.tolist())):
        index = np.flatnonzero(width == own)
        some = max(1, _AT_ONCE_PLACES * own // points)
        for first in range(0, index.size, some):
            piece = index[first : first + some]
            found[piece] = _BatchScore.at(fitted, piece, own).sees_movement()
    return found


@dataclass(frozen=True, eq=False)
class _BatchScore:
    """A few rows' circles and what they leave, neighbours averaged.

    Parameters
    ----------
    tangents : ndarray of complex, shape (b, 5, k)
        Weighed and conjugate: the model's slopes by x0 and by ln kappa, the model times u, one,
        and the resonance's shape. With those turned by 90 degrees they are the circle's tangents.
    moved : ndarray of complex, shape (b, 4, k)
        What amplitude, the resonance, loss and coupling change: the model, its slopes by x0 and
        by ln kappa, and the resonance's own part. The first turned by 90 degrees is phase's.
    score : ndarray of complex, shape (b, 4, k)
        The latter, conjugate, times what the circle leaves.
    left : ndarray of complex, shape (b, 5)
        Inner products of the tangents with what the circle leaves: averages bring in a little.
    linear : ndarray of complex, shape (b, 2)
        (Gd, B).
    inverse : ndarray, shape (b, 7, 7)
        Of the tangents' real inner products; zero where one was not fitted.
    variance : ndarray, shape (b, 1)
        Of the noise, a quadrature.
    """

    tangents: ComplexArray
    moved: ComplexArray
    score: ComplexArray
    left: ComplexArray
    linear: ComplexArray
    inverse: FloatArray
    variance: FloatArray

    @classmethod
    def at(cls, fitted: BatchFit, index: IndexArray, width: int) -> _BatchScore:
        """Return the look at some rows, `width` points averaged."""
        own = fitted.batch
        rest = SweepBatch(
            own.position[index], own.f_mid_hz[index], own.span_hz[index],
            fitted.residual[index], own.weight[index],
        )  # fmt: skip
        rows = rest.binned(-(-rest.position.shape[1] // width))
        linear = fitted.fit.linear[index]
        detuned, drop = linear[:, :1], linear[:, 1:]
        x, by_x0 = detuning(rows, fitted.fit.p[index])
        shape = 1 / (1 + 1j * x)
        slope = (-1j * drop) * shape * shape
        moved = np.empty((len(rows), 4, x.shape[1]), dtype=complex)
        np.multiply(slope, by_x0, out=moved[:, 1])
        np.multiply(slope, x, out=moved[:, 2])
        np.multiply(shape, drop, out=moved[:, 3])
        np.add(moved[:, 3], detuned, out=moved[:, 0])
        tangents = np.empty((len(rows), 5, x.shape[1]), dtype=complex)
        tangents[:, :2], tangents[:, 3], tangents[:, 4] = moved[:, 1:3], 1, shape
        np.multiply(moved[:, 0], rows.position, out=tangents[:, 2])
        np.conjugate(tangents, out=tangents)
        tangents *= rows.weight[:, None]
        score = moved.conj() * (rows.weight * rows.gamma)[:, None]
        left = (tangents @ rows.gamma[:, :, None])[:, :, 0]
        variance = fitted.sigma[index] ** 2
        inverse = fitted.covariance[index] / variance[:, None, None]
        # What is not determined is not credible either.
        inverse = np.nan_to_num(inverse)
        return cls(tangents, moved, score, left, linear, inverse, variance[:, None])

    def sees_movement(self) -> BoolArray:
        """Say of every row whether anything may have moved, shape (b,)."""
        steps, courses = self._steps(), self._courses()
        return np.asarray((steps > _STEP).any(axis=1) | (courses > _COURSE).any(axis=1))

    def _steps(self) -> FloatArray:
        """Return the chi-square of the likeliest step: of the reflection, the resonance, loss."""
        cross, inner = self._inner_products()
        flat = cross.reshape(*cross.shape[:2], -1)
        pulled = (self.inverse @ flat).reshape(cross.shape)
        seen = inner[:, :5] - np.einsum("bijk,bijk->bjk", pulled, cross)
        told = seen > _UNSEEN * inner[:, :5]
        left = np.einsum("bi,bijk->bjk", _along(self.left), pulled)
        score = np.where(told, np.cumsum(_parts(self.score), axis=2) - left, 0)
        seen = np.where(told, seen, 1)
        gain = score * score / seen
        both = inner[:, 5] - np.einsum("bik,bik->bk", pulled[:, :, 3], cross[:, :, 4])
        both = np.where(told[:, 3] & told[:, 4], both, 0)
        best = [gain[:, 0] + gain[:, 1], gain[:, 2], _together(gain, score, seen, both)]
        return np.stack([one.max(axis=1) for one in best], axis=1) / self.variance

    def _inner_products(self) -> tuple[FloatArray, FloatArray]:
        """Return those of steps at every place with the tangents and with themselves.

        Of amplitude, phase, the resonance, loss, coupling: shape (b, 7, 5, k); and (b, 6, k), the
        last that of loss with coupling.
        """
        by_size, by_place, by_width, by_depth = (
            np.cumsum(self.tangents * self.moved[:, kind, None], axis=2) for kind in range(4)
        )
        cross = np.empty((len(by_size), 7, 5, by_size.shape[2]))
        for kind, along in enumerate((by_size, 1j * by_size, by_place, by_width, by_depth)):
            _along(along, out=cross[:, :, kind])
        of_linear = self.linear.conj()[:, :, None]
        model = (of_linear * by_size[:, 3:]).sum(axis=1).real
        depth = (of_linear[:, 1] * by_depth[:, 4]).real
        inner = [model, model, by_place[:, 0].real, by_width[:, 1].real, depth, by_depth[:, 1].real]
        return cross, np.stack(inner, axis=1)

    def _courses(self) -> FloatArray:
        """Return the chi-square of all courses together: amplitude's, phase's, the resonance's."""
        courses = courses_over(self.score.shape[2]).T
        seen = (_parts(self.score)[:, :3] @ courses) ** 2
        weight, moved = self.tangents[:, 3:4].real, self.moved[:, :2]
        expected = (weight * (moved.real**2 + moved.imag**2)) @ courses**2
        expected = expected * self.variance[:, :, None] + 1e-300
        return np.asarray((seen / expected[:, [0, 0, 1]]).sum(axis=2))


def _together(
    gain: FloatArray, score: FloatArray, seen: FloatArray, both: FloatArray
) -> FloatArray:
    """Return the squares that loss and coupling gain together, which have `both` in common."""
    alike = both * both / (seen[:, 3] * seen[:, 4])
    shared = 2 * both * score[:, 3] * score[:, 4] / (seen[:, 3] * seen[:, 4])
    apart = (gain[:, 3] + gain[:, 4] - shared) / np.maximum(1 - alike, 1 - _ALIKE)
    return np.where(alike < _ALIKE, apart, np.maximum(gain[:, 3], gain[:, 4]))


def _along(products: ComplexArray, out: FloatArray | None = None) -> FloatArray:
    """Return the real inner products with all seven tangents, shape (b, 7, ...)."""
    if out is None:
        out = np.empty((len(products), 7, *products.shape[2:]))
    out[:, :2], out[:, 2] = products[:, :2].real, -products[:, 2].imag
    out[:, 3::2], out[:, 4::2] = products[:, 3:].real, products[:, 3:].imag
    return out


def _parts(score: ComplexArray) -> FloatArray:
    """Return what amplitude, phase, the resonance, loss, coupling have of it, shape (b, 5, k)."""
    return np.concatenate([score[:, :1].real, score[:, :1].imag, score[:, 1:].real], axis=1)
