"""Stated uncertainties of heights against how far the figures really are off: not less, not more.

Every stated source of error is drawn (Monte Carlo, JCGM 101:2008), the stated uncertainty of each
figure compared with the root mean square of its errors. That of n draws is known to 1 in
``sqrt(2 n)``; four times that is the bound.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from simulated_heights import CONSTANTS, EPS, NEAR, SIGMA, SIZE, TAPE, Loop, Truth, draw
from uncertainties import ufloat

from sweeplab import Estimate
from sweeplab.comparison.heights import GroundSeparation, HeightSweeps, separate_ground
from sweeplab.record import Record

DRAWS = 150
BOUND = 4 / math.sqrt(2 * DRAWS)
Errors = dict[str, np.ndarray]

FIGURES: dict[str, Callable[[GroundSeparation, Truth], tuple[Estimate | None, float]]] = {
    "loss": lambda found, truth: (found.r_loss_ohm, truth.loss),
    "remainder": lambda found, truth: (found.r_remainder_ohm, truth.remainder),
    "ground, low": lambda found, truth: (found.heights[0].r_ground_ohm, truth.drawn[1.5]),
    "ground, high": lambda found, truth: (found.heights[-1].r_ground_ohm, truth.drawn[4.0]),
    "difference": lambda found, truth: (
        found.ground_difference_ohm, truth.drawn[1.5] - truth.drawn[4.0]
    ),
    "efficiency, low": lambda found, truth: (found.heights[0].efficiency, truth.efficiency[1.5]),
    "efficiency, high": lambda found, truth: (found.heights[-1].efficiency, truth.efficiency[4.0]),
    "over ground": lambda found, truth: (
        found.heights[0].efficiency_over_ground, truth.over_ground[1.5]
    ),
}  # fmt: skip


@pytest.fixture(scope="module", params=[(1.5, 4.0), (1.5, 2.5, 4.0)], ids=["two", "three"])
def off(request: pytest.FixtureRequest) -> Errors:
    """Errors in units of the stated uncertainty, by figure."""
    rng = np.random.default_rng(31)
    found: dict[str, list[float]] = {name: [] for name in FIGURES}
    for _ in range(DRAWS):
        # Noise as stated, known beforehand: repeats scatter by no more.
        by_height, truth = draw(rng, request.param, noise=0.003)
        (heights,) = separate_ground(by_height)
        for name, figure in FIGURES.items():
            estimate, truth_value = figure(heights, truth)
            if estimate is not None:
                found[name].append((estimate.value - truth_value) / estimate.u)
    return {name: np.array(values) for name, values in found.items()}


@pytest.mark.parametrize("name", FIGURES)
def test_errors_are_as_large_as_stated_and_no_smaller(off: Errors, name: str) -> None:
    assert len(off[name]) > 0.9 * DRAWS
    spread = float(np.sqrt(np.mean(off[name] ** 2)))
    # What is over the bound: curvature in a factor of two of the ground's constants.
    assert spread == pytest.approx(1.0, abs=BOUND + 0.04)


class TestTwoHeightsByHand:
    """Solved on paper: two equations, every stated source one variable of ``uncertainties``."""

    loop = Loop()
    noise = 0.003

    def solved(self, **which: bool) -> tuple[GroundSeparation, list[HeightSweeps]]:
        by_height, _ = draw(
            np.random.default_rng(3), (1.5, 4.0), self.loop, noise=self.noise, **which
        )
        # One sweep a height: its noise is all that is its own.
        by_height = [
            replace(of_height, records=list(of_height.records[:1])) for of_height in by_height
        ]
        (heights,) = separate_ground(by_height)
        return heights, by_height

    def test_loss_factor_and_difference(self) -> None:
        heights, by_height = self.solved()
        size, sigma, eps = (ufloat(0, 1) for _ in range(3))
        y, ground, fixed_y, fixed_ground = [], [], [], []
        for of_height in by_height:
            h = of_height.height.value
            described = self.loop.ground[h][0]
            total = of_height.records[0].figures["r_total_ohm"].value
            own = ufloat(0, self.noise * total)
            radiation = self.loop.radiation * (1 + 0.012 * size)
            lean = 0.004 * (self.loop.loss + self.loop.radiation + described) * size
            y.append(total + own + lean - radiation)
            fixed_y.append(total + own + lean - radiation)
            near = ufloat(0, NEAR * (described + self.loop.radiation))
            tape = ufloat(0, TAPE[h] * described)
            of_sigma, of_eps = CONSTANTS[h]
            base = described * (1 + 0.012 * size) - tape + near
            ground.append(base + described * (of_sigma * sigma - of_eps * eps))
            fixed_ground.append(base)
        factor = (y[0] - y[1]) / (ground[0] - ground[1])
        measured = (fixed_y[0] - fixed_y[1]) / (fixed_ground[0] - fixed_ground[1])
        loss = y[0] - factor * ground[0]
        assert heights.ground_factor is not None
        assert heights.r_loss_ohm is not None
        assert heights.ground_factor.value == pytest.approx(factor.n, rel=1e-6)
        assert heights.ground_factor.u == pytest.approx(measured.s, rel=1e-3)
        assert heights.u_ground_factor_described is not None
        rest = math.sqrt(factor.s**2 - measured.s**2)
        # Stated about the factor 1 that the description means.
        assert heights.u_ground_factor_described == pytest.approx(rest / factor.n, rel=0.02)
        assert heights.r_loss_ohm.value == pytest.approx(loss.n, rel=1e-6)
        assert heights.r_loss_ohm.u == pytest.approx(loss.s, rel=1e-3)
        difference = y[0] - y[1]
        assert heights.ground_difference_ohm.u == pytest.approx(difference.s, rel=1e-3)
        for at, drawn in zip(
            heights.heights, (factor * ground[0], factor * ground[1]), strict=True
        ):
            assert at.r_ground_ohm is not None
            assert at.r_ground_ohm.u == pytest.approx(drawn.s, rel=1e-3)

    def test_intervals_are_students_t_or_the_normal_laws(self) -> None:
        heights, _ = self.solved()
        assert heights.r_loss_ohm is not None
        for estimate in (heights.r_loss_ohm, heights.ground_difference_ohm):
            # One sweep a height: noise known beforehand.
            assert estimate.high - estimate.value == pytest.approx(1.959964 * estimate.u, rel=1e-5)
            assert estimate.value - estimate.low == pytest.approx(1.959964 * estimate.u, rel=1e-5)
        by_height, _ = draw(np.random.default_rng(3), (1.5, 4.0), self.loop, n=2, constants=False)
        (repeated,) = separate_ground(by_height)
        at = repeated.heights[0].r_total_ohm
        # Repeats, two and two: two degrees of freedom for what they scatter, shared by the bands;
        # the size's share is known. Welch and Satterthwaite (GUM eq. G.2b).
        lean = 0.004 * (self.loop.loss + self.loop.radiation + self.loop.ground[1.5][0])
        own = math.sqrt(at.u**2 - lean**2)
        k = stats.t.ppf(0.975, 2 * (at.u / own) ** 4)
        assert (at.high - at.value) / at.u == pytest.approx(k, rel=1e-3)
        assert (at.value - at.low) / at.u == pytest.approx(k, rel=1e-3)


@pytest.mark.parametrize("source", [SIZE, SIGMA, EPS, "site.height", "model.ground"])
def test_a_source_left_out_narrows_the_loss_by_just_its_share(source: str) -> None:
    """Two heights are solved exactly: what each source does to the loss adds in quadrature."""
    by_height, _ = draw(np.random.default_rng(8), (1.5, 4.0), noise=0.003)

    def scaled(record: Record, times: float) -> Record:
        shares = {
            name: {key: share * (times if key == source else 1) for key, share in by_source.items()}
            for name, by_source in record.shares.items()
        }
        return replace(record, shares=shares)

    def u_of_loss(times: float) -> float:
        (found,) = separate_ground([
            replace(of_height, records=[scaled(record, times) for record in of_height.records])
            for of_height in by_height
        ])  # fmt: skip
        assert found.r_loss_ohm is not None
        return found.r_loss_ohm.u

    none, once, twice = (u_of_loss(times) for times in (0, 1, 2))
    share = once**2 - none**2
    assert share > 1e-4 * once**2
    assert twice**2 - none**2 == pytest.approx(4 * share, rel=1e-6)
