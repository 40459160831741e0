"""The quick test for drift: lets few sweeps without drift pass and loses few with it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from simulated import Truth, white
from studies.interference import DRIFTING

from sweeplab.resonance.circle.batch import SweepBatch
from sweeplab.resonance.circle.fit import BatchFit, fit_batch
from sweeplab.resonance.drift.prefilter import _BatchScore, may_have_drifted
from sweeplab.resonance.drift.score import (
    STEP_MODELS,
    RowScore,
    _eigen,
    drift_detected,
    step_projection,
)
from sweeplab.sweep import ComplexArray, IndexArray

LIMIT = 4.0
FREE = np.arange(7)


def fitted(truth: Truth, gamma: ComplexArray, draws: int, seed: int) -> BatchFit:
    rng = np.random.default_rng(seed)
    noise = np.stack([white(rng, truth.points, truth.noise) for _ in range(draws)])
    rows = SweepBatch.of(np.tile(truth.f_hz, (draws, 1)), gamma + noise, np.ones(noise.shape))
    return fit_batch(rows, np.zeros(draws, dtype=bool))


def stepping(truth: Truth, what: str, size: float) -> ComplexArray:
    """Return the reflection with a step at six tenths, by `size` times the noise."""
    drift = np.where(np.arange(truth.points) >= 0.6 * truth.points, 1.0, 0.0)
    if what == "loss":
        # A contact that gives way: less Q, and less of a match, over the same frequencies.
        less = 1 - size * truth.noise
        worse = replace(
            truth,
            q_loaded=truth.q_loaded * less,
            coupling_factor=truth.coupling_factor * less**2,
            span_bandwidths=truth.span_bandwidths * less,
            off_centre=truth.off_centre * less,
        )
        assert np.allclose(worse.f_hz, truth.f_hz, rtol=1e-12)
        return np.where(drift > 0, worse.reflection(), truth.reflection())
    return DRIFTING[what](truth, drift, size * truth.noise)


def thorough(fits: BatchFit, row: int) -> RowScore:
    one: IndexArray = np.array([row])
    return RowScore.from_fit(fits.batch.take(one), fits.fit.take(one), FREE, 1)


@pytest.mark.parametrize(("points", "widths"), [(51, 5.0), (201, 6.0), (401, 10.0)])
def test_hardly_one_sweep_in_a_hundred_without_drift_passes(points: int, widths: float) -> None:
    truth = Truth(points=points, span_bandwidths=widths, off_centre=0.2, noise=1e-3)
    passed = may_have_drifted(fitted(truth, truth.reflection(), 600, 71))
    assert passed.mean() < 0.01 + LIMIT * np.sqrt(0.01 / 600)


@pytest.mark.parametrize(
    ("what", "size"), [("amplitude", 1.5), ("phase", 2), ("the resonance", 6), ("loss", 10)]
)
def test_what_the_thorough_test_detects_is_seldom_lost(what: str, size: float) -> None:
    truth = Truth(off_centre=0.2, noise=1e-3)
    fits = fitted(truth, stepping(truth, what, size), 100, 72)
    seen = np.array([drift_detected(thorough(fits, row)) for row in range(100)])
    assert seen.sum() > 20
    lost = (seen & ~may_have_drifted(fits)).sum()
    assert lost <= 0.06 * seen.sum() + LIMIT * np.sqrt(0.06 * seen.sum())


def test_control_a_test_that_ignores_the_circles_unknowns_loses_steps() -> None:
    # Without projection a step is compared with the whole of what it changes.
    truth = Truth(off_centre=0.2, noise=1e-3)
    fits = fitted(truth, stepping(truth, "phase", 2.5), 100, 73)
    alone = replace(fits, covariance=np.zeros_like(fits.covariance))
    assert may_have_drifted(fits).sum() > may_have_drifted(alone).sum() + 30


def test_without_averaging_a_resonance_step_has_the_chi_square_of_the_thorough_test() -> None:
    truth = Truth(points=101, off_centre=0.2, noise=1e-3)
    fits = fitted(truth, stepping(truth, "the resonance", 10), 5, 74)
    found = _BatchScore.from_fits(fits, np.arange(5), 1)._step_chi_square()[:, 1]
    for row in range(5):
        gain = float(step_projection(thorough(fits, row), STEP_MODELS[1]).rss_reduction.max())
        # The covariance is that of the point before the fit's last step.
        assert found[row] == pytest.approx(gain / fits.sigma[row] ** 2, rel=0.05)


def test_eigenvectors_in_closed_form_are_those_of_linear_algebra() -> None:
    random = np.random.default_rng(76).standard_normal((40, 2, 2))
    given = np.concatenate([
        random @ random.transpose(0, 2, 1), [np.eye(2), np.diag([1.0, 2.0]), np.diag([2.0, 1.0])],
    ])  # fmt: skip
    eigenvalues, eigenvectors = _eigen(given)
    assert eigenvalues == pytest.approx(np.linalg.eigvalsh(given), abs=1e-13)
    assert given @ eigenvectors == pytest.approx(eigenvectors * eigenvalues[:, None, :], abs=1e-13)
    assert eigenvectors.transpose(0, 2, 1) @ eigenvectors == pytest.approx(
        np.tile(np.eye(2), (43, 1, 1)), abs=1e-13
    )


def test_points_set_aside_do_not_count() -> None:
    truth = Truth(points=101, noise=1e-3)
    gamma = truth.reflection()
    gamma[40] += 0.3
    fits = fitted(truth, gamma, 20, 75)
    spoiled = fits.batch.weight.copy()
    spoiled[:, 40] = 0
    measured = fits.batch.with_weight(spoiled)
    assert not may_have_drifted(replace(fits, batch=measured)).any()
