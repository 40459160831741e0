"""The budget's limits, and the errors it states, each held from both sides."""

from __future__ import annotations

import math
from functools import cache
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from simulated import Truth

from sweeplab import Build, LoopModel, fit_resonance
from sweeplab.estimate import Estimate
from sweeplab.line import Line
from sweeplab.loop.model_uncertainty import model_findings, model_uncertainty
from sweeplab.loss import budget, coupled_fit
from sweeplab.loss.coupled_fit import CouplingPrior, _Solution, fit_coupled
from sweeplab.loss.figures import FREE_SPACE
from sweeplab.loss.findings import budget_findings
from sweeplab.loss.uncertainty_sources import sources

LOOP = """\
name = "test"
[loop]
circumference = "3 m"
{}
[conductor]
diameter = "10 mm"
{}
"""


def build(loop: str = "", further: str = "") -> Build:
    return Build.from_toml(LOOP.format(loop, further))


@cache
def model() -> LoopModel:
    return LoopModel(build())


def codes(findings: list[Any]) -> list[str]:
    return [finding.code for finding in findings]


def modelled(turns: int = 1, radius_m: float = 0.005, steepness: float = 1.0) -> Any:
    """A model that converged, of turns 20 mm apart."""
    return SimpleNamespace(
        solver_error=lambda f_hz: (0.0, 0.0),
        effective_reactance=lambda f_hz: 100.0 * steepness,
        impedance=lambda f_hz: 100j,
        geometry=SimpleNamespace(
            turn_lengths_m=(3.0,) * turns, radius_m=radius_m, turn_spacing_m=0.02
        ),
    )


class TestModelError:
    def test_of_a_single_turn_is_a_thousandth(self) -> None:
        error = model_uncertainty(build(), modelled(), 7e6)
        assert (error.radiation, error.reactance, error.effective_reactance, error.together) == (
            0.001,
            0.001,
            0.001,
            0.0,
        )

    def test_of_turns_whose_leads_are_described_is_four_thousandths_of_radiation(self) -> None:
        error = model_uncertainty(build('leads = "50 mm"'), modelled(turns=2), 7e6)
        assert error.radiation == pytest.approx(math.hypot(0.001, 0.004))

    def test_without_leads_a_hundredth(self) -> None:
        error = model_uncertainty(build(), modelled(turns=2), 7e6)
        assert error.radiation == pytest.approx(math.hypot(0.001, 0.010))

    def test_of_close_turns_goes_with_the_square_of_radius_over_spacing(self) -> None:
        far = model_uncertainty(build(), modelled(2, radius_m=1e-5), 7e6)
        near = model_uncertainty(build(), modelled(2, radius_m=0.005), 7e6)
        assert far.effective_reactance == pytest.approx(0.001)
        assert far.together == pytest.approx(0.008)
        assert near.effective_reactance == pytest.approx(math.hypot(0.001, 0.01 / 16))
        assert near.together == pytest.approx(math.hypot(0.008, 0.25 / 16))

    @pytest.mark.parametrize(("steepness", "warned"), [(1.95, False), (2.05, True)])
    def test_is_warned_of_where_effective_reactance_is_twice_the_reactance(
        self, steepness: float, warned: bool
    ) -> None:
        found = codes(model_findings(build(), modelled(steepness=steepness), 7e6))
        assert ("near-own-resonance" in found) == warned


def findings(remainder_ohm: float = 0.0, second: Any = None) -> list[str]:
    """Codes for a loss of 100 mohm of which so much is in nothing described."""
    estimates = {
        "r_loss_ohm": Estimate.normal(0.1, 0.001),
        "r_remainder_ohm": Estimate.normal(remainder_ohm, 0.001),
        "r_conductor_ohm": Estimate.normal(0.1 - remainder_ohm, 0.001),
    }
    return codes(budget_findings(build(), estimates, {"efficiency": {"fit": 0.01}}, second))


@pytest.mark.parametrize(("share", "reported"), [(0.149, False), (0.151, True)])
def test_fifteen_per_cent_of_the_loss_in_nothing_described_are_reported(
    share: float, reported: bool
) -> None:
    assert ("unaccounted-loss" in findings(0.1 * share)) == reported


@pytest.mark.parametrize(("inflation", "warned"), [(2.95, False), (3.05, True)])
def test_an_interval_widened_threefold_is_a_misfit(inflation: float, warned: bool) -> None:
    second = SimpleNamespace(inflation=inflation, residual_rms=0.01)
    assert ("model-misfit" in findings(second=second)) == warned


@cache
def resonance() -> Any:
    sweep = Truth(noise=1e-4).sweep(np.random.default_rng(1))
    return sweep, fit_resonance(sweep)


def test_the_circle_alone_is_good_to_two_per_cent() -> None:
    sweep, fit = resonance()
    unloaded = budget._unloaded(sweep, build(), fit, model(), FREE_SPACE)
    assert fit.q_unloaded.u / fit.q_unloaded.value < 0.001
    assert unloaded.u_relative == pytest.approx(0.02, rel=0.01)


class TestCouplingLoopExpected:
    def expected(self, feed: str) -> CouplingPrior:
        return budget._coupling_prior(build("", f"[feed]\n{feed}"), model(), 7e6)

    def test_of_unknown_size_has_half_an_ohm_to_either_side(self) -> None:
        assert self.expected('shape = "circle"').u_r_ohm == 0.5

    @pytest.mark.parametrize("offset", ["", '\noffset = "25 mm"'])
    def test_of_thick_wire_has_twenty_milliohms_of_joints(self, offset: str) -> None:
        found = self.expected(f'circumference = "0.6 m"\nconductor_diameter = "12 mm"{offset}')
        assert 0.006 < found.r_ohm < 0.02
        assert found.u_r_ohm == 0.02

    @pytest.mark.parametrize("offset", ["", '\noffset = "25 mm"'])
    def test_of_thin_wire_is_uncertain_by_all_of_its_own(self, offset: str) -> None:
        found = self.expected(f'circumference = "0.6 m"\nconductor_diameter = "1 mm"{offset}')
        assert found.r_ohm > 0.1
        assert found.u_r_ohm == pytest.approx(found.r_ohm)


class TestSecondStage:
    @pytest.fixture
    def problems(self, monkeypatch: pytest.MonkeyPatch) -> list[Any]:
        """The problems to be solved, collected and left unsolved."""
        posed: list[Any] = []
        monkeypatch.setattr(coupled_fit, "_solve", lambda problem, *rest: posed.append(problem))
        return posed

    def fit(
        self, expected: CouplingPrior, line: Line | None = None
    ) -> coupled_fit.CoupledFit | None:
        sweep, fit = resonance()
        return fit_coupled(sweep, fit.kept, fit.circle, model(), expected, line)

    def test_takes_a_fifth_of_the_coupling_loops_reactance_as_uncertain(
        self, problems: list[Any]
    ) -> None:
        assert self.fit(CouplingPrior(0.02, 0.02, 0.0, 30.0)) is None
        assert problems[0].x_prior == pytest.approx((30.0, 6.0))
        assert problems[0].r_prior == (0.02, 0.02)

    def test_takes_of_an_undescribed_loss_what_thin_coax_has(self, problems: list[Any]) -> None:
        assert self.fit(CouplingPrior(), Line(10.0)) is None
        # 4.6 dB per 100 m at 10 MHz, there and back, with the root of frequency.
        nepers = 2 * 0.46 * math.sqrt(0.71) * math.log(10) / 20
        assert problems[0].loss_prior == pytest.approx((nepers, 0.7 * nepers), rel=1e-3)

    @pytest.mark.parametrize(("gain", "insisted"), [(10.7, False), (10.95, True)])
    def test_a_rest_of_line_is_taken_at_a_thousandth_of_chance(
        self, monkeypatch: pytest.MonkeyPatch, gain: float, insisted: bool
    ) -> None:
        # Chi squared of one degree of freedom exceeds 10.83 once in a thousand (any table).
        sweep, _ = resonance()
        dof = 2 * len(sweep) - 6
        rng = np.random.default_rng(1)

        def solved(problem: Any, start: Any, free: Any) -> _Solution:
            n = int(free.sum())
            p = np.array([0.0, -2.0, -1.0, 10.0, 0.0, 0.1 * free[5], 0.0])
            rss = 1.0 if free[5] else 1.0 + gain / dof
            residual = rng.standard_normal(2 * problem.f_hz.size)
            jacobian = rng.standard_normal((2 * problem.f_hz.size, n))
            return _Solution(p, rss, jacobian, residual, free)

        monkeypatch.setattr(coupled_fit, "_solve", solved)
        found = self.fit(CouplingPrior())
        assert found is not None
        assert (found.delay_s != 0) == insisted


def test_a_gap_not_described_is_uncertain_by_four_tenths() -> None:
    (gap,) = (source for source in sources(build()) if source.key == "loop.gap")
    assert gap.shifted.loop.gap is not None
    assert gap.shifted.loop.gap.value == pytest.approx(0.03 * 1.4)
