"""More than one resonance in a sweep: found one by one, fitted jointly, one selected.

Besides the main loop a sweep may show the coupling loop, the outside of the feed line or metal
nearby. Each is a circle of its own on a common background:

    G(f) = [Gd + sum_k B_k/(1 + j QL_k t_k)] exp(-2 pi j (f - f_ref) tau)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sweeplab.bands import select_resonance
from sweeplab.finding import Threshold
from sweeplab.resonance.circle.batch import CircleFit, SweepBatch
from sweeplab.resonance.circle.initial_guess import initial_guesses
from sweeplab.resonance.circle.thresholds import (
    MAX_POINT_SHARE,
    MIN_CHI_SQUARE_GAIN,
    MIN_SPAN_BANDWIDTHS,
    SPAN_EDGE,
)
from sweeplab.resonance.circle.varpro import derotated, detuning, residuals, solve
from sweeplab.sweep import ComplexArray, FloatArray

_MAX_RESONANCES: Threshold = 4
_MIN_DIAMETER: Threshold = 0.02
# With fewer points per half-power bandwidth a resonance may lie between two of them unnoticed.
_MIN_POINTS_PER_BANDWIDTH: Threshold = 1.0
_STEPS = 25
_LONGEST_STEP = 0.7
# Chi-square: a step that gained less moved by a tenth of the noise's uncertainty, and the error it
# leaves goes with its square. After some iterations a larger gain counts as converged.
_CONVERGED_GAIN = 0.01
_PATIENCE, _MIN_PROGRESS = 6, 0.1


@dataclass(frozen=True, eq=False)
class MultiResonance:
    """The resonances of one sweep.

    Parameters
    ----------
    batch : SweepBatch
        The sweep with the other resonances subtracted; one row.
    selected : CircleFit
        The resonance the sweep was taken for; one row, with the information of the joint fit.
    others_hz, others_q, others_diameter : ndarray, shape (k - 1,)
        Loaded frequency [Hz], loaded Q and ``abs(B)/abs(Gd)`` of the others, by frequency.
    unknowns : int
        Real unknowns of the joint fit.
    """

    batch: SweepBatch
    selected: CircleFit
    others_hz: FloatArray
    others_q: FloatArray
    others_diameter: FloatArray
    unknowns: int


def separate_resonances(
    batch: SweepBatch, first: CircleFit, delay_free: bool, near_hz: float | None = None
) -> MultiResonance | None:
    """Look for further resonances besides the first.

    Parameters
    ----------
    batch : SweepBatch
        One row.
    first : CircleFit
        Its fit by one resonance.
    delay_free : bool
        Whether the line's delay is fitted.
    near_hz : float or None
        Where the resonance of interest is expected. Without it the only one in an amateur band is
        selected, else the one with the deepest dip.

    Returns
    -------
    MultiResonance or None
        None where there is only one.
    """
    circles = [first]
    while len(circles) < _MAX_RESONANCES:
        candidate = _next_candidate(batch, circles)
        if candidate is None:
            break
        joint = _joint_fit(batch, [*circles, candidate], delay_free)
        # A jump, which no resonance explains, may drive one out of the span or onto one point.
        credible = all(_is_credible(batch, circle, joint[0]) for circle in joint)
        if not (credible and _is_significant(batch, circles, joint)):
            break
        circles = joint
    if len(circles) == 1:
        return None
    return _multi_resonance(batch, circles, delay_free, near_hz)


def _shapes(batch: SweepBatch, circles: list[CircleFit]) -> ComplexArray:
    """Return each resonance's ``B L`` in the derotated frame, shape (k, n)."""
    parts = []
    for circle in circles:
        x, _ = detuning(batch, circle.p)
        parts.append(circle.linear[0, 1] / (1 + 1j * x[0]))
    return np.array(parts)


def _subtracted(batch: SweepBatch, circles: list[CircleFit], left_in: int) -> SweepBatch:
    """Return the data with every resonance but one subtracted, in the measured frame."""
    shapes = _shapes(batch, circles)
    others = shapes.sum(axis=0) - shapes[left_in]
    rotation = np.exp(-1j * circles[0].p[0, 2] * batch.position[0])
    return SweepBatch(
        batch.position,
        batch.f_mid_hz,
        batch.span_hz,
        batch.gamma - (others * rotation)[None],
        batch.weight,
    )


def _residual(batch: SweepBatch, circles: list[CircleFit]) -> ComplexArray:
    """Return data minus model in the derotated frame, shape (1, n)."""
    model = circles[0].linear[0, 0] + _shapes(batch, circles).sum(axis=0)
    return np.asarray(derotated(batch, circles[0].p[:, 2]) - model)


def _weighted_squares(batch: SweepBatch, residual: ComplexArray) -> float:
    return float((batch.weight * np.abs(residual) ** 2).sum())


def _next_candidate(batch: SweepBatch, circles: list[CircleFit]) -> CircleFit | None:
    """Return the best further resonance in the residual, if it is credible."""
    remaining = SweepBatch(
        batch.position, batch.f_mid_hz, batch.span_hz, _residual(batch, circles), batch.weight
    )
    no_delay = np.zeros(1, dtype=bool)
    (start,), _ = initial_guesses(remaining, no_delay)
    candidate = solve(remaining, start, no_delay)
    return candidate if _is_credible(batch, candidate, circles[0]) else None


def _is_credible(batch: SweepBatch, circle: CircleFit, first: CircleFit) -> bool:
    """Return whether a resonance lies in the span, over several points, and is large enough."""
    x, _ = detuning(batch, circle.p)
    power = batch.weight / (1 + x * x)
    diameter = abs(circle.linear[0, 1]) / max(abs(first.linear[0, 0]), 1e-12)
    return bool(
        abs(circle.p[0, 0]) < SPAN_EDGE
        and np.log(MIN_SPAN_BANDWIDTHS)
        < circle.p[0, 1]
        < np.log(batch.position.shape[1] / _MIN_POINTS_PER_BANDWIDTH)
        and diameter > _MIN_DIAMETER
        and float(power.max() / power.sum()) < MAX_POINT_SHARE
    )


def _joint_fit(batch: SweepBatch, circles: list[CircleFit], delay_free: bool) -> list[CircleFit]:
    """Fit all the resonances jointly, from their present fits, by damped Gauss-Newton."""
    x = _packed(circles)
    free = np.ones(x.size, dtype=bool)
    free[2] = delay_free
    circles, damping = _unpacked(x, circles), 1e-4
    residual = _residual(batch, circles)
    rss = _weighted_squares(batch, residual)
    values = 2 * float(batch.weight.sum())
    for iteration in range(_STEPS):
        normal, right = _equations(batch, circles, residual, free)
        lifted = normal + np.diag(damping * np.diag(normal) + 1e-14 * np.trace(normal))
        step = np.zeros(x.size)
        step[free] = np.clip(np.linalg.solve(lifted, right), -_LONGEST_STEP, _LONGEST_STEP)
        trial = _unpacked(x + step, circles)
        trial_residual = _residual(batch, trial)
        trial_rss = _weighted_squares(batch, trial_residual)
        gain = rss - trial_rss
        if gain >= 0:
            x, circles, residual, rss, damping = (
                x + step,
                trial,
                trial_residual,
                trial_rss,
                damping / 10,
            )
        else:
            damping *= 30
        enough = _MIN_PROGRESS if iteration >= _PATIENCE else _CONVERGED_GAIN
        if 0 <= gain * values < enough * rss or damping > 1e8:
            break
    return circles


def _packed(circles: list[CircleFit]) -> FloatArray:
    """Return (x0, ln kappa, theta, Re Gd, Im Gd, Re B, Im B), then (x0, ln kappa, B) of others."""
    parts = []
    for k, circle in enumerate(circles):
        b = circle.linear[0, 1]
        background = (circle.p[0, 2], circle.linear[0, 0].real, circle.linear[0, 0].imag)
        parts += [*circle.p[0, :2], *(background if k == 0 else ()), b.real, b.imag]
    return np.array(parts)


def _unpacked(x: FloatArray, like: list[CircleFit]) -> list[CircleFit]:
    theta, detuned = x[2], complex(x[3], x[4])
    singles = [np.concatenate([x[:2], x[5:7]]), *x[7:].reshape(-1, 4)]
    return [
        CircleFit(
            np.array([[np.clip(circle[0], -1.5, 1.5), np.clip(circle[1], -3.0, 15.0), theta]]),
            np.array([[detuned, complex(circle[2], circle[3])]]),
            old.rss,
            old.information,
        )
        for circle, old in zip(singles, like, strict=True)
    ]


def _equations(
    batch: SweepBatch, circles: list[CircleFit], residual: ComplexArray, free: NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray]:
    """Return the normal matrix and right side of the joint step, over the free unknowns."""
    root = np.sqrt(batch.weight[0])
    columns = _columns(batch, circles, list(range(len(circles))))[free] * root
    stacked = np.concatenate([columns.real, columns.imag], axis=1)
    rest = residual[0] * root
    return stacked @ stacked.T, stacked @ np.concatenate([rest.real, rest.imag])


def _columns(batch: SweepBatch, circles: list[CircleFit], order: list[int]) -> ComplexArray:
    """Return the model's derivatives in the order of `_packed`, the first of `order` first."""
    model = circles[0].linear[0, 0] + _shapes(batch, circles).sum(axis=0)
    columns: list[ComplexArray] = []
    for index, k in enumerate(order):
        x, by_x0 = detuning(batch, circles[k].p)
        shape = 1 / (1 + 1j * x[0])
        slope = -1j * shape**2 * circles[k].linear[0, 1]
        columns += [slope * by_x0[0], slope * x[0]]
        if index == 0:
            one = np.ones_like(shape)
            columns += [-1j * batch.position[0] * model, one, 1j * one]
        columns += [shape, 1j * shape]
    return np.array(columns)


def _is_significant(batch: SweepBatch, before: list[CircleFit], after: list[CircleFit]) -> bool:
    n = float(batch.weight.sum())
    rss = _weighted_squares(batch, _residual(batch, after))
    sigma2 = max(rss / max(2 * n - 3 - 4 * len(after), 1), 1e-300)
    return (_weighted_squares(batch, _residual(batch, before)) - rss) / sigma2 > MIN_CHI_SQUARE_GAIN


def _multi_resonance(
    batch: SweepBatch, circles: list[CircleFit], delay_free: bool, near_hz: float | None
) -> MultiResonance:
    f = np.array(
        [float(batch.f_mid_hz[0] + circle.p[0, 0] * batch.span_hz[0]) for circle in circles]
    )
    q = np.array([np.exp(circle.p[0, 1]) for circle in circles]) * f / batch.span_hz[0]
    diameter = np.array([abs(circle.linear[0, 1]) for circle in circles]) / abs(
        circles[0].linear[0, 0]
    )
    selected = select_resonance(f, diameter, near_hz)
    others = np.array([k for k in np.argsort(f) if k != selected])
    cleaned = _subtracted(batch, circles, selected)
    circle = circles[selected]
    residual = residuals(cleaned, circle)
    return MultiResonance(
        batch=cleaned,
        selected=CircleFit(
            circle.p,
            circle.linear,
            (batch.weight * np.abs(residual) ** 2).sum(axis=1),
            _joint_information(batch, circles, selected, delay_free)[None],
        ),
        others_hz=f[others],
        others_q=q[others],
        others_diameter=diameter[others],
        unknowns=2 + 4 * len(circles) + int(delay_free),
    )


def _joint_information(
    batch: SweepBatch, circles: list[CircleFit], selected: int, delay_free: bool
) -> FloatArray:
    """Return the selected resonance's information, the others' unknowns projected out, (7, 7).

    In the order of `CircleFit.information`: (x0, ln kappa, theta, Re Gd, Im Gd, Re B, Im B).
    """
    order = [selected, *(k for k in range(len(circles)) if k != selected)]
    stacked = _columns(batch, circles, order) * np.sqrt(batch.weight[0])
    real = np.concatenate([stacked.real, stacked.imag], axis=1)
    whole = real @ real.T
    own, rest = whole[:7, :7], whole[7:, 7:]
    cross = whole[:7, 7:]
    if not delay_free:
        cross[2] = 0
    return np.asarray(own - cross @ np.linalg.pinv(rest) @ cross.T)
