"""The circle's unknowns averaged over the drifts that a sweep may have seen.

The posteriors of all models are averaged with their weights (Bayesian model averaging: J. A.
Hoeting et al., Statistical Science 14, 382, 1999, memory). A step's position and size are unknown;
a smooth drift has normal coefficients whose variance is the one that makes the residual likeliest
(empirical Bayes).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sweeplab.resonance.drift.score import (
    MIN_SMOOTH_SHARE,
    RESIDUAL,
    SMOOTH_MODELS,
    STEP_MODELS,
    DriftModel,
    Projection,
    RowScore,
    basis_from_origin,
    smooth_projection,
    step_projection,
)
from sweeplab.sweep import FloatArray

# A share of information below this is rounding.
_ROUNDING = 1e-10
# Prior variances of a smooth drift's coefficients, as chi-square of the best determined one.
_PRIOR_CHI2 = np.exp(np.linspace(math.log(0.1), math.log(1e7), 55))
_DECAYS = (0.0, 1.0, 2.0)
# Amplitude and phase may drift together or either alone.
DRIFT_MODELS = STEP_MODELS + tuple(
    DriftModel(model.quantity, model.vectors, decay)
    for model in (*SMOOTH_MODELS, DriftModel("reflection", (7,)), DriftModel("reflection", (8,)))
    for decay in _DECAYS
)


@dataclass(frozen=True, eq=False)
class DriftPosterior:
    """What one model of drift makes of the circle's free unknowns.

    Parameters
    ----------
    model : DriftModel
    log_evidence : float
        Logarithm of the marginal likelihood, over that without drift.
    mean : ndarray, shape (f,)
        Of the unknowns' shifts.
    second_moment : ndarray, shape (f, f)
        Mean of the products of the shifts.
    best_shift : ndarray, shape (f,)
        Shifts for the likeliest drift.
    best_drift : ndarray, shape (2, n)
        Change of the reflection by that drift, weighted.
    step_index : int or None
        First point after the likeliest step; None of a smooth drift.
    """

    model: DriftModel
    log_evidence: float
    mean: FloatArray
    second_moment: FloatArray
    best_shift: FloatArray
    best_drift: FloatArray
    step_index: int | None


def drift_posteriors(
    row_score: RowScore, models: tuple[DriftModel, ...]
) -> tuple[list[DriftPosterior], float]:
    """Return each model's posterior, and the variance of the noise per quadrature."""
    steps = {model: step_projection(row_score, model) for model in models if model.decay is None}
    widest = [
        smooth_projection(row_score, model).identifiable(MIN_SMOOTH_SHARE)
        for model in SMOOTH_MODELS
    ]
    variance = _noise_variance(row_score, [*steps.values(), *widest])
    posteriors = [
        _step_posterior(row_score, model, projection, variance)
        for model, projection in steps.items()
    ]
    posteriors += [
        _smooth_posterior(row_score, model, variance) for model in models if model.decay is not None
    ]
    return posteriors, variance


def _noise_variance(row_score: RowScore, projections: list[Projection]) -> float:
    """Return the least variance that any of the drifts leaves."""
    residuals = [
        (
            row_score.rss - float(projection.rss_reduction.max()),
            row_score.dof - int((projection.information > 0).sum(axis=1).max()),
        )
        for projection in projections
    ]
    # A drift of as many coefficients as points leaves nothing to estimate the noise from.
    variances = [rss / dof for rss, dof in residuals if dof > 0]
    without_drift = row_score.rss / row_score.dof
    return max(min(variances, default=without_drift), 1e-12 * row_score.rss / row_score.dof)


def _step_posterior(
    row_score: RowScore, model: DriftModel, projection: Projection, noise_variance: float
) -> DriftPosterior:
    chi2 = projection.rss_reduction / noise_variance
    seen = projection.information > 0
    parameters = np.maximum(seen.sum(axis=1), 1)
    # A normal prior whose size is the one that fits best, integrated.
    prior_chi2 = np.maximum(chi2 / parameters, 1)
    log_likelihood = (chi2 - parameters * (1 + np.log(prior_chi2))) / 2
    top = float(log_likelihood.max())
    weight = np.exp(log_likelihood - top)
    total = float(weight.sum())
    weight = weight / total
    sensitivity = projection.sensitivity(row_score)
    means = row_score.shift + np.einsum("kfg,kg->kf", sensitivity, projection.coefficients)
    variances = np.where(seen, noise_variance / np.where(seen, projection.information, 1), 0)
    slopes = sensitivity.transpose(1, 0, 2).reshape(sensitivity.shape[1], -1)
    spread = (slopes * (weight[:, None] * variances).ravel()) @ slopes.T
    best = int(weight.argmax())
    step_index = (best + 1) * row_score.bin_points
    within = row_score.inverse_information * noise_variance + spread
    return DriftPosterior(
        model=model,
        log_evidence=top + math.log(total / weight.size),
        mean=weight @ means,
        second_moment=within + (means.T * weight) @ means,
        best_shift=means[best],
        best_drift=_step_drift(row_score, model, projection, best, step_index),
        step_index=step_index,
    )


def _step_drift(
    row_score: RowScore, model: DriftModel, projection: Projection, best: int, step_index: int
) -> FloatArray:
    """Return the change of the reflection by the best step, weighted, shape (2, n)."""
    drift = np.zeros_like(row_score.vectors[0])
    after = step_index > row_score.origin
    changed, sign = (np.s_[step_index:], 1) if after else (np.s_[:step_index], -1)
    coefficients = projection.eigenvectors[best] @ projection.coefficients[best]
    vectors = row_score.vectors[list(model.vectors)][:, :, changed]
    drift[:, changed] = sign * np.tensordot(coefficients, vectors, axes=1)
    return np.asarray(drift)


def _smooth_posterior(
    row_score: RowScore, model: DriftModel, noise_variance: float
) -> DriftPosterior:
    projection = smooth_projection(row_score, model).identifiable(_ROUNDING)
    information, score = projection.information[0], projection.score[0]
    # Every coefficient has the same prior variance: the one that makes the residual likeliest.
    priors = _PRIOR_CHI2[:, None] * noise_variance / max(float(information.max()), 1e-300)
    explained = priors * information / (noise_variance + priors * information)
    seen = information > 0
    chi2 = np.where(seen, score**2 / np.where(seen, information, 1), 0) / noise_variance
    log_likelihood = (explained * chi2 + np.log1p(-explained)).sum(axis=1) / 2
    best = int(log_likelihood.argmax())
    posterior_information = information + noise_variance / float(priors[best, 0])
    coefficients = score / posterior_information
    sensitivity = projection.sensitivity(row_score)[0]
    mean = row_score.shift + sensitivity @ coefficients
    spread = noise_variance * (sensitivity / posterior_information) @ sensitivity.T
    by_vector = (projection.eigenvectors[0] @ coefficients).reshape(len(model.vectors), -1)
    drifts = by_vector @ basis_from_origin(row_score)
    within = row_score.inverse_information * noise_variance + spread
    return DriftPosterior(
        model=model,
        log_evidence=float(log_likelihood[best]),
        mean=mean,
        second_moment=within + np.outer(mean, mean),
        best_shift=mean,
        best_drift=np.einsum("gi,gci->ci", drifts, row_score.vectors[list(model.vectors)]),
        step_index=None,
    )


def model_average(posteriors: list[DriftPosterior]) -> tuple[FloatArray, FloatArray]:
    """Return mean, shape (f,), and covariance, (f, f), of the unknowns' shifts over all models."""
    log_evidence = np.array([posterior.log_evidence for posterior in posteriors])
    weight = np.exp(log_evidence - log_evidence.max())
    weight /= weight.sum()
    means = np.array([posterior.mean for posterior in posteriors])
    moments = np.array([posterior.second_moment for posterior in posteriors])
    mean = np.einsum("a,af->f", weight, means)
    return mean, np.einsum("a,afe->fe", weight, moments) - np.outer(mean, mean)


def residual_without(row_score: RowScore, posterior: DriftPosterior) -> FloatArray:
    """Return the residual less the likeliest drift and its shift, weighted, shape (2, n)."""
    shifted = np.tensordot(posterior.best_shift, row_score.vectors[row_score.free], axes=1)
    return np.asarray(row_score.vectors[RESIDUAL] - shifted - posterior.best_drift)
