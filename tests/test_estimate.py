"""Uncertainties after the GUM: published examples, another library, possible intervals."""

from __future__ import annotations

import math

import numpy as np
import pytest
import uncertainties
import uncertainties.umath as umath
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from sweeplab import Estimate
from sweeplab.estimate import coverage_factor, propagate

# JCGM 100:2008, annex H.2: five simultaneous observations of V [V], I [A], phi [rad].
H2 = np.array(
    [
        [5.007, 19.663e-3, 1.0456],
        [4.994, 19.639e-3, 1.0438],
        [5.005, 19.640e-3, 1.0468],
        [4.990, 19.685e-3, 1.0428],
        [4.999, 19.678e-3, 1.0433],
    ]
)

positive = st.floats(1e-6, 1e9)
relative = st.floats(0, 3)
dofs = st.one_of(st.just(math.inf), st.floats(1, 1e4))


def resistance_reactance_impedance(x: NDArray[np.float64]) -> NDArray[np.float64]:
    v, i, phi = x
    return np.array([v * math.cos(phi) / i, v * math.sin(phi) / i, v / i])


class TestGumH2:
    @pytest.fixture
    def answer(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        covariance = np.cov(H2, rowvar=False) / len(H2)
        return propagate(resistance_reactance_impedance, H2.mean(axis=0), covariance)

    def test_values(self, answer: tuple[NDArray[np.float64], NDArray[np.float64]]) -> None:
        # Table H.4: R 127.732, X 219.847, Z 254.260 ohm.
        assert answer[0] == pytest.approx([127.732, 219.847, 254.260], abs=1e-3)

    def test_standard_uncertainties(
        self, answer: tuple[NDArray[np.float64], NDArray[np.float64]]
    ) -> None:
        # Table H.4: 0.071, 0.295, 0.236; unrounded inputs give 0.07107, 0.29558, 0.23634.
        u = np.sqrt(np.diag(answer[1]))
        assert u == pytest.approx([0.071, 0.295, 0.236], abs=1e-3)
        assert u == pytest.approx([0.07107, 0.29558, 0.23634], rel=1e-3)

    def test_correlations(self, answer: tuple[NDArray[np.float64], NDArray[np.float64]]) -> None:
        # Table H.4: -0.588, -0.485, +0.993 (memory; two digits as GTC's documentation has them).
        u = np.sqrt(np.diag(answer[1]))
        r = answer[1] / np.outer(u, u)
        assert [r[0, 1], r[0, 2], r[1, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=1e-3)


class TestPropagation:
    @given(
        x=st.lists(st.floats(0.5, 5), min_size=3, max_size=3),
        u=st.lists(st.floats(1e-4, 1e-2), min_size=3, max_size=3),
        mix=st.lists(st.floats(-1, 1), min_size=9, max_size=9),
    )
    def test_agrees_with_the_uncertainties_package(
        self, x: list[float], u: list[float], mix: list[float]
    ) -> None:
        root = np.diag(u) @ np.reshape(mix, (3, 3))
        covariance = root @ root.T + np.diag(np.square(u))

        def ours(p: NDArray[np.float64]) -> NDArray[np.float64]:
            return np.array([p[0] * math.exp(-p[1] / p[2]), p[0] ** 2 / p[1] - p[2]])

        y, spread = propagate(ours, x, covariance)
        a, b, c = uncertainties.correlated_values(x, covariance)
        theirs = [a * umath.exp(-b / c), a**2 / b - c]
        assert y == pytest.approx([value.nominal_value for value in theirs])
        expected = np.array(uncertainties.covariance_matrix(theirs))
        scale = np.sqrt(np.outer(np.diag(expected), np.diag(expected)))
        assert np.abs(spread - expected).max() < 1e-3 * scale.max()

    def test_what_is_exact_adds_nothing(self) -> None:
        covariance = np.diag([0.04, 0.0])
        _, spread = propagate(lambda p: np.array([p[0] * p[1]]), [1.0, 3.0], covariance)
        assert spread[0, 0] == pytest.approx(9 * 0.04)

    def test_a_single_figure_may_come_back_bare(self) -> None:
        y, spread = propagate(lambda p: p[0] + p[1], [1.0, 2.0], np.diag([0.01, 0.04]))
        assert y.shape == (1,)
        assert spread[0, 0] == pytest.approx(0.05)


class TestCoverageFactor:
    @pytest.mark.parametrize(
        ("dof", "factor"),
        [(1, 12.71), (2, 4.30), (3, 3.18), (4, 2.78), (5, 2.57), (8, 2.31), (10, 2.23),
         (20, 2.09), (50, 2.01), (100, 1.984), (math.inf, 1.960)],
    )  # fmt: skip
    def test_table_g2(self, dof: float, factor: float) -> None:
        # JCGM 100:2008, table G.2, p = 95 %.
        assert coverage_factor(dof) == pytest.approx(factor, abs=0.005)

    def test_it_tends_to_the_normal_quantile(self) -> None:
        factors = [coverage_factor(dof) for dof in (5, 10, 100, 1000, math.inf)]
        assert factors == sorted(factors, reverse=True)


class TestIntervals:
    @given(value=st.floats(-1e9, 1e9), u=st.floats(0, 1e6), dof=dofs)
    def test_normal_is_symmetric_about_the_value(self, value: float, u: float, dof: float) -> None:
        estimate = Estimate.normal(value, u, dof)
        assert estimate.low <= value <= estimate.high
        half = coverage_factor(dof) * u
        assert estimate.high - estimate.low == pytest.approx(2 * half, rel=1e-9, abs=1e-6)

    @given(value=positive, spread=relative, dof=dofs)
    def test_lognormal_stays_positive(self, value: float, spread: float, dof: float) -> None:
        estimate = Estimate.lognormal(value, spread * value, dof)
        assert 0 <= estimate.low <= value * (1 + 1e-12)
        assert estimate.high >= value * (1 - 1e-12)
        assert estimate.is_finite()

    @given(value=positive, spread=st.floats(0.001, 1))
    def test_lognormal_is_symmetric_as_a_ratio(self, value: float, spread: float) -> None:
        estimate = Estimate.lognormal(value, spread * value)
        assert estimate.high / value == pytest.approx(value / estimate.low)

    @given(value=st.floats(1e-6, 1 - 1e-6), u=st.floats(0, 2), dof=dofs)
    def test_share_stays_between_zero_and_one(self, value: float, u: float, dof: float) -> None:
        estimate = Estimate.share(value, u, dof)
        assert 0 <= estimate.low <= value + 1e-12
        assert value - 1e-12 <= estimate.high <= 1
        assert estimate.is_finite()

    @given(value=st.floats(0.05, 0.95), u=st.floats(1e-6, 1e-3))
    def test_a_narrow_interval_is_the_normal_one(self, value: float, u: float) -> None:
        plain = Estimate.normal(value, u)
        for skewed in (Estimate.share(value, u), Estimate.lognormal(value, u)):
            assert skewed.low == pytest.approx(plain.low, abs=0.05 * u)
            assert skewed.high == pytest.approx(plain.high, abs=0.05 * u)

    @pytest.mark.parametrize("value", [-0.2, 0.0, 1.0, 1.3])
    def test_an_impossible_share_keeps_the_normal_interval(self, value: float) -> None:
        # It shows that something is wrong, and is not moved to where it would look right.
        assert Estimate.share(value, 0.1) == Estimate.normal(value, 0.1)

    @given(u=st.floats(0, 1), others=st.lists(st.floats(-5, 5), min_size=1, max_size=3))
    def test_widening_reaches_and_never_narrows(self, u: float, others: list[float]) -> None:
        plain = Estimate.normal(0.5, u)
        wide = plain.widened(*others)
        assert wide.low <= min([plain.low, *others])
        assert wide.high >= max([plain.high, *others])
        assert (wide.value, wide.u) == (plain.value, plain.u)

    def test_clipping_holds_the_ends_alone(self) -> None:
        assert Estimate.normal(1.1, 0.2).clipped(1.0, math.inf).low == 1.0
        assert Estimate.normal(1.1, 0.2).clipped(1.0, math.inf).high == pytest.approx(
            1.492, abs=1e-3
        )

    def test_json_has_the_contracts_four_figures(self) -> None:
        figures = Estimate.normal(1.0, 0.5).to_json()
        assert list(figures) == ["value", "u", "low", "high"]
        assert figures["low"] == pytest.approx(1 - 1.959964 * 0.5)
