"""What is no resonance is refused, with a reason and without an exception."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from simulated import Truth, white

from sweeplab import Resonance, Sweep, find_match, fit_many, fit_resonance
from sweeplab.line import renormalized
from sweeplab.sweep import Content

POINTS = 201
F_HZ = np.linspace(7.0e6, 7.2e6, POINTS)
PLACE = np.linspace(-0.5, 0.5, POINTS)
Trace = Callable[[np.random.Generator], NDArray[np.complex128]]


def _noise(size: float) -> Trace:
    return lambda rng: white(rng, POINTS, size)


def _plus(trace: NDArray[np.complexfloating], noise: float = 1e-3) -> Trace:
    return lambda rng: np.asarray(trace + white(rng, POINTS, noise))


# An open line of 20 m, velocity 2/3: its ripple in another impedance is what a bare line shows.
_TURNS = np.exp(-2j * math.pi * F_HZ * 2 * 20 / 2e8)
NO_RESONANCE: dict[str, Trace] = {
    "flat": lambda rng: np.full(POINTS, 0.5 + 0.1j),
    "a short": lambda rng: np.full(POINTS, -1 + 0j),
    "zeros": lambda rng: np.zeros(POINTS, dtype=complex),
    "weak noise": _noise(1e-3),
    "strong noise": _noise(0.3),
    "noise about a reflection": _plus(np.full(POINTS, 0.7 + 0.2j), 0.01),
    "slope": lambda rng: np.asarray(0.9 + (0.1 + 0.05j) * PLACE),
    "slope in noise": _plus(0.9 + (0.1 + 0.05j) * PLACE),
    "bend in noise": _plus(0.9 + 0.1 * PLACE + 0.1j * PLACE**2),
    "open line": _plus(0.98 * _TURNS),
    "open line of 75 ohm": _plus(renormalized(0.98 * _TURNS, 75, 50)),
    "ripple of a bare line": _plus(
        np.exp(-3j * PLACE) * (0.95 + 0.02 * np.cos(6 * math.pi * PLACE))
    ),
    "ripple of two reflections": _plus(0.95 * np.exp(-4j * PLACE) + 0.05 * np.exp(-20j * PLACE)),
    "NaN": lambda rng: np.full(POINTS, complex(math.nan, math.nan)),
    "infinite": lambda rng: np.full(POINTS, complex(math.inf, 0)),
    "one spike": lambda rng: np.where(np.arange(POINTS) == 90, 0.2, 0.9 + 0j) + white(
        rng, POINTS, 1e-3
    ),
}  # fmt: skip


def assert_refused(fit: Resonance) -> None:
    assert fit.status == "refused"
    assert fit.to_json() is None
    assert fit.q_loaded is None
    assert fit.q_unloaded is None
    problems = [finding for finding in fit.findings if finding.level == "problem"]
    assert problems
    assert all(finding.text and finding.action for finding in problems)


class TestNoResonance:
    @pytest.mark.parametrize("name", NO_RESONANCE)
    def test_is_refused_with_a_reason(self, name: str) -> None:
        gamma = NO_RESONANCE[name](np.random.default_rng(2))
        assert_refused(fit_resonance(Sweep(F_HZ, gamma)))

    @pytest.mark.parametrize("name", NO_RESONANCE)
    def test_still_has_a_match_or_says_that_it_has_none(self, name: str) -> None:
        match = find_match(Sweep(F_HZ, NO_RESONANCE[name](np.random.default_rng(2))))
        assert match.swr_min is None or 1 <= match.swr_min < math.inf
        assert match.u_swr_min is None

    def test_no_pure_noise_ever_passes(self) -> None:
        # 500 sweeps of noise about a steady reflection, of every size.
        rng = np.random.default_rng(5)
        sweeps = []
        for _ in range(500):
            points = int(rng.choice([51, 101, 201, 401]))
            level = rng.uniform(0, 1) * np.exp(2j * math.pi * rng.random())
            noise = white(rng, points, 10 ** rng.uniform(-3.5, -1))
            sweeps.append(Sweep(np.linspace(7e6, 7.2e6, points), level + noise))
        assert {fit.status for fit in fit_many(sweeps)} == {"refused"}

    @pytest.mark.parametrize("side", [-1, 1])
    @pytest.mark.parametrize("bandwidths", [3.5, 4, 5, 8, 12])
    def test_a_resonance_outside_the_span_is_refused(self, side: int, bandwidths: float) -> None:
        # The span ends three half-power bandwidths from its middle.
        truth = Truth(off_centre=side * bandwidths, noise=1e-3)
        assert_refused(fit_resonance(truth.sweep(np.random.default_rng(6))))

    def test_the_side_on_which_it_lies_is_reported(self) -> None:
        fit = fit_resonance(Truth(off_centre=3.5, noise=1e-3).sweep(np.random.default_rng(6)))
        assert "outside-span" in [finding.code for finding in fit.findings]
        assert "up" in fit.findings[0].action


class TestTooLittle:
    @pytest.mark.parametrize("points", [2, 3, 5, 7])
    def test_a_handful_of_points_is_refused(self, points: int) -> None:
        assert_refused(fit_resonance(Truth(points=points).sweep()))

    def test_a_single_point_is_refused(self) -> None:
        assert_refused(fit_resonance(Sweep(np.array([7e6]), np.array([0.5 + 0j]))))

    def test_a_sweep_that_is_mostly_NaN_is_refused(self) -> None:
        gamma = Truth().reflection().copy()
        gamma[5:] = math.nan
        assert_refused(fit_resonance(Sweep(Truth().f_hz, gamma)))

    def test_a_span_below_the_bandwidth_is_refused(self) -> None:
        truth = Truth(span_bandwidths=0.4, noise=1e-3)
        assert_refused(fit_resonance(truth.sweep(np.random.default_rng(1))))

    def test_a_narrow_span_is_at_best_doubtful(self) -> None:
        truth = Truth(span_bandwidths=1.2, noise=3e-4)
        fit = fit_resonance(truth.sweep(np.random.default_rng(1)))
        assert fit.status in ("doubtful", "refused")


class TestATransmission:
    def test_is_refused_whatever_its_height(self) -> None:
        # S21 = S0/(1 + j QL t), with a leakage of a hundredth.
        truth = Truth()
        t = truth.f_hz / truth.f_loaded_hz - truth.f_loaded_hz / truth.f_hz
        for height in (0.05, 0.3, 0.9):
            gamma = 0.01j + height / (1 + 1j * truth.q_loaded * t)
            noisy = gamma + white(np.random.default_rng(1), truth.points, 1e-3)
            fit = fit_resonance(Sweep(truth.f_hz, noisy))
            assert_refused(fit)
            assert [finding.code for finding in fit.findings] == ["not-a-reflection"]

    @pytest.mark.parametrize("one_way_db", [0, 1, 3, 6])
    @pytest.mark.parametrize("content", ["complex", "magnitude"])
    def test_a_loop_behind_up_to_6_db_of_line_is_none(
        self, one_way_db: float, content: Content
    ) -> None:
        # Twice the loss on the way there and back; an analyzer's directivity of 30 dB besides.
        rng = np.random.default_rng(12)
        sweeps = []
        for beta in (0.1, 0.3, 1, 3, 10):
            for directivity in (0, 0.03, -0.03j):
                truth = Truth(coupling_factor=beta, noise=3e-4, theta=1.0)
                gamma = 10 ** (-one_way_db / 10) * truth.reflection() + directivity
                sweeps.append(Sweep(truth.f_hz, gamma + white(rng, truth.points, 3e-4),
                                    content=content))  # fmt: skip
        codes = {finding.code for fit in fit_many(sweeps) for finding in fit.findings}
        assert "not-a-reflection" not in codes


class TestAResonanceWithFlaws:
    def test_points_not_measured_do_not_hurt(self) -> None:
        truth = Truth(noise=1e-3, theta=0.5)
        gamma = truth.sweep(np.random.default_rng(7)).gamma.copy()
        gamma[[3, 50, 51, 120]] = complex(math.nan, math.nan)
        fit = fit_resonance(Sweep(truth.f_hz, gamma))
        assert fit.status == "ok"
        assert fit.q_loaded is not None
        assert fit.q_loaded.low <= truth.q_loaded <= fit.q_loaded.high

    def test_noise_as_large_as_the_dip_is_never_plainly_ok(self) -> None:
        rng = np.random.default_rng(9)
        fits = fit_many([Truth(noise=0.5).sweep(rng) for _ in range(50)])
        assert "ok" not in {fit.status for fit in fits}

    def test_two_resonances_are_distinguished_and_reported(self) -> None:
        truth = Truth(span_bandwidths=10)
        f = truth.f_hz
        other = truth.f_loaded_hz * (1 + 2.5 / truth.q_loaded)
        t = f / other - other / f
        gamma = truth.reflection() * (1 - 0.7 / (1 + 1j * truth.q_loaded * t))
        noisy = gamma + white(np.random.default_rng(1), truth.points, 5e-4)
        fit = fit_resonance(Sweep(f, noisy), near_hz=truth.f_loaded_hz)
        (finding,) = [finding for finding in fit.findings if finding.code == "another-resonance"]
        assert finding.evidence["f_loaded_hz"] == pytest.approx(other, rel=1e-4)
        assert fit.q_loaded is not None
        assert fit.q_loaded.low <= truth.q_loaded <= fit.q_loaded.high

    def test_the_other_resonance_is_had_by_asking_for_it(self) -> None:
        truth = Truth(span_bandwidths=10)
        f = truth.f_hz
        other = truth.f_loaded_hz * (1 + 3 / truth.q_loaded)
        t = f / other - other / f
        gamma = truth.reflection() - 0.3 / (1 + 1.5j * truth.q_loaded * t)
        noisy = gamma + white(np.random.default_rng(1), truth.points, 5e-4)
        fit = fit_resonance(Sweep(f, noisy), near_hz=other)
        assert fit.f_loaded_hz is not None
        assert fit.f_loaded_hz.value == pytest.approx(other, rel=1e-5)

    def test_a_hand_that_detunes_midway_is_never_plainly_ok(self) -> None:
        truth = Truth()
        moved = replace(truth, f_loaded_hz=truth.f_loaded_hz * (1 + 0.5 / truth.q_loaded))
        f, middle = truth.f_hz, truth.points // 2
        t = f / moved.f_loaded_hz - moved.f_loaded_hz / f
        diameter = 2 * truth.coupling_factor / (1 + truth.coupling_factor)
        after = np.exp(1j * truth.angle) * (1 - diameter / (1 + 1j * truth.q_loaded * t))
        gamma = np.where(np.arange(truth.points) < middle, truth.reflection(), after)
        noisy = gamma + white(np.random.default_rng(1), truth.points, 5e-4)
        assert fit_resonance(Sweep(f, noisy)).status != "ok"

    def test_more_back_than_sent_is_a_finding(self) -> None:
        truth = Truth(noise=1e-3)
        sweep = truth.sweep(np.random.default_rng(1))
        fit = fit_resonance(Sweep(truth.f_hz, 1.1 * sweep.gamma))
        assert fit.status == "doubtful"
        assert "more-than-all" in [finding.code for finding in fit.findings]
