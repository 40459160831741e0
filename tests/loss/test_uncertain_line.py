"""Lines of uncertain length or unknown loss: the sweep determines the rest. Full-wave, fixed seeds.

Every second of the 64 sweeps that came through a line (tests/data/nec/README.md), the line's length
wrong by its stated uncertainty, or its loss not described.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from truth_cases import Case, cases

from sweeplab import Build, LossBudget, loss_budget
from sweeplab.line import Line


def with_line(build: Build, line: Line) -> Build:
    assert build.feed is not None
    return replace(build, feed=replace(build.feed, line=line))


def line_of(case: Case) -> Line:
    assert case.build.feed is not None
    assert case.build.feed.line is not None
    return case.build.feed.line


@cache
def swept() -> tuple[Case, ...]:
    return tuple(c for c in cases() if c.build.feed is not None and c.build.feed.line)[::2]


def wrong(case: Case, index: int, *, stated: bool) -> Build:
    line = line_of(case)
    by = 0.1 * float(np.random.default_rng([7, index]).standard_normal())
    u = 0.1 * line.length_m if stated else 0.0
    return with_line(case.build, replace(line, length_m=line.length_m * (1 + by), u_length_m=u))


# Every third of these cases; all of them are slow.
STEPS = pytest.mark.parametrize("step", [3, pytest.param(1, marks=pytest.mark.slow)])


@cache
def budgets(how: str, step: int) -> tuple[LossBudget, ...]:
    found = []
    for index, case in [*enumerate(swept())][::step]:
        if how == "loss left out":
            build = with_line(case.build, replace(line_of(case), loss_db_per_100m=()))
        else:
            build = wrong(case, index, stated=how == "length uncertain")
        found.append(loss_budget(case.sweep, build))
    return tuple(found)


def errors(how: str, step: int) -> np.ndarray:
    pairs = zip(budgets(how, step), swept()[::step], strict=True)
    found = []
    for budget, case in pairs:
        assert budget.efficiency is not None
        found.append(abs(budget.efficiency.value / case.truth["efficiency"] - 1))
    return np.array(found)


def covered(how: str, step: int) -> float:
    inside = []
    for budget, case in zip(budgets(how, step), swept()[::step], strict=True):
        assert budget.efficiency is not None
        inside.append(budget.efficiency.low <= case.truth["efficiency"] <= budget.efficiency.high)
    return float(np.mean(inside))


class TestEfficiency:
    @pytest.mark.parametrize("how", ["length uncertain", "loss left out"])
    @STEPS
    def test_is_as_good_as_through_a_line_known_exactly(self, how: str, step: int) -> None:
        assert len(swept()) > 20
        assert np.median(errors(how, step)) < 0.0025
        assert errors(how, step).max() < 0.015

    @pytest.mark.parametrize("how", ["length uncertain", "loss left out"])
    @STEPS
    def test_intervals_hold_the_truth_nine_times_in_ten(self, how: str, step: int) -> None:
        assert covered(how, step) >= 0.9

    @STEPS
    def test_a_wrong_length_taken_as_exact_breaks_the_promise(self, step: int) -> None:
        # The control.
        assert errors("length exact", step).max() > 3 * errors("length uncertain", step).max()
        assert covered("length exact", step) < 0.8


def test_a_line_without_length_is_no_line() -> None:
    case = swept()[0]
    nothing = with_line(case.build, Line(0.0, u_length_m=0.01))
    assert loss_budget(case.sweep, nothing).efficiency is not None


def test_the_lines_loss_is_found_to_a_tenth_of_a_decibel() -> None:
    from sweeplab import fit_resonance
    from sweeplab.line import deembed
    from sweeplab.loop import LoopModel
    from sweeplab.loss.coupled_fit import CouplingPrior, fit_coupled

    for case in swept()[::4]:
        line = line_of(case)
        silent = replace(line, loss_db_per_100m=())
        fit = fit_resonance(case.sweep, silent)
        assert fit.circle is not None
        assert fit.kept is not None
        found = fit_coupled(
            deembed(case.sweep, silent), fit.kept, fit.circle, LoopModel(case.build),
            CouplingPrior(0.02, 0.02), silent,
        )  # fmt: skip
        assert found is not None
        expected_db = 2 * float(line.loss_db(np.array(case.truth["f0_hz"])))
        assert found.line_loss_np * 20 / math.log(10) == pytest.approx(expected_db, abs=0.1)
