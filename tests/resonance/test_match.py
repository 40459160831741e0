"""The match: SWR at resonance, its bandwidths, and what Q they imply."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from simulated import Truth, white

from sweeplab import Line, Match, Sweep, embed, find_match, fit_many, fit_resonance


def width_in_q(level: float, beta: float) -> float:
    """Return ``Q0 (f2 - f1)/f0`` where SWR <= level, exact for a series or parallel circuit.

    From A. D. Yaghjian & S. R. Best, IEEE Trans. AP 53, 1298, 2005, for a mismatch beta; at
    beta = 1 it is their (s - 1)/sqrt(s).
    """
    rho2 = ((level - 1) / (level + 1)) ** 2
    return math.sqrt((rho2 * (1 + beta) ** 2 - (1 - beta) ** 2) / (1 - rho2))


class TestMatchedBandwidth:
    @pytest.mark.parametrize("q_unloaded", [40.0, 400.0, 2000.0])
    @pytest.mark.parametrize("level", [2, 3])
    def test_is_s_minus_1_over_root_s_of_f0_over_q0(self, level: int, q_unloaded: float) -> None:
        # Yaghjian & Best 2005; Q0 is the unloaded Q, twice the loaded one here.
        truth = Truth(q_loaded=q_unloaded / 2, coupling_factor=1.0, span_bandwidths=8)
        width = find_match(truth.sweep()).swr_bandwidth_hz[str(level)]
        expected = truth.f_loaded_hz / q_unloaded * (level - 1) / math.sqrt(level)
        assert width == pytest.approx(expected, rel=1e-6)

    def test_the_formula_of_a_mismatch_holds_the_matched_one(self) -> None:
        # 0.707107 at SWR 2, 1 at the golden ratio squared, 2 at 5.828427: computed values.
        assert width_in_q(2, 1) == pytest.approx(0.707107, abs=1e-6)
        assert width_in_q(2.6180339887, 1) == pytest.approx(1.0, abs=1e-9)
        assert width_in_q(5.8284271247, 1) == pytest.approx(2.0, abs=1e-9)

    @pytest.mark.parametrize("beta", [0.55, 0.8, 1.3, 1.9])
    @pytest.mark.parametrize("level", [2, 3])
    def test_mismatched_bandwidth(self, beta: float, level: int) -> None:
        truth = Truth(coupling_factor=beta, span_bandwidths=10, theta=1.0)
        width = find_match(truth.sweep()).swr_bandwidth_hz[str(level)]
        expected = truth.f_loaded_hz / truth.q_unloaded * width_in_q(level, beta)
        assert width == pytest.approx(expected, rel=1e-6)

    @pytest.mark.parametrize(("beta", "half_power_hz"), [(1.1, 30e3), (1 / 1.1, 33e3)])
    def test_a_worked_field_example_tells_over_from_undercoupled(
        self, beta: float, half_power_hz: float
    ) -> None:
        # 7.175 MHz, lowest SWR 1.1, 36 kHz at SWR 3: "half power" 30 kHz on one side of the match,
        # "more like 33 kHz" on the other, half power meaning SWR 2.618, so f0/Q0 (an informal
        # source; 29.83 and 32.81 kHz computed, hence 1 %).
        q_unloaded = 7.175e6 * width_in_q(3, beta) / 36e3
        truth = Truth(7.175e6, q_unloaded / (1 + beta), beta, noise=1e-4, theta=0.6)
        sweep = truth.sweep(np.random.default_rng(3))
        match, fit = find_match(sweep), fit_resonance(sweep)
        assert match.swr_min == pytest.approx(1.1, rel=2e-3)
        assert match.swr_bandwidth_hz["3"] == pytest.approx(36e3, rel=2e-3)
        assert fit.q_unloaded is not None
        assert 7.175e6 / fit.q_unloaded.value == pytest.approx(half_power_hz, rel=0.01)

    def test_a_level_not_reached_has_no_bandwidth(self) -> None:
        match = find_match(Truth(coupling_factor=0.4).sweep())
        assert match.swr_bandwidth_hz["2"] is None
        assert match.swr_bandwidth_hz["3"] is not None

    def test_an_edge_outside_the_sweep_has_no_bandwidth(self) -> None:
        truth = Truth(coupling_factor=1.0, span_bandwidths=1.0, noise=1e-4, off_centre=0.35)
        assert find_match(truth.sweep(np.random.default_rng(1))).swr_bandwidth_hz["3"] is None


class TestLowestSwr:
    @pytest.mark.parametrize("beta", [0.3, 0.7, 1.4, 4.0])
    def test_is_the_coupling_factor_or_its_inverse(self, beta: float) -> None:
        # Kajfez & Hwan 1984: lossless coupling, tuned.
        match = find_match(Truth(coupling_factor=beta).sweep())
        assert match.swr_min == pytest.approx(max(beta, 1 / beta), rel=1e-6)
        assert match.f_swr_min_hz == pytest.approx(7.1e6, rel=1e-9)

    @pytest.mark.parametrize("beta", [0.7, 1.4])
    def test_impedance_there(self, beta: float) -> None:
        # Detuned to a short (as a coupling loop without reactance is), Z = beta Z0 at resonance.
        match = find_match(Truth(coupling_factor=beta, angle=math.pi).sweep())
        assert match.impedance_ohm == pytest.approx((50 * beta, 0), abs=1e-5)

    @pytest.mark.parametrize("beta", [0.5, 1.5])
    def test_uncertainties_are_the_scatter(self, beta: float) -> None:
        truth = Truth(coupling_factor=beta, noise=2e-3)
        rng = np.random.default_rng(2)
        n = 200
        sweeps = [truth.sweep(rng) for _ in range(n)]
        fits = fit_many(sweeps)
        matches = [find_match(sweep, fit) for sweep, fit in zip(sweeps, fits, strict=True)]
        width = truth.f_loaded_hz / truth.q_unloaded * width_in_q(3, beta)
        swr = [_pull(m.swr_min, m.u_swr_min, max(beta, 1 / beta)) for m in matches]
        place = [_pull(m.f_swr_min_hz, m.u_f_swr_min_hz, truth.f_loaded_hz) for m in matches]
        wide = [_pull(m.swr_bandwidth_hz["3"], m.u_swr_bandwidth_hz["3"], width) for m in matches]
        for pulls in (swr, place):
            assert abs(np.mean(pulls)) < 4 / math.sqrt(n)
            assert np.std(pulls) == pytest.approx(1, abs=4 / math.sqrt(2 * n))
        # The two edges' uncertainties are added: the width's is an upper bound.
        assert np.std(wide) < 1 + 4 / math.sqrt(2 * n)


def _pull(value: float | None, u: float | None, truth: float) -> float:
    assert value is not None
    assert u is not None
    return (value - truth) / u


class TestWhereTheTransmitterIs:
    LOSS = ((1e6, 1.4), (30e6, 8.5))

    def assert_as_measured(self, match: Match, sweep: Sweep) -> None:
        best = int(np.argmin(sweep.swr))
        assert match.swr_min == pytest.approx(float(sweep.swr[best]), rel=1e-3)
        assert match.impedance_ohm is not None
        assert abs(complex(*match.impedance_ohm) - sweep.z_ohm[best]) < 0.5
        inside = sweep.f_hz[sweep.swr <= 3]
        step = sweep.f_hz[1] - sweep.f_hz[0]
        assert match.swr_bandwidth_hz["3"] == pytest.approx(inside[-1] - inside[0], abs=2.5 * step)

    def test_a_described_lossy_line_flatters_the_match(self) -> None:
        # Loss on the way there and back makes the SWR at the transmitter lower.
        line = Line(12, 0.66, self.LOSS)
        plain = Truth(angle=0.0, span_bandwidths=8, points=801).sweep()
        sweep = embed(plain, line)
        match = find_match(sweep, fit_resonance(sweep, line))
        self.assert_as_measured(match, sweep)
        bare = find_match(plain)
        assert match.swr_min is not None
        assert bare.swr_min is not None
        assert match.swr_min < bare.swr_min

    def test_a_described_line_of_another_impedance_changes_the_match(self) -> None:
        line = Line(12, 0.66, self.LOSS, z0_ohm=75)
        sweep = embed(Truth(angle=0.0, span_bandwidths=8, points=801).sweep(), line)
        self.assert_as_measured(find_match(sweep, fit_resonance(sweep, line)), sweep)


class TestWithoutAFit:
    def test_the_best_point_measured_is_given_without_uncertainty(self) -> None:
        f = np.linspace(7e6, 7.2e6, 101)
        gamma = (0.6 + 0.2 * np.abs(f - 7.05e6) / 1e5).astype(complex)
        match = find_match(Sweep(f, gamma))
        # SWR 4 at a reflection of 0.6: (1 + 0.6)/(1 - 0.6).
        assert match.swr_min == pytest.approx(4.0)
        assert match.f_swr_min_hz == pytest.approx(7.05e6)
        assert match.impedance_ohm == pytest.approx((200, 0))
        assert match.u_swr_min is None
        assert match.swr_bandwidth_hz == {"2": None, "3": None}

    def test_nothing_measured_gives_nothing(self) -> None:
        match = find_match(Sweep(np.array([7e6, 8e6]), np.full(2, complex(math.nan, math.nan))))
        assert match.swr_min is None
        assert match.f_swr_min_hz is None
        assert match.impedance_ohm is None

    def test_total_reflection_has_no_swr(self) -> None:
        match = find_match(Sweep(np.array([7e6, 8e6]), np.array([1 + 0j, 1 + 0j])))
        assert match.swr_min is None

    def test_noise_alone_agrees_with_its_lowest_point(self) -> None:
        noise = 0.5 + white(np.random.default_rng(1), 101, 0.01)
        sweep = replace(Sweep(np.linspace(7e6, 7.1e6, 101), noise))
        assert find_match(sweep).swr_min == pytest.approx(float(sweep.swr.min()))
