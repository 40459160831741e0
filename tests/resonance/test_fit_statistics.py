"""Uncertainties that hold: pulls, coverage, invariance, the Cramer-Rao bound, interference.

Every bound follows from the number of sweeps: a mean of n normalised errors lies within 4/sqrt(n)
of 0, their spread within 4/sqrt(2n) of 1, a share p within 4 sqrt(p(1-p)/n), each in all but one
seed of 16,000. Seeds are fixed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pytest
from numpy.typing import NDArray
from simulated import Truth, drawn, white

from sweeplab import Line, Resonance, Sweep, fit_many, fit_resonance

FIGURES = ("f_loaded_hz", "q_loaded", "q_unloaded", "coupling_factor")
LENGTHS = (51, 101, 151, 201, 401)
SWEEPS = 800
LIMIT = 4.0


@dataclass(frozen=True)
class Study:
    truths: tuple[Truth, ...]
    fits: tuple[Resonance, ...]

    def pulls(self, name: str) -> NDArray[np.float64]:
        """Return each figure's error over its standard uncertainty."""
        pairs = [(getattr(fit, name), getattr(truth, name)) for truth, fit in self.pairs()]
        return np.array([(estimate.value - true) / estimate.u for estimate, true in pairs])

    def covered(self, name: str) -> NDArray[np.bool_]:
        """Return whether each 95 % interval holds the truth."""
        pairs = [(getattr(fit, name), getattr(truth, name)) for truth, fit in self.pairs()]
        return np.array([estimate.low <= true <= estimate.high for estimate, true in pairs])

    def pairs(self) -> list[tuple[Truth, Resonance]]:
        return list(zip(self.truths, self.fits, strict=True))


def study_of(truths: Sequence[Truth], sweeps: Sequence[Sweep]) -> Study:
    fits = fit_many(sweeps)
    # A sweep in a thousand may fail on its own account, not one in a hundred.
    used = [(t, fit) for t, fit in zip(truths, fits, strict=True) if fit.q_unloaded is not None]
    assert len(used) >= 0.99 * len(truths)
    return Study(tuple(t for t, _ in used), tuple(fit for _, fit in used))


def is_standard(pulls: NDArray[np.float64]) -> bool:
    """Say whether normalised errors have mean 0 and spread 1, as far as their number tells."""
    n = pulls.size
    centred = abs(float(pulls.mean())) < LIMIT / np.sqrt(n)
    return bool(centred and abs(float(pulls.std()) - 1) < LIMIT / np.sqrt(2 * n))


def covers(inside: NDArray[np.bool_], share: float = 0.95) -> bool:
    """Say whether as many intervals hold the truth as they should."""
    off = abs(float(inside.mean()) - share)
    return bool(off < LIMIT * np.sqrt(share * (1 - share) / inside.size))


@pytest.fixture(scope="module")
def study() -> Study:
    rng = np.random.default_rng(20_240_611)
    truths = [replace(drawn(rng), points=int(rng.choice(LENGTHS))) for _ in range(SWEEPS)]
    return study_of(truths, [truth.sweep(rng) for truth in truths])


class TestPulls:
    @pytest.mark.parametrize("name", FIGURES)
    def test_normalised_errors_have_mean_0_and_spread_1(self, study: Study, name: str) -> None:
        assert is_standard(study.pulls(name))

    @pytest.mark.parametrize("name", FIGURES)
    def test_95_percent_intervals_hold_the_truth_95_times_in_100(
        self, study: Study, name: str
    ) -> None:
        assert covers(study.covered(name))

    @pytest.mark.parametrize("name", FIGURES)
    def test_control_half_the_noise_is_caught(self, study: Study, name: str) -> None:
        pulls = 2 * study.pulls(name)
        assert not is_standard(pulls)
        assert not covers(np.abs(pulls) < 1.96)

    def test_control_without_the_correlations_is_caught(self, study: Study) -> None:
        # Q0 = QL (1 + beta): taking the two as independent is 14 % too sure.
        pulls = []
        for truth, fit in study.pairs():
            assert fit.q_loaded is not None
            assert fit.q_unloaded is not None
            assert fit.coupling_factor is not None
            by_beta = fit.coupling_factor.u / (1 + fit.coupling_factor.value)
            relative = np.hypot(fit.q_loaded.u / fit.q_loaded.value, by_beta)
            q0 = fit.q_unloaded.value
            pulls.append((q0 - truth.q_unloaded) / (q0 * relative))
        assert not is_standard(np.array(pulls))
        assert not covers(np.abs(pulls) < 1.96)

    def test_clean_noise_loses_less_than_a_point_in_a_thousand(self, study: Study) -> None:
        lost = sum(int((~fit.kept).sum()) for fit in study.fits if fit.kept is not None)
        assert lost < 1e-3 * sum(truth.points for truth in study.truths)


class TestNoise:
    def test_three_times_the_noise_is_three_times_the_uncertainty(self) -> None:
        # Absolute errors scale with the noise (lmfit and scipy test covariances the same way).
        truth = Truth(theta=0.7, off_centre=0.3)
        noise = white(np.random.default_rng(8), truth.points, 1e-3)
        one = fit_resonance(Sweep(truth.f_hz, truth.reflection() + noise))
        three = fit_resonance(Sweep(truth.f_hz, truth.reflection() + 3 * noise))
        for name in FIGURES:
            assert getattr(three, name).u == pytest.approx(3 * getattr(one, name).u, rel=0.02)

    @pytest.mark.parametrize(
        ("half_bandwidths", "bound"), [(1, 0.4745), (2, 0.3140), (3, 0.3002), (5, 0.3220)]
    )
    def test_stated_uncertainty_is_the_cramer_rao_bound(
        self, half_bandwidths: int, bound: float
    ) -> None:
        # Derived for 201 points, complex circle and background free, no line: u(QL)/QL over
        # sigma/|D|; no published table known. Four digits of it are computed.
        truth = Truth(span_bandwidths=half_bandwidths, angle=0.0, noise=1e-3, q_loaded=1000)
        fits = fit_many([truth.sweep(np.random.default_rng(i)) for i in range(40)], Line(0.0))
        diameter = 2 * truth.coupling_factor / (1 + truth.coupling_factor)
        known = [fit.q_loaded for fit in fits if fit.q_loaded and _no_delay(fit)]
        median_u = np.median([q.u / q.value for q in known])
        # Each u follows the noise found in 402 figures: 1/sqrt(2 402) of it, over sqrt(40).
        assert median_u == pytest.approx(bound * truth.noise / diameter, rel=0.03)

    def test_the_spread_of_ql_reaches_the_cramer_rao_bound(self) -> None:
        truth = Truth(span_bandwidths=3, angle=0.0, noise=1e-3)
        rng = np.random.default_rng(12)
        n = 600
        fits = fit_many([truth.sweep(rng) for _ in range(n)], Line(0.0))
        values = np.array([fit.q_loaded.value for fit in fits if fit.q_loaded and _no_delay(fit)])
        # One in a hundred fits a rest of a line where there is none.
        assert values.size > 0.96 * n
        diameter = 2 * truth.coupling_factor / (1 + truth.coupling_factor)
        bound = 0.3002 * truth.noise / diameter * truth.q_loaded
        assert values.std() == pytest.approx(bound, rel=LIMIT / np.sqrt(2 * n))

    def test_residuals_that_hang_together_widen_the_intervals(self) -> None:
        # A slow wobble is no white noise: the first-order autoregressive factor (D. B. Percival,
        # Metrologia 30, 289, 1993, memory).
        truth = Truth(theta=0.5)
        steps = white(np.random.default_rng(4), truth.points, 1e-3)
        slow = np.empty_like(steps)
        slow[0] = steps[0]
        for i in range(1, steps.size):
            slow[i] = 0.8 * slow[i - 1] + 0.6 * steps[i]
        white_fit = fit_resonance(Sweep(truth.f_hz, truth.reflection() + steps))
        slow_fit = fit_resonance(Sweep(truth.f_hz, truth.reflection() + slow))
        assert white_fit.q_loaded is not None
        assert slow_fit.q_loaded is not None
        assert slow_fit.q_loaded.u > 2 * white_fit.q_loaded.u
        assert "misfit" in [finding.code for finding in slow_fit.findings]


def _no_delay(fit: Resonance) -> bool:
    return fit.circle is not None and fit.circle.delay_s == 0


@pytest.fixture(scope="module")
def hit() -> tuple[Study, list[NDArray[np.bool_]]]:
    # Four points in a hundred carry a broadcaster of 0.05 to 0.5.
    rng = np.random.default_rng(77)
    truths = [replace(drawn(rng), points=int(rng.choice(LENGTHS[1:]))) for _ in range(400)]
    sweeps, struck = [], []
    for truth in truths:
        sweep = truth.sweep(rng)
        where = rng.random(truth.points) < 0.04
        gamma = sweep.gamma.copy()
        size = rng.uniform(0.05, 0.5, where.sum())
        gamma[where] += size * np.exp(2j * np.pi * rng.random(where.sum()))
        sweeps.append(Sweep(sweep.f_hz, gamma))
        struck.append(where)
    study = study_of(truths, sweeps)
    assert len(study.truths) == len(truths)
    return study, struck


class TestInterference:
    @pytest.mark.parametrize("name", FIGURES)
    def test_at_least_nine_intervals_in_ten_still_hold(
        self, hit: tuple[Study, list[NDArray[np.bool_]]], name: str
    ) -> None:
        assert hit[0].covered(name).mean() >= 0.90

    def test_nearly_every_point_hit_is_set_aside_and_counted(
        self, hit: tuple[Study, list[NDArray[np.bool_]]]
    ) -> None:
        study, struck = hit
        caught = total = 0
        for fit, where in zip(study.fits, struck, strict=True):
            assert fit.kept is not None
            aside = int((~fit.kept).sum())
            findings = [f for f in fit.findings if f.code == "set-aside"]
            assert len(findings) == (1 if aside else 0)
            assert all(f.evidence["points_set_aside"] == aside for f in findings)
            caught += int((~fit.kept & where).sum())
            total += int(where.sum())
        assert caught > 0.97 * total
