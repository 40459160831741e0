"""Efficiency inferred from simulated sweeps against what the far field says.

The sweeps and their truth come from the NEC-2 engine; none of sweeplab's models took part
(tests/data/nec/README.md). 42 circles, 8 squares, 7 octagons, 7 rectangles, 0.04-0.27 wavelengths.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray
from truth_cases import Case, cases

from sweeplab import Estimate, LossBudget, fit_resonance, loss_budget

C0_M_PER_S = 299_792_458.0
MU0 = 4e-7 * math.pi


@dataclass(frozen=True)
class Study:
    cases: tuple[Case, ...]
    budgets: tuple[LossBudget, ...]

    def figures(self, name: str) -> list[Estimate]:
        found = [getattr(budget, name) for budget in self.budgets]
        assert all(estimate is not None for estimate in found)
        return found

    def errors(self, name: str) -> NDArray[np.float64]:
        """Return each case's relative error, unsigned."""
        truth = np.array([case.truth[name] for case in self.cases])
        return np.asarray(np.abs(np.array([e.value for e in self.figures(name)]) / truth - 1))

    def covered(self, name: str) -> float:
        """Return the share of 95 % intervals that hold the truth."""
        pairs = zip(self.figures(name), self.cases, strict=True)
        return float(np.mean([e.low <= case.truth[name] <= e.high for e, case in pairs]))


@pytest.fixture(scope="module", params=[4, pytest.param(1, marks=pytest.mark.slow)])
def study(request: pytest.FixtureRequest) -> Study:
    """Every fourth case; all of them are slow."""
    chosen = cases()[:: request.param]
    return Study(chosen, tuple(loss_budget(case.sweep, case.build) for case in chosen))


class TestEfficiency:
    def test_every_case_is_answered(self, study: Study) -> None:
        assert len(cases()) == 64
        assert len(study.budgets) >= 16
        assert {budget.status for budget in study.budgets} == {"ok"}

    def test_median_error_is_below_a_quarter_per_cent(self, study: Study) -> None:
        assert np.median(study.errors("efficiency")) < 0.0025

    def test_95th_percentile_is_below_one_per_cent(self, study: Study) -> None:
        assert np.percentile(study.errors("efficiency"), 95) < 0.01

    def test_worst_is_below_one_and_a_half_per_cent(self, study: Study) -> None:
        assert study.errors("efficiency").max() < 0.015

    @pytest.mark.parametrize(
        "name",
        [
            "efficiency",
            "r_total_ohm",
            "r_radiation_ohm",
            "r_loss_ohm",
            "x_eff_ohm",
        ],
    )
    def test_intervals_hold_the_truth_nine_times_in_ten(self, study: Study, name: str) -> None:
        assert study.covered(name) >= 0.90

    def test_intervals_are_worth_having(self, study: Study) -> None:
        # Wide intervals hold everything: half the width stays near the errors themselves.
        relative = [e.u / e.value for e in study.figures("efficiency")]
        assert np.median(relative) < 0.01

    @pytest.mark.parametrize(
        ("name", "median"),
        [("r_total_ohm", 0.005), ("r_radiation_ohm", 0.005), ("x_eff_ohm", 0.003)],
    )
    def test_so_are_the_ohms_it_rests_on(self, study: Study, name: str, median: float) -> None:
        assert np.median(study.errors(name)) < median


class TestComparedWithTheTextbook:
    def textbook(self, case: Case) -> float:
        """Return ``Q0 Rr/X``: 20 pi^2 (C/lambda)^4 over w mu0 b (ln(8b/a) - 2).

        C. A. Balanis, Antenna Theory, ch. 5; the circle's Q0 with the line taken out.
        """
        build = case.build
        assert build.feed is not None
        fit = fit_resonance(case.sweep, build.feed.line)
        assert fit.f_loaded_hz is not None
        assert fit.q_unloaded is not None
        assert build.conductor.diameter is not None
        f_hz, around = fit.f_loaded_hz.value, build.loop.circumference.value
        radius = around / 2 / math.pi
        size = around * f_hz / C0_M_PER_S
        inductance = (
            MU0 * radius * (math.log(8 * radius / (build.conductor.diameter.value / 2)) - 2)
        )
        return fit.q_unloaded.value * 20 * math.pi**2 * size**4 / (2 * math.pi * f_hz * inductance)

    def test_is_at_least_five_times_as_far_off_over_the_circles(self, study: Study) -> None:
        circles = [i for i, case in enumerate(study.cases) if case.build.loop.shape == "circle"]
        assert len(circles) >= 10
        chosen = [study.cases[i] for i in circles]
        off = [abs(self.textbook(case) / case.truth["efficiency"] - 1) for case in chosen]
        assert np.median(off) > 5 * np.median(study.errors("efficiency")[circles])


class TestTheCircleAlone:
    def test_finds_the_unloaded_q_to_two_per_cent(self) -> None:
        # Without the loop's model; the coupling loop's reactance and the radiation resistance
        # change across the sweep.
        for case in cases()[::4]:
            feed = case.build.feed
            assert feed is not None
            fit = fit_resonance(case.sweep, feed.line)
            assert fit.q_unloaded is not None
            assert fit.q_unloaded.value == pytest.approx(case.truth["q_unloaded"], rel=0.02)
