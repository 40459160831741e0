"""Both sides of every limit that decides which points count and which resonances are found."""

from __future__ import annotations

import math

import numpy as np
import pytest
from simulated import Truth, white

from sweeplab import Sweep, fit_resonance
from sweeplab.line import Line
from sweeplab.resonance.circle.batch import CircleFit, SweepBatch
from sweeplab.resonance.circle.fit import (
    _MIN_NOISE,
    _best_null_rss,
    _candidates_for_multi,
    _inverse,
    _lies_in_span,
    _null_rss,
    _uncorrelated_rss,
    fit_batch,
)
from sweeplab.resonance.circle.multi import _is_credible, _is_significant
from sweeplab.resonance.interference import RAYLEIGH_MEDIAN, without_outliers
from sweeplab.sweep import ComplexArray, FloatArray

POINTS = 200
POSITION = np.linspace(-0.5, 0.5, POINTS)
# The ripple of two reflections down a line, in noise: what a line explains to the last.
RIPPLE = 0.95 * np.exp(-4j * POSITION) + 0.05 * np.exp(-20j * POSITION)
RIPPLE = RIPPLE + white(np.random.default_rng(3), POINTS, 1e-3)


def batch_of(gamma: ComplexArray, weight: FloatArray | None = None) -> SweepBatch:
    f = np.linspace(7.0e6, 7.2e6, gamma.size)
    return SweepBatch.of(
        f[None], gamma[None], np.ones((1, gamma.size)) if weight is None else weight[None]
    )


def circle_fit(
    x0: float = 0.0,
    widths: float = 6.0,
    detuned: complex = 1.0,
    drop: complex = -0.75,
    rss: float = 1.0,
) -> CircleFit:
    return CircleFit(
        np.array([[x0, math.log(widths), 0.0]]),
        np.array([[detuned, drop]]),
        np.array([rss]),
        np.zeros((1, 7, 7)),
    )


class TestPointsSetAside:
    def count(self, size: FloatArray) -> int:
        measured = np.ones((1, size.size), dtype=bool)
        return int(without_outliers(size[None], measured, RAYLEIGH_MEDIAN, _MIN_NOISE).sum())

    @pytest.mark.parametrize(("largest", "count"), [(3.7, 200), (3.85, 199)])
    def test_are_those_that_noise_reaches_once_in_a_hundred_sweeps(
        self, largest: float, count: int
    ) -> None:
        # The median of complex white noise of s a quadrature is s sqrt(2 ln 2), and of n points
        # the largest exceeds s sqrt(2 ln(n/p)) with probability p: 3.78 medians of 200 at 0.01.
        size = np.ones(POINTS)
        size[50] = largest
        assert self.count(size) == count

    @pytest.mark.parametrize(("hit", "count"), [(29, 171), (31, 200)])
    def test_are_no_more_than_fifteen_in_a_hundred(self, hit: int, count: int) -> None:
        size = np.ones(POINTS)
        size[:hit] = 50.0
        assert self.count(size) == count

    @pytest.mark.parametrize(("largest", "count"), [(0.8e-8, 200), (1.2e-8, 199)])
    def test_are_none_for_what_lies_below_any_instruments_noise(
        self, largest: float, count: int
    ) -> None:
        size = np.zeros(POINTS)
        size[50] = largest
        assert self.count(size) == count


def test_a_computed_sweep_counts_as_if_it_had_noise_of_1e_8() -> None:
    batch = batch_of(Truth().reflection())
    assert fit_batch(batch, np.zeros(1, dtype=bool)).sigma.item() == pytest.approx(1e-8, rel=1e-12)


@pytest.mark.parametrize(("largest", "determined"), [(7e12, True), (1.4e13, False)])
def test_two_unknowns_that_the_data_hardly_tell_apart_are_not_determined(
    largest: float, determined: bool
) -> None:
    # Two unknowns of unit information with the correlation c: 1/(1 - c^2) of the inverse.
    information = np.eye(7)[None]
    information[0, 1, 5] = information[0, 5, 1] = math.sqrt(1 - 1 / largest)
    inverse = _inverse(information, np.ones(1, dtype=bool))
    assert bool(np.isfinite(inverse).all()) == determined


# With this noise the gains of fitting the delay are 7.2 and 14.9.
@pytest.mark.parametrize(("theta", "fitted"), [(1e-3, False), (-1e-3, True)])
def test_a_rest_of_a_described_line_is_fitted_from_a_chi_square_of_10_83(
    theta: float, fitted: bool
) -> None:
    truth = Truth(theta=theta, noise=1e-3)
    fit = fit_resonance(truth.sweep(np.random.default_rng(1)), Line(1e-9))
    assert ("rest-of-line" in {finding.code for finding in fit.findings}) == fitted


class TestAlternativeHypotheses:
    @pytest.mark.parametrize(("times", "heard"), [(55, True), (65, False)])
    def test_are_not_tried_where_the_background_leaves_sixty_times_as_much(
        self, times: float, heard: bool
    ) -> None:
        batch = batch_of(RIPPLE)
        left = _null_rss(batch, batch, circle_fit(rss=1.0), np.array([float(times)]), [])
        assert bool(np.isfinite(left[0])) == heard

    @pytest.mark.parametrize(("share", "searched"), [(1.5, False), (2.5, True)])
    def test_have_explained_what_they_leave_less_of_than_twice_the_noise(
        self, share: float, searched: bool
    ) -> None:
        batch = batch_of(RIPPLE)
        turning = np.exp(0.5j * np.arange(POINTS))[None]
        left = float(_best_null_rss(batch)[0])
        misfit = turning * np.sqrt(left / share / _uncorrelated_rss(batch, turning)[0])
        index, better = _candidates_for_multi(batch, circle_fit(rss=1e6), misfit, misfit)
        assert better.tolist() == [0]
        assert index.tolist() == ([0] if searched else [])


class TestSeveralResonances:
    @pytest.mark.parametrize(("deviations", "searched"), [(3.8, False), (4.2, True)])
    def test_are_looked_for_from_four_standard_deviations_of_correlation(
        self, deviations: float, searched: bool
    ) -> None:
        # A residual that turns by phi a point has the lag-one correlation cos(phi); white noise
        # of n complex points has 1/sqrt(2n).
        phi = math.acos(deviations / math.sqrt(2 * POINTS))
        misfit = np.exp(1j * phi * np.arange(POINTS))[None]
        index, _ = _candidates_for_multi(
            batch_of(Truth(points=POINTS).reflection()), circle_fit(rss=1e-9), misfit, misfit
        )
        assert index.tolist() == ([0] if searched else [])

    @pytest.mark.parametrize(
        ("x0", "widths", "searched"),
        [(0.49, 6, True), (0.51, 6, False), (-0.51, 6, False), (0, 1.1, True), (0, 0.9, False)],
    )
    def test_are_looked_for_where_one_and_its_bandwidth_lie_in_the_span(
        self, x0: float, widths: float, searched: bool
    ) -> None:
        assert bool(_lies_in_span(circle_fit(x0, widths))[0]) == searched

    @pytest.mark.parametrize(
        ("x0", "widths", "diameter", "credible"),
        [
            (0.0, 6.0, 0.75, True),
            (0.49, 6.0, 0.75, True),
            (0.51, 6.0, 0.75, False),
            (0.0, 6.0, 0.021, True),
            (0.0, 6.0, 0.019, False),
            (0.0, 1.1, 0.75, True),
            (0.0, 0.9, 0.75, False),
            # So many points as half-power bandwidths: less than one in each.
            (0.0, 190.0, 0.75, True),
            (0.0, 210.0, 0.75, False),
        ],
    )
    def test_are_each_in_the_span_and_large_and_wide_enough(
        self, x0: float, widths: float, diameter: float, credible: bool
    ) -> None:
        batch = batch_of(np.ones(POINTS, dtype=complex))
        assert _is_credible(batch, circle_fit(x0, widths, drop=-diameter), circle_fit()) == credible

    # With neighbours missing, one point has 0.67 and 0.78 of the resonance's whole weight.
    @pytest.mark.parametrize(("missing", "credible"), [([101], True), ([99, 101], False)])
    def test_do_not_rest_on_one_point(self, missing: list[int], credible: bool) -> None:
        weight = np.ones(201)
        weight[missing] = 0
        batch = batch_of(np.ones(201, dtype=complex), weight)
        assert _is_credible(batch, circle_fit(widths=180.0), circle_fit()) == credible

    @pytest.mark.parametrize(("gain", "gains"), [(58.0, False), (62.0, True)])
    def test_gain_a_chi_square_of_sixty_each(self, gain: float, gains: bool) -> None:
        # A mean that is off by d in noise of a at every point costs (d/a)^2 of the squares left,
        # over 2n - 7 degrees of freedom.
        noise = 1e-3 * (-1.0) ** np.arange(POINTS)
        batch = batch_of(1 + noise + 0j)
        off = 1e-3 * math.sqrt(gain / (2 * POINTS - 7))
        before, after = (circle_fit(detuned=level, drop=0.0) for level in (1 + off, 1.0))
        assert _is_significant(batch, [before], [after]) == gains

    def test_are_four_at_most(self) -> None:
        f = np.linspace(7.0e6, 7.2e6, 401)
        gamma = np.ones(401, dtype=complex)
        for f_hz, diameter in zip(
            (7.03e6, 7.06e6, 7.1e6, 7.14e6, 7.17e6), (0.5, 0.4, 0.8, 0.45, 0.35), strict=True
        ):
            gamma -= diameter / (1 + 700j * (f / f_hz - f_hz / f))
        noise = white(np.random.default_rng(1), 401, 1e-3)
        fit = fit_resonance(Sweep(f, gamma + noise), near_hz=7.1e6)
        others = [finding for finding in fit.findings if finding.code == "another-resonance"]
        assert len(others) == 3
