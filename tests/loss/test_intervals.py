"""A budget's intervals held from both sides: the law of each figure, and two readings of a dip."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from simulated import Truth
from sourced import budget, described, swept

from sweeplab import Build, LossBudget, fit_resonance, loss_budget
from sweeplab.estimate import Estimate

K = 1.959963984540054
ROUND = described('circumference = "3.2 m ± 8 mm"', 'diameter = "20 mm ± 0.4 mm"')
LOGNORMAL = ("x_eff_ohm", "r_total_ohm", "r_radiation_ohm", "r_conductor_ohm")
NORMAL = ("r_loss_ohm", "r_remainder_ohm", "efficiency_db", "gain_dbi")


def law(name: str, value: float, u: float) -> tuple[float, float]:
    """The 95 % interval of each figure's law: positive, a share, or any number."""
    if name in LOGNORMAL:
        stretch = math.exp(K * u / value)
        return value / stretch, value * stretch
    if name.startswith("efficiency") and name != "efficiency_db":
        odds = value / (1 - value)
        stretch = math.exp(K * u / (value * (1 - value)))
        return odds / stretch / (1 + odds / stretch), odds * stretch / (1 + odds * stretch)
    return value - K * u, value + K * u


@pytest.fixture(scope="module")
def found() -> LossBudget:
    return budget(ROUND)


class TestOneReading:
    """An under-coupled circle whose side the phase decides."""

    @pytest.mark.parametrize("name", [*LOGNORMAL, *NORMAL, "efficiency"])
    def test_interval_is_the_figures_law_about_its_u(self, found: LossBudget, name: str) -> None:
        estimate: Estimate = getattr(found, name)
        low, high = law(name, estimate.value, estimate.u)
        # Reaching where the interval of Q alone would take the figure adds nothing.
        assert estimate.low == pytest.approx(low, rel=1e-6)
        assert estimate.high == pytest.approx(high, rel=1e-6)

    @pytest.mark.parametrize("name", [*LOGNORMAL, *NORMAL, "efficiency"])
    def test_u_is_what_all_stated_inputs_make_of_it(self, found: LossBudget, name: str) -> None:
        shares = found.shares[name]
        assert set(shares) == {
            "fit", "model.radiation", "model.reactance", "model.turns", "loop.circumference",
            "conductor.diameter", "conductor.conductivity",
        }  # fmt: skip
        expected = math.sqrt(sum(share**2 for share in shares.values()))
        assert getattr(found, name).u == pytest.approx(expected, rel=1e-9)

    def test_decibels_are_the_shares_own(self, found: LossBudget) -> None:
        assert found.efficiency is not None
        assert found.efficiency_db is not None
        assert found.gain_dbi is not None
        per_unit = 10 / math.log(10) / found.efficiency.value
        assert found.efficiency_db.u == pytest.approx(per_unit * found.efficiency.u, rel=0.03)
        assert found.gain_dbi.u == pytest.approx(found.efficiency_db.u, rel=1e-6)
        # A small loop's directivity: 1.5 (C. A. Balanis, Antenna Theory, sec. 5.2).
        gained = found.gain_dbi.value - found.efficiency_db.value
        assert gained == pytest.approx(10 * math.log10(1.5), abs=0.1)


@pytest.fixture(scope="module")
def both() -> tuple[LossBudget, dict[str, Estimate]]:
    truth = Truth(coupling_factor=0.6, noise=1e-3)
    sweep = truth.sweep(np.random.default_rng(2))
    sweep = replace(sweep, gamma=abs(sweep.gamma).astype(complex), content="magnitude")
    fit = fit_resonance(sweep)
    assert fit.q_unloaded is not None
    assert fit.q_unloaded_other is not None
    made = loss_budget(sweep, Build.from_toml(f'name = "x"\n{ROUND}'), resonance=fit)
    return made, {"here": fit.q_unloaded, "other": fit.q_unloaded_other}


class TestTwoReadings:
    """Sizes alone: the loop may be under- or over-coupled, and both are within the interval."""

    def test_resistance_reaches_to_the_other_reading_and_no_farther(
        self, both: tuple[LossBudget, dict[str, Estimate]]
    ) -> None:
        made, q = both
        assert made.r_total_ohm is not None
        assert made.x_eff_ohm is not None
        x = made.x_eff_ohm.value
        assert made.r_total_ohm.value == pytest.approx(x / q["here"].value)
        low, high = law("r_total_ohm", made.r_total_ohm.value, made.r_total_ohm.u)
        # The other reading itself is good to two per cent at least.
        other = q["other"].value * math.exp(K * 0.02), q["other"].value * math.exp(-K * 0.02)
        ends = [x / end for end in (q["here"].low, q["here"].high, q["other"].low,
                                    q["other"].high, *other)]  # fmt: skip
        assert made.r_total_ohm.low == pytest.approx(min(low, *ends), rel=1e-9)
        assert made.r_total_ohm.high == pytest.approx(max(high, *ends), rel=1e-9)
        assert min(ends) < low < high

    def test_efficiency_reaches_there_and_never_beyond_one(
        self, both: tuple[LossBudget, dict[str, Estimate]]
    ) -> None:
        made, _ = both
        assert made.efficiency is not None
        assert made.r_radiation_ohm is not None
        assert made.r_total_ohm is not None
        far = min(made.r_radiation_ohm.value / made.r_total_ohm.low, 1.0)
        assert made.efficiency.high == pytest.approx(far, rel=1e-9)
        low, _ = law("efficiency", made.efficiency.value, made.efficiency.u)
        assert made.efficiency.low == pytest.approx(low, rel=1e-6)

    def test_both_efficiencies_are_reported(
        self, both: tuple[LossBudget, dict[str, Estimate]]
    ) -> None:
        made, q = both
        (finding,) = [f for f in made.findings if f.code == "two-efficiencies"]
        assert made.efficiency is not None
        assert finding.evidence["efficiency_under"] == pytest.approx(made.efficiency.value)
        ratio = q["other"].value / q["here"].value
        assert finding.evidence["efficiency_over"] == pytest.approx(ratio * made.efficiency.value)


class TestFindings:
    """At which figures a finding comes and stays away."""

    def codes(self, toml: str) -> set[str]:
        return {finding.code for finding in budget(toml).findings}

    def with_esr(self, esr_ohm: float) -> LossBudget:
        return budget(described(
            'circumference = "3.2 m"', 'diameter = "20 mm"',
            f'[capacitor]\nesr = "{esr_ohm * 1e3:.6g} mohm"\n',
        ))  # fmt: skip

    def test_loss_in_nothing_described_is_reported_from_fifteen_per_cent_on(self) -> None:
        bare = self.with_esr(0.001)
        assert bare.r_loss_ohm is not None
        assert bare.r_remainder_ohm is not None
        root = math.sqrt(7.1e6 / 10e6)
        for share, expected in ((0.18, True), (0.12, False)):
            # As much series resistance as leaves that share of the loss over.
            left = bare.r_remainder_ohm.value - share * bare.r_loss_ohm.value
            found = self.with_esr(0.001 + left / root)
            assert found.r_remainder_ohm is not None
            assert found.r_loss_ohm is not None
            ratio = found.r_remainder_ohm.value / found.r_loss_ohm.value
            assert ratio == pytest.approx(share, rel=0.01)
            codes = {finding.code: finding for finding in found.findings}
            assert ("unaccounted-loss" in codes) == expected
            if expected:
                finding = codes["unaccounted-loss"]
                assert finding.evidence["share_of_loss"] == pytest.approx(share, rel=0.01)

    def test_more_described_than_found_is_reported_only_where_it_is_sure(self) -> None:
        bare = self.with_esr(0.001)
        assert bare.r_remainder_ohm is not None
        root = math.sqrt(7.1e6 / 10e6)
        for sigmas, expected in ((1.0, False), (3.0, True)):
            esr = 0.001 + (bare.r_remainder_ohm.value + sigmas * bare.r_remainder_ohm.u) / root
            codes = {finding.code for finding in self.with_esr(esr).findings}
            assert ("negative-remainder" in codes) == expected

    def test_the_largest_share_is_named_with_its_part_of_the_variance(
        self, found: LossBudget
    ) -> None:
        (finding,) = [f for f in found.findings if f.code == "dominant-uncertainty"]
        shares = found.shares["efficiency"]
        largest = max(shares, key=lambda key: abs(shares[key]))
        assert finding.evidence["source"] == largest
        part = shares[largest] ** 2 / sum(share**2 for share in shares.values())
        assert finding.evidence["share_of_variance"] == pytest.approx(part)

    def test_steepness_near_the_own_resonance_is_reported_from_two_on(self) -> None:
        # X = Z tan(kC/2): X_eff/X = (1 + 2u/sin 2u)/2 with u = kC/2, larger in the solver.
        large = 'circumference = "{} m"'
        assert "near-own-resonance" not in self.codes(described(large.format(11)))
        assert "near-own-resonance" in self.codes(described(large.format(15.5)))

    def test_nothing_of_it_where_all_is_well(self) -> None:
        _, resonance = swept()
        assert resonance.status == "ok"
        codes = self.codes(ROUND)
        cannot_be = {"better-than-conductor", "negative-remainder", "below-size-limit"}
        ails = {"near-own-resonance", "two-efficiencies", "ground-overdrawn"}
        assert not codes & (cannot_be | ails)
