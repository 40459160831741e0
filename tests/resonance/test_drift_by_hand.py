"""Score tests of drift against plain least squares with the drift as a further unknown."""

from __future__ import annotations

import math

import numpy as np
import pytest
from simulated import Truth, white

from sweeplab.resonance.circle.batch import SweepBatch
from sweeplab.resonance.circle.varpro import solve
from sweeplab.resonance.drift.correct import drift_not_tested_finding
from sweeplab.resonance.drift.model_average import DriftPosterior, model_average
from sweeplab.resonance.drift.score import (
    SMOOTH_MODELS,
    STEP_MODELS,
    DriftModel,
    RowScore,
    _bin_products,
    _eigen,
    basis_from_origin,
    cosine_basis,
    row_vectors,
    smooth_projection,
    step_projection,
)
from sweeplab.sweep import FloatArray

POINTS = 61
FREE = np.arange(7)


@pytest.fixture(scope="module")
def row_score() -> RowScore:
    """Of a noisy sweep off the middle of its span, every point a bin of its own."""
    truth = Truth(points=POINTS, off_centre=0.5, coupling_factor=0.8)
    gamma = truth.reflection() + white(np.random.default_rng(1), POINTS, 0.01)
    batch = SweepBatch.of(truth.f_hz[None], gamma[None], np.ones((1, POINTS)))
    start = np.array([[0.5 / 6, math.log(6), 0.0]])
    return RowScore.from_fit(batch, solve(batch, start, np.ones(1, dtype=bool)), FREE, 1)


def rss_of(columns: FloatArray, residual: FloatArray) -> float:
    """Sum of squares that least squares over the columns leaves."""
    left = residual - columns.T @ np.linalg.lstsq(columns.T, residual, rcond=None)[0]
    return float(left @ left)


def flat(vectors: FloatArray) -> FloatArray:
    """Real parts, then imaginary parts."""
    return np.asarray(vectors.reshape(len(vectors), -1))


def test_the_circle_alone_leaves_its_least_squares(row_score: RowScore) -> None:
    vectors = flat(row_score.vectors)
    assert row_score.rss == pytest.approx(rss_of(vectors[:7], vectors[10]), rel=1e-9)
    assert row_score.dof == 2 * POINTS - 7
    # The resonance lies 0.5/6 of the span above its middle.
    assert row_score.origin == 30 + 5


@pytest.mark.parametrize("model", STEP_MODELS, ids=lambda model: model.quantity)
def test_each_step_takes_off_what_least_squares_does(
    row_score: RowScore, model: DriftModel
) -> None:
    found = step_projection(row_score, model).rss_reduction
    vectors = row_score.vectors
    for end in (3, 15, 30, 35, 36, 45, 57):
        mask = np.arange(POINTS) >= end
        if end <= row_score.origin:
            mask = ~mask
        drift = vectors[list(model.vectors)] * mask
        columns = flat(np.concatenate([vectors[:7], drift]))
        by_hand = row_score.rss - rss_of(columns, flat(vectors)[10])
        assert found[end - 1] == pytest.approx(by_hand, rel=1e-4, abs=1e-9)


@pytest.mark.parametrize("model", SMOOTH_MODELS, ids=lambda model: model.quantity)
def test_a_smooth_drift_takes_off_what_least_squares_does(
    row_score: RowScore, model: DriftModel
) -> None:
    projection = smooth_projection(row_score, model).identifiable(1e-10)
    basis = basis_from_origin(row_score)
    drift = np.concatenate([row_score.vectors[k] * basis[:, None] for k in model.vectors])
    columns = flat(np.concatenate([row_score.vectors[:7], drift]))
    by_hand = row_score.rss - rss_of(columns, flat(row_score.vectors)[10])
    assert projection.rss_reduction[0] == pytest.approx(by_hand, rel=1e-3)


def test_a_drift_shifts_the_unknowns_as_least_squares_does(row_score: RowScore) -> None:
    (model,) = [model for model in STEP_MODELS if model.quantity == "resonance"]
    projection = step_projection(row_score, model)
    sensitivity = projection.sensitivity(row_score)
    mask = np.arange(POINTS) >= 45
    vectors = row_score.vectors
    columns = flat(np.concatenate([vectors[:7], vectors[[0]] * mask]))
    whole = np.linalg.lstsq(columns.T, flat(vectors)[10], rcond=None)[0]
    shift = row_score.shift + sensitivity[44, :, 0] * projection.coefficients[44, 0]
    assert shift == pytest.approx(whole[:7], rel=1e-3, abs=1e-6)


def test_products_in_bins_sum_to_the_whole(row_score: RowScore) -> None:
    vectors = row_score.vectors
    products = _bin_products(vectors, 7)
    assert products.shape == (9, 11, 11)
    np.testing.assert_allclose(
        products[2], flat(vectors[:, :, 14:21]) @ flat(vectors[:, :, 14:21]).T
    )
    np.testing.assert_allclose(products[8], flat(vectors[:, :, 56:]) @ flat(vectors[:, :, 56:]).T)


def test_vectors_are_the_slopes_by_drift() -> None:
    truth = Truth(points=21)
    weight = np.random.default_rng(2).uniform(0.5, 2, (1, 21))
    batch = SweepBatch.of(truth.f_hz[None], truth.reflection()[None], weight)
    fit = solve(batch, np.array([[0, math.log(6), 0.0]]), np.ones(1, dtype=bool))
    rows = row_vectors(batch, fit)
    vectors = (rows[:, 0] + 1j * rows[:, 1]) / np.sqrt(weight[0])
    np.testing.assert_allclose(vectors[10], 0, atol=1e-6)
    np.testing.assert_allclose(vectors[7], truth.reflection(), atol=1e-5)
    np.testing.assert_allclose(vectors[8], 1j * truth.reflection(), atol=1e-5)
    np.testing.assert_allclose(vectors[3:5], [np.ones(21), np.full(21, 1j)])
    np.testing.assert_allclose(vectors[9], fit.linear[0, 1] * vectors[5])


def test_cosines_are_orthogonal() -> None:
    basis = cosine_basis(50)
    assert basis.shape == (16, 50)
    np.testing.assert_allclose(basis @ basis.T, 25 * np.eye(16), atol=1e-10)


@pytest.mark.parametrize("order", [1, 2, 3])
def test_eigenvalues_and_vectors(order: int) -> None:
    a = np.random.default_rng(order).normal(size=(5, order, order))
    symmetric = a + a.transpose(0, 2, 1)
    values, vectors = _eigen(symmetric)
    assert (np.diff(values, axis=1) >= 0).all()
    np.testing.assert_allclose(symmetric @ vectors, vectors * values[:, None], atol=1e-12)
    np.testing.assert_allclose(
        vectors.transpose(0, 2, 1) @ vectors, np.tile(np.eye(order), (5, 1, 1)), atol=1e-12
    )


def test_likelihood_ratio_by_bartletts_factor(row_score: RowScore) -> None:
    half = row_score.likelihood_ratio(row_score.rss / 2, 4)
    assert half == pytest.approx((row_score.dof - 3) * math.log(2))
    assert math.isfinite(row_score.likelihood_ratio(2 * row_score.rss, 4))


def test_average_of_models_is_that_of_their_mixture() -> None:
    # Evidences as 1 to 3; means 0 and 4, variances 1 and 2: mean 3, and
    # variance (1 * 1 + 3 * (2 + 16))/4 - 9 = 4.75.
    def posterior(log_evidence: float, mean: float, variance: float) -> DriftPosterior:
        at = np.array([mean])
        moment = np.array([[variance + mean**2]])
        return DriftPosterior(
            STEP_MODELS[0], log_evidence, at, moment, at, np.zeros((2, 1)), step_index=None
        )

    pair = [posterior(800.0, 0.0, 1.0), posterior(800.0 + math.log(3), 4.0, 2.0)]
    mean, covariance = model_average(pair)
    assert mean == pytest.approx([3.0])
    assert covariance == pytest.approx(np.array([[4.75]]))


def test_a_sweep_of_too_many_points_says_how_many() -> None:
    finding = drift_not_tested_finding(50_000)
    assert finding.evidence["points"] == 50_000.0
    assert "50000 points" in finding.text
