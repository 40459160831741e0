"""The loss budget's sums, its sources of uncertainty, and what it refuses."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from simulated import Truth, white
from truth_cases import Case, cases

from sweeplab import Build, LossBudget, Sweep, loss_budget
from sweeplab.loss import FIGURES


@pytest.fixture(scope="module")
def case() -> Case:
    """A circle with a described capacitor and line."""
    fitting = (
        c for c in cases() if c.esr_described and "circle" in c.toml and "[feed.line]" in c.toml
    )
    return next(c for c in fitting if c.build.loop.shape == "circle")


def changed(case: Case, old: str, new: str) -> Build:
    assert old in case.toml
    return Build.from_toml(case.toml.replace(old, new, 1))


def with_uncertain_size(case: Case, percent: float) -> Build:
    around = case.build.loop.circumference.value
    line = next(row for row in case.toml.splitlines() if row.startswith("circumference"))
    return changed(case, line, f'circumference = "{around} m ± {around * percent / 100} m"')


def without_table(case: Case, *names: str) -> Build:
    rows, keeping = [], True
    for row in case.toml.splitlines():
        if row.startswith("["):
            keeping = not any(row.startswith(f"[{name}") for name in names)
        if keeping:
            rows.append(row)
    return Build.from_toml("\n".join(rows))


def values(budget: LossBudget) -> dict[str, float]:
    named = {name: getattr(budget, name) for name in FIGURES}
    return {name: estimate.value for name, estimate in named.items() if estimate is not None}


class TestSums:
    def test_the_ohms_add_up(self, case: Case) -> None:
        v = values(loss_budget(case.sweep, case.build))
        assert v["r_total_ohm"] == pytest.approx(v["r_radiation_ohm"] + v["r_loss_ohm"])
        assert v["r_loss_ohm"] == pytest.approx(
            v["r_conductor_ohm"] + v["r_parts_ohm"] + v["r_remainder_ohm"]
        )

    def test_efficiency_is_radiation_over_all_and_the_coupling_loops_share(
        self, case: Case
    ) -> None:
        v = values(loss_budget(case.sweep, case.build))
        alone = v["r_radiation_ohm"] / v["r_total_ohm"]
        assert 0.98 * alone < v["efficiency"] <= alone
        assert v["efficiency_db"] == pytest.approx(10 * math.log10(v["efficiency"]))

    def test_the_capacitors_resistance_is_the_part_described(self, case: Case) -> None:
        # Grows with the root of frequency from its reference, as the build says.
        budget = loss_budget(case.sweep, case.build)
        assert budget.r_parts_ohm is not None
        assert budget.r_parts_ohm.value == pytest.approx(case.truth["esr_ohm"], rel=5e-3)

    def test_parts_not_described_are_in_the_remainder(self, case: Case) -> None:
        described = loss_budget(case.sweep, case.build)
        silent = loss_budget(case.sweep, without_table(case, "capacitor"))
        assert silent.r_parts_ohm is None
        assert silent.r_remainder_ohm is not None
        assert described.r_remainder_ohm is not None
        assert described.r_parts_ohm is not None
        rest = described.r_remainder_ohm.value + described.r_parts_ohm.value
        assert silent.r_remainder_ohm.value == pytest.approx(rest)

    def test_what_remains_is_nothing_where_everything_is_described(self, case: Case) -> None:
        budget = loss_budget(case.sweep, case.build)
        assert budget.r_remainder_ohm is not None
        assert budget.r_loss_ohm is not None
        # The engine's gap is of copper too: one part in 36 of the conductor stays over.
        assert abs(budget.r_remainder_ohm.value) < 0.05 * budget.r_loss_ohm.value

    def test_two_joints_opposite_the_gap_weigh_more_than_two_at_it(self, case: Case) -> None:
        part = '\n[[parts]]\nkind = "joint"\ncount = 2\nr = "2 mohm"\nposition = {}\n'
        at = [
            loss_budget(case.sweep, Build.from_toml(case.toml + part.format(place))).r_parts_ohm
            for place in (0.01, 0.5)
        ]
        assert at[0] is not None
        assert at[1] is not None
        assert at[1].value > at[0].value


class TestUncertainty:
    def test_shares_add_in_quadrature(self, case: Case) -> None:
        budget = loss_budget(case.sweep, with_uncertain_size(case, 0.5))
        for name, shares in budget.shares.items():
            estimate = getattr(budget, name)
            assert math.hypot(*shares.values()) == pytest.approx(estimate.u, rel=1e-9)

    def test_one_per_cent_of_circumference_is_four_of_radiation(self, case: Case) -> None:
        # Radiation resistance goes with the fourth power (Balanis, Antenna Theory, eq. 5-24), a
        # little faster where the loop is no longer small.
        budget = loss_budget(case.sweep, with_uncertain_size(case, 1.0))
        assert budget.r_radiation_ohm is not None
        share = budget.shares["r_radiation_ohm"]["loop.circumference"]
        assert 0.039 < share / budget.r_radiation_ohm.value < 0.06

    def test_a_share_has_the_sign_of_its_effect(self, case: Case) -> None:
        shares = loss_budget(case.sweep, with_uncertain_size(case, 1.0)).shares
        assert shares["r_radiation_ohm"]["loop.circumference"] > 0
        assert shares["efficiency"]["loop.circumference"] > 0

    def test_a_size_without_tolerance_is_reported_as_taken_as_exact(self, case: Case) -> None:
        codes = [f.code for f in loss_budget(case.sweep, case.build).findings]
        assert "taken-as-exact" in codes or "no-tolerance" in codes

    def test_without_a_coupling_loop_the_interval_is_wider_and_says_why(self, case: Case) -> None:
        full = loss_budget(case.sweep, case.build)
        bare = loss_budget(case.sweep, without_table(case, "feed"))
        assert full.efficiency is not None
        assert bare.efficiency is not None
        assert bare.efficiency.u > 2 * full.efficiency.u
        assert "coupling-not-described" in [finding.code for finding in bare.findings]
        assert bare.efficiency.low <= case.truth["efficiency"] <= bare.efficiency.high

    def test_a_gap_not_described_is_a_source_of_uncertainty(self, case: Case) -> None:
        gap = next(row for row in case.toml.splitlines() if row.startswith("gap"))
        budget = loss_budget(case.sweep, changed(case, gap + "\n", ""))
        assert budget.shares["efficiency"]["loop.gap"] != 0
        assert "gap-not-described" in [finding.code for finding in budget.findings]

    def test_four_per_cent_of_conductivity_are_two_of_the_conductors_ohms(self, case: Case) -> None:
        # Skin effect: with the root of the resistivity. Efficiency comes from the sweep, and does
        # not ask what the conductor should cost.
        line = next(r for r in case.toml.splitlines() if r.startswith("conductivity"))
        sigma = case.build.conductor.conductivity.value / 1e6
        described = changed(case, line, f'conductivity = "{sigma} MS/m ± 4 %"')
        shares = loss_budget(case.sweep, described).shares
        budget = loss_budget(case.sweep, described)
        assert budget.r_conductor_ohm is not None
        relative = shares["r_conductor_ohm"]["conductor.conductivity"]
        assert relative / budget.r_conductor_ohm.value == pytest.approx(-0.02, rel=0.05)
        rest = shares["r_remainder_ohm"]["conductor.conductivity"]
        assert rest == pytest.approx(-relative, rel=1e-3)
        assert abs(shares["efficiency"]["conductor.conductivity"]) < 1e-5

    def test_noise_enters_as_the_fits_share(self, case: Case) -> None:
        noise = white(np.random.default_rng(1), len(case.sweep), 0.01)
        noisy = case.sweep.with_gamma(case.sweep.gamma + noise)
        quiet = loss_budget(case.sweep, case.build).shares["r_total_ohm"]["fit"]
        loud = loss_budget(noisy, case.build).shares["r_total_ohm"]["fit"]
        assert abs(loud) > 1.5 * abs(quiet)


class TestWhatCannotBe:
    def test_a_conductor_described_too_poor_is_noticed(self, case: Case) -> None:
        conductivity = next(r for r in case.toml.splitlines() if r.startswith("conductivity"))
        budget = loss_budget(case.sweep, changed(case, conductivity, "conductivity = 2e6"))
        assert budget.status == "doubtful"
        assert {"better-than-conductor", "negative-remainder"} & {f.code for f in budget.findings}

    def test_a_sweep_without_resonance_has_no_budget(self, case: Case) -> None:
        noise = 0.5 + white(np.random.default_rng(1), 101, 0.01)
        budget = loss_budget(Sweep(np.linspace(7e6, 7.1e6, 101), noise), case.build)
        assert budget.status == "refused"
        assert budget.to_json() is None
        assert budget.efficiency is None
        assert any(finding.level == "problem" for finding in budget.findings)

    @pytest.mark.parametrize(
        "loop",
        ['circumference = "30 m"', 'circumference = "2 m"\nturns = 2',
         'circumference = "2 m"\nturns = 6\nturn_spacing = "50 mm"'],
    )  # fmt: skip
    def test_a_loop_outside_the_model_has_no_budget_and_says_why(self, loop: str) -> None:
        build = Build.from_toml(f'name = "x"\n[loop]\n{loop}\n[conductor]\ndiameter = "10 mm"\n')
        sweep = Truth(f_loaded_hz=28e6, noise=1e-3).sweep(np.random.default_rng(1))
        budget = loss_budget(sweep, build)
        assert budget.status == "refused"
        assert "outside-model" in [finding.code for finding in budget.findings]

    def test_no_described_loop_brings_an_exception(self) -> None:
        # Any sweep with any build: figures or a refusal, all finite.
        rng = np.random.default_rng(6)
        builds = [case.build for case in cases()[:6]]
        for i, build in enumerate(builds):
            truth = replace(
                Truth(), f_loaded_hz=rng.uniform(2e6, 30e6), q_loaded=rng.uniform(15, 900)
            )
            budget = loss_budget(replace(truth, noise=2e-3).sweep(rng), build)
            printed = budget.to_json()
            assert printed is None or json.dumps(printed, allow_nan=False), i
