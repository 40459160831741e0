"""Both sides of every threshold that decides whether something drifted during a sweep."""

from __future__ import annotations

import math
from dataclasses import fields, replace
from types import SimpleNamespace

import numpy as np
import pytest
from simulated import Truth, white
from studies.interference import BASE_TRUTH, DRIFTING

from sweeplab import Sweep, fit_resonance
from sweeplab.resonance.circle.batch import SweepBatch
from sweeplab.resonance.circle.fit import BatchFit, fit_batch
from sweeplab.resonance.circle.varpro import solve
from sweeplab.resonance.drift.correct import (
    Drift,
    DriftCorrectedFit,
    _fit_with_drift,
    _has_resonance,
    _step_for_second_resonance,
    drift_finding,
)
from sweeplab.resonance.drift.prefilter import _BatchScore, _joint_gain
from sweeplab.resonance.drift.score import (
    SMOOTH_MODELS,
    STEP_MODELS,
    Projection,
    RowScore,
    drift_detected,
    rss_with_step,
    step_projection,
)
from sweeplab.sweep import FloatArray

MANY = 1e6  # degrees of freedom: chi-square is known without looking up Student


class TestPrefilter:
    @pytest.mark.parametrize(
        ("kind", "passes", "does_not"),
        [(0, 21.5, 20.5), (1, 18.0, 17.0), (2, 21.0, 20.0)],
        ids=["reflection", "resonance", "loss"],
    )
    def test_lets_a_step_of_such_chi_square_pass(
        self, kind: int, passes: float, does_not: float
    ) -> None:
        assert [
            self.significant(one * np.eye(3)[kind], np.zeros(3)) for one in (passes, does_not)
        ] == [
            True,
            False,
        ]

    @pytest.mark.parametrize(
        ("kind", "passes", "does_not"),
        [(0, 40.0, 38.0), (1, 40.0, 38.0), (2, 49.0, 47.0)],
        ids=["amplitude", "phase", "resonance"],
    )
    def test_lets_a_smooth_drift_of_such_chi_square_pass(
        self, kind: int, passes: float, does_not: float
    ) -> None:
        assert [
            self.significant(np.zeros(3), one * np.eye(3)[kind]) for one in (passes, does_not)
        ] == [
            True,
            False,
        ]

    def significant(self, of_steps: FloatArray, of_drifts: FloatArray) -> bool:
        score = SimpleNamespace(
            _step_chi_square=lambda: of_steps[None], _smooth_chi_square=lambda: of_drifts[None]
        )
        return bool(_BatchScore.significant(score)[0])  # type: ignore[arg-type]

    @pytest.mark.parametrize(("share", "seen"), [(0.015, False), (0.025, True)])
    def test_ignores_a_step_that_the_circle_absorbs_but_for_two_hundredths(
        self, share: float, seen: bool
    ) -> None:
        cross, inner = np.zeros((1, 7, 5, 1)), np.ones((1, 6, 1))
        # Of the resonance's step all but the share lies along the first tangent.
        cross[0, 0, 2, 0] = math.sqrt(1 - share)

        class Fixed(_BatchScore):
            def _inner_products(self) -> tuple[FloatArray, FloatArray]:
                return cross, inner

        score = np.zeros((1, 4, 1), dtype=complex)
        score[0, 1] = 10.0
        batch_score = Fixed(
            tangents=np.zeros((1, 5, 1), dtype=complex),
            derivatives=np.zeros((1, 4, 1), dtype=complex),
            score=score,
            tangent_score=np.zeros((1, 5), dtype=complex),
            linear=np.ones((1, 2), dtype=complex),
            inverse_information=np.eye(7)[None],
            variance=np.ones((1, 1)),
        )
        assert batch_score._step_chi_square()[0, 1] == pytest.approx(100 / share if seen else 0)

    @pytest.mark.parametrize(("alike", "apart"), [(0.97, True), (0.99, False)])
    def test_separates_loss_and_coupling_up_to_a_squared_correlation_of_98_hundredths(
        self, alike: float, apart: bool
    ) -> None:
        score = np.zeros((1, 5, 1))
        score[0, 3:, 0] = 1.0, -1.0
        both = math.sqrt(alike)
        found = _joint_gain(score**2, score, np.ones((1, 5, 1)), np.array([[both]]))
        # Of two unit vectors with the product c, what both explain is (2 + 2c)/(1 - c^2) here.
        assert found.item() == pytest.approx((2 + 2 * both) / (1 - alike) if apart else 1.0)


def without_smooth_drift(vectors: FloatArray) -> RowScore:
    """Return the score of these vectors, in which no smooth drift shows."""
    row_score = RowScore.from_vectors(vectors, np.array([3]), 1, MANY, 0)
    nothing = Projection(
        np.zeros((1, 1, 16)), np.zeros((1, 16)), np.zeros((1, 16, 16)), np.zeros((1, 16))
    )
    row_score.smooth_projections.update(dict.fromkeys(SMOOTH_MODELS, nothing))
    return row_score


def background() -> FloatArray:
    """Return vectors of one tangent at the first point, and the noise there."""
    vectors = np.zeros((11, 2, 40))
    vectors[3, 0, 0] = 1.0
    vectors[10, 1, 0] = math.sqrt(MANY)
    return vectors


class TestScoreTest:
    @pytest.mark.parametrize(
        ("vector", "chi_square", "seen"),
        [
            (7, 23.0, False),
            (7, 24.0, True),
            (0, 21.5, False),
            (0, 22.5, True),
            (9, 25.0, False),
            (9, 26.0, True),
        ],
    )
    def test_detects_a_step_of_reflection_resonance_or_loss(
        self, vector: int, chi_square: float, seen: bool
    ) -> None:
        vectors = background()
        vectors[vector, 0, -1] = 1.0
        vectors[10, 0, -1] = math.sqrt(chi_square)
        assert drift_detected(without_smooth_drift(vectors)) == seen

    def drifting(self, information: FloatArray, chi_square: FloatArray) -> bool:
        row_score = without_smooth_drift(background())
        count = information.size
        score = np.sqrt(information * chi_square)[None]
        cross_products, eigenvectors = np.zeros((1, 1, count)), np.eye(count)[None]
        row_score.smooth_projections[SMOOTH_MODELS[0]] = Projection(
            cross_products, information[None], eigenvectors, score
        )
        return drift_detected(row_score)

    @pytest.mark.parametrize(("chi_square", "seen"), [(45.0, False), (48.0, True)])
    def test_detects_a_smooth_drift_at_three_and_three_quarter_deviations(
        self, chi_square: float, seen: bool
    ) -> None:
        # 16 (1 - 2/144 + 3.75 sqrt(2/144))^3 = 46.6, Wilson & Hilferty's point of chi-square.
        assert self.drifting(np.ones(16), np.full(16, chi_square / 16)) == seen

    @pytest.mark.parametrize(("share", "seen"), [(6e-4, False), (1.5e-3, True)])
    def test_ignores_a_drift_that_the_circle_absorbs_but_for_a_thousandth(
        self, share: float, seen: bool
    ) -> None:
        assert self.drifting(np.array([share, 1.0]), np.array([100.0, 0.0])) == seen

    @pytest.mark.parametrize(("share", "seen"), [(6e-5, False), (1.5e-4, True)])
    def test_ignores_a_step_that_the_circle_absorbs_but_for_a_ten_thousandth(
        self, share: float, seen: bool
    ) -> None:
        # The tangent is the step itself but for one point, which has the share of its power.
        vectors = np.zeros((11, 2, 2))
        vectors[0, 0] = math.sqrt(share), math.sqrt(1 - share)
        row_score = RowScore.from_vectors(vectors, np.array([0]), 1, MANY, 0)
        assert bool(step_projection(row_score, STEP_MODELS[1]).information.item() > 0) == seen


@pytest.mark.parametrize(
    ("changed", "credible"),
    [
        ({}, True),
        ({"place": 0.49}, True),
        ({"place": 0.51}, False),
        ({"widths": 1.1}, True),
        ({"widths": 0.9}, False),
        ({"gain": 61.0}, True),
        ({"gain": 59.0}, False),
        ({"alternative": 12.5}, True),
        ({"alternative": 11.5}, False),
    ],
)
def test_drift_is_tested_where_there_is_a_resonance(
    changed: dict[str, float], credible: bool
) -> None:
    fit = {"place": 0.0, "widths": 6.0, "gain": 1e4, "alternative": 1e4} | changed
    fitted = SimpleNamespace(
        fit=SimpleNamespace(
            p=np.array([[fit["place"], math.log(fit["widths"]), 0.0]]), rss=np.array([1.0])
        ),
        sigma=np.array([0.1]),
        background_rss=np.array([1 + 0.01 * fit["gain"]]),
        null_rss=np.array([1 + 0.01 * fit["alternative"]]),
        covariance=np.eye(7)[None],
    )
    assert bool(_has_resonance(fitted)[0]) == credible  # type: ignore[arg-type]


@pytest.mark.parametrize(("off", "found"), [(0.20, True), (0.25, False)])
def test_a_circle_that_a_drift_shifts_by_more_than_three_tenths_diverges(
    off: float, found: bool
) -> None:
    # From a circle too wide by exp(off) the first step in ln kappa is 0.26 and 0.37.
    truth = Truth(points=101, noise=1e-3)
    gamma = truth.reflection() + white(np.random.default_rng(0), truth.points, truth.noise)
    rows = SweepBatch.of(truth.f_hz[None], gamma[None], np.ones((1, truth.points)))
    fit = solve(rows, np.array([[0.0, math.log(6.0), 0.0]]), np.ones(1, dtype=bool))
    fit = replace(fit, p=fit.p - np.array([[0.0, off, 0.0]]))
    corrected = _fit_with_drift(rows, fit, RowScore.from_fit(rows, fit, np.arange(7), 1))
    assert (corrected is not None) == found


@pytest.mark.parametrize(("times", "replaced"), [(1.4, True), (1.7, False)])
def test_a_step_takes_a_second_resonances_place_if_it_leaves_half_as_much_again_at_most(
    times: float, replaced: bool
) -> None:
    jumping = np.where(np.arange(BASE_TRUTH.points) >= 0.7 * BASE_TRUTH.points, 1.0, 0.0)
    gamma = DRIFTING["phase"](BASE_TRUTH, jumping, 300 * BASE_TRUTH.noise)
    gamma = gamma + white(np.random.default_rng(2), BASE_TRUTH.points, BASE_TRUTH.noise)
    rows = SweepBatch.of(BASE_TRUTH.f_hz[None], gamma[None], np.ones((1, BASE_TRUTH.points)))
    fitted = fit_batch(rows, np.zeros(1, dtype=bool))
    assert list(fitted.multi) == [0]
    # What the step leaves as seen from the circle that ignores it, and two resonances leave less.
    alone = solve(rows, fitted.fit.p, fitted.delay_free)
    left = rss_with_step(RowScore.from_fit(rows, alone, np.arange(7), 1))
    solution = replace(fitted.fit, rss=np.array([left / times]))
    own = {field.name: getattr(fitted, field.name) for field in fields(BatchFit)}
    fits = DriftCorrectedFit(**(own | {"fit": solution}), drift={})
    after = _step_for_second_resonance(fits, 0, rows)
    assert (after.multi == {}) == replaced
    assert (0 in after.drift) == replaced


@pytest.mark.parametrize(("size", "level"), [(0.0145, "note"), (0.0155, "warning")])
def test_a_drift_is_a_warning_from_three_hundredths_of_the_circle(size: float, level: str) -> None:
    assert drift_finding(Drift("reflection", "step", 50.0, 7.1e6, size), 0.5).level == level


@pytest.mark.parametrize(("points", "tested"), [(20_000, True), (20_001, False)])
def test_over_twenty_thousand_points_are_not_tested_for_drift(points: int, tested: bool) -> None:
    truth = Truth(points=points, noise=1e-3)
    noise = white(np.random.default_rng(4), points, truth.noise)
    # The thorough test of so many points takes seconds: the sweep that is tested has no drift.
    jumping = np.where(np.arange(points) >= 0.6 * points, 1.0 if tested else 1.01, 1.0)
    fit = fit_resonance(Sweep(truth.f_hz, truth.reflection() * jumping + noise))
    codes = {finding.code for finding in fit.findings}
    assert ("movement-not-looked-for" in codes) == (not tested)
    assert "step-in-sweep" not in codes
