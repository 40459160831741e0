"""Least squares: where a fit may stop, and averages that stand in for points."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import curve_fit
from simulated import Truth, white

from sweeplab.resonance.circle.batch import CircleFit, SweepBatch
from sweeplab.resonance.circle.varpro import solve
from sweeplab.sweep import FloatArray

TRUTHS = [
    Truth(points=points, span_bandwidths=widths, coupling_factor=beta, noise=noise, off_centre=0.3)
    for points, widths, beta, noise in [
        (51, 4, 0.3, 1e-2), (101, 10, 1.0, 3e-3), (201, 6, 0.6, 1e-3), (401, 20, 5.0, 1e-2),
    ]
]  # fmt: skip
DRAWS = 40


def drawn(truth: Truth, seed: int) -> tuple[SweepBatch, FloatArray]:
    """Rows of noisy sweeps, and starts a few standard deviations off."""
    rng = np.random.default_rng(seed)
    gamma = np.stack(
        [truth.reflection() + white(rng, truth.points, truth.noise) for _ in range(DRAWS)]
    )
    rows = SweepBatch.of(np.tile(truth.f_hz, (DRAWS, 1)), gamma, np.ones(gamma.shape))
    width = 1 / truth.span_bandwidths
    start = np.stack([
        (truth.f_loaded_hz - rows.f_mid_hz) / rows.span_hz + 0.05 * width,
        np.full(DRAWS, np.log(truth.span_bandwidths) + 0.05),
        np.zeros(DRAWS),
    ], axis=1)  # fmt: skip
    return rows, start


def real(solution: CircleFit) -> FloatArray:
    return np.concatenate([solution.p, solution.linear.view(float)], axis=1)


def spread_of(rows: SweepBatch, solution: CircleFit) -> FloatArray:
    """Standard uncertainties, shape (b, 7)."""
    noise2 = solution.rss / (2 * rows.position.shape[1] - 7)
    covariance = np.linalg.inv(solution.information) * noise2[:, None, None]
    return np.sqrt(np.einsum("bii->bi", covariance))


@pytest.mark.parametrize("truth", TRUTHS)
def test_a_fit_ends_within_a_twentieth_of_the_noise_of_its_valleys_bottom(truth: Truth) -> None:
    rows, start = drawn(truth, 91)
    free = np.ones(DRAWS, dtype=bool)
    usual, bottom = solve(rows, start, free), solve(rows, start, free, accuracy=1e-9)
    off = np.abs(real(usual) - real(bottom)) / spread_of(rows, bottom)
    assert off.max() < 0.05
    assert usual.rss == pytest.approx(bottom.rss, rel=1e-4)
    assert spread_of(rows, usual) == pytest.approx(spread_of(rows, bottom), rel=0.02)


def test_control_a_step_less_would_be_seen() -> None:
    rows, start = drawn(TRUTHS[2], 92)
    free = np.ones(DRAWS, dtype=bool)
    one, bottom = solve(rows, start, free, steps=1), solve(rows, start, free, accuracy=1e-9)
    off = np.abs(real(one) - real(bottom)) / spread_of(rows, bottom)
    assert off.max() > 0.05


def test_the_bottom_is_where_scipys_curve_fit_ends() -> None:
    truth = TRUTHS[2]
    rows, start = drawn(truth, 93)
    solution = solve(rows, start, np.ones(DRAWS, dtype=bool), accuracy=1e-9)
    f_mid, span = rows.f_mid_hz[0], rows.span_hz[0]

    def model(u: FloatArray, *x: float) -> FloatArray:
        f, f_loaded = f_mid + span * u, f_mid + span * x[0]
        t = f / f_loaded - f_loaded / f
        q = np.exp(x[1]) * f_loaded / span
        picture = complex(x[3], x[4]) + complex(x[5], x[6]) / (1 + 1j * q * t)
        whole = picture * np.exp(-1j * x[2] * u)
        return np.concatenate([whole.real, whole.imag])

    for row in range(5):
        y = np.concatenate([rows.gamma[row].real, rows.gamma[row].imag])
        found, covariance = curve_fit(model, rows.position[row], y, p0=real(solution)[row])
        spread = np.sqrt(np.diag(covariance))
        assert (np.abs(found - real(solution)[row]) / spread).max() < 1e-3
        assert spread == pytest.approx(spread_of(rows, solution)[row], rel=0.01)


@pytest.mark.parametrize("group", [2, 3, 5])
def test_averages_without_blur_stand_for_the_points_in_their_middle(group: int) -> None:
    truth = Truth(points=240, span_bandwidths=6)
    rows = SweepBatch.of(truth.f_hz[None], truth.reflection()[None], np.ones((1, 240)))
    averaged = rows.binned(240 // group)
    f = averaged.f_hz[0]
    t = f / truth.f_loaded_hz - truth.f_loaded_hz / f
    d = 2 * truth.coupling_factor / (1 + truth.coupling_factor)
    wanted = np.exp(1j * truth.angle) * (1 - d / (1 + 1j * truth.q_loaded * t))
    blurred = np.abs(averaged.gamma[0] - wanted)[1:-1].max()
    sharp = np.abs(averaged.sharpened(group).gamma[0] - wanted)[1:-1].max()
    assert sharp < 0.15 * blurred


def test_an_average_that_lacks_a_point_is_left_as_it_is_and_so_are_its_neighbours() -> None:
    truth = Truth(points=240, span_bandwidths=6)
    weight = np.ones((1, 240))
    weight[0, 120:123] = 0
    weight[0, 60] = 0
    rows = SweepBatch.of(truth.f_hz[None], truth.reflection()[None] * weight, weight)
    averaged = rows.binned(80)
    changed = np.flatnonzero(averaged.sharpened(3).gamma[0] != averaged.gamma[0])
    assert set(range(80)) - set(changed.tolist()) == {0, 19, 20, 21, 39, 40, 41, 79}
