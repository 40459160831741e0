"""The quick look for movement: lets few still sweeps pass and loses few that moved."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from simulated import Truth, white
from studies.interference import WHAT

from sweeplab.resonance.circle.batch import IndexArray, SweepBatch
from sweeplab.resonance.circle.fit import BatchFit, fit_batch
from sweeplab.resonance.drift.prefilter import _BatchScore, may_have_drifted
from sweeplab.resonance.drift.score import STEPS, RowScore, _principal, noticed, steps
from sweeplab.sweep import ComplexArray

LIMIT = 4.0
FREE = np.arange(7)


def fitted(truth: Truth, gamma: ComplexArray, draws: int, seed: int) -> BatchFit:
    rng = np.random.default_rng(seed)
    noise = np.stack([white(rng, truth.points, truth.noise) for _ in range(draws)])
    rows = SweepBatch.of(np.tile(truth.f_hz, (draws, 1)), gamma + noise, np.ones(noise.shape))
    return fit_batch(rows, np.zeros(draws, dtype=bool))


def stepping(truth: Truth, what: str, size: float) -> ComplexArray:
    """Return the reflection with a step at six tenths, by `size` times the noise."""
    course = np.where(np.arange(truth.points) >= 0.6 * truth.points, 1.0, 0.0)
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
        return np.where(course > 0, worse.reflection(), truth.reflection())
    return WHAT[what](truth, course, size * truth.noise)


def thorough(fits: BatchFit, row: int) -> RowScore:
    one: IndexArray = np.array([row])
    return RowScore.at(fits.batch.take(one), fits.fit.take(one), FREE, 1)


@pytest.mark.parametrize(("points", "widths"), [(51, 5.0), (201, 6.0), (401, 10.0)])
def test_hardly_one_still_sweep_in_a_hundred_passes(points: int, widths: float) -> None:
    truth = Truth(points=points, span_bandwidths=widths, off_centre=0.2, noise=1e-3)
    passed = may_have_drifted(fitted(truth, truth.reflection(), 600, 71))
    assert passed.mean() < 0.01 + LIMIT * np.sqrt(0.01 / 600)


@pytest.mark.parametrize(
    ("what", "size"), [("amplitude", 1.5), ("phase", 2), ("the resonance", 6), ("loss", 10)]
)
def test_what_the_thorough_look_notices_it_loses_seldom(what: str, size: float) -> None:
    truth = Truth(off_centre=0.2, noise=1e-3)
    fits = fitted(truth, stepping(truth, what, size), 100, 72)
    seen = np.array([noticed(thorough(fits, row)) for row in range(100)])
    assert seen.sum() > 20
    lost = (seen & ~may_have_drifted(fits)).sum()
    assert lost <= 0.06 * seen.sum() + LIMIT * np.sqrt(0.06 * seen.sum())


def test_control_a_look_that_forgets_the_circles_unknowns_loses_steps() -> None:
    # With nothing taken out, a step is held against the whole of what it moves.
    truth = Truth(off_centre=0.2, noise=1e-3)
    fits = fitted(truth, stepping(truth, "phase", 2.5), 100, 73)
    alone = replace(fits, covariance=np.zeros_like(fits.covariance))
    assert may_have_drifted(fits).sum() > may_have_drifted(alone).sum() + 30


def test_on_every_point_a_step_of_the_resonance_is_worth_what_the_thorough_look_says() -> None:
    truth = Truth(points=101, off_centre=0.2, noise=1e-3)
    fits = fitted(truth, stepping(truth, "the resonance", 10), 5, 74)
    found = _BatchScore.at(fits, np.arange(5), 1)._steps()[:, 1]
    for row in range(5):
        gain = float(steps(thorough(fits, row), STEPS[1]).gain.max())
        # The covariance is that of the point before the fit's last step.
        assert found[row] == pytest.approx(gain / fits.sigma[row] ** 2, rel=0.05)


def test_directions_in_closed_form_are_those_of_linear_algebra() -> None:
    random = np.random.default_rng(76).standard_normal((40, 2, 2))
    given = np.concatenate([
        random @ random.transpose(0, 2, 1), [np.eye(2), np.diag([1.0, 2.0]), np.diag([2.0, 1.0])],
    ])  # fmt: skip
    power, ways = _principal(given)
    assert power == pytest.approx(np.linalg.eigvalsh(given), abs=1e-13)
    assert given @ ways == pytest.approx(ways * power[:, None, :], abs=1e-13)
    assert ways.transpose(0, 2, 1) @ ways == pytest.approx(
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
