"""More than one resonance in a sweep: found one by one, told apart together, the wanted one kept.

Beside the main loop a sweep may show the coupling loop, the feed line's outside or metalwork
nearby. Each is a circle of its own on one background:

    G(f) = [Gd + sum_k B_k/(1 + j QL_k t_k)] exp(-2 pi j (f - f_ref) tau)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sweeplab.finding import Threshold
from sweeplab.resonance.circle.batch import SPAN_END, CircleFit, SweepBatch
from sweeplab.resonance.circle.initial_guess import starts
from sweeplab.resonance.circle.varpro import lorentz, residuals, solve, turned
from sweeplab.resonance.wanted import wanted
from sweeplab.sweep import ComplexArray, FloatArray

_MOST: Threshold = 4
# Chi-square that a further resonance must gain; as for the first, a bank's luck is out of reach.
_LEAST_GAIN: Threshold = 60.0
_LEAST_DIAMETER: Threshold = 0.02
# Half-power bandwidths in the span.
LEAST_WIDTHS: Threshold = 1.0
# What has fewer points a half-power bandwidth stands between two of them and is seen by neither.
_LEAST_POINTS: Threshold = 1.0
_ONE_POINT: Threshold = 0.7
_STEPS = 25
_LONGEST_STEP = 0.7
# Chi-square: a step that gained so little moved by a tenth of the noise's uncertainty, and what it
# leaves goes with its square; after some steps one that gained as much as this crawls.
_SETTLED = 0.01
_PATIENCE, _CRAWL = 6, 0.1


@dataclass(frozen=True, eq=False)
class MultiResonance:
    """The resonances of one sweep.

    Parameters
    ----------
    rows : Rows
        The sweep with the unwanted resonances subtracted; one row.
    wanted : Solution
        One row, its information that of the joint fit.
    others_hz, others_q, others_diameter : ndarray, shape (k - 1,)
        Loaded frequency [Hz], loaded Q and ``abs(B)/abs(Gd)`` of the others, by frequency.
    unknowns : int
        Real unknowns of the joint fit.
    """

    rows: SweepBatch
    wanted: CircleFit
    others_hz: FloatArray
    others_q: FloatArray
    others_diameter: FloatArray
    unknowns: int


def separate_resonances(
    rows: SweepBatch, first: CircleFit, delay_free: bool, near_hz: float | None = None
) -> MultiResonance | None:
    """Look for further resonances beside the first.

    Parameters
    ----------
    rows : Rows
        One row.
    first : Solution
        Its fit by one resonance.
    delay_free : bool
        Whether the line's delay is fitted.
    near_hz : float or None
        Where the wanted resonance is expected. Without it the wanted one is the only one in an
        amateur band, else the one with the deepest dip.

    Returns
    -------
    Told or None
        None where there is but one.
    """
    found = [first]
    while len(found) < _MOST:
        candidate = _next(rows, found)
        if candidate is None:
            break
        together = _settle(rows, [*found, candidate], delay_free)
        # What no resonance explains, such as a jump, may drive one out of the span or onto a point.
        stand = all(_is_credible(rows, one, together[0]) for one in together)
        if not (stand and _gains(rows, found, together)):
            break
        found = together
    if len(found) == 1:
        return None
    return _told(rows, found, delay_free, near_hz)


def _shapes(rows: SweepBatch, found: list[CircleFit]) -> ComplexArray:
    """Return each resonance's ``B L`` in the turned frame, shape (k, n)."""
    parts = []
    for one in found:
        x, _ = lorentz(rows, one.p)
        parts.append(one.linear[0, 1] / (1 + 1j * x[0]))
    return np.array(parts)


def _without(rows: SweepBatch, found: list[CircleFit], left_in: int) -> SweepBatch:
    """Return the data with every resonance but one subtracted, in the measured frame."""
    shapes = _shapes(rows, found)
    away = shapes.sum(axis=0) - shapes[left_in]
    back = np.exp(-1j * found[0].p[0, 2] * rows.u[0])
    return SweepBatch(
        rows.u, rows.f_mid_hz, rows.span_hz, rows.gamma - (away * back)[None], rows.weight
    )


def _misfit(rows: SweepBatch, found: list[CircleFit]) -> ComplexArray:
    """Return data minus model in the turned frame, shape (1, n)."""
    model = found[0].linear[0, 0] + _shapes(rows, found).sum(axis=0)
    return np.asarray(turned(rows, found[0].p[:, 2]) - model)


def _squares(rows: SweepBatch, misfit: ComplexArray) -> float:
    return float((rows.weight * np.abs(misfit) ** 2).sum())


def _next(rows: SweepBatch, found: list[CircleFit]) -> CircleFit | None:
    """Return the best further resonance in what the found ones leave, if one is credible."""
    left = SweepBatch(rows.u, rows.f_mid_hz, rows.span_hz, _misfit(rows, found), rows.weight)
    frozen = np.zeros(1, dtype=bool)
    (start,), _ = starts(left, frozen)
    candidate = solve(left, start, frozen)
    return candidate if _is_credible(rows, candidate, found[0]) else None


def _is_credible(rows: SweepBatch, one: CircleFit, first: CircleFit) -> bool:
    """Say whether a resonance lies in the span, over several points, and is large enough."""
    x, _ = lorentz(rows, one.p)
    size = rows.weight / (1 + x * x)
    diameter = abs(one.linear[0, 1]) / max(abs(first.linear[0, 0]), 1e-12)
    return bool(
        abs(one.p[0, 0]) < SPAN_END
        and np.log(LEAST_WIDTHS) < one.p[0, 1] < np.log(rows.u.shape[1] / _LEAST_POINTS)
        and diameter > _LEAST_DIAMETER
        and float(size.max() / size.sum()) < _ONE_POINT
    )


def _settle(rows: SweepBatch, found: list[CircleFit], delay_free: bool) -> list[CircleFit]:
    """Fit all the resonances together, from where each stands, by damped Gauss-Newton."""
    x = _packed(found)
    free = np.ones(x.size, dtype=bool)
    free[2] = delay_free
    found, damping = _unpacked(x, found), 1e-4
    misfit = _misfit(rows, found)
    rss = _squares(rows, misfit)
    values = 2 * float(rows.weight.sum())
    for turn in range(_STEPS):
        normal, right = _equations(rows, found, misfit, free)
        lifted = normal + np.diag(damping * np.diag(normal) + 1e-14 * np.trace(normal))
        step = np.zeros(x.size)
        step[free] = np.clip(np.linalg.solve(lifted, right), -_LONGEST_STEP, _LONGEST_STEP)
        trial = _unpacked(x + step, found)
        left = _misfit(rows, trial)
        tried = _squares(rows, left)
        gained = rss - tried
        if gained >= 0:
            x, found, misfit, rss, damping = x + step, trial, left, tried, damping / 10
        else:
            damping *= 30
        enough = _CRAWL if turn >= _PATIENCE else _SETTLED
        if 0 <= gained * values < enough * rss or damping > 1e8:
            break
    return found


def _packed(found: list[CircleFit]) -> FloatArray:
    """Return (x0, ln kappa, theta, Re Gd, Im Gd, Re B, Im B) and (x0, ln kappa, B) of the rest."""
    parts = []
    for k, one in enumerate(found):
        b = one.linear[0, 1]
        background = (one.p[0, 2], one.linear[0, 0].real, one.linear[0, 0].imag)
        parts += [*one.p[0, :2], *(background if k == 0 else ()), b.real, b.imag]
    return np.array(parts)


def _unpacked(x: FloatArray, like: list[CircleFit]) -> list[CircleFit]:
    theta, detuned = x[2], complex(x[3], x[4])
    singles = [np.concatenate([x[:2], x[5:7]]), *x[7:].reshape(-1, 4)]
    return [
        CircleFit(
            np.array([[np.clip(one[0], -1.5, 1.5), np.clip(one[1], -3.0, 15.0), theta]]),
            np.array([[detuned, complex(one[2], one[3])]]),
            old.rss,
            old.information,
        )
        for one, old in zip(singles, like, strict=True)
    ]


def _equations(
    rows: SweepBatch, found: list[CircleFit], misfit: ComplexArray, free: NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray]:
    """Return normal matrix and right side of the joint step, over the free unknowns."""
    root = np.sqrt(rows.weight[0])
    columns = _columns(rows, found, list(range(len(found))))[free] * root
    stacked = np.concatenate([columns.real, columns.imag], axis=1)
    rest = misfit[0] * root
    return stacked @ stacked.T, stacked @ np.concatenate([rest.real, rest.imag])


def _columns(rows: SweepBatch, found: list[CircleFit], order: list[int]) -> ComplexArray:
    """Return the model's derivatives in the order of `_packed`, the first of `order` first."""
    model = found[0].linear[0, 0] + _shapes(rows, found).sum(axis=0)
    columns: list[ComplexArray] = []
    for place, k in enumerate(order):
        x, by_x0 = lorentz(rows, found[k].p)
        shape = 1 / (1 + 1j * x[0])
        slope = -1j * shape**2 * found[k].linear[0, 1]
        columns += [slope * by_x0[0], slope * x[0]]
        if place == 0:
            one = np.ones_like(shape)
            columns += [-1j * rows.u[0] * model, one, 1j * one]
        columns += [shape, 1j * shape]
    return np.array(columns)


def _gains(rows: SweepBatch, before: list[CircleFit], after: list[CircleFit]) -> bool:
    n = float(rows.weight.sum())
    rss = _squares(rows, _misfit(rows, after))
    sigma2 = max(rss / max(2 * n - 3 - 4 * len(after), 1), 1e-300)
    return (_squares(rows, _misfit(rows, before)) - rss) / sigma2 > _LEAST_GAIN


def _told(
    rows: SweepBatch, found: list[CircleFit], delay_free: bool, near_hz: float | None
) -> MultiResonance:
    f = np.array([float(rows.f_mid_hz[0] + one.p[0, 0] * rows.span_hz[0]) for one in found])
    q = np.array([np.exp(one.p[0, 1]) for one in found]) * f / rows.span_hz[0]
    diameter = np.array([abs(one.linear[0, 1]) for one in found]) / abs(found[0].linear[0, 0])
    chosen = wanted(f, diameter, near_hz)
    others = np.array([k for k in np.argsort(f) if k != chosen])
    cleaned = _without(rows, found, chosen)
    one = found[chosen]
    misfit = residuals(cleaned, one)
    return MultiResonance(
        rows=cleaned,
        wanted=CircleFit(
            one.p,
            one.linear,
            (rows.weight * np.abs(misfit) ** 2).sum(axis=1),
            _joint_information(rows, found, chosen, delay_free)[None],
        ),
        others_hz=f[others],
        others_q=q[others],
        others_diameter=diameter[others],
        unknowns=2 + 4 * len(found) + int(delay_free),
    )


def _joint_information(
    rows: SweepBatch, found: list[CircleFit], chosen: int, delay_free: bool
) -> FloatArray:
    """Return the wanted resonance's information with the others' unknowns projected out, (7, 7).

    Order as in the kernel: (x0, ln kappa, theta, Re Gd, Im Gd, Re B, Im B).
    """
    order = [chosen, *(k for k in range(len(found)) if k != chosen)]
    stacked = _columns(rows, found, order) * np.sqrt(rows.weight[0])
    real = np.concatenate([stacked.real, stacked.imag], axis=1)
    whole = real @ real.T
    own, rest = whole[:7, :7], whole[7:, 7:]
    cross = whole[:7, 7:]
    if not delay_free:
        cross[2] = 0
    return np.asarray(own - cross @ np.linalg.pinv(rest) @ cross.T)
