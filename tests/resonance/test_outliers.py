"""The one rule for interference: which points of a sweep white noise would not reach."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from sweeplab.resonance.interference import (
    HALF_NORMAL_MEDIAN,
    RAYLEIGH_MEDIAN,
    noise_from_neighbours,
    white_noise_reach,
    without_outliers,
)
from sweeplab.sweep import FloatArray

POINTS = 201
LIMIT = 4.0


def used(deviation: FloatArray, least: float = 0.0, reach: float | None = None) -> list[bool]:
    measured = np.isfinite(deviation)
    given = np.where(measured, deviation, 0)[None]
    return without_outliers(given, measured[None], RAYLEIGH_MEDIAN, least, reach)[0].tolist()


def test_medians_of_noise_are_those_of_the_distributions() -> None:
    assert pytest.approx(stats.halfnorm.median(), abs=1e-4) == HALF_NORMAL_MEDIAN
    assert pytest.approx(stats.rayleigh.median()) == RAYLEIGH_MEDIAN


@pytest.mark.parametrize("points", [25, 201, 1601])
def test_complex_noise_reaches_the_limit_in_one_sweep_of_a_hundred(points: int) -> None:
    reach = float(white_noise_reach(np.array(points)))
    assert points * stats.rayleigh.sf(reach) == pytest.approx(0.01)


@pytest.mark.parametrize("points", [25, 201, 1601])
def test_real_noise_reaches_it_less_often(points: int) -> None:
    reach = float(white_noise_reach(np.array(points)))
    assert points * stats.halfnorm.sf(reach) < 0.01


def test_of_white_noise_one_sweep_in_a_hundred_loses_a_point() -> None:
    rng = np.random.default_rng(1)
    draws = 4000
    noise = rng.rayleigh(size=(draws, POINTS))
    counts = without_outliers(noise, np.ones_like(noise, dtype=bool), RAYLEIGH_MEDIAN, 0.0)
    share = np.mean(~counts.all(axis=1))
    # A median of 201 scatters by some hundredths, which makes the share a little larger.
    assert 0.01 - LIMIT * math.sqrt(0.01 / draws) < share < 0.014 + LIMIT * math.sqrt(0.014 / draws)


def test_an_outlier_is_set_aside_and_no_other() -> None:
    deviation = np.ones(POINTS)
    deviation[7] = 10.0
    assert used(deviation) == [i != 7 for i in range(POINTS)]


def test_points_not_measured_neither_count_nor_shift_the_median() -> None:
    deviation = np.ones(POINTS)
    deviation[:80] = np.nan
    # 121 points: sqrt(2 ln(121/0.01)/(2 ln 2)) = 3.683 medians.
    deviation[100], deviation[110] = 3.67, 3.70
    assert used(deviation) == [i >= 80 and i != 110 for i in range(POINTS)]


def test_an_even_number_of_points_has_the_mean_of_the_middle_two_as_median() -> None:
    deviation = np.concatenate([np.full(50, 1.0), np.full(50, 2.0)])
    # 1.5 times sqrt(ln(100/0.01)/ln 2) = 5.468.
    deviation[-1] = 5.46
    assert all(used(deviation))
    deviation[-1] = 5.48
    assert not used(deviation)[-1]


@pytest.mark.parametrize(("hit", "counted"), [(30, 170), (31, 200)])
def test_more_outliers_than_fifteen_in_a_hundred_are_no_interference(
    hit: int, counted: int
) -> None:
    deviation = np.ones(200)
    deviation[:hit] = 100.0
    assert sum(used(deviation)) == counted


def test_each_row_has_its_own_limit() -> None:
    deviation = np.ones((2, POINTS))
    deviation[1] *= 1e-3
    deviation[:, 3] = 1.0
    counts = without_outliers(deviation, np.ones_like(deviation, dtype=bool), RAYLEIGH_MEDIAN, 0.0)
    assert counts[0].all()
    assert np.flatnonzero(~counts[1]).tolist() == [3]


@pytest.mark.parametrize(("reach", "counted"), [(9.9, False), (10.1, True)])
def test_the_reach_may_be_given(reach: float, counted: bool) -> None:
    deviation = np.full(POINTS, RAYLEIGH_MEDIAN)
    deviation[5] = 10.0
    assert used(deviation, reach=reach)[5] is counted


@pytest.mark.parametrize(("least", "counted"), [(9.9, False), (10.0, True)])
def test_nothing_nearer_than_the_least_deviation_is_an_outlier(least: float, counted: bool) -> None:
    deviation = np.ones(POINTS)
    deviation[5] = 10.0
    assert used(deviation, least=least)[5] is counted


def test_noise_from_neighbours_ignores_the_curve_and_a_few_spikes() -> None:
    rng = np.random.default_rng(2)
    points = 200_000
    values = 3 * np.linspace(-1, 1, points) ** 2 + 0.01 * rng.standard_normal(points)
    values[::500] += 5.0
    # The median of n half-normal values scatters by 1.17/sqrt(n), of correlated ones twice that;
    # spikes in six thousandths of the differences shift it by half a hundredth.
    assert noise_from_neighbours(values) == pytest.approx(
        0.01, rel=0.01 + LIMIT * 2 * 1.17 / math.sqrt(points)
    )
