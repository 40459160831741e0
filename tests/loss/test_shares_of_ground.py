"""What the ground's constants, its model and the loop's stand add to a budget's uncertainty."""

from __future__ import annotations

import math

import pytest
from sourced import budget, described

from sweeplab import LossBudget

CIRCUMFERENCE_M, HEIGHT_M = 3.2, 1.5
FIGURES = ("r_ground_ohm", "r_loss_ohm", "efficiency", "efficiency_over_ground")


def over(ground: str = "[13, 0.005]", stand: str = 'gap_at = "top"') -> LossBudget:
    return budget(described(
        f'circumference = "{CIRCUMFERENCE_M} m"', 'diameter = "20 mm"\nconductivity = "58 MS/m"',
        f'[site]\nground = {ground}\nheight = "{HEIGHT_M} m"\norientation = "vertical"\n{stand}\n',
    ))  # fmt: skip


def value(found: LossBudget, figure: str) -> float:
    estimate = getattr(found, figure)
    assert estimate is not None
    return float(estimate.value)


def test_sources_are_those_of_loop_and_ground() -> None:
    own = {"fit", "model.radiation", "model.reactance", "model.turns"}
    grounds = {"site.ground.eps_r", "site.ground.sigma", "model.ground"}
    assert set(over().shares["efficiency"]) == own | grounds
    assert set(over(stand="").shares["efficiency"]) == own | grounds | {"site.gap_at"}
    free = budget(
        described('circumference = "3.2 m"', 'conductivity = "58 MS/m"\ndiameter = "20 mm"')
    )
    assert set(free.shares["efficiency"]) == own


@pytest.mark.parametrize("figure", FIGURES)
@pytest.mark.parametrize(
    ("source", "more", "less"),
    [
        # Constants somebody measured: within a factor of 1.2 and of 1.4.
        ("site.ground.eps_r", f"[{13 * 1.2}, 0.005]", f"[{13 / 1.2}, 0.005]"),
        ("site.ground.sigma", f"[13, {0.005 * 1.4}]", f"[13, {0.005 / 1.4}]"),
    ],
)
def test_a_constant_counts_by_the_larger_of_its_two_swings(
    source: str, more: str, less: str, figure: str
) -> None:
    here = over()
    up = value(over(more), figure) - value(here, figure)
    down = value(over(less), figure) - value(here, figure)
    share = here.shares[figure][source]
    larger = max(abs(up), abs(down))
    # Swings of the ratios, not of the figures: the same but for curvature.
    assert abs(share) == pytest.approx(larger, rel=0.05)
    assert share * (up - down) > 0


def test_named_grounds_are_less_sure_than_measured_ones() -> None:
    named, measured = over('"average"'), over()
    assert value(named, "r_ground_ohm") == pytest.approx(value(measured, "r_ground_ohm"))
    for source, factors in (("eps_r", (1.5, 1.2)), ("sigma", (2.0, 1.4))):
        shares = [f.shares["r_ground_ohm"][f"site.ground.{source}"] for f in (named, measured)]
        # About as the logarithms of the factors, as far as the ground's ohms bend little.
        expected = math.log(factors[0]) / math.log(factors[1])
        assert shares[0] / shares[1] == pytest.approx(expected, rel=0.35)


def test_the_grounds_model_counts_by_what_is_drawn() -> None:
    # 0.35 % of all that is drawn, and a thousandth of circumference over height.
    found = over()
    u = math.hypot(0.0035, 0.001 * CIRCUMFERENCE_M / HEIGHT_M)
    drawn = value(found, "r_radiation_ohm") + value(found, "r_ground_ohm")
    share = found.shares["r_ground_ohm"]["model.ground"]
    assert share == pytest.approx(u * drawn, rel=1e-6)
    sky = found.shares["efficiency_over_ground"]["model.ground"]
    assert sky / value(found, "efficiency_over_ground") == pytest.approx(u, rel=0.05)


def test_an_unknown_stand_is_a_spread_over_half_the_range() -> None:
    # Half way between gap on top and gap below, off by half their difference over root two.
    top, below, unknown = over(), over(stand='gap_at = "bottom"'), over(stand="")
    for figure in ("r_ground_ohm", "efficiency_over_ground"):
        ends = value(top, figure), value(below, figure)
        assert value(unknown, figure) == pytest.approx(sum(ends) / 2, rel=1e-3)
        spread = (ends[0] - ends[1]) / 2 * math.sqrt(0.5)
        assert unknown.shares[figure]["site.gap_at"] == pytest.approx(spread, rel=0.02)
