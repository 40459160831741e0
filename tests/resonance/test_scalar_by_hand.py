"""What sweeps without phase are fitted by: moments, branches, dips and signs, by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from simulated import Truth

from sweeplab import Sweep
from sweeplab.resonance.circle.batch import SweepBatch
from sweeplab.resonance.scalar import power_fit as power
from sweeplab.resonance.scalar.coupling_branches import (
    BranchUncertainty,
    CouplingBranches,
    standard_uncertainty,
)
from sweeplab.resonance.scalar.dips import _find_dips, _smoothed, isolate_dip
from sweeplab.resonance.scalar.power_fit import PowerFit, fit_power, noisy_power_moments
from sweeplab.resonance.scalar.sign_recovery import (
    _lowest_on_grid,
    _with_signs,
    recover_signs,
    signs_unknown_finding,
)
from sweeplab.sweep import FloatArray

F_MID, SPAN = 7.1e6, 1.4e5


def magnitudes(truth: Truth, sigma: float = 0.0) -> Sweep:
    """A sweep of which only the magnitude is known."""
    gamma = np.abs(truth.reflection())
    if sigma:
        rng = np.random.default_rng(5)
        gamma = np.hypot(
            gamma + sigma * rng.normal(size=gamma.size), sigma * rng.normal(size=gamma.size)
        )
    return Sweep(truth.f_hz, gamma.astype(complex), content="magnitude")


def a_fit(a: FloatArray, p: FloatArray, covariance: FloatArray | None = None) -> PowerFit:
    """A fit with these unknowns, on 11 points over the span."""
    f = np.linspace(F_MID - SPAN / 2, F_MID + SPAN / 2, 11)[None]
    batch = SweepBatch.of(f, np.ones((1, 11), complex), np.ones((1, 11)))
    return PowerFit(batch, p, a, 1e-3, covariance, np.zeros(11), 1e4, -1e3)


class TestMoments:
    @pytest.mark.parametrize(("square", "noise"), [(0.0, 0.1), (0.25, 0.2), (1.0, 0.05)])
    def test_are_those_of_the_squared_magnitude_drawn(self, square: float, noise: float) -> None:
        n = 200_000
        rng = np.random.default_rng(1)
        drawn = (math.sqrt(square) + noise * rng.normal(size=n)) ** 2 + (
            noise * rng.normal(size=n)
        ) ** 2
        mean, variance = noisy_power_moments(np.array(square), noise)
        # Four standard deviations of a mean, and of a variance (kurtosis below 9).
        assert drawn.mean() == pytest.approx(float(mean), abs=4 * math.sqrt(variance / n))
        assert drawn.var() == pytest.approx(float(variance), rel=4 * math.sqrt(8 / n))


class TestFit:
    @pytest.mark.parametrize("beta", [0.4, 2.5])
    @pytest.mark.parametrize("off_centre", [-0.7, 0.0, 0.7])
    def test_without_noise_gives_the_magnitude(self, beta: float, off_centre: float) -> None:
        truth = Truth(coupling_factor=beta, off_centre=off_centre)
        fit = fit_power(magnitudes(truth))
        np.testing.assert_allclose(fit.power, np.abs(truth.reflection()) ** 2, atol=1e-6)
        # |1 - d/(1 + jx)|^2 = 1 + (d^2 - 2 d)/(1 + x^2).
        d = 2 * beta / (1 + beta)
        assert fit.a == pytest.approx([1, d * d - 2 * d, 0], abs=1e-4)
        assert fit.p == pytest.approx([off_centre / 6, math.log(6)], abs=1e-3)
        assert fit.dof == 201 - 5
        assert fit.used.all()

    def test_covariance_and_noise_are_those_of_the_residual(self) -> None:
        fit = fit_power(magnitudes(Truth(coupling_factor=0.5), sigma=2e-3))
        # The spread of a standard deviation from 196 degrees of freedom: 5 %, four of these.
        assert fit.noise == pytest.approx(2e-3, rel=4 / math.sqrt(2 * 196))
        assert float((fit.residual**2).sum()) == pytest.approx(fit.dof, rel=0.02)
        assert fit.covariance is not None
        # By a numeric Hessian of the weighted sum of squares.
        y, weight = power._without_bias(
            fit.batch, np.sqrt(np.abs(fit.batch.gamma[0])), fit.power, fit.noise
        )
        scale = np.sqrt(np.diag(fit.covariance))
        theta = np.concatenate([fit.p, fit.a])

        def model(unknowns: FloatArray) -> FloatArray:
            return a_model(fit, unknowns)

        slopes = (
            np.stack(
                [
                    (model(theta + 1e-3 * step) - model(theta - 1e-3 * step)) / 2e-3
                    for step in np.diag(scale)
                ]
            )
            / scale[:, None]
        )
        information = (slopes * weight) @ slopes.T / fit.noise**2
        whole = np.linalg.inv(information * scale * scale[:, None])
        np.testing.assert_allclose(fit.covariance / scale / scale[:, None], whole, atol=2e-3)
        assert y.shape == (201,)

    def test_points_missing_carry_no_weight(self) -> None:
        truth = Truth(coupling_factor=0.5)
        gamma = np.abs(truth.reflection()).astype(complex)
        gamma[[3, 90, 150]] = np.nan
        fit = fit_power(Sweep(truth.f_hz, gamma, content="magnitude"))
        assert np.flatnonzero(~fit.used).tolist() == [3, 90, 150]
        assert fit.dof == 198 - 5
        np.testing.assert_allclose(fit.power, np.abs(truth.reflection()) ** 2, atol=1e-6)

    def test_a_ripple_is_left_by_a_ripple_alone(self) -> None:
        u = np.linspace(-0.5, 0.5, 201)
        ripple = 0.7 + 0.1 * np.cos(9.6 * u + 0.4)
        weight = np.ones(201)
        assert power._ripple_rss(u, ripple, weight) < 1e-3 * float(((ripple - 0.7) ** 2).sum())
        steps = np.where(u < 0, 0.7, 0.9)
        by_hand = min(_least_squares_rss(u, steps, p) for p in np.arange(1, 9, 0.01))
        assert power._ripple_rss(u, steps, weight) == pytest.approx(by_hand, rel=1e-3)


def _least_squares_rss(u: FloatArray, y: FloatArray, p: float) -> float:
    columns = np.stack([np.ones_like(u), np.cos(p * u), np.sin(p * u)], axis=1)
    return float(((y - columns @ np.linalg.lstsq(columns, y, rcond=None)[0]) ** 2).sum())


def a_model(fit: PowerFit, unknowns: FloatArray) -> FloatArray:
    """``a0 + (a1 + a2 x)/(1 + x^2)`` written out."""
    f_loaded = fit.batch.f_mid_hz[0] + unknowns[0] * fit.batch.span_hz[0]
    q = math.exp(unknowns[1]) * f_loaded / fit.batch.span_hz[0]
    f = fit.batch.f_hz[0]
    x = q * (f / f_loaded - f_loaded / f)
    return np.asarray(unknowns[2] + (unknowns[3] + unknowns[4] * x) / (1 + x * x))


class TestBranches:
    gd, b = 0.9, -0.5 + 0.1j

    def branches(self) -> CouplingBranches:
        """Of the circle with this Gd and B: C = Gd* B, a1 = |B|^2 + 2 Re C, a2 = 2 Im C."""
        c = self.gd * self.b
        a = np.array([self.gd**2, abs(self.b) ** 2 + 2 * c.real, 2 * c.imag])
        p = np.array([0.1, math.log(8.0)])
        return CouplingBranches.from_unknowns(a_fit(a, p), np.concatenate([p, a])[None])

    def test_one_of_them_is_the_circle_that_was_squared(self) -> None:
        found = self.branches()
        assert found.drop(over=False)[0] == pytest.approx(self.b)
        assert found.detuned[0] == pytest.approx(self.gd)
        assert found.f_loaded_hz[0] == pytest.approx(F_MID + 0.1 * SPAN)
        assert found.q_loaded[0] == pytest.approx(8 * (F_MID + 0.1 * SPAN) / SPAN)
        assert found.skew[0] == pytest.approx(0.1 / 0.9)

    def test_the_other_has_the_same_magnitude_everywhere(self) -> None:
        found = self.branches()
        x = np.linspace(-20, 20, 41)
        under, over = (
            np.abs(found.detuned + found.drop(side) / (1 + 1j * x)) for side in (False, True)
        )
        np.testing.assert_allclose(under, over, rtol=1e-12)
        assert abs(found.drop(True)[0]) > abs(found.drop(False)[0])

    @pytest.mark.parametrize("over", [False, True])
    def test_unloaded_figures_follow_from_the_diameter(self, over: bool) -> None:
        found = self.branches()
        d = abs(found.drop(over)[0]) / self.gd
        q0, beta = found.unloaded(over)
        assert beta[0] == pytest.approx(d / (2 - d))
        assert q0[0] == pytest.approx(2 * found.q_loaded[0] / (2 - d))

    def test_circle_is_the_first_pair(self) -> None:
        found = self.branches()
        circle = found.circle(a_fit(np.ones(3), np.zeros(2)), over=False)
        assert (circle.detuned, circle.drop) == pytest.approx((self.gd, self.b))
        assert (circle.f_loaded_hz, circle.f_ref_hz) == pytest.approx((F_MID + 0.1 * SPAN, F_MID))
        assert circle.delay_s == 0

    def test_uncertainties_are_linear_in_the_inflation(self) -> None:
        a, p = np.array([0.81, -0.6, 0.05]), np.array([0.1, math.log(8.0)])
        u = np.array([1e-3, 2e-3, 1e-3, 2e-3, 1e-3])
        correlation = 0.2 * np.ones((5, 5)) + 0.8 * np.eye(5)
        fit = a_fit(a, p, correlation * u * u[:, None])
        one, two = (BranchUncertainty.from_fit(fit, factor) for factor in (1.0, 2.0))
        f_hz = [standard_uncertainty(of.sigma_points.f_loaded_hz) for of in (one, two)]
        assert f_hz == pytest.approx([1e-3 * SPAN, 2e-3 * SPAN], rel=1e-6)
        detuned = standard_uncertainty(one.sigma_points.detuned)
        assert detuned == pytest.approx(1e-3 / (2 * 0.9), rel=1e-3)
        # ln QL = ln kappa + ln(f/span): the two add up with their correlation.
        by_f = 1e-3 * SPAN / (F_MID + 0.1 * SPAN)
        expected = math.sqrt(by_f**2 + 4e-6 + 2 * 0.2 * by_f * 2e-3)
        q_relative = standard_uncertainty(np.log(one.sigma_points.q_loaded))
        assert q_relative == pytest.approx(expected, rel=1e-3)
        covariance = one.covariance()
        assert math.sqrt(covariance[0, 0]) == pytest.approx(f_hz[0])
        assert math.sqrt(covariance[3, 3]) == pytest.approx(detuned)
        assert (covariance[[2, 4]] == 0).all()
        estimate = one.unloaded(over=False)[0]
        assert estimate.low < estimate.value < estimate.high

    def test_a_fit_without_covariance_has_no_width(self) -> None:
        fit = a_fit(np.array([0.81, -0.6, 0.05]), np.array([0.1, 2.0]))
        estimate = BranchUncertainty.from_fit(fit, 1.0).unloaded(over=False)[0]
        assert estimate.u == 0


class TestDips:
    magnitude = np.array([0.9, 0.8, 0.3, 0.85, 0.95, 0.7, 0.5, 0.6, 0.9, 0.88, 0.4, 0.9])

    def test_each_lies_between_two_maxima(self) -> None:
        dips, maxima = _find_dips(self.magnitude, 0.0)
        assert dips == [2, 6, 10]
        assert maxima == [0, 4, 8, 11]

    def test_begins_where_the_sweep_begins(self) -> None:
        assert _find_dips(np.array([0.3, 0.9, 0.95, 0.5, 0.9]), 0.0) == ([3], [0, 4])
        assert _find_dips(np.array([0.9, 0.5, 0.9, 0.3]), 0.0) == ([1], [0, 3])

    def test_noise_of_an_eighth_of_a_dip_hides_it(self) -> None:
        # The middle dip is 0.4 deep, the outer ones 0.6 and 0.48.
        assert _find_dips(self.magnitude, 0.41 / 8)[0] == [2, 10]
        assert _find_dips(self.magnitude, 0.39 / 8)[0] == [2, 6, 10]

    def test_running_medians_pass_over_three_odd_points(self) -> None:
        magnitude = np.full(50, 0.9)
        magnitude[20:23] = 5.0
        smoothed, width = _smoothed(magnitude)
        assert (smoothed == 0.9).all()
        assert width == 1
        magnitude[20:24] = 5.0
        assert _smoothed(magnitude)[0].max() == 5.0

    def test_long_sweeps_are_averaged(self) -> None:
        ramp = np.arange(500.0)
        smoothed, width = _smoothed(ramp)
        assert width == 4
        # Away from the ends a median of a ramp is the ramp.
        np.testing.assert_allclose(smoothed[2:-2], ramp.reshape(-1, 4).mean(axis=1)[2:-2])

    def test_the_points_between_the_maxima_are_used(self) -> None:
        f = np.linspace(7.0e6, 7.3e6, 301)
        depth = [(7.06e6, 0.5), (7.15e6, 0.7), (7.24e6, 0.4)]
        gamma = 0.95 - sum(d / (1 + ((f - at) / 5e3) ** 2) for at, d in depth)
        sweep = Sweep(f, gamma.astype(complex), content="magnitude")
        for near, at in ((None, 7.15e6), (7.05e6, 7.06e6), (7.3e6, 7.24e6)):
            found = isolate_dip(sweep, near)
            assert found is not None
            others = [other for other, _ in depth if other != at]
            assert found.others_hz == pytest.approx(others, abs=2e3)
            used = f[np.isfinite(found.sweep.gamma)]
            low = max([f[0], *((at + other) / 2 for other in others if other < at)])
            high = min([f[-1], *((at + other) / 2 for other in others if other > at)])
            assert (used[0], used[-1]) == pytest.approx((low, high), abs=5e3)
            finding = found.finding()
            assert finding.evidence["dips"] == 3.0
            assert finding.evidence["f_other_hz"] == found.others_hz[0]
            assert (finding.evidence["f_low_hz"], finding.evidence["f_high_hz"]) == (
                used[0],
                used[-1],
            )


class TestSigns:
    def test_are_those_of_the_model(self) -> None:
        gamma = np.array([0.1 + 0.2j, 0.1 - 0.2j, 0.3 + 0.1j])
        model = np.array([0 - 1j, 0 + 1j, 1 + 0j])
        assert _with_signs(gamma, model).tolist() == [0.1 - 0.2j, 0.1 + 0.2j, 0.3 + 0.1j]

    def test_lowest_local_minima_of_a_grid_periodic_in_the_first_index(self) -> None:
        misfit = np.array([[5.0, 7, 6], [7, 8, 3], [9, 9, 9], [2, 6, 7]])
        assert _lowest_on_grid(misfit) == [(3, 0), (1, 2)]

    @pytest.mark.parametrize("beta", [0.5, 2.0])
    def test_recovered_are_the_true_ones(self, beta: float) -> None:
        truth = Truth(coupling_factor=beta, theta=0.8, angle=0.4, noise=1e-3)
        measured = truth.sweep(np.random.default_rng(2))
        unsigned = Sweep(
            truth.f_hz, measured.gamma.real + 1j * np.abs(measured.gamma.imag), content="unsigned"
        )
        found = recover_signs(unsigned)
        assert found is not None
        assert found.sweep.content == "complex"
        sure = np.abs(measured.gamma.imag) > 5e-3
        flipped = np.sign(found.sweep.gamma.imag) != np.sign(measured.gamma.imag)
        # The whole locus or its mirror image: from magnitudes of imaginary parts both fit alike
        # but for the line's phase, whose sense is known.
        assert not flipped[sure].any()
        evidence = found.finding.evidence
        assert evidence["points"] == 201.0
        assert evidence["points_ambiguous"] <= (~sure).sum() + 3

    def test_are_recovered_beside_interference(self) -> None:
        truth = Truth(coupling_factor=0.5, theta=0.8, angle=0.4, noise=1e-3)
        measured = truth.sweep(np.random.default_rng(2)).gamma.copy()
        measured[[20, 150]] *= np.exp(0.5j)  # of the right magnitude, in the wrong place
        unsigned = Sweep(truth.f_hz, measured.real + 1j * np.abs(measured.imag), content="unsigned")
        found = recover_signs(unsigned)
        assert found is not None
        clear = (np.abs(measured.imag) > 5e-3) & (np.arange(201) != 20) & (np.arange(201) != 150)
        right = np.sign(found.sweep.gamma.imag) == np.sign(truth.reflection().imag)
        assert right[clear].all()

    def test_not_recovered_is_a_warning_without_figures(self) -> None:
        finding = signs_unknown_finding()
        assert (finding.code, finding.level) == ("signs-not-recovered", "warning")
        assert dict(finding.evidence) == {}
