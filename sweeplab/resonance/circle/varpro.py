"""Variable-projection least squares of the circle model, for a whole batch at once.

The model (A. P. Gregory, NPL Report MAT 58, 2021; exact detuning) is linear in Gd and B for given
(fL, QL, tau). Golub & Pereyra (SIAM J. Numer. Anal. 10, 413, 1973) eliminate the linear unknowns;
the step of the remaining three is Gauss-Newton's, damped after Levenberg and Marquardt. A step
needs only the inner products of six vectors per row, so it costs one small matrix product.

Every array has one row per sweep. The three nonlinear unknowns are dimensionless:

    x0     = (fL - f_mid)/span              position of the resonance in the span
    kappa  = span QL/fL, as its logarithm   half-power bandwidths in the span
    theta  = 2 pi span tau                  phase of the line's delay over the span
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sweeplab.resonance.circle.batch import CircleFit, SweepBatch
from sweeplab.sweep import BoolArray, ComplexArray, FloatArray, IndexArray

_MAX_STEPS = 14
# A step well within the noise's uncertainty is the last and is taken without evaluating its end:
# the error it leaves goes with its square, and may reach this many standard deviations.
_ACCURACY = 0.005
# After so many iterations a step that gains less chi-square follows noise along a flat minimum.
_PATIENCE, _MIN_PROGRESS = 6, 0.01
# Less damping than this does not shorten a step that overshot.
_MIN_RAISED_DAMPING = 1e-3
_LOWEST, _HIGHEST = np.array([-1.5, -3.0, -np.inf]), np.array([1.5, 15.0, np.inf])
_LONGEST_STEP = np.array([0.25, 0.7, 1.5])
# Products of more points than this would not fit in a processor's cache.
_CHUNK_POINTS = 2**13
# Rounding of a residual sum of squares from inner products, relative to the data's own.
_ROUNDING = 1e-14


def detuning(batch: SweepBatch, p: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return detuning ``x = QL t`` and its derivative by x0, each of shape (b, n)."""
    f_loaded = batch.f_mid_hz + p[:, 0] * batch.span_hz
    kappa = np.exp(p[:, 1])[:, None]
    ratio = (batch.f_mid_hz / f_loaded)[:, None] + (batch.span_hz / f_loaded)[
        :, None
    ] * batch.position
    inverse = 1 / ratio
    t = ratio - inverse
    q = kappa * (f_loaded / batch.span_hz)[:, None]
    # fL moves with x0, and QL with fL at constant kappa.
    return q * t, kappa * (t - ratio - inverse)


def _derotated_parts(batch: SweepBatch, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
    re, im = batch.gamma.real, batch.gamma.imag
    if not np.any(theta):
        return re, im
    angle = theta[:, None] * batch.position
    cosine, sine = np.cos(angle), np.sin(angle)
    return re * cosine - im * sine, re * sine + im * cosine


def derotated(batch: SweepBatch, theta: FloatArray) -> ComplexArray:
    """Return the data with the line's phase removed, shape (b, n)."""
    return _from_parts(*_derotated_parts(batch, theta))


def _from_parts(re: FloatArray, im: FloatArray) -> ComplexArray:
    joined = np.empty(re.shape, dtype=complex)
    joined.real, joined.imag = re, im
    return joined


def _products(batch: SweepBatch, p: FloatArray) -> ComplexArray:
    """Return the inner products of (1, L, dL/dx0, dL/dln kappa, u y, y), shape (b, 6, 6)."""
    points = batch.position.shape[1]
    chunk_rows = min(len(batch), max(1, _CHUNK_POINTS // points))
    workspace = np.empty((chunk_rows, 12, points))
    products = np.empty((len(batch), 6, 6), dtype=complex)
    for first in range(0, len(batch), chunk_rows):
        chunk = slice(first, first + chunk_rows)
        part = batch if chunk_rows == len(batch) else batch.take(chunk)
        _fill_products(workspace[: len(part)], part, p[chunk], products[chunk])
    return products


def _fill_products(
    parts: FloatArray, batch: SweepBatch, p: FloatArray, products: ComplexArray
) -> None:
    """Fill `products` for a few rows; `parts` is the workspace, shape (b, 12, n)."""
    x, by_x0 = detuning(batch, p)
    power = 1 / (1 + x * x)
    # Real parts first, then imaginary parts: one real product is cheaper than a complex one.
    parts[:, 0], parts[:, 6] = 1, 0
    parts[:, 1], parts[:, 7] = power, -x * power
    # dL/dx = -j L^2, with L^2 = (1 - x^2 - 2jx)/(1 + x^2)^2.
    square = power * power
    slope = -2 * x * square, (x * x - 1) * square
    np.multiply(slope[0], by_x0, out=parts[:, 2])
    np.multiply(slope[1], by_x0, out=parts[:, 8])
    np.multiply(slope[0], x, out=parts[:, 3])
    np.multiply(slope[1], x, out=parts[:, 9])
    y = _derotated_parts(batch, p[:, 2])
    np.multiply(batch.position, y[0], out=parts[:, 4])
    np.multiply(batch.position, y[1], out=parts[:, 10])
    parts[:, 5], parts[:, 11] = y
    left = parts if batch.unweighted else parts * batch.weight[:, None, :]
    real = left @ parts.transpose(0, 2, 1)
    products.real = real[:, :6, :6] + real[:, 6:, 6:]
    products.imag = real[:, :6, 6:] - real[:, 6:, :6]


@dataclass(frozen=True, eq=False)
class _Point:
    """The model at one p: its linear unknowns, its residual, and the products a step needs."""

    linear: ComplexArray
    rss: FloatArray
    scale: FloatArray
    products: ComplexArray

    def take(self, index: BoolArray) -> _Point:
        return _Point(self.linear[index], self.rss[index], self.scale[index], self.products[index])


def _evaluate(batch: SweepBatch, p: FloatArray) -> _Point:
    g = _products(batch, p)
    total, sum_l, norm_l = g[:, 0, 0].real, g[:, 0, 1], g[:, 1, 1].real
    sum_y, along_l = g[:, 0, 5], g[:, 1, 5]
    spread = np.maximum(norm_l - np.abs(sum_l) ** 2 / total, 1e-300)
    drop = (along_l - sum_l.conj() * sum_y / total) / spread
    detuned = (sum_y - sum_l * drop) / total
    scale = g[:, 5, 5].real
    rss = scale - (detuned.conj() * sum_y + drop.conj() * along_l).real
    return _Point(np.stack([detuned, drop], axis=1), np.maximum(rss, 0), scale, g)


def _coefficients(linear: ComplexArray) -> ComplexArray:
    """Return what each of (x0, ln kappa, theta) multiplies in the model, shape (b, 3)."""
    drop = linear[:, 1]
    return np.stack([drop, drop, np.full_like(drop, -1j)], axis=1)


def projected_normal_equations(
    products: ComplexArray, linear: ComplexArray, coefficients: ComplexArray
) -> tuple[FloatArray, FloatArray]:
    """Return a step's normal equations with the two linear unknowns projected out.

    The functional of Golub & Pereyra (SIAM J. Numer. Anal. 10, 413, 1973), the derivative of the
    projector simplified after L. Kaufman (BIT 15, 49, 1975, memory).

    Parameters
    ----------
    products : ndarray, shape (b, 3 + k, 3 + k)
        Inner products of the two linear unknowns' vectors, k derivatives' vectors, and the data.
    linear : ndarray, shape (b, 2)
        The linear unknowns.
    coefficients : ndarray, shape (b, k)
        Factor of each derivative's vector in the model.

    Returns
    -------
    normal : ndarray, shape (b, k, k)
    right : ndarray, shape (b, k)
    """
    inner, cross = products[:, 2:-1, 2:-1], products[:, 2:-1, 0:2]
    projected = inner - cross @ _plane_inverse(products) @ cross.conj().transpose(0, 2, 1)
    c = coefficients
    # Where the shape almost vanishes its linear unknown is unbounded: that row takes no step.
    with np.errstate(over="ignore", invalid="ignore"):
        normal = (c.conj()[:, :, None] * c[:, None, :] * projected).real
    residual = products[:, 2:-1, -1] - (cross @ linear[:, :, None])[:, :, 0]
    return normal, (c.conj() * residual).real


def _plane_inverse(products: ComplexArray) -> ComplexArray:
    """Invert the inner products of the two linear unknowns' vectors, shape (b, 2, 2)."""
    plane = products[:, 0:2, 0:2]
    determinant = (plane[:, 0, 0] * plane[:, 1, 1]).real - np.abs(plane[:, 0, 1]) ** 2
    inverse = np.empty_like(plane)
    inverse[:, 0, 0], inverse[:, 1, 1] = plane[:, 1, 1], plane[:, 0, 0]
    inverse[:, 0, 1], inverse[:, 1, 0] = -plane[:, 0, 1], -plane[:, 1, 0]
    inverse /= np.maximum(determinant, 1e-300)[:, None, None]
    return inverse


# A trial far out may overflow; what is not finite is no gain there.
@np.errstate(over="ignore", invalid="ignore")
def solve(
    batch: SweepBatch,
    start: FloatArray,
    delay_free: BoolArray,
    steps: int = _MAX_STEPS,
    accuracy: float = _ACCURACY,
) -> CircleFit:
    """Fit every row from its own start, by variable projection (Golub & Pereyra 1973).

    Parameters
    ----------
    batch : SweepBatch
    start : ndarray, shape (b, 3)
        (x0, ln kappa, theta).
    delay_free : ndarray of bool, shape (b,)
        Whether theta may move.
    steps : int
        Limit on the number of steps.
    accuracy : float
        Largest distance from the minimum at the end, in standard deviations.

    Returns
    -------
    CircleFit
        The best point reached; always finite.
    """
    search = _Search.begin(batch, start, delay_free)
    for iteration in range(steps):
        step, gain = search.proposed_steps()
        step = search.take_last_steps(step, gain, accuracy)
        if search.active.size:
            search.advance(step, patient=iteration < _PATIENCE)
        if not search.active.size:
            break
    rss = np.maximum(search.rss, 0)
    return CircleFit(search.p, search.linear, rss, _information(search.products, search.linear))


@dataclass(eq=False)
class _Search:
    """State of the damped iteration: the best point of every row, and the rows not converged.

    Parameters
    ----------
    p, linear, rss, products : ndarray, first axis b
        Of every row, as `CircleFit` and `_products` have them.
    free : ndarray, shape (b, 3)
        One for a fitted unknown, else zero.
    damping : ndarray, shape (b,)
    active : ndarray of int, shape (a,)
        The rows that have not converged.
    batch : SweepBatch
        The active rows' data.
    current : _Point
        The active rows' current point.
    """

    p: FloatArray
    linear: ComplexArray
    rss: FloatArray
    products: ComplexArray
    free: FloatArray
    damping: FloatArray
    active: IndexArray
    batch: SweepBatch
    current: _Point

    @classmethod
    def begin(cls, batch: SweepBatch, start: FloatArray, delay_free: BoolArray) -> _Search:
        """Return the search at its start."""
        p = np.array(start)
        free = np.ones_like(p)
        free[:, 2] = delay_free
        current = _evaluate(batch, p)
        best = current.linear.copy(), current.rss.copy(), current.products.copy()
        return cls(p, *best, free, np.full(len(p), 1e-6), np.arange(len(p)), batch, current)

    def proposed_steps(self) -> tuple[FloatArray, FloatArray]:
        """Return the active rows' steps, shape (a, 3), and the decrease in rss each predicts."""
        return _damped_step(self.current, self.free[self.active], self.damping[self.active])

    def take_last_steps(self, step: FloatArray, gain: FloatArray, accuracy: float) -> FloatArray:
        """Take the last step of the rows that have converged; return the steps of the others."""
        damping = self.damping[self.active]
        gains = 2 * gain * self.batch.weight.sum(axis=1)
        last = _has_converged(self.p[self.active], step, gains, self.current.rss, accuracy)
        # A step may also be short because it is damped, not because the minimum is near.
        last &= damping < 1e-3
        if last.any():
            ended = self.active[last]
            self.p[ended] += step[last]
            self.linear[ended] += _linear_response(self.current.take(last), step[last])
            self.rss[ended] -= gain[last]
        # Damping alone can make a step small: then only a huge damping ends the search.
        continuing = ~last & (damping <= 1e8)
        self._restrict(continuing)
        return step[continuing]

    def advance(self, step: FloatArray, patient: bool) -> None:
        """Evaluate the steps, accept those that lower the rss, and drop rows that are lost."""
        active, current = self.active, self.current
        p = np.minimum(np.maximum(self.p[active] + step, _LOWEST), _HIGHEST)
        trial = _evaluate(self.batch, p)
        gained = trial.rss <= current.rss + _ROUNDING * current.scale
        moved = active[gained]
        self.p[moved], self.linear[moved] = p[gained], trial.linear[gained]
        self.rss[moved], self.products[moved] = trial.rss[gained], trial.products[gained]
        damping = self.damping[active]
        self.damping[active] = np.where(
            gained, damping / 10, np.maximum(damping * 30, _MIN_RAISED_DAMPING)
        )
        continuing = ~_out_of_bounds(p)
        if not patient:
            gains = 2 * (current.rss - trial.rss) * self.batch.weight.sum(axis=1)
            continuing &= ~gained | (gains > _MIN_PROGRESS * current.rss)
        self.current = _merge(current, trial, gained)
        self._restrict(continuing)

    def _restrict(self, continuing: BoolArray) -> None:
        if not continuing.all():
            self.active, self.current = self.active[continuing], self.current.take(continuing)
            self.batch = self.batch.take(continuing)


def _has_converged(
    p: FloatArray, step: FloatArray, gain: FloatArray, rss: FloatArray, accuracy: float
) -> BoolArray:
    """Return which rows' steps can be taken without being evaluated, shape (b,).

    With the squares gained times the number of values, ``s^2 = gain/rss``: a step of s standard
    deviations. It leaves some ``s abs(step)``, in half bandwidths, relative width and radians.
    """
    length = np.abs(step)
    length[:, 0] *= 2 * np.exp(p[:, 1])
    return np.asarray((gain <= rss) & (length.max(axis=1) ** 2 * gain <= accuracy**2 * rss))


def _out_of_bounds(p: FloatArray) -> BoolArray:
    """Return which rows ran out of the span and its surroundings, or too wide, shape (b,)."""
    return np.asarray((p[:, 0] <= _LOWEST[0]) | (p[:, 0] >= _HIGHEST[0]) | (p[:, 1] <= _LOWEST[1]))


def _merge(current: _Point, trial: _Point, gained: BoolArray) -> _Point:
    if gained.all():
        return trial
    return _Point(
        np.where(gained[:, None], trial.linear, current.linear),
        np.where(gained, trial.rss, current.rss),
        current.scale,
        np.where(gained[:, None, None], trial.products, current.products),
    )


def solve_rows(matrix: FloatArray, right: FloatArray) -> FloatArray:
    """Solve row by row, shapes (b, k, k) and (b, k, r); a singular row by its minimum norm."""
    try:
        return np.asarray(np.linalg.solve(matrix, right))
    except np.linalg.LinAlgError:
        if len(matrix) == 1:
            return np.asarray(np.linalg.pinv(matrix) @ right)
    batch = range(len(matrix))
    return np.concatenate([solve_rows(matrix[i : i + 1], right[i : i + 1]) for i in batch])


def _damped_step(
    point: _Point, free: FloatArray, damping: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the step, shape (b, 3), and the decrease in rss that it predicts, shape (b,)."""
    normal, right = projected_normal_equations(
        point.products, point.linear, _coefficients(point.linear)
    )
    known = np.isfinite(normal).all(axis=(1, 2)) & np.isfinite(right).all(axis=1)
    normal[~known], right[~known] = 0, 0
    normal *= free[:, :, None] * free[:, None, :]
    right *= free
    diagonal = normal.reshape(-1, 9)[:, ::4]
    # A floor keeps an unknown that is fixed or has no effect from making the system singular.
    floor = 1e-14 * diagonal.max(axis=1, keepdims=True) + 1e-300
    diagonal += diagonal * damping[:, None] + floor
    step = solve_rows(normal, right[:, :, None])[:, :, 0]
    limited = np.minimum(np.maximum(step, -_LONGEST_STEP), _LONGEST_STEP)
    return limited * free, (step * right).sum(axis=1)


def _linear_response(point: _Point, step: FloatArray) -> ComplexArray:
    """Return the change of the linear unknowns with a small step, to first order, shape (b, 2)."""
    along = (_coefficients(point.linear) * step)[:, :, None]
    cross = point.products[:, 2:-1, 0:2].conj().transpose(0, 2, 1)
    return np.asarray(-(_plane_inverse(point.products) @ (cross @ along))[:, :, 0])


# Index of the six vectors along which each of the seven real unknowns moves the model.
_VECTOR_OF = np.array([2, 3, 4, 0, 0, 1, 1])


def _information(products: ComplexArray, linear: ComplexArray) -> FloatArray:
    c = np.empty((len(linear), 7), dtype=complex)
    c[:, :3] = _coefficients(linear)
    c[:, 3:] = (1, 1j, 1, 1j)
    inner = products[:, _VECTOR_OF[:, None], _VECTOR_OF[None, :]]
    return np.asarray((c.conj()[:, :, None] * c[:, None, :] * inner).real)


def residuals(batch: SweepBatch, fit: CircleFit) -> ComplexArray:
    """Return data minus model in the derotated frame, unweighted, shape (b, n)."""
    x, _ = detuning(batch, fit.p)
    power = 1 / (1 + x * x)
    re, im = _derotated_parts(batch, fit.p[:, 2])
    gd, b = fit.linear[:, :1], fit.linear[:, 1:]
    return _from_parts(
        re - gd.real - power * (b.real + x * b.imag), im - gd.imag - power * (b.imag - x * b.real)
    )
