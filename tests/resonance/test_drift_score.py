"""Score tests for drift against plain linear least squares with the drift as columns of its own."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from simulated import Truth, white

from sweeplab.resonance.circle.batch import CircleFit, SweepBatch
from sweeplab.resonance.circle.fit import BatchFit, fit_batch
from sweeplab.resonance.drift.model_average import (
    DRIFT_MODELS,
    drift_posteriors,
    model_average,
    residual_without,
)
from sweeplab.resonance.drift.prefilter import _BatchScore
from sweeplab.resonance.drift.score import (
    RESIDUAL,
    SMOOTH_MODELS,
    STEP_MODELS,
    TANGENTS,
    DriftModel,
    RowScore,
    basis_from_origin,
    cosine_basis,
    row_vectors,
    smooth_projection,
    step_projection,
)
from sweeplab.sweep import FloatArray, IndexArray

TRUTH = Truth(points=61, off_centre=0.4, noise=1e-3, theta=0.6)
FREE = np.arange(TANGENTS)
WITHOUT_DELAY = np.array([0, 1, 3, 4, 5, 6])


def fitted(seed: int = 81) -> BatchFit:
    gamma = TRUTH.sweep(np.random.default_rng(seed)).gamma
    gamma = gamma * np.where(np.arange(TRUTH.points) >= 44, 1.004, 1.0)
    weight = np.ones((1, TRUTH.points))
    weight[0, 13] = 0.0
    batch = SweepBatch.of(TRUTH.f_hz[None], gamma[None] * weight, weight)
    return fit_batch(batch, np.zeros(1, dtype=bool))


def row_score(free: IndexArray = FREE, bin_points: int = 1) -> RowScore:
    fits = fitted()
    # A circle near the fitted one: the tangents' score is not zero there.
    near = replace(fits.fit, p=fits.fit.p + np.array([[2e-4, 1e-3, 1e-3]]))
    return RowScore.from_fit(fits.batch, near, free, bin_points)


def rss(columns: FloatArray, residual: FloatArray) -> float:
    """Return what least squares on these columns, shape (c, 2, n), leaves of a residual."""
    flat = columns.reshape(len(columns), -1).T
    scale = np.linalg.norm(flat, axis=0)
    flat = flat / np.where(scale > 0, scale, 1)
    found = np.linalg.lstsq(flat, residual.ravel(), rcond=1e-12)[0]
    return float(np.sum((residual.ravel() - flat @ found) ** 2))


def drift_columns(score: RowScore, model: DriftModel, shape: FloatArray) -> FloatArray:
    return score.vectors[list(model.vectors)] * shape


def step_shape(score: RowScore, first: int) -> FloatArray:
    """Return one after the step, or minus one before it where it lies below the resonance."""
    after = np.arange(score.vectors.shape[2]) >= first
    return np.where(after, 1.0, 0.0) - (1.0 if first <= score.origin else 0.0)


def test_tangents_are_the_derivatives_of_the_model() -> None:
    fits = fitted()
    batch, fit = fits.batch, fits.fit
    vectors = row_vectors(batch, fit)

    def residual(changed: CircleFit) -> FloatArray:
        return row_vectors(batch, changed)[RESIDUAL]

    for tangent, (of, k, unit) in enumerate(
        [("p", 0, 1.0), ("p", 1, 1.0), ("p", 2, 1.0)]
        + [("linear", k, unit) for k in (0, 1) for unit in (1.0, 1j)]
    ):
        step = 1e-5
        values = [getattr(fit, of).copy() for _ in range(2)]
        values[0][0, k] += step * unit
        values[1][0, k] -= step * unit
        up, down = (residual(replace(fit, **{of: value})) for value in values)
        if (of, k) == ("p", 2):
            # In the turned frame a phase turns the data: the model falls behind by the same.
            continue
        slope = (down - up) / (2 * step)
        assert vectors[tangent] == pytest.approx(slope, abs=1e-6 * np.abs(slope).max())
    model = vectors[7, 0] + 1j * vectors[7, 1]
    f_hz = TRUTH.f_hz
    position = (f_hz - (f_hz[0] + f_hz[-1]) / 2) / (f_hz[-1] - f_hz[0])
    assert vectors[8, 0] + 1j * vectors[8, 1] == pytest.approx(1j * model)
    assert vectors[2, 0] + 1j * vectors[2, 1] == pytest.approx(-1j * position * model)
    drop = complex(fit.linear[0, 1])
    lorentzian = vectors[5, 0] + 1j * vectors[5, 1]
    assert vectors[9, 0] + 1j * vectors[9, 1] == pytest.approx(drop * lorentzian)
    assert not vectors[:, :, 13].any()


@pytest.mark.parametrize("free", [FREE, WITHOUT_DELAY])
def test_without_drift_it_is_the_least_squares_of_the_tangents(free: IndexArray) -> None:
    score = row_score(free)
    residual = score.vectors[RESIDUAL]
    assert score.rss == pytest.approx(rss(score.vectors[free], residual), rel=1e-7)
    assert score.dof == 2 * 60 - free.size
    shifted = residual - np.tensordot(score.shift, score.vectors[free], axes=1)
    assert float((shifted**2).sum()) == pytest.approx(score.rss, rel=1e-7)
    assert score.origin == int(np.abs(TRUTH.f_hz - TRUTH.f_loaded_hz).argmin())


@pytest.mark.parametrize("model", STEP_MODELS)
@pytest.mark.parametrize("bin_points", [1, 4])
def test_a_step_gains_what_least_squares_gains_with_it(model: DriftModel, bin_points: int) -> None:
    score = row_score(bin_points=bin_points)
    projection = step_projection(score, model)
    tangents, residual = score.vectors[FREE], score.vectors[RESIDUAL]
    for k in range(len(projection.rss_reduction)):
        # Close to the ends a step is not identifiable to the last digit.
        if projection.information[k, 0] <= 1e-3:
            continue
        first = (k + 1) * bin_points
        columns = drift_columns(score, model, step_shape(score, first))
        left = rss(np.concatenate([tangents, columns]), residual)
        assert score.rss - projection.rss_reduction[k] == pytest.approx(left, rel=1e-5)


@pytest.mark.parametrize("model", SMOOTH_MODELS)
def test_smooth_drift_gains_what_least_squares_gains_with_it(model: DriftModel) -> None:
    score = row_score()
    projection = smooth_projection(score, model).identifiable(1e-9)
    basis = cosine_basis(TRUTH.points)
    columns = [drift_columns(score, model, one - one[score.origin]) for one in basis]
    every = np.concatenate([score.vectors[FREE], *columns])
    left = rss(every, score.vectors[RESIDUAL])
    assert score.rss - projection.rss_reduction[0] == pytest.approx(left, rel=1e-3)


def test_the_cosines_are_orthogonal_and_begin_with_half_a_period() -> None:
    basis = cosine_basis(50)
    # The discrete cosine transform of type II (e.g. N. Ahmed et al., IEEE Trans. Comput. 23, 90,
    # 1974, memory).
    assert basis @ basis.T == pytest.approx(25 * np.eye(16), abs=1e-12)
    assert (np.diff(basis[0]) < 0).all()
    assert np.sum(np.diff(np.sign(basis[-1])) != 0) == 16
    score = row_score()
    assert not basis_from_origin(score)[:, score.origin].any()


@pytest.mark.parametrize("kind", range(3))
def test_prefilter_without_averaging_has_the_chi_square_of_the_score_test(kind: int) -> None:
    fits = fitted()
    score = RowScore.from_fit(fits.batch, fits.fit, FREE, 1)
    sigma2 = float(fits.sigma[0]) ** 2
    exact = replace(fits, covariance=score.inverse_information[None] * sigma2)
    found = float(_BatchScore.from_fits(exact, np.array([0]), 1)._step_chi_square()[0, kind])
    model = STEP_MODELS[kind]
    alone = [step_projection(score, replace(model, vectors=(one,))) for one in model.vectors]
    # Of each vector's own power two hundredths at least are not absorbed by the circle.
    identifiable = np.array([one.information[:, 0] > 0.02 for one in alone])
    gains = np.where(identifiable, [one.rss_reduction for one in alone], 0)
    # Amplitude and phase are taken as independent; loss and coupling are not.
    gain = gains.sum(axis=0)
    if model.quantity == "loss":
        both = identifiable.all(axis=0)
        gain = np.where(both, step_projection(score, model).rss_reduction, gains.max(axis=0))
    assert found == pytest.approx(gain.max() / sigma2, rel=1e-6)


def test_likelihood_ratio_is_bartletts() -> None:
    score = replace(row_score(), rss=3.0, dof=100.0)
    # Of p parameters more: (dof - p/2 - 1) ln(rss0/rss1), e.g. K. V. Mardia et al., Multivariate
    # Analysis, 1979, 6.3 (memory).
    assert score.likelihood_ratio(1.0, 4) == pytest.approx(97 * math.log(3 / 2))
    assert score.likelihood_ratio(3.0, 4) == pytest.approx(97 * math.log(1e12), rel=1e-9)


def test_a_steps_posterior_is_the_weighted_mean_of_least_squares() -> None:
    score = row_score()
    model = STEP_MODELS[0]
    (posterior,), variance = drift_posteriors(score, (model,))
    projection = step_projection(score, model)
    flat = score.vectors.reshape(11, -1)
    shifts, moments, logs = [], [], []
    for k in range(TRUTH.points - 1):
        seen = int((projection.information[k] > 0).sum())
        if seen < 2:
            # By the score test itself: least squares does not know what is not identifiable.
            slopes = projection.sensitivity(score)[k]
            shift = score.shift + slopes @ projection.coefficients[k]
            inverse = 1 / np.where(projection.information[k] > 0, projection.information[k], np.inf)
            spread = score.inverse_information + (slopes * inverse) @ slopes.T
        else:
            columns = drift_columns(score, model, step_shape(score, k + 1)).reshape(2, -1)
            design = np.concatenate([flat[FREE], columns]).T
            scale = np.linalg.norm(design, axis=0)
            inverse = np.linalg.inv((design / scale).T @ (design / scale)) / scale / scale[:, None]
            shift = (inverse @ design.T @ flat[RESIDUAL])[:TANGENTS]
            spread = inverse[:TANGENTS, :TANGENTS]
        chi2 = projection.rss_reduction[k] / variance
        parameters = max(seen, 1)
        logs.append((chi2 - parameters * (1 + math.log(max(chi2 / parameters, 1)))) / 2)
        shifts.append(shift)
        moments.append(variance * spread + np.outer(shift, shift))
    weight = np.exp(logs - np.max(logs))
    weight /= weight.sum()
    assert posterior.log_evidence == pytest.approx(np.log(np.mean(np.exp(logs))))
    assert posterior.mean == pytest.approx(weight @ np.array(shifts), rel=1e-4)
    expected = np.einsum("k,kfe->fe", weight, np.array(moments))
    scale = np.sqrt(np.diag(expected))
    assert posterior.second_moment / scale / scale[:, None] == pytest.approx(
        expected / scale / scale[:, None], abs=1e-4
    )
    assert posterior.step_index == 44


def test_a_smooth_drifts_posterior_is_ridge_regression() -> None:
    # Normal coefficients of equal variance in their scaled units: A. E. Hoerl & R. W. Kennard,
    # Technometrics 12, 55, 1970 (memory).
    score = row_score()
    model = DriftModel("resonance", (0,), 1.0)
    (posterior,), variance = drift_posteriors(score, (model,))
    basis = cosine_basis(TRUTH.points)
    columns = np.concatenate(
        [drift_columns(score, model, one - one[score.origin]) for one in basis]
    ).reshape(16, -1)
    # A coefficient's unit is what moves the reflection by one, over the order of the cosine.
    columns = columns / np.linalg.norm(columns, axis=1)[:, None] / np.arange(1, 17)[:, None]
    tangents, residual = score.vectors[FREE].reshape(TANGENTS, -1), score.vectors[RESIDUAL].ravel()
    scale = np.linalg.norm(tangents, axis=1)
    q, _ = np.linalg.qr((tangents / scale[:, None]).T)
    projected = columns - (columns @ q) @ q.T
    power = np.linalg.svd(projected, compute_uv=False)[0] ** 2
    best, evidence = 0.0, -np.inf
    for prior in np.exp(np.linspace(math.log(0.1), math.log(1e7), 55)) * variance / power:
        covariance = variance * np.eye(residual.size) + prior * projected.T @ projected
        rest = residual - q @ (q.T @ residual)
        log = -(np.linalg.slogdet(covariance)[1] + rest @ np.linalg.solve(covariance, rest)) / 2
        if log > evidence:
            best, evidence = prior, log
    design = np.concatenate([tangents / scale[:, None], columns]).T
    normal = design.T @ design
    normal[range(TANGENTS, TANGENTS + 16), range(TANGENTS, TANGENTS + 16)] += variance / best
    inverse = np.linalg.inv(normal)
    found = inverse @ design.T @ residual
    assert posterior.mean * scale == pytest.approx(found[:TANGENTS], abs=1e-5 * np.abs(found).max())
    expected = variance * inverse[:TANGENTS, :TANGENTS] + np.outer(
        found[:TANGENTS], found[:TANGENTS]
    )
    assert posterior.second_moment * scale * scale[:, None] == pytest.approx(
        expected, abs=1e-5 * np.abs(expected).max()
    )
    none = -(residual.size * math.log(variance) + rest @ rest / variance) / 2
    assert posterior.log_evidence == pytest.approx(evidence - none, abs=1e-3)
    drift = (found[TANGENTS:] @ columns).reshape(2, -1)
    assert posterior.best_drift == pytest.approx(drift, abs=1e-4 * np.abs(drift).max())
    assert posterior.step_index is None


def test_models_are_averaged_by_their_evidence() -> None:
    score = row_score()
    posteriors, _ = drift_posteriors(score, DRIFT_MODELS)
    assert [p.model for p in posteriors] == list(DRIFT_MODELS)
    mean, covariance = model_average(posteriors)
    total = sum(math.exp(p.log_evidence) for p in posteriors)
    expected = sum(math.exp(p.log_evidence) / total * p.mean for p in posteriors)
    square = sum(math.exp(p.log_evidence) / total * p.second_moment for p in posteriors)
    assert mean == pytest.approx(expected)
    assert covariance == pytest.approx(square - np.outer(expected, expected))


@pytest.mark.parametrize("first", [12, 44])
def test_what_the_likeliest_step_leaves_is_noise(first: int) -> None:
    rng = np.random.default_rng(82)
    gamma = TRUTH.reflection() * np.where(np.arange(TRUTH.points) >= first, 1.01, 1.0)
    gamma = gamma + white(rng, TRUTH.points, TRUTH.noise)
    weight = np.ones((1, TRUTH.points))
    fits = fit_batch(SweepBatch.of(TRUTH.f_hz[None], gamma[None], weight), np.zeros(1, dtype=bool))
    score = RowScore.from_fit(fits.batch, fits.fit, FREE, 1)
    (posterior,), variance = drift_posteriors(score, STEP_MODELS[:1])
    left = float((residual_without(score, posterior) ** 2).sum())
    assert posterior.step_index == first
    gain = float(step_projection(score, STEP_MODELS[0]).rss_reduction[first - 1])
    assert left == pytest.approx(score.rss - gain, rel=1e-6)
    # Seven unknowns of the circle and two of the step.
    assert variance == pytest.approx(left / (2 * TRUTH.points - 7 - 2), rel=1e-6)
    low, high = stats.chi2.ppf([1e-5, 1 - 1e-5], 2 * TRUTH.points - 9)
    assert low < left / TRUTH.noise**2 < high
