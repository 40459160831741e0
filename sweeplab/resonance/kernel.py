"""Variable-projection least squares of the circle model, for a whole batch at once.

The model (A. P. Gregory, NPL Report MAT 58, 2021; exact detuning) is linear in Gd and B for given
(fL, QL, tau). Golub & Pereyra (SIAM J. Numer. Anal. 10, 413, 1973) eliminate the linear unknowns;
the step of the remaining three is Gauss-Newton's, damped after Levenberg and Marquardt.

Every array has one row a sweep. The three non-linear unknowns are kept dimensionless:

    x0     = (fL - f_mid)/span              place of the resonance in the span
    kappa  = span QL/fL, as its logarithm   half-power bandwidths in the span
    theta  = 2 pi span tau                  phase that the line turns over the span
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sweeplab.sweep import ComplexArray, FloatArray

_MAX_STEPS = 60
_CONVERGED = 1e-9
_LOG_KAPPA_LIMITS = (-4.0, 9.0)
_LONGEST_STEP = np.array([0.25, 0.7, 1.5])
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Rows:
    """A batch of sweeps of one length, with each point's weight.

    Parameters
    ----------
    f_hz : ndarray, shape (b, n)
    gamma : ndarray of complex, shape (b, n)
        Zero where the weight is zero.
    weight : ndarray, shape (b, n)
        One where the point counts, zero where it doesn't.
    """

    f_hz: FloatArray
    gamma: ComplexArray
    weight: FloatArray

    @property
    def f_mid_hz(self) -> FloatArray:
        """Middle of each span, shape (b, 1) [Hz]."""
        return np.asarray((self.f_hz[:, :1] + self.f_hz[:, -1:]) / 2)

    @property
    def span_hz(self) -> FloatArray:
        """Width of each span, shape (b, 1) [Hz]."""
        return np.asarray(self.f_hz[:, -1:] - self.f_hz[:, :1])

    def take(self, index: NDArray[np.intp] | BoolArray) -> Rows:
        """Return the rows at `index`."""
        return Rows(self.f_hz[index], self.gamma[index], self.weight[index])


@dataclass(frozen=True, eq=False)
class Solution:
    """Where the batch's fits ended.

    Parameters
    ----------
    p : ndarray, shape (b, 3)
        (x0, ln kappa, theta).
    linear : ndarray of complex, shape (b, 2)
        (Gd, B).
    rss : ndarray, shape (b,)
        Weighted sum of abs(residual)**2.
    converged : ndarray of bool, shape (b,)
    """

    p: FloatArray
    linear: ComplexArray
    rss: FloatArray
    converged: BoolArray

    def better_of(self, other: Solution) -> Solution:
        """Return, row by row, the solution with the smaller residual."""
        mine = self.rss <= other.rss
        return Solution(
            np.where(mine[:, None], self.p, other.p),
            np.where(mine[:, None], self.linear, other.linear),
            np.where(mine, self.rss, other.rss),
            np.where(mine, self.converged, other.converged),
        )

    def put(self, index: NDArray[np.intp], other: Solution) -> Solution:
        """Return a copy with the rows at `index` replaced by `other`'s."""
        p, linear = self.p.copy(), self.linear.copy()
        rss, converged = self.rss.copy(), self.converged.copy()
        p[index], linear[index] = other.p, other.linear
        rss[index], converged[index] = other.rss, other.converged
        return Solution(p, linear, rss, converged)


@dataclass(frozen=True, eq=False)
class _Point:
    """The model and its projected derivatives at one p."""

    linear: ComplexArray
    rss: FloatArray
    residual: ComplexArray
    jacobian: ComplexArray


def lorentz(rows: Rows, p: FloatArray) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
    """Return ``L = 1/(1 + j QL t)`` and its derivatives by x0 and by ln kappa, each (b, n)."""
    span = rows.span_hz
    f_loaded = rows.f_mid_hz + p[:, :1] * span
    kappa = np.exp(p[:, 1:2])
    q = kappa * f_loaded / span
    ratio = rows.f_hz / f_loaded
    t = ratio - 1 / ratio
    shape = 1 / (1 + 1j * q * t)
    by_log_kappa = -1j * q * t * shape * shape
    # fL moves with x0, and QL with fL at constant kappa.
    by_x0 = 1j * shape * shape * ((ratio + 1 / ratio) * kappa - kappa * t)
    return np.asarray(shape), np.asarray(by_x0), np.asarray(by_log_kappa)


def turned(rows: Rows, theta: FloatArray) -> ComplexArray:
    """Return the data with the line's phase taken off, shape (b, n)."""
    u = (rows.f_hz - rows.f_mid_hz) / rows.span_hz
    return np.asarray(rows.gamma * np.exp(1j * theta[:, None] * u))


def _evaluate(rows: Rows, p: FloatArray, with_jacobian: bool = True) -> _Point:
    w = rows.weight
    shape, by_x0, by_log_kappa = lorentz(rows, p)
    y = turned(rows, p[:, 2])
    total = w.sum(axis=1, keepdims=True)
    mean_shape = (w * shape).sum(axis=1, keepdims=True) / total
    mean_y = (w * y).sum(axis=1, keepdims=True) / total
    basis = w * (shape - mean_shape)
    norm = np.maximum((np.abs(basis) ** 2).sum(axis=1, keepdims=True), 1e-300)
    drop = (basis.conj() * y).sum(axis=1, keepdims=True) / norm
    detuned = mean_y - drop * mean_shape
    residual = w * (y - detuned - drop * shape)
    linear = np.concatenate([detuned, drop], axis=1)
    rss = (np.abs(residual) ** 2).sum(axis=1)
    if not with_jacobian:
        return _Point(linear, rss, residual, np.empty((0, 0, 0), complex))
    u = (rows.f_hz - rows.f_mid_hz) / rows.span_hz
    columns = np.stack(
        [-drop * by_x0, -drop * by_log_kappa, 1j * u * (detuned + drop * shape)], axis=1
    )
    columns *= w[:, None, :]
    columns -= w[:, None, :] * (columns.sum(axis=2, keepdims=True) / total[:, None])
    along = (basis.conj()[:, None, :] * columns).sum(axis=2, keepdims=True) / norm[:, None]
    columns -= along * basis[:, None, :]
    return _Point(linear, rss, residual, columns)


def _normal_equations(point: _Point, free: FloatArray) -> tuple[FloatArray, FloatArray]:
    jacobian = point.jacobian * free[:, :, None]
    stacked = np.concatenate([jacobian.real, jacobian.imag], axis=2)
    residual = np.concatenate([point.residual.real, point.residual.imag], axis=1)
    hessian = stacked @ stacked.transpose(0, 2, 1)
    gradient = (stacked @ residual[:, :, None])[:, :, 0]
    return hessian, gradient


def solve(rows: Rows, start: FloatArray, delay_free: BoolArray) -> Solution:
    """Fit every row from its own start.

    Parameters
    ----------
    rows : Rows
    start : ndarray, shape (b, 3)
        (x0, ln kappa, theta).
    delay_free : ndarray of bool, shape (b,)
        Whether theta may move.

    Returns
    -------
    Solution
        Always finite; `converged` is False where the step count ran out.
    """
    p = start.copy()
    free = np.ones_like(p)
    free[:, 2] = delay_free
    damping = np.full(len(p), 1e-4)
    done = np.zeros(len(p), dtype=bool)
    rss = np.full(len(p), np.inf)
    linear = np.zeros((len(p), 2), dtype=complex)
    active = np.arange(len(p))
    for _ in range(_MAX_STEPS):
        part = rows.take(active)
        here = _evaluate(part, p[active])
        rss[active], linear[active] = here.rss, here.linear
        step = _damped_step(here, free[active], damping[active])
        trial = p[active] + step
        trial[:, 0] = np.clip(trial[:, 0], -1.5, 1.5)
        trial[:, 1] = np.clip(trial[:, 1], *_LOG_KAPPA_LIMITS)
        there = _evaluate(part, trial, with_jacobian=False)
        gained = there.rss <= here.rss
        moved = active[gained]
        p[moved], rss[moved], linear[moved] = trial[gained], there.rss[gained], there.linear[gained]
        damping[active] = np.where(gained, damping[active] / 10, damping[active] * 10)
        small = np.abs(step).max(axis=1) < _CONVERGED * (1 + np.abs(trial).max(axis=1))
        flat = gained & (here.rss - there.rss <= 1e-13 * here.rss)
        stuck = damping[active] > 1e12
        done[active] = small | flat | stuck
        active = active[~done[active]]
        if active.size == 0:
            break
    return Solution(p, linear, rss, done)


def _damped_step(point: _Point, free: FloatArray, damping: FloatArray) -> FloatArray:
    hessian, gradient = _normal_equations(point, free)
    diagonal = np.einsum("bii->bi", hessian)
    # A floor keeps a frozen or unseen unknown from making the system singular.
    floor = 1e-14 * diagonal.max(axis=1, keepdims=True) + 1e-300
    lifted = diagonal * damping[:, None] + floor
    hessian[:, range(3), range(3)] += lifted
    step = -np.linalg.solve(hessian, gradient[:, :, None])[:, :, 0]
    return np.asarray(np.clip(step, -_LONGEST_STEP, _LONGEST_STEP) * free)


def residuals(rows: Rows, solution: Solution) -> ComplexArray:
    """Return data minus model in the turned frame, unweighted, shape (b, n)."""
    shape, _, _ = lorentz(rows, solution.p)
    model = solution.linear[:, :1] + solution.linear[:, 1:] * shape
    return np.asarray(turned(rows, solution.p[:, 2]) - model)


def information(rows: Rows, solution: Solution) -> FloatArray:
    """Return the Fisher information for unit noise variance per quadrature, shape (b, 7, 7).

    Order: (x0, ln kappa, theta, Re Gd, Im Gd, Re B, Im B).
    """
    shape, by_x0, by_log_kappa = lorentz(rows, solution.p)
    detuned, drop = solution.linear[:, :1], solution.linear[:, 1:]
    u = (rows.f_hz - rows.f_mid_hz) / rows.span_hz
    one = np.ones_like(shape)
    columns = np.stack(
        [drop * by_x0, drop * by_log_kappa, -1j * u * (detuned + drop * shape),
         one, 1j * one, shape, 1j * shape], axis=1,
    )  # fmt: skip
    columns *= rows.weight[:, None, :]
    stacked = np.concatenate([columns.real, columns.imag], axis=2)
    return np.asarray(stacked @ stacked.transpose(0, 2, 1))
