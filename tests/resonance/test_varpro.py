"""Least squares: where a fit may stop, and averages in place of points."""

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
    """Return a batch of noisy sweeps, and starts a few standard deviations off."""
    rng = np.random.default_rng(seed)
    gamma = np.stack(
        [truth.reflection() + white(rng, truth.points, truth.noise) for _ in range(DRAWS)]
    )
    batch = SweepBatch.of(np.tile(truth.f_hz, (DRAWS, 1)), gamma, np.ones(gamma.shape))
    width = 1 / truth.span_bandwidths
    start = np.stack([
        (truth.f_loaded_hz - batch.f_mid_hz) / batch.span_hz + 0.05 * width,
        np.full(DRAWS, np.log(truth.span_bandwidths) + 0.05),
        np.zeros(DRAWS),
    ], axis=1)  # fmt: skip
    return batch, start


def real(fit: CircleFit) -> FloatArray:
    return np.concatenate([fit.p, fit.linear.view(float)], axis=1)


def spread_of(batch: SweepBatch, fit: CircleFit) -> FloatArray:
    """Return standard uncertainties, shape (b, 7)."""
    noise2 = fit.rss / (2 * batch.position.shape[1] - 7)
    covariance = np.linalg.inv(fit.information) * noise2[:, None, None]
    return np.sqrt(np.einsum("bii->bi", covariance))


@pytest.mark.parametrize("truth", TRUTHS)
def test_a_fit_ends_within_a_twentieth_of_the_noise_of_its_minimum(truth: Truth) -> None:
    batch, start = drawn(truth, 91)
    free = np.ones(DRAWS, dtype=bool)
    usual, minimum = solve(batch, start, free), solve(batch, start, free, accuracy=1e-9)
    off = np.abs(real(usual) - real(minimum)) / spread_of(batch, minimum)
    assert off.max() < 0.05
    assert usual.rss == pytest.approx(minimum.rss, rel=1e-4)
    assert spread_of(batch, usual) == pytest.approx(spread_of(batch, minimum), rel=0.02)


def test_control_a_step_less_would_be_noticed() -> None:
    batch, start = drawn(TRUTHS[2], 92)
    free = np.ones(DRAWS, dtype=bool)
    one, minimum = solve(batch, start, free, steps=1), solve(batch, start, free, accuracy=1e-9)
    off = np.abs(real(one) - real(minimum)) / spread_of(batch, minimum)
    assert off.max() > 0.05


def test_the_minimum_is_where_scipys_curve_fit_ends() -> None:
    truth = TRUTHS[2]
    batch, start = drawn(truth, 93)
    fit = solve(batch, start, np.ones(DRAWS, dtype=bool), accuracy=1e-9)
    f_mid, span = batch.f_mid_hz[0], batch.span_hz[0]

    def model(u: FloatArray, *x: float) -> FloatArray:
        f, f_loaded = f_mid + span * u, f_mid + span * x[0]
        t = f / f_loaded - f_loaded / f
        q = np.exp(x[1]) * f_loaded / span
        locus = complex(x[3], x[4]) + complex(x[5], x[6]) / (1 + 1j * q * t)
        whole = locus * np.exp(-1j * x[2] * u)
        return np.concatenate([whole.real, whole.imag])

    for row in range(5):
        y = np.concatenate([batch.gamma[row].real, batch.gamma[row].imag])
        fitted, covariance = curve_fit(model, batch.position[row], y, p0=real(fit)[row])
        spread = np.sqrt(np.diag(covariance))
        assert (np.abs(fitted - real(fit)[row]) / spread).max() < 1e-3
        assert spread == pytest.approx(spread_of(batch, fit)[row], rel=0.01)


@pytest.mark.parametrize("group", [2, 3, 5])
def test_averages_without_blur_stand_for_the_points_in_their_middle(group: int) -> None:
    truth = Truth(points=240, span_bandwidths=6)
    batch = SweepBatch.of(truth.f_hz[None], truth.reflection()[None], np.ones((1, 240)))
    averaged = batch.binned(240 // group)
    f = averaged.f_hz[0]
    t = f / truth.f_loaded_hz - truth.f_loaded_hz / f
    d = 2 * truth.coupling_factor / (1 + truth.coupling_factor)
    expected = np.exp(1j * truth.angle) * (1 - d / (1 + 1j * truth.q_loaded * t))
    blurred = np.abs(averaged.gamma[0] - expected)[1:-1].max()
    sharp = np.abs(averaged.sharpened(group).gamma[0] - expected)[1:-1].max()
    assert sharp < 0.15 * blurred


def test_an_average_that_lacks_a_point_is_left_as_it_is_and_so_are_its_neighbours() -> None:
    truth = Truth(points=240, span_bandwidths=6)
    weight = np.ones((1, 240))
    weight[0, 120:123] = 0
    weight[0, 60] = 0
    batch = SweepBatch.of(truth.f_hz[None], truth.reflection()[None] * weight, weight)
    averaged = batch.binned(80)
    changed = np.flatnonzero(averaged.sharpened(3).gamma[0] != averaged.gamma[0])
    assert set(range(80)) - set(changed.tolist()) == {0, 19, 20, 21, 39, 40, 41, 79}
