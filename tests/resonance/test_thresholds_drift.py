"""Both sides of every limit that decides whether something moved during a sweep."""

from __future__ import annotations

import math
from dataclasses import fields, replace
from types import SimpleNamespace

import numpy as np
import pytest
from simulated import Truth, white
from studies.interference import MOVING, WHAT

from sweeplab import Sweep, fit_resonance
from sweeplab.resonance.circle.batch import SweepBatch
from sweeplab.resonance.circle.fit import BatchFit, fit_batch
from sweeplab.resonance.circle.varpro import solve
from sweeplab.resonance.drift.correct import (
    Drift,
    DriftCorrectedFit,
    _credible,
    _found,
    _in_place_of_several,
    drift_finding,
)
from sweeplab.resonance.drift.prefilter import _BatchScore as Glance
from sweeplab.resonance.drift.prefilter import _together
from sweeplab.resonance.drift.score import (
    LOOKED_FOR,
    STEPS,
    Projection,
    RowScore,
    left_by_a_step,
    noticed,
    steps,
)
from sweeplab.sweep import FloatArray

MANY = 1e6  # degrees of freedom: chi-square is known without looking up Student


class TestTheQuickLook:
    @pytest.mark.parametrize(
        ("kind", "passes", "does_not"),
        [(0, 21.5, 20.5), (1, 18.0, 17.0), (2, 21.0, 20.0)],
        ids=["reflection", "resonance", "loss"],
    )
    def test_lets_a_step_of_such_chi_square_pass(
        self, kind: int, passes: float, does_not: float
    ) -> None:
        assert [self.sees(one * np.eye(3)[kind], np.zeros(3)) for one in (passes, does_not)] == [
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
        assert [self.sees(np.zeros(3), one * np.eye(3)[kind]) for one in (passes, does_not)] == [
            True,
            False,
        ]

    def sees(self, of_steps: FloatArray, of_drifts: FloatArray) -> bool:
        look = SimpleNamespace(_steps=lambda: of_steps[None], _courses=lambda: of_drifts[None])
        return bool(Glance.sees_movement(look)[0])  # type: ignore[arg-type]

    @pytest.mark.parametrize(("share", "seen"), [(0.015, False), (0.025, True)])
    def test_does_not_see_a_step_that_the_circle_takes_up_but_for_two_hundredths(
        self, share: float, seen: bool
    ) -> None:
        cross, inner = np.zeros((1, 7, 5, 1)), np.ones((1, 6, 1))
        # Of the resonance's step all but the share lies along the first tangent.
        cross[0, 0, 2, 0] = math.sqrt(1 - share)

        class Held(Glance):
            def _inner_products(self) -> tuple[FloatArray, FloatArray]:
                return cross, inner

        score = np.zeros((1, 4, 1), dtype=complex)
        score[0, 1] = 10.0
        look = Held(
            tangents=np.zeros((1, 5, 1), dtype=complex),
            moved=np.zeros((1, 4, 1), dtype=complex),
            score=score,
            left=np.zeros((1, 5), dtype=complex),
            linear=np.ones((1, 2), dtype=complex),
            inverse=np.eye(7)[None],
            variance=np.ones((1, 1)),
        )
        assert look._steps()[0, 1] == pytest.approx(100 / share if seen else 0)

    @pytest.mark.parametrize(("alike", "apart"), [(0.97, True), (0.99, False)])
    def test_holds_loss_and_coupling_apart_up_to_98_hundredths_in_common(
        self, alike: float, apart: bool
    ) -> None:
        score = np.zeros((1, 5, 1))
        score[0, 3:, 0] = 1.0, -1.0
        both = math.sqrt(alike)
        found = _together(score**2, score, np.ones((1, 5, 1)), np.array([[both]]))
        # Of two unit vectors with the product c, what both explain is (2 + 2c)/(1 - c^2) here.
        assert found.item() == pytest.approx((2 + 2 * both) / (1 - alike) if apart else 1.0)


def unmoved(vectors: FloatArray) -> RowScore:
    """Return a look at these vectors, in which no smooth drift shows."""
    look = RowScore.upon(vectors, np.array([3]), 1, MANY, 0)
    still = Projection(
        np.zeros((1, 1, 16)), np.zeros((1, 16)), np.zeros((1, 16, 16)), np.zeros((1, 16))
    )
    look.courses.update(dict.fromkeys(LOOKED_FOR, still))
    return look


def background() -> FloatArray:
    """Return vectors of one tangent at the first point, with the noise there beside it."""
    vectors = np.zeros((11, 2, 40))
    vectors[3, 0, 0] = 1.0
    vectors[10, 1, 0] = math.sqrt(MANY)
    return vectors


class TestTheThoroughLook:
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
    def test_notices_a_step_of_reflection_resonance_or_loss(
        self, vector: int, chi_square: float, seen: bool
    ) -> None:
        vectors = background()
        vectors[vector, 0, -1] = 1.0
        vectors[10, 0, -1] = math.sqrt(chi_square)
        assert noticed(unmoved(vectors)) == seen

    def drifting(self, power: FloatArray, chi_square: FloatArray) -> bool:
        look = unmoved(background())
        count = power.size
        along = np.sqrt(power * chi_square)[None]
        cross, ways = np.zeros((1, 1, count)), np.eye(count)[None]
        look.courses[LOOKED_FOR[0]] = Projection(cross, power[None], ways, along)
        return noticed(look)

    @pytest.mark.parametrize(("chi_square", "seen"), [(45.0, False), (48.0, True)])
    def test_notices_a_smooth_drift_at_three_and_three_quarter_deviations(
        self, chi_square: float, seen: bool
    ) -> None:
        # 16 (1 - 2/144 + 3.75 sqrt(2/144))^3 = 46.6, Wilson & Hilferty's point of chi-square.
        assert self.drifting(np.ones(16), np.full(16, chi_square / 16)) == seen

    @pytest.mark.parametrize(("share", "seen"), [(6e-4, False), (1.5e-3, True)])
    def test_does_not_see_a_drift_that_the_circle_takes_up_but_for_a_thousandth(
        self, share: float, seen: bool
    ) -> None:
        assert self.drifting(np.array([share, 1.0]), np.array([100.0, 0.0])) == seen

    @pytest.mark.parametrize(("share", "seen"), [(6e-5, False), (1.5e-4, True)])
    def test_does_not_see_a_step_that_the_circle_takes_up_but_for_a_ten_thousandth(
        self, share: float, seen: bool
    ) -> None:
        # The tangent is the step itself but for one point, which has the share of its power.
        vectors = np.zeros((11, 2, 2))
        vectors[0, 0] = math.sqrt(share), math.sqrt(1 - share)
        look = RowScore.upon(vectors, np.array([0]), 1, MANY, 0)
        assert bool(steps(look, STEPS[1]).power.item() > 0) == seen


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
def test_movement_is_looked_for_where_a_resonance_stands(
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
    assert bool(_credible(fitted)[0]) == credible  # type: ignore[arg-type]


@pytest.mark.parametrize(("off", "found"), [(0.20, True), (0.25, False)])
def test_a_circle_that_a_movement_shifts_by_more_than_three_tenths_runs_away(
    off: float, found: bool
) -> None:
    # From a circle too wide by exp(off) the first step in ln kappa is 0.26 and 0.37.
    truth = Truth(points=101, noise=1e-3)
    gamma = truth.reflection() + white(np.random.default_rng(0), truth.points, truth.noise)
    rows = SweepBatch.of(truth.f_hz[None], gamma[None], np.ones((1, truth.points)))
    fit = solve(rows, np.array([[0.0, math.log(6.0), 0.0]]), np.ones(1, dtype=bool))
    fit = replace(fit, p=fit.p - np.array([[0.0, off, 0.0]]))
    moved = _found(rows, fit, RowScore.at(rows, fit, np.arange(7), 1))
    assert (moved is not None) == found


@pytest.mark.parametrize(("times", "replaced"), [(1.4, True), (1.7, False)])
def test_a_step_takes_a_second_resonances_place_if_it_leaves_half_as_much_again_at_most(
    times: float, replaced: bool
) -> None:
    jumping = np.where(np.arange(MOVING.points) >= 0.7 * MOVING.points, 1.0, 0.0)
    gamma = WHAT["phase"](MOVING, jumping, 300 * MOVING.noise)
    gamma = gamma + white(np.random.default_rng(2), MOVING.points, MOVING.noise)
    rows = SweepBatch.of(MOVING.f_hz[None], gamma[None], np.ones((1, MOVING.points)))
    fitted = fit_batch(rows, np.zeros(1, dtype=bool))
    assert list(fitted.multi) == [0]
    # What the step leaves as seen from the circle that ignores it, and two resonances leave less.
    alone = solve(rows, fitted.fit.p, fitted.delay_free)
    left = left_by_a_step(RowScore.at(rows, alone, np.arange(7), 1))
    solution = replace(fitted.fit, rss=np.array([left / times]))
    own = {field.name: getattr(fitted, field.name) for field in fields(BatchFit)}
    watched = DriftCorrectedFit(**(own | {"fit": solution}), moved={})
    after = _in_place_of_several(watched, 0, rows)
    assert (after.multi == {}) == replaced
    assert (0 in after.moved) == replaced


@pytest.mark.parametrize(("size", "level"), [(0.0145, "note"), (0.0155, "warning")])
def test_a_movement_is_a_warning_from_three_hundredths_of_the_circle(
    size: float, level: str
) -> None:
    assert drift_finding(Drift("reflection", "step", 50.0, 7.1e6, size), 0.5).level == level


@pytest.mark.parametrize(("points", "looked"), [(20_000, True), (20_001, False)])
def test_in_over_twenty_thousand_points_no_movement_is_looked_for(
    points: int, looked: bool
) -> None:
    truth = Truth(points=points, noise=1e-3)
    noise = white(np.random.default_rng(4), points, truth.noise)
    # The thorough look at so many points takes seconds: the one that is looked at is still.
    jumping = np.where(np.arange(points) >= 0.6 * points, 1.0 if looked else 1.01, 1.0)
    fit = fit_resonance(Sweep(truth.f_hz, truth.reflection() * jumping + noise))
    codes = {finding.code for finding in fit.findings}
    assert ("movement-not-looked-for" in codes) == (not looked)
    assert "step-in-sweep" not in codes
