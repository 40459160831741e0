"""When signs count as found, each limit from both sides."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from simulated import Truth

from sweeplab import Sweep, fit_resonance
from sweeplab.resonance.circle.batch import CircleFit, SweepBatch
from sweeplab.resonance.scalar.sign_recovery import (
    _distinct,
    _is_unambiguous,
    _without_interference,
    recover_signs,
)
from sweeplab.sweep import ComplexArray

POINTS = 201
U = np.linspace(-0.5, 0.5, POINTS)


def unsigned(f_hz: np.ndarray, gamma: ComplexArray) -> Sweep:
    return Sweep(f_hz, gamma.real + 1j * np.abs(gamma.imag), content="unsigned")


def sign_finding(sweep: Sweep) -> str:
    """Return the code of the finding on signs."""
    (code,) = {f.code for f in fit_resonance(sweep).findings if f.code.startswith("signs-")}
    return code


class TestAmbiguousPoints:
    """Points whose true imaginary part is within two standard deviations of none."""

    @staticmethod
    def sweep(noise: float) -> tuple[Sweep, int]:
        """Return a sweep that runs along the real axis, and how many of its points are near it."""
        truth = Truth(angle=0.0, theta=0.7, noise=noise)
        near = int(np.sum(np.abs(truth.reflection().imag) < 2 * noise))
        return unsigned(truth.f_hz, truth.sweep(np.random.default_rng(4)).gamma), near

    @pytest.mark.parametrize("noise", [0.01, 0.02, 0.03])
    def test_are_counted(self, noise: float) -> None:
        sweep, near = self.sweep(noise)
        signed = recover_signs(sweep)
        assert signed is not None
        assert signed.finding.evidence["points_ambiguous"] == pytest.approx(near, rel=0.1)

    @pytest.mark.parametrize(
        ("noise", "share", "code"),
        [(0.035, 0.22, "signs-recovered"), (0.041, 0.27, "signs-not-recovered")],
    )
    def test_are_too_many_from_a_quarter_on(self, noise: float, share: float, code: str) -> None:
        sweep, near = self.sweep(noise)
        assert near / POINTS == pytest.approx(share, abs=0.02)
        assert sign_finding(sweep) == code


class TestExcess:
    @pytest.mark.parametrize(
        ("times", "code"), [(3.1, "signs-recovered"), (3.7, "signs-not-recovered")]
    )
    def test_of_the_residual_over_the_sizes_own_noise(self, times: float, code: str) -> None:
        # Noise across the reflection so many times that along it: the sizes see the latter alone,
        # the fit sqrt((1 + times^2)/2) of it: 2.30 and 2.71.
        truth, rng = Truth(theta=0.7), np.random.default_rng(4)
        gamma = truth.reflection()
        noise = rng.standard_normal(POINTS) + 1j * times * rng.standard_normal(POINTS)
        sweep = unsigned(truth.f_hz, gamma + 1e-3 * noise * gamma / np.abs(gamma))
        assert sign_finding(sweep) == code


class TestReadings:
    """Which readings of a sweep are fitted."""

    MODEL = np.exp(1j * U)

    @pytest.mark.parametrize(("times", "tried"), [(27.0, 2), (33.0, 1)])
    def test_none_that_misses_by_thirty_times_the_best(self, times: float, tried: int) -> None:
        models = np.stack([self.MODEL, -self.MODEL])
        assert _distinct(models, np.array([1.0, times])).size == tried

    @pytest.mark.parametrize(("off", "tried"), [(0.009, 1), (0.011, 2)])
    def test_none_that_is_another_within_a_hundredth(self, off: float, tried: int) -> None:
        models = np.stack([self.MODEL, self.MODEL + off])
        assert _distinct(models, np.array([1.0, 1.0])).size == tried

    def test_three_at_most(self) -> None:
        models = np.stack([k * self.MODEL for k in (1, 2, 3, 4)])
        assert _distinct(models, np.ones(4)).tolist() == [0, 1, 2]


def fitted(
    residual: ComplexArray, others: np.ndarray | None = None
) -> tuple[SweepBatch, CircleFit]:
    """Return readings with a circle of one across: the first, and another whose p and B differ.

    Parameters
    ----------
    residual : ndarray of complex, shape (201,)
        Of the data.
    others : ndarray, shape (3,)
        Of the second: B's size over the first's less one, ln kappa more, rss more.
    """
    x = 2 * math.exp(1.5) * U
    gamma = 1 - 1 / (1 + 1j * x) + residual
    d, log_kappa, rss = np.zeros(3) if others is None else others
    f_hz = np.tile(7.1e6 + 1e3 * U, (2, 1))
    rows = SweepBatch.of(f_hz, np.tile(gamma, (2, 1)), np.ones((2, POINTS)))
    best = float(np.sum(np.abs(residual) ** 2))
    return rows, CircleFit(
        np.array([[0.0, 1.5, 0.0], [0.0, 1.5 + log_kappa, 0.0]]),
        np.array([[1, -1], [1, -1 - d]], dtype=complex),
        np.array([best, best + rss]),
        np.zeros((2, 7, 7)),
    )


class TestUnambiguous:
    """A set of signs is unambiguous where every other fits clearly worse."""

    NOISE = 1e-3
    # As different from its neighbours as white noise: none of it is shared.
    RESIDUAL = NOISE * np.tile([1, -1], POINTS)[:POINTS] * (1 + 1j)

    def unambiguous(self, d: float, log_kappa: float, chi2: float) -> bool:
        others = np.array([d, log_kappa, chi2 * self.NOISE**2])
        return _is_unambiguous(*fitted(self.RESIDUAL, others), 0, self.NOISE**2)

    @pytest.mark.parametrize(("chi2", "unambiguous"), [(23.0, False), (27.0, True)])
    def test_every_other_fits_worse_by_a_chi_square_of_25(
        self, chi2: float, unambiguous: bool
    ) -> None:
        assert self.unambiguous(0.1, 0.0, chi2) is unambiguous

    @pytest.mark.parametrize(("off", "unambiguous"), [(0.018, True), (0.022, False)])
    def test_a_coupling_two_per_cent_off_is_another(self, off: float, unambiguous: bool) -> None:
        assert self.unambiguous(off, 0.0, 1.0) is unambiguous

    @pytest.mark.parametrize(("off", "unambiguous"), [(0.018, True), (0.022, False)])
    def test_a_loaded_q_two_per_cent_off_is_another(self, off: float, unambiguous: bool) -> None:
        assert self.unambiguous(0.0, off, 1.0) is unambiguous

    @pytest.mark.parametrize(("shared", "unambiguous"), [(0.047, True), (0.053, False)])
    def test_it_misses_by_less_than_a_twentieth_of_the_circle(
        self, shared: float, unambiguous: bool
    ) -> None:
        rows, solution = fitted(np.full(POINTS, shared + 0j))
        solution = replace(solution, rss=solution.rss + np.array([0.0, 1e12]))
        assert _is_unambiguous(rows, solution, 0, 1e-6) is unambiguous


class TestInterference:
    @staticmethod
    def count(far: int, times: float) -> int:
        """Return how many points count, `far` of them so many standard deviations off."""
        # The median size of complex noise is sqrt(2 ln 2) standard deviations a quadrature.
        off = 1e-3 * np.where(np.arange(POINTS) % 2, 1.0, -1.0) * math.sqrt(2 * math.log(2))
        off[:far] = times * 1e-3
        rows, solution = fitted(off + 0j)
        return int(_without_interference(rows, solution, 0).weight[0].sum())

    @pytest.mark.parametrize(("times", "count"), [(4.4, 201), (4.8, 200)])
    def test_is_what_noise_does_not_reach(self, times: float, count: int) -> None:
        assert self.count(1, times) == count

    @pytest.mark.parametrize(("far", "count"), [(29, 172), (32, 201)])
    def test_is_nothing_where_it_would_be_more_than_a_seventh(self, far: int, count: int) -> None:
        assert self.count(far, 20.0) == count
