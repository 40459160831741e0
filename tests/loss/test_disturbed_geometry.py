"""Do intervals hold where lengths are wrong, as often as stated? Full-wave sweeps, fixed seeds.

The 64 sweeps and their truth are the NEC-2 engine's (tests/data/nec/README.md). Each loop is
described by lengths that a tape measure got wrong: drawn from the very uncertainty that the
description states. Bounds follow from the number of draws, four standard deviations wide: of the
binomial law for a share, ``1/sqrt(2 n)`` for a spread.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray
from truth_cases import Case, cases

from sweeplab import Build, Estimate, LossBudget, Resonance, fit_resonance, loss_budget

# Standard uncertainties [%] of a loop's size, its conductor's diameter, its capacitor's gap.
SIZE, DIAMETER, GAP = 1.0, 3.0, 10.0
# Every eighth case, each described wrongly three times; every fifth four times and all of them six
# times are slow.
FEW, SOME, ALL = (8, 3), (5, 4), (1, 6)
OF_DRAWS = pytest.mark.parametrize("of", [FEW, pytest.param(SOME, marks=pytest.mark.slow)])


@cache
def fit(index: int) -> Resonance:
    """Return a sweep's fit, on which the loop's lengths have no bearing."""
    case = cases()[index]
    assert case.build.feed is not None
    return fit_resonance(case.sweep, case.build.feed.line)


def measured(build: Build, rng: np.random.Generator, *, stated: bool) -> Build:
    """Return a build whose lengths are wrong, with or without saying by how much they may be."""
    loop, conductor = build.loop, build.conductor
    lengths = {loop.size_key: (loop.circumference.value, SIZE)}
    if loop.shape == "rectangle":
        assert loop.width is not None
        assert loop.height is not None
        lengths = {
            "loop.width": (loop.width.value, SIZE),
            "loop.height": (loop.height.value, SIZE),
        }
    elif loop.size_key == "loop.side":
        sides = {"square": 4, "octagon": 8}[loop.shape]
        lengths = {"loop.side": (loop.circumference.value / sides, SIZE)}
    assert loop.gap is not None
    assert conductor.diameter is not None
    lengths["loop.gap"] = (loop.gap.value, GAP)
    lengths["conductor.diameter"] = (conductor.diameter.value, DIAMETER)
    changes = {}
    for key, (length_m, per_cent) in lengths.items():
        wrong = length_m * (1 + per_cent / 100 * rng.standard_normal())
        changes[key] = f"{1000 * wrong:.4f} mm" + (f" ± {per_cent} %" if stated else "")
    return build.with_changes(changes)


@dataclass(frozen=True)
class Draws:
    """Budgets of wrongly described loops, with what is true of each."""

    budgets: tuple[LossBudget, ...]
    cases: tuple[Case, ...]

    def pairs(self, name: str) -> list[tuple[Estimate, float]]:
        found = [getattr(budget, name) for budget in self.budgets]
        return [(e, case.truth[name]) for e, case in zip(found, self.cases, strict=True)]

    def covered(self, name: str) -> float:
        """Return the share of 95 % intervals that hold the truth."""
        return float(np.mean([e.low <= truth <= e.high for e, truth in self.pairs(name)]))

    def normalised(self, name: str) -> NDArray[np.float64]:
        """Return each error over its u, on the scale on which the interval is symmetric."""

        def scale(x: float) -> tuple[float, float]:
            """Return logit (of a share) or logarithm, and its slope."""
            if name.startswith("efficiency"):
                return math.log(x / (1 - x)), 1 / (x * (1 - x))
            return math.log(x), 1 / x

        errors = []
        for estimate, truth in self.pairs(name):
            inferred, slope = scale(estimate.value)
            errors.append((inferred - scale(truth)[0]) / (slope * estimate.u))
        return np.array(errors)


@cache
def draws(step: int, times: int, stated: bool = True) -> Draws:
    """Return every `step`-th case, described wrongly `times` times."""
    rng = np.random.default_rng(2026)
    chosen = [i for i in range(0, len(cases()), step) for _ in range(times)]
    budgets = []
    for i in chosen:
        case = cases()[i]
        build = measured(case.build, rng, stated=stated)
        budgets.append(loss_budget(case.sweep, build, resonance=fit(i)))
    return Draws(tuple(budgets), tuple(cases()[i] for i in chosen))


def slack(draws: int) -> float:
    return 4 * math.sqrt(0.95 * 0.05 / draws)


FIGURES = ["efficiency", "r_radiation_ohm", "r_total_ohm"]


class TestStatedUncertainty:
    @pytest.mark.slow
    def test_every_shape_is_among_the_draws(self) -> None:
        some = draws(*SOME)
        assert {case.build.loop.shape for case in some.cases} == {
            "circle", "square", "octagon", "rectangle",
        }  # fmt: skip
        assert all(budget.status != "refused" for budget in some.budgets)

    @OF_DRAWS
    @pytest.mark.parametrize("name", FIGURES)
    def test_intervals_hold_the_truth_nineteen_times_in_twenty(
        self, name: str, of: tuple[int, int]
    ) -> None:
        some = draws(*of)
        assert all(budget.status != "refused" for budget in some.budgets)
        assert some.covered(name) >= 0.95 - slack(len(some.budgets))

    @OF_DRAWS
    @pytest.mark.parametrize("name", FIGURES)
    def test_they_are_no_wider_than_they_need_be(self, name: str, of: tuple[int, int]) -> None:
        # Of errors smaller than stated every interval would hold, and their spread fall below 1.
        errors = draws(*of).normalised(name)
        assert float(np.std(errors)) == pytest.approx(1.0, abs=4 / math.sqrt(2 * errors.size))
        assert float(np.mean(errors)) == pytest.approx(0.0, abs=4 / math.sqrt(errors.size))

    @pytest.mark.slow
    @pytest.mark.parametrize("name", FIGURES)
    def test_so_they_do_over_many_draws(self, name: str) -> None:
        many = draws(*ALL)
        errors = many.normalised(name)
        assert many.covered(name) == pytest.approx(0.95, abs=slack(errors.size))
        assert float(np.std(errors)) == pytest.approx(1.0, abs=4 / math.sqrt(2 * errors.size))


class TestUncertaintyLeftOut:
    """The negative control: the same errors, not owned up to."""

    @OF_DRAWS
    @pytest.mark.parametrize("name", ["efficiency", "r_radiation_ohm"])
    def test_breaks_the_promise(self, name: str, of: tuple[int, int]) -> None:
        assert draws(*of, stated=False).covered(name) < 0.6
