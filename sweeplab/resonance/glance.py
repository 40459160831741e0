"""A quick look for movement at a whole batch of fits: which rows are worth the thorough one.

The same score tests as in `sweeplab.resonance.moves`, on neighbours averaged: for a step of
amplitude, of phase or of the resonance at every place; for courses as if the circle's unknowns
took up nothing of them, which the threshold makes good.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sweeplab.resonance.fit import Fitted
from sweeplab.resonance.kernel import lorentz
from sweeplab.resonance.moves import courses_over
from sweeplab.resonance.rows import BoolArray, IndexArray, Rows
from sweeplab.sweep import ComplexArray, FloatArray

# Places that are looked at, and how many of them a half-power bandwidth holds at least.
_PLACES, _IN_BANDWIDTH = 32, 6
# What is looked at together stays in a processor's cache.
_AT_ONCE_PLACES = 2**12
# Chi-square of a step of the reflection and of the resonance; of courses of amplitude, of phase and
# of the resonance. Two to seven still sweeps in a thousand pass, and two in a hundred of the
# movements that the thorough look would notice are lost (51 to 801 points, 15,000 and 6,000 draws).
_STEP = np.array([21.0, 18.5])
_COURSE = np.array([39.0, 39.0, 48.0])
# A step that the circle's unknowns take up but for this share is not told by averages.
_UNSEEN = 0.02


def may_have_moved(fitted: Fitted) -> BoolArray:
    """Return in which rows something may have moved, shape (b,)."""
    points = fitted.rows.u.shape[1]
    in_bandwidth = points * np.exp(-np.clip(fitted.solution.p[:, 1], 0, 30))
    width = np.minimum(points / _PLACES, in_bandwidth / _IN_BANDWIDTH)
    width = np.maximum(width, 1).astype(int)
    found = np.zeros(len(fitted.rows), dtype=bool)
    for own in sorted(set(width.tolist())):
        index = np.flatnonzero(width == own)
        some = max(1, _AT_ONCE_PLACES * own // points)
        for first in range(0, index.size, some):
            piece = index[first : first + some]
            found[piece] = _Look.at(fitted, piece, own).sees_movement()
    return found


@dataclass(frozen=True, eq=False)
class _Look:
    """A few rows' circles and what they leave, neighbours averaged.

    Parameters
    ----------
    tangents : ndarray of complex, shape (b, 5, k)
        Weighed and conjugate: the model's slopes by x0 and by ln kappa, the model times u, one,
        and the resonance's shape. With those turned by 90 degrees they are the circle's tangents.
    moved : ndarray of complex, shape (b, 2, k)
        What amplitude and the resonance change: the model, and its slope by x0.
    score : ndarray of complex, shape (b, 2, k)
        The latter, conjugate, times what the circle leaves.
    """

    tangents: ComplexArray
    moved: ComplexArray
    score: ComplexArray
    linear: ComplexArray
    inverse: FloatArray
    variance: FloatArray

    @classmethod
    def at(cls, fitted: Fitted, index: IndexArray, width: int) -> _Look:
        """Return the look at some rows, `width` points averaged."""
        own = fitted.rows
        rest = Rows(
            own.u[index], own.f_mid_hz[index], own.span_hz[index],
            fitted.misfit[index], own.weight[index],
        )  # fmt: skip
        rows = rest.binned(-(-rest.u.shape[1] // width))
        linear = fitted.solution.linear[index]
        detuned, drop = linear[:, :1], linear[:, 1:]
        x, by_x0 = lorentz(rows, fitted.solution.p[index])
        shape = 1 / (1 + 1j * x)
        slope = (-1j * drop) * shape * shape
        moved = np.empty((len(rows), 2, x.shape[1]), dtype=complex)
        moved[:, 0] = detuned + drop * shape
        np.multiply(slope, by_x0, out=moved[:, 1])
        tangents = np.empty((len(rows), 5, x.shape[1]), dtype=complex)
        tangents[:, 0], tangents[:, 3], tangents[:, 4] = moved[:, 1], 1, shape
        np.multiply(slope, x, out=tangents[:, 1])
        np.multiply(moved[:, 0], rows.u, out=tangents[:, 2])
        np.conjugate(tangents, out=tangents)
        tangents *= rows.weight[:, None]
        score = moved.conj() * (rows.weight * rows.gamma)[:, None]
        variance = fitted.sigma[index] ** 2
        inverse = fitted.covariance[index] / variance[:, None, None]
        # What is not determined is not credible either.
        return cls(tangents, moved, score, linear, np.nan_to_num(inverse), variance[:, None])

    def sees_movement(self) -> BoolArray:
        """Say of every row whether anything may have moved, shape (b,)."""
        steps, courses = self._steps(), self._courses()
        return np.asarray((steps > _STEP).any(axis=1) | (courses > _COURSE).any(axis=1))

    def _steps(self) -> FloatArray:
        """Return the chi-square of the likeliest step, of the reflection and of the resonance."""
        cross, power = self._inner_products()
        flat = cross.reshape(*cross.shape[:2], -1)
        hidden = np.einsum("bix,bix->bx", self.inverse @ flat, flat).reshape(power.shape)
        seen = power - hidden
        told = seen > _UNSEEN * power
        score = np.cumsum(_parts(self.score), axis=2)
        gain = np.where(told, score * score / np.where(told, seen, 1), 0)
        reflection, resonance = (gain[:, 0] + gain[:, 1]).max(axis=1), gain[:, 2].max(axis=1)
        return np.stack([reflection, resonance], axis=1) / self.variance

    def _inner_products(self) -> tuple[FloatArray, FloatArray]:
        """Return those of steps at every place with the tangents and with themselves.

        Of amplitude, of phase, of the resonance: shapes (b, 7, 3, k) and (b, 3, k).
        """
        by_size = np.cumsum(self.tangents * self.moved[:, :1], axis=2)
        by_place = np.cumsum(self.tangents * self.moved[:, 1:], axis=2)
        cross = np.empty((len(by_size), 7, 3, by_size.shape[2]))
        for kind, along in enumerate((by_size, 1j * by_size, by_place)):
            cross[:, :2, kind] = along[:, :2].real
            cross[:, 2, kind] = -along[:, 2].imag
            cross[:, 3::2, kind], cross[:, 4::2, kind] = along[:, 3:].real, along[:, 3:].imag
        model = (self.linear.conj()[:, :, None] * by_size[:, 3:]).sum(axis=1).real
        return cross, np.stack([model, model, by_place[:, 0].real], axis=1)

    def _courses(self) -> FloatArray:
        """Return the chi-square of all courses together: amplitude's, phase's, the resonance's."""
        courses = courses_over(self.score.shape[2]).T
        seen = (_parts(self.score) @ courses) ** 2
        weight = self.tangents[:, 3:4].real
        expected = (weight * (self.moved.real**2 + self.moved.imag**2)) @ courses**2
        expected = expected * self.variance[:, :, None] + 1e-300
        return np.asarray((seen / expected[:, [0, 0, 1]]).sum(axis=2))


def _parts(score: ComplexArray) -> FloatArray:
    """Return what amplitude, phase and the resonance have of the score, shape (b, 3, k)."""
    return np.stack([score[:, 0].real, score[:, 0].imag, score[:, 1].real], axis=1)
