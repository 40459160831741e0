"""Figures and findings of a budget from plain numbers, in closed form."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import pytest

from sweeplab.builds import Build
from sweeplab.estimate import Estimate
from sweeplab.loop.ground import GroundEffect
from sweeplab.loss.figures import (
    ModelFigures,
    UnloadedResonance,
    budget_figures,
    described_parts,
    parts_known,
    skin_effect_scaled,
)
from sweeplab.loss.findings import (
    ambiguous_efficiency,
    budget_findings,
    ground_exceeds_total,
    smaller_than_physics,
)
from sweeplab.loss.result import FIGURES, LossBudget

GROUND = GroundEffect(1.5, 0.8, -0.4)
MODEL = ModelFigures(120.0, 0.05, 0.04, 0.01, 1.6, GROUND)
ALONE = UnloadedResonance(7e6, 600.0, 0.02, 580.0, 620.0, None)


def build(rest: str = "", loop: str = "") -> Build:
    return Build.from_toml(
        f'name = "x"\n[loop]\ncircumference = "3 m"\n{loop}\n[conductor]\ndiameter = "1 cm"\n{rest}'
    )


class TestFigures:
    def test_are_the_ohms_and_their_ratios(self) -> None:
        found = budget_figures(MODEL, ALONE, 600.0)
        assert set(found) == set(FIGURES)
        efficiency = 0.05 / (0.2 - 0.025)
        assert found == pytest.approx(
            {
                "x_eff_ohm": 120.0,
                "r_total_ohm": 0.2,
                "r_radiation_ohm": 0.05,
                "r_ground_ohm": 0.025,
                "r_loss_ohm": 0.125,
                "r_conductor_ohm": 0.04,
                "r_parts_ohm": 0.01,
                "r_remainder_ohm": 0.075,
                "efficiency": efficiency,
                "efficiency_db": 10 * math.log10(efficiency),
                "efficiency_over_ground": 0.8 * 0.05 / 0.2,
                "gain_dbi": 10 * math.log10(1.6 * efficiency),
            }
        )

    def test_behind_a_coupling_loop_lose_its_share(self) -> None:
        coupled: Any = SimpleNamespace(coupling_efficiency=lambda r_ohm: 1 - r_ohm)
        behind = UnloadedResonance(7e6, 600.0, 0.02, 580.0, 620.0, coupled)
        alone, found = (budget_figures(MODEL, u, 600.0) for u in (ALONE, behind))
        # Over ground the whole resistance, without it what is left of it.
        assert found["efficiency"] == pytest.approx(alone["efficiency"] * (1 - 0.175))
        assert found["efficiency_over_ground"] == pytest.approx(
            alone["efficiency_over_ground"] * 0.8
        )

    def test_without_anything_left_have_no_decibels(self) -> None:
        # The ground would draw all of it.
        coupled: Any = SimpleNamespace(coupling_efficiency=lambda r_ohm: 0.5)
        behind = UnloadedResonance(7e6, 600.0, 0.02, 580.0, 620.0, coupled)
        found = budget_figures(MODEL, behind, 12000.0)
        assert math.isnan(found["efficiency_db"])
        assert math.isnan(found["gain_dbi"])
        # A negative share is no power: it is left as it is, to be refused.
        assert found["efficiency"] == pytest.approx(0.05 / (0.01 - 0.025))

    def test_over_another_ground_have_its_reactance(self) -> None:
        found = MODEL.over_ground(GroundEffect(1.2, 0.9, 0.6))
        assert found.x_eff_ohm == pytest.approx(120.0 + (0.6 + 0.4) * 0.05, rel=1e-12)
        assert found.ground == GroundEffect(1.2, 0.9, 0.6)
        assert found.r_radiation_ohm == 0.05

    def test_with_errors_are_larger_by_a_fraction(self) -> None:
        assert MODEL.with_errors(radiation=0.1).r_radiation_ohm == pytest.approx(0.055)
        assert MODEL.with_errors(radiation=0.1).x_eff_ohm == 120.0
        assert MODEL.with_errors(reactance=0.1).x_eff_ohm == pytest.approx(132.0)
        assert MODEL.with_errors(reactance=0.1).r_radiation_ohm == 0.05

    def test_of_the_model_are_with_the_grounds_reactance(self) -> None:
        model: Any = SimpleNamespace(
            radiation_resistance=lambda f_hz: 0.05,
            effective_reactance=lambda f_hz: 120.0,
            conductor_resistance=lambda f_hz: 0.04,
            directivity=lambda f_hz: 1.6,
            part_weight=lambda f_hz, position: 1.0,
        )
        found = ModelFigures.at(build(), model, 7e6, GROUND)
        assert found == ModelFigures(120.0 - 0.02, 0.05, 0.04, 0.0, 1.6, GROUND)
        assert ModelFigures.at(build(), model, 7e6, GROUND, 1.5).directivity == 1.5


class TestParts:
    def test_go_with_the_root_of_frequency_from_ten_megahertz(self) -> None:
        assert skin_effect_scaled(0.01, 40e6) == pytest.approx(0.02)
        assert skin_effect_scaled(0.01, 10e6) == pytest.approx(0.01)

    def test_count_as_many_as_there_are_by_the_current_at_their_place(self) -> None:
        model: Any = SimpleNamespace(part_weight=lambda f_hz, position: 1 + position)
        parts = (
            '[[parts]]\nkind = "a"\ncount = 3\nposition = 0.5\nr = "2 mohm"\n'
            '[[parts]]\nkind = "b"\nposition = 0.0\nr = "1 mohm"\n'
            '[[parts]]\nkind = "c"\n[capacitor]\nesr = "5 mohm"\n'
        )
        root = math.sqrt(2.5)
        found = described_parts(build(parts), model, 25e6)
        assert found == pytest.approx(root * (3 * 1.5 * 0.002 + 0.001 + 0.005))
        assert described_parts(build(), model, 25e6) == 0.0

    @pytest.mark.parametrize(
        ("rest", "known"),
        [
            ("", False),
            ('[[parts]]\nkind = "c"\n', False),
            ('[capacitor]\nc_min = "8 pF"\n', False),
            ('[capacitor]\nesr = "8 mohm"\n', True),
            ('[[parts]]\nkind = "c"\n[[parts]]\nkind = "d"\nr = "1 mohm"\n', True),
        ],
    )
    def test_are_known_where_any_resistance_is_described(self, rest: str, known: bool) -> None:
        assert parts_known(build(rest)) is known


def estimates(
    loss: Estimate, remainder: Estimate, conductor: Estimate | None = None
) -> dict[str, Estimate]:
    conductor = conductor or Estimate.normal(0.05, 0.001)
    return {"r_loss_ohm": loss, "r_remainder_ohm": remainder, "r_conductor_ohm": conductor}


def findings(
    given: dict[str, Estimate] | None = None,
    shares: dict[str, float] | None = None,
    made: Build | None = None,
    coupled: Any = None,
) -> dict[str, Any]:
    given = given or estimates(Estimate.normal(0.1, 0.001), Estimate.normal(0.0, 0.01))
    by_figure = {"efficiency": {"fit": 0.01} if shares is None else shares}
    return {f.code: f for f in budget_findings(made or build(), given, by_figure, coupled)}


class TestFindings:
    def test_loss_in_nothing_described_says_how_much(self) -> None:
        given = estimates(Estimate.normal(0.1, 0.001), Estimate.normal(0.04, 0.002))
        found = findings(given)["unaccounted-loss"]
        assert found.evidence == pytest.approx(
            {"r_remainder_ohm": 0.04, "u": 0.002, "share_of_loss": 0.4}
        )
        assert found.text.startswith("40 % of the loss (40.0 mohm)")
        # Not where it may as well be nothing.
        unsure = estimates(Estimate.normal(0.1, 0.001), Estimate(0.04, 0.02, 0.0, 0.08))
        assert "unaccounted-loss" not in findings(unsure)

    def test_the_largest_share_is_named_with_its_part_of_the_variance(self) -> None:
        found = findings(shares={"fit": 0.01, "loop.gap": -0.03, "model.radiation": 0.02})
        dominant = found["dominant-uncertainty"]
        assert dominant.evidence == {
            "source": "loop.gap",
            "share_of_variance": pytest.approx(9 / 14),
        }
        assert "(64 % of its variance)" in dominant.text
        unknown = findings(shares={"conductor.wall": 0.01})["dominant-uncertainty"]
        assert "the uncertainty of conductor.wall" in unknown.text
        nothing = findings(shares={"fit": 0.0})["dominant-uncertainty"]
        assert nothing.evidence["share_of_variance"] == 0.0

    def test_a_gap_not_described_says_what_is_taken(self) -> None:
        found = findings()["gap-not-described"]
        assert found.evidence == {"gap_m": 0.03}
        assert "30 mm is taken" in found.text
        assert "gap-not-described" not in findings(made=build(loop='gap = "3 cm"'))

    def test_without_second_stage_the_reason_is_given(self) -> None:
        assert "Without [feed]" in findings()["coupling-not-described"].text
        fed = findings(made=build('[feed]\nshape = "circle"\n'))
        assert "From this sweep" in fed["coupling-not-described"].text
        misfit: Any = SimpleNamespace(inflation=4.0, residual_rms=0.01)
        found = findings(coupled=misfit)
        assert "coupling-not-described" not in found
        assert found["model-misfit"].evidence == {"residual_rms": 0.01, "widened_by": 4.0}

    def test_free_space_is_reported_unless_a_ground_is_described(self) -> None:
        assert "free-space" in findings()
        assert "free-space" in findings(made=build('[site]\nground = "free"\n'))
        assert "free-space" not in findings(made=build('[site]\nground = "good"\nheight = "2 m"\n'))

    def test_coax_is_reported_and_no_other_form(self) -> None:
        coax = Build.from_toml(
            'name = "x"\n[loop]\ncircumference = "3 m"\n[conductor]\nshield_diameter = "1 cm"\n'
        )
        assert "coax-shield" in findings(made=coax)
        assert "coax-shield" not in findings()

    def test_less_loss_than_the_conductors_is_reported_where_intervals_are_apart(self) -> None:
        remainder = Estimate(-0.03, 0.001, -0.032, -0.028)
        conductor = Estimate(0.05, 0.001, 0.048, 0.052)
        apart = findings(estimates(Estimate(0.02, 0.01, 0.0, 0.047), remainder, conductor))
        assert apart["better-than-conductor"].evidence == {
            "r_loss_ohm": 0.02,
            "r_conductor_ohm": 0.05,
        }
        assert "negative-remainder" not in apart
        touching = findings(estimates(Estimate(0.02, 0.01, 0.0, 0.048), remainder, conductor))
        assert "better-than-conductor" not in touching
        assert touching["negative-remainder"].evidence == {"r_remainder_ohm": -0.03, "u": 0.001}
        maybe = Estimate(-0.03, 0.001, -0.032, 0.0)
        assert "negative-remainder" not in findings(
            estimates(Estimate(0.02, 0.01, 0.0, 0.048), maybe, conductor)
        )

    def test_two_efficiencies_are_given_in_per_cent(self) -> None:
        both = ambiguous_efficiency(0.25, 0.5)
        assert both.evidence == {"efficiency_under": 0.25, "efficiency_over": 0.5}
        assert "Efficiency is 25 %" in both.text
        assert "or 50 % if over-coupled" in both.text
        for impossible in (1.0, 1.2, 0.0, -0.5):
            assert "which cannot be" in ambiguous_efficiency(0.25, impossible).text

    def test_below_the_least_q_of_the_size_is_reported(self) -> None:
        assert smaller_than_physics(100.0, 100.0) == []
        (found,) = smaller_than_physics(99.0, 100.0)
        assert found.evidence == {"q_over_efficiency": 99.0, "least": 100.0}

    def test_a_ground_that_draws_too_much_says_both_resistances(self) -> None:
        found = ground_exceeds_total({"r_total_ohm": 0.1, "r_ground_ohm": 0.2, "efficiency": 1.0})
        assert found.evidence == {"r_total_ohm": 0.1, "r_ground_ohm": 0.2}
        assert found.level == "problem"


class TestJson:
    def test_of_a_refused_budget_is_nothing(self) -> None:
        whole = Estimate.normal(1.0, 0.1)
        assert LossBudget("refused", r_total_ohm=whole).to_json() is None
        assert LossBudget("ok").to_json() is None

    def test_has_every_figure_and_null_for_those_not_known(self) -> None:
        whole = Estimate.normal(1.0, 0.1)
        found = LossBudget("doubtful", r_total_ohm=whole, efficiency=whole).to_json()
        assert found is not None
        assert tuple(found) == FIGURES
        assert found["r_total_ohm"] == found["efficiency"] == whole.to_json()
        assert found["r_parts_ohm"] is None
