"""A plan and a loss budget of the same build are equally sure of the loop's model."""

from __future__ import annotations

import math

import numpy as np
import pytest
from simulated import Truth

from sweeplab import Build, fit_resonance, loss_budget
from sweeplab.loop import LoopModel
from sweeplab.loop.model_uncertainty import model_uncertainty
from sweeplab.planning.band import band_figures

F_HZ = 7.1e6
ONE = 'circumference = "2 m"'
TWO = 'circumference = "2 m"\nturns = 2\nturn_spacing = "{} mm"'


def built(loop: str) -> Build:
    """A loop whose sizes and conductivity are exact, so that only the model errs."""
    return Build.from_toml(
        f'name = "x"\n[loop]\n{loop}\ngap = "20 mm"\n'
        '[conductor]\ndiameter = "12 mm"\nconductivity = "58 MS/m"\n'
        '[capacitor]\nesr = "30 mohm"\n'
    )


@pytest.mark.parametrize(
    "loop", [ONE, TWO.format(100), TWO.format(45), TWO.format(45) + '\nleads = "30 mm"']
)
def test_radiation_and_reactance_have_the_same_interval_in_both(loop: str) -> None:
    build = built(loop)
    sweep = Truth(f_loaded_hz=F_HZ, noise=1e-3).sweep(np.random.default_rng(2))
    resonance = fit_resonance(sweep)
    assert resonance.circle is not None
    budget = loss_budget(sweep, build, resonance=resonance)
    planned = band_figures(build, resonance.circle.f_loaded_hz)
    for name in ("r_radiation_ohm", "x_eff_ohm"):
        inferred, expected = getattr(budget, name), getattr(planned, name)
        assert (expected.value, expected.u, expected.low, expected.high) == pytest.approx(
            (inferred.value, inferred.u, inferred.low, inferred.high), rel=1e-9
        ), name


def test_two_turns_make_a_plan_less_sure_of_radiation() -> None:
    def relative(loop: str) -> float:
        found = band_figures(built(loop), F_HZ).r_radiation_ohm
        return found.u / found.value

    # Without described leads 1 % of radiation alone; of both ohms together 0.8 %, and a quarter of
    # (radius over spacing) squared.
    together = math.hypot(0.008, 0.25 * (6 / 45) ** 2)
    assert relative(ONE) == pytest.approx(0.001, rel=1e-6)
    assert relative(TWO.format(45)) == pytest.approx(math.hypot(0.001, 0.010, together), rel=1e-3)


def test_near_its_own_resonance_effective_reactance_is_less_sure_than_reactance() -> None:
    build = built(ONE)
    f_hz = 0.35 * 299_792_458.0 / 2.0
    error = model_uncertainty(build, LoopModel(build), f_hz)
    found = band_figures(build, f_hz)
    for estimate, relative in (
        (found.x_loop_ohm, error.reactance),
        (found.c_required_f, error.reactance),
        (found.x_eff_ohm, error.effective_reactance),
    ):
        assert estimate.u / estimate.value == pytest.approx(relative, rel=0.02)
    steepness = found.x_eff_ohm.value / found.x_loop_ohm.value
    assert error.effective_reactance == pytest.approx(error.reactance * steepness**2)
    assert steepness > 2
