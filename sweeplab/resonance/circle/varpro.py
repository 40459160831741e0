"""Variable-projection least squares of the circle model, for a whole batch at once.

The model (A. P. Gregory, NPL Report MAT 58, 2021; exact detuning) is linear in Gd and B for given
(fL, QL, tau). Golub & Pereyra (SIAM J. Numer. Anal. 10, 413, 1973) eliminate the linear unknowns;
the step of the remaining three is Gauss-Newton's, damped after Levenberg and Marquardt. All that a
step needs are the inner products of six vectors a row, so that a step costs one small matrix
product.

Every array has one row a sweep. The three non-linear unknowns are kept dimensionless:

    x0     = (fL - f_mid)/span              place of the resonance in the span
    kappa  = span QL/fL, as its logarithm   half-power bandwidths in the span
    theta  = 2 pi span tau                  phase that the line turns over the span
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sweeplab.resonance.circle.batch import BoolArray, CircleFit, IndexArray, SweepBatch
from sweeplab.sweep import ComplexArray, FloatArray

_MAX_STEPS = 14
# A step within the noise's uncertainty may be the last, taken without a look at where it leads:
# what it leaves goes with its square, and may come to so many standard deviations.
_ACCURACY = 0.005
# After so many steps one that gains no more chi-square than this follows noise along a flat valley.
_PATIENCE, _CRAWL = 6, 0.01
# Less damping than this does not shorten a step that went too far.
_LEAST_BRAKE = 1e-3
_LOWEST, _HIGHEST = np.array([-1.5, -3.0, -np.inf]), np.array([1.5, 15.0, np.inf])
_LONGEST_STEP = np.array([0.25, 0.7, 1.5])
# Products of more points than this would not stay in a processor's cache.
_AT_ONCE_POINTS = 2**13
# Rounding of a sum of squares taken from inner products, against the data's own.
_ROUNDING = 1e-14


def lorentz(rows: SweepBatch, p: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return detuning ``x = QL t`` and its derivative by x0, each of shape (b, n)."""
    f_loaded = rows.f_mid_hz + p[:, 0] * rows.span_hz
    kappa = np.exp(p[:, 1])[:, None]
    ratio = (rows.f_mid_hz / f_loaded)[:, None] + (rows.span_hz / f_loaded)[:, None] * rows.u
    inverse = 1 / ratio
    t = ratio - inverse
    q = kappa * (f_loaded / rows.span_hz)[:, None]
    # fL moves with x0, and QL with fL at constant kappa.
    return q * t, kappa * (t - ratio - inverse)


def _turned_parts(rows: SweepBatch, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
    re, im = rows.gamma.real, rows.gamma.imag
    if not np.any(theta):
        return re, im
    angle = theta[:, None] * rows.u
    cosine, sine = np.cos(angle), np.sin(angle)
    return re * cosine - im * sine, re * sine + im * cosine


def turned(rows: SweepBatch, theta: FloatArray) -> ComplexArray:
    """Return the data with the line's phase taken off, shape (b, n)."""
    return _joined(*_turned_parts(rows, theta))


def _joined(re: FloatArray, im: FloatArray) -> ComplexArray:
    whole = np.empty(re.shape, dtype=complex)
    whole.real, whole.imag = re, im
    return whole


def _products(rows: SweepBatch, p: FloatArray) -> ComplexArray:
    """Return the inner products of (1, L, dL/dx0, dL/dln kappa, u y, y), shape (b, 6, 6)."""
    points = rows.u.shape[1]
    some = min(len(rows), max(1, _AT_ONCE_POINTS // points))
    room = np.empty((some, 12, points))
    found = np.empty((len(rows), 6, 6), dtype=complex)
    for first in range(0, len(rows), some):
        piece = slice(first, first + some)
        part = rows if some == len(rows) else rows.take(piece)
        _products_in(room[: len(part)], part, p[piece], found[piece])
    return found


def _products_in(parts: FloatArray, rows: SweepBatch, p: FloatArray, found: ComplexArray) -> None:
    """Fill `found` with a few rows' products; `parts` is room to work in, (b, 12, n)."""
    x, by_x0 = lorentz(rows, p)
    size = 1 / (1 + x * x)
    # Real parts first, then imaginary parts: one real product is cheaper than a complex one.
    parts[:, 0], parts[:, 6] = 1, 0
    parts[:, 1], parts[:, 7] = size, -x * size
    # dL/dx = -j L^2, with L^2 = (1 - x^2 - 2jx)/(1 + x^2)^2.
    square = size * size
    slope = -2 * x * square, (x * x - 1) * square
    np.multiply(slope[0], by_x0, out=parts[:, 2])
    np.multiply(slope[1], by_x0, out=parts[:, 8])
    np.multiply(slope[0], x, out=parts[:, 3])
    np.multiply(slope[1], x, out=parts[:, 9])
    y = _turned_parts(rows, p[:, 2])
    np.multiply(rows.u, y[0], out=parts[:, 4])
    np.multiply(rows.u, y[1], out=parts[:, 10])
    parts[:, 5], parts[:, 11] = y
    left = parts if rows.all_count else parts * rows.weight[:, None, :]
    real = left @ parts.transpose(0, 2, 1)
    found.real = real[:, :6, :6] + real[:, 6:, 6:]
    found.imag = real[:, :6, 6:] - real[:, 6:, :6]


@dataclass(frozen=True, eq=False)
class _Point:
    """What one p gives: the linear unknowns, the misfit, and the step's equations."""

    linear: ComplexArray
    rss: FloatArray
    scale: FloatArray
    products: ComplexArray

    def take(self, index: BoolArray) -> _Point:
        return _Point(self.linear[index], self.rss[index], self.scale[index], self.products[index])


def _evaluate(rows: SweepBatch, p: FloatArray) -> _Point:
    g = _products(rows, p)
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


def eliminated(
    products: ComplexArray, linear: ComplexArray, coefficients: ComplexArray
) -> tuple[FloatArray, FloatArray]:
    """Return a step's equations with two linear unknowns projected out.

    Parameters
    ----------
    products : ndarray, shape (b, 3 + k, 3 + k)
        Inner products of the two linear unknowns' vectors, k derivatives' vectors, and the data.
    linear : ndarray, shape (b, 2)
        The linear unknowns.
    coefficients : ndarray, shape (b, k)
        What each derivative's vector is multiplied by in the model.

    Returns
    -------
    normal : ndarray, shape (b, k, k)
    right : ndarray, shape (b, k)
    """
    inner, cross = products[:, 2:-1, 2:-1], products[:, 2:-1, 0:2]
    projected = inner - cross @ _plane_inverse(products) @ cross.conj().transpose(0, 2, 1)
    c = coefficients
    # A shape that all but vanishes has no bounds to its linear unknown: no step comes of it.
    with np.errstate(over="ignore", invalid="ignore"):
        normal = (c.conj()[:, :, None] * c[:, None, :] * projected).real
    misfit = products[:, 2:-1, -1] - (cross @ linear[:, :, None])[:, :, 0]
    return normal, (c.conj() * misfit).real


def _plane_inverse(products: ComplexArray) -> ComplexArray:
    """Invert the inner products of the two linear unknowns' vectors, shape (b, 2, 2)."""
    plane = products[:, 0:2, 0:2]
    determinant = (plane[:, 0, 0] * plane[:, 1, 1]).real - np.abs(plane[:, 0, 1]) ** 2
    inverse = np.empty_like(plane)
    inverse[:, 0, 0], inverse[:, 1, 1] = plane[:, 1, 1], plane[:, 0, 0]
    inverse[:, 0, 1], inverse[:, 1, 0] = -plane[:, 0, 1], -plane[:, 1, 0]
    inverse /= np.maximum(determinant, 1e-300)[:, None, None]
    return inverse


def solve(
    rows: SweepBatch,
    start: FloatArray,
    delay_free: BoolArray,
    steps: int = _MAX_STEPS,
    accuracy: float = _ACCURACY,
) -> CircleFit:
    """Fit every row from its own start.

    Parameters
    ----------
    rows : Rows
    start : ndarray, shape (b, 3)
        (x0, ln kappa, theta).
    delay_free : ndarray of bool, shape (b,)
        Whether theta may move.
    steps : int
        Cap on the number of steps.
    accuracy : float
        How far from the bottom of its valley a fit may end, in standard deviations.

    Returns
    -------
    Solution
        The best point reached; always finite.
    """
    search = _Search.begin(rows, start, delay_free)
    for turn in range(steps):
        step, gain = search.next_step()
        step = search.end(step, gain, accuracy)
        if search.active.size:
            search.go(step, patient=turn < _PATIENCE)
        if not search.active.size:
            break
    rss = np.maximum(search.rss, 0)
    return CircleFit(search.p, search.linear, rss, _information(search.products, search.linear))


@dataclass(eq=False)
class _Search:
    """Where the search stands: the best point of every row, and the rows that still go on.

    Parameters
    ----------
    p, linear, rss, products : ndarray, first axis b
        Of every row, as `CircleFit` and `_products` have them.
    free : ndarray, shape (b, 3)
        One for an unknown that may move, else zero.
    damping : ndarray, shape (b,)
    active : ndarray of int, shape (a,)
        The rows that go on.
    rows : Rows
    here : _Point
        Of the active rows.
    """

    p: FloatArray
    linear: ComplexArray
    rss: FloatArray
    products: ComplexArray
    free: FloatArray
    damping: FloatArray
    active: IndexArray
    rows: SweepBatch
    here: _Point

    @classmethod
    def begin(cls, rows: SweepBatch, start: FloatArray, delay_free: BoolArray) -> _Search:
        """Return the search at its start."""
        p = np.array(start)
        free = np.ones_like(p)
        free[:, 2] = delay_free
        here = _evaluate(rows, p)
        best = here.linear.copy(), here.rss.copy(), here.products.copy()
        return cls(p, *best, free, np.full(len(p), 1e-6), np.arange(len(p)), rows, here)

    def next_step(self) -> tuple[FloatArray, FloatArray]:
        """Return the active rows' steps, shape (a, 3), and the squares they promise to gain."""
        return _damped_step(self.here, self.free[self.active], self.damping[self.active])

    def end(self, step: FloatArray, gain: FloatArray, accuracy: float) -> FloatArray:
        """Take the last step where it is one; return the steps of the rows that go on."""
        damping = self.damping[self.active]
        gains = 2 * gain * self.rows.weight.sum(axis=1)
        last = _is_last(self.p[self.active], step, gains, self.here.rss, accuracy)
        # A damped step is short for another reason than being near.
        last &= damping < 1e-3
        if last.any():
            ended = self.active[last]
            self.p[ended] += step[last]
            self.linear[ended] += _followed(self.here.take(last), step[last])
            self.rss[ended] -= gain[last]
        # Damping alone can make a step small: then only a huge damping ends the search.
        goes_on = ~last & (damping <= 1e8)
        self._keep(goes_on)
        return step[goes_on]

    def go(self, step: FloatArray, patient: bool) -> None:
        """Look where the steps lead, go there where it is better, and let go what is hopeless."""
        active, here = self.active, self.here
        trial = np.minimum(np.maximum(self.p[active] + step, _LOWEST), _HIGHEST)
        there = _evaluate(self.rows, trial)
        gained = there.rss <= here.rss + _ROUNDING * here.scale
        moved = active[gained]
        self.p[moved], self.linear[moved] = trial[gained], there.linear[gained]
        self.rss[moved], self.products[moved] = there.rss[gained], there.products[gained]
        damping = self.damping[active]
        self.damping[active] = np.where(
            gained, damping / 10, np.maximum(damping * 30, _LEAST_BRAKE)
        )
        goes_on = ~_lost(trial)
        if not patient:
            gains = 2 * (here.rss - there.rss) * self.rows.weight.sum(axis=1)
            goes_on &= ~gained | (gains > _CRAWL * here.rss)
        self.here = _merge(here, there, gained)
        self._keep(goes_on)

    def _keep(self, goes_on: BoolArray) -> None:
        if not goes_on.all():
            self.active, self.here = self.active[goes_on], self.here.take(goes_on)
            self.rows = self.rows.take(goes_on)


def _is_last(
    p: FloatArray, step: FloatArray, gain: FloatArray, rss: FloatArray, accuracy: float
) -> BoolArray:
    """Return which rows' steps need no look at where they lead, shape (b,).

    With the squares gained times the number of values, ``s^2 = gain/rss``: a step of s standard
    deviations. It leaves some ``s abs(step)``, in half bandwidths, relative width and radians.
    """
    size = np.abs(step)
    size[:, 0] *= 2 * np.exp(p[:, 1])
    left = size.max(axis=1) ** 2 * gain
    return np.asarray((gain <= rss) & (left <= accuracy**2 * rss))


def _lost(p: FloatArray) -> BoolArray:
    """Return which rows ran out of every place and width that could be believed, shape (b,)."""
    return np.asarray((p[:, 0] <= _LOWEST[0]) | (p[:, 0] >= _HIGHEST[0]) | (p[:, 1] <= _LOWEST[1]))


def _merge(here: _Point, there: _Point, gained: BoolArray) -> _Point:
    if gained.all():
        return there
    return _Point(
        np.where(gained[:, None], there.linear, here.linear),
        np.where(gained, there.rss, here.rss),
        here.scale,
        np.where(gained[:, None, None], there.products, here.products),
    )


def solve_rows(matrix: FloatArray, right: FloatArray) -> FloatArray:
    """Solve row by row, shapes (b, k, k) and (b, k, r); a singular row by the least norm."""
    try:
        return np.asarray(np.linalg.solve(matrix, right))
    except np.linalg.LinAlgError:
        if len(matrix) == 1:
            return np.asarray(np.linalg.pinv(matrix) @ right)
    rows = range(len(matrix))
    return np.concatenate([solve_rows(matrix[i : i + 1], right[i : i + 1]) for i in rows])


def _damped_step(
    point: _Point, free: FloatArray, damping: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the step, shape (b, 3), and the squares that it promises to gain, (b,)."""
    normal, right = eliminated(point.products, point.linear, _coefficients(point.linear))
    known = np.isfinite(normal).all(axis=(1, 2)) & np.isfinite(right).all(axis=1)
    if not known.all():
        normal[~known], right[~known] = 0, 0
    normal *= free[:, :, None] * free[:, None, :]
    right *= free
    diagonal = normal.reshape(-1, 9)[:, ::4]
    # A floor keeps a frozen or unseen unknown from making the system singular.
    floor = 1e-14 * diagonal.max(axis=1, keepdims=True) + 1e-300
    diagonal += diagonal * damping[:, None] + floor
    step = solve_rows(normal, right[:, :, None])[:, :, 0]
    short = np.minimum(np.maximum(step, -_LONGEST_STEP), _LONGEST_STEP)
    return short * free, (step * right).sum(axis=1)


def _followed(point: _Point, step: FloatArray) -> ComplexArray:
    """Return how the linear unknowns follow a small step, to first order, shape (b, 2)."""
    along = (_coefficients(point.linear) * step)[:, :, None]
    cross = point.products[:, 2:-1, 0:2].conj().transpose(0, 2, 1)
    return np.asarray(-(_plane_inverse(point.products) @ (cross @ along))[:, :, 0])


# Which of the six vectors each of the seven real unknowns moves the model along.
_VECTOR_OF = np.array([2, 3, 4, 0, 0, 1, 1])


def _information(products: ComplexArray, linear: ComplexArray) -> FloatArray:
    c = np.empty((len(linear), 7), dtype=complex)
    c[:, :3] = _coefficients(linear)
    c[:, 3:] = (1, 1j, 1, 1j)
    inner = products[:, _VECTOR_OF[:, None], _VECTOR_OF[None, :]]
    return np.asarray((c.conj()[:, :, None] * c[:, None, :] * inner).real)


def residuals(rows: SweepBatch, solution: CircleFit) -> ComplexArray:
    """Return data minus model in the turned frame, unweighted, shape (b, n)."""
    x, _ = lorentz(rows, solution.p)
    size = 1 / (1 + x * x)
    re, im = _turned_parts(rows, solution.p[:, 2])
    gd, b = solution.linear[:, :1], solution.linear[:, 1:]
    return _joined(
        re - gd.real - size * (b.real + x * b.imag), im - gd.imag - size * (b.imag - x * b.real)
    )
