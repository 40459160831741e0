"""Means over repeats and how far repeats scatter, against published examples."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from sweeplab.comparison.repeatability import (
    Repeats,
    Scatter,
    effective_dof,
    moderated_scatter,
    pooled_scatter,
    student_factor,
    weighted_mean,
)


def group(values: list[float], noise: float = 0.0, scale: float = 1.0) -> Repeats:
    array = np.array(values)
    return Repeats(array, np.full(array.size, noise), scale, ({},) * array.size)


class TestAgainstTheGum:
    """JCGM 100:2008, H.5: ten days of five readings each of a voltage (numbers from memory)."""

    # Microvolts above 10 V: mean and standard deviation of each day.
    days = (172, 116, 13, 144, 106, 31, 60, 125, 163, 41)
    spreads = (60, 77, 111, 101, 67, 93, 80, 73, 88, 86)

    def test_mean_and_its_uncertainty(self) -> None:
        within = math.sqrt(np.mean(np.square(self.spreads)))
        voltages = group([float(day) for day in self.days], noise=within / math.sqrt(5))
        scatter = pooled_scatter([voltages])
        assert scatter is not None
        result = weighted_mean(voltages, scatter)
        # H.5.2.2: mean 97 uV, s(V_j) = 57 uV, s(V) = 57 uV/sqrt(10) = 18 uV with 9 degrees.
        assert result.value == pytest.approx(97, abs=0.5)
        assert math.sqrt(scatter.variance) == pytest.approx(57, abs=0.5)
        assert result.u_repeat == pytest.approx(18, abs=0.5)
        assert result.dof == 9
        # H.5.2.5: within-day 85 uV; between-day sqrt(57^2 - 85^2/5) = 43 uV.
        assert within == pytest.approx(85, abs=0.5)
        assert math.sqrt(scatter.between) == pytest.approx(43, abs=0.6)


class TestMean:
    def test_equal_noise_gives_the_plain_mean(self) -> None:
        repeats = group([1.0, 2.0, 6.0], noise=0.3)
        result = weighted_mean(repeats, pooled_scatter([repeats]))
        assert result.value == pytest.approx(3.0)
        assert result.u_repeat == pytest.approx(np.std([1, 2, 6], ddof=1) / math.sqrt(3))

    def test_without_scatter_the_noise_alone_weighs(self) -> None:
        repeats = Repeats(np.array([1.0, 2.0]), np.array([0.1, 0.2]), 1.0, ({}, {}))
        result = weighted_mean(repeats, None)
        # Weights 4 to 1, u = 1/sqrt(100 + 25): the inverse-variance mean (GUM, any textbook).
        assert result.value == pytest.approx(1.2)
        assert result.u_repeat == pytest.approx(1 / math.sqrt(125))
        assert math.isinf(result.dof)

    def test_a_noisy_sweep_counts_less_the_less_repeats_scatter(self) -> None:
        repeats = Repeats(np.array([1.0, 2.0]), np.array([0.1, 1.0]), 1.0, ({}, {}))
        means = [weighted_mean(repeats, Scatter(v, 5.0, 0.0)).value for v in (0.0, 0.1, 100.0)]
        assert means[0] < means[1] < means[2] < 1.5

    def test_repeats_that_agree_by_luck_are_not_better_than_their_noise(self) -> None:
        repeats = group([5.0, 5.0, 5.0], noise=0.3)
        assert weighted_mean(repeats, pooled_scatter([repeats])).u_repeat == pytest.approx(
            0.3 / math.sqrt(3)
        )

    def test_exact_repeats_without_noise_have_no_uncertainty(self) -> None:
        repeats = group([5.0, 5.0])
        result = weighted_mean(repeats, pooled_scatter([repeats]))
        assert (result.value, result.u_repeat) == (5.0, 0.0)

    def test_shares_are_weighed_like_the_values(self) -> None:
        repeats = Repeats(
            np.array([1.0, 2.0]), np.array([0.1, 0.2]), 1.0, ({"gap": 1.0}, {"gap": -1.0})
        )
        assert weighted_mean(repeats, None).shares == {"gap": pytest.approx(0.6)}


class TestScatter:
    def test_pools_as_the_two_sample_t_does(self) -> None:
        a, b = [10.0, 11.0, 13.0], [20.0, 21.0]
        scatter = pooled_scatter([group(a), group(b)])
        assert scatter is not None
        squares = 2 * np.var(a, ddof=1) + np.var(b, ddof=1)
        assert scatter.variance == pytest.approx(squares / 3)
        assert scatter.dof == 3

    def test_is_relative_to_the_scale(self) -> None:
        small, large = (
            pooled_scatter([group([1.0, 2.0])]),
            pooled_scatter([group([10.0, 20.0], scale=10.0)]),
        )
        assert small is not None
        assert large is not None
        assert small.variance == pytest.approx(large.variance)

    def test_without_repeats_there_is_none(self) -> None:
        assert pooled_scatter([group([1.0]), group([2.0])]) is None
        assert moderated_scatter({"40m": [group([1.0])], "20m": []}) == {"40m": None, "20m": None}

    def test_a_quiet_band_s_own_scatter_and_two_degrees_of_the_pooled_one(self) -> None:
        loud, quiet = [group([0.0, 4.0, 2.0])], [group([0.0, 1.0]), group([0.0, 3.0])]
        moderate = moderated_scatter({"80m": loud, "20m": quiet})["20m"]
        everything, own = pooled_scatter([*loud, *quiet]), pooled_scatter(quiet)
        assert everything is not None
        assert own is not None
        assert moderate is not None
        # Smyth (2004): (d0 s0^2 + d s^2)/(d0 + d), with d0 + d degrees, never more than there are.
        assert moderate.variance == pytest.approx((2 * everything.variance + 2 * own.variance) / 4)
        assert (moderate.dof, everything.dof) == (4, 4)

    def test_a_band_of_larger_scatter_is_not_pooled(self) -> None:
        loud, quiet = [group([0.0, 4.0, 2.0])], [group([0.0, 1.0]), group([0.0, 3.0])]
        assert moderated_scatter({"80m": loud, "20m": quiet})["80m"] == pooled_scatter(loud)

    def test_other_builds_on_the_band_lend_their_scatter(self) -> None:
        own, past = [group([0.0, 1.0])], [group([0.0, 1.2]), group([3.0, 2.0, 2.5])]
        loud = [group([0.0, 9.0])]
        lent = moderated_scatter({"40m": own, "20m": loud}, {"40m": past})
        assert lent["40m"] == pooled_scatter([*own, *past])
        # Three times as far off is more than twice the variance: not one of their kind.
        apart = moderated_scatter({"40m": loud}, {"40m": past})
        assert apart["40m"] == pooled_scatter(loud)

    def test_a_single_pair_of_another_build_is_not_pooled(self) -> None:
        own, past = [group([0.0, 1.0])], [group([0.0, 1.2])]
        assert moderated_scatter({"40m": own}, {"40m": past}) == {"40m": pooled_scatter(own)}

    def test_many_repeats_of_a_band_speak_for_themselves(self) -> None:
        rng = np.random.default_rng(3)
        loud, quiet = ([group(list(rng.normal(0, sd, 200)))] for sd in (5.0, 1.0))
        own = pooled_scatter(quiet)
        moderate = moderated_scatter({"80m": loud, "20m": quiet})["20m"]
        assert own is not None
        assert moderate is not None
        assert moderate.variance == pytest.approx(own.variance, rel=0.15)

    def test_a_single_band_is_left_as_it_is(self) -> None:
        groups = [group([0.0, 1.0, 5.0]), group([2.0, 4.0])]
        assert moderated_scatter({"40m": groups}) == {"40m": pooled_scatter(groups)}

    def test_a_band_without_repeats_takes_the_scatter_of_the_others(self) -> None:
        scatters = moderated_scatter({"40m": [group([0.0, 1.0, 2.0])], "20m": [group([5.0])]})
        assert scatters["20m"] == pooled_scatter([group([0.0, 1.0, 2.0])])


class TestNumbers:
    def test_welch_satterthwaite_of_the_gum(self) -> None:
        # JCGM 100:2008, G.4.2: v_eff = u^4/sum(u_i^4/v_i); here one part of two has 4 degrees.
        assert effective_dof(1.0, 4.0, math.sqrt(2.0)) == pytest.approx(16.0)
        assert math.isinf(effective_dof(0.0, 4.0, 1.0))

    def test_student_factor_is_table_g_2_and_dunn_s(self) -> None:
        # GUM table G.2, 95 %: 12.71, 4.30, 2.57, 2.23 for 1, 2, 5, 10 degrees (memory).
        table = {1: 12.71, 2: 4.30, 5: 2.57, 10: 2.23, math.inf: 1.96}
        for dof, k in table.items():
            assert student_factor(dof) == pytest.approx(k, abs=0.005)
        # Dunn (1961) for 5 comparisons, 10 degrees: 3.17 (memory; scipy.stats agrees).
        assert student_factor(10, 5) == pytest.approx(3.17, abs=0.005)
        assert student_factor(10, 5) == pytest.approx(stats.t.ppf(1 - 0.05 / 10, 10))
