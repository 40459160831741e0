"""A seeded part of the study in docs/validation.md: broadcasters and movement during a sweep."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from simulated import Truth
from studies.convergence import valid
from studies.interference import cost_of_watching, hit, moved, noticed, plain_fit

from sweeplab import Resonance, fit_many, fit_resonance

SWEEPS = 300
DRAWS = 60
FIGURES = ("f_loaded_hz", "q_loaded", "q_unloaded", "coupling_factor")
# A share p of n sweeps scatters by sqrt(p (1 - p)/n); one seed in 16,000 lies further off.
LIMIT = 4.0
Hit = list[tuple[Truth, Resonance, NDArray[np.bool_]]]


@pytest.fixture(scope="module")
def eight_in_a_hundred() -> Hit:
    rng = np.random.default_rng(51)
    truths = [valid(rng)[0] for _ in range(SWEEPS)]
    pairs = [hit(truth, 0.08, rng) for truth in truths]
    fits = fit_many([sweep for sweep, _ in pairs])
    return [(t, fit, where) for t, fit, (_, where) in zip(truths, fits, pairs, strict=True)]


class TestBroadcasters:
    @pytest.mark.parametrize("name", FIGURES)
    def test_with_8_points_in_100_hit_intervals_hold_9_times_in_10(
        self, eight_in_a_hundred: Hit, name: str
    ) -> None:
        inside = []
        for truth, fit, _ in eight_in_a_hundred:
            estimate = getattr(fit, name)
            inside.append(
                estimate is not None and estimate.low <= getattr(truth, name) <= estimate.high
            )
        # Nine in ten is promised of the truth behind these 300.
        assert np.mean(inside) > 0.90 - np.sqrt(0.09 / SWEEPS)

    def test_nearly_all_of_the_points_hit_are_set_aside_and_hardly_any_other(
        self, eight_in_a_hundred: Hit
    ) -> None:
        kept = [(fit.kept, where) for _, fit, where in eight_in_a_hundred if fit.kept is not None]
        aside = np.concatenate([~k for k, _ in kept])
        struck = np.concatenate([where for _, where in kept])
        # A spike of 0.02 in noise of 0.01 is no different from noise.
        assert aside[struck].mean() > 0.9
        assert aside[~struck].mean() < 1e-3

    def test_what_is_set_aside_is_said(self, eight_in_a_hundred: Hit) -> None:
        for _, fit, _ in eight_in_a_hundred:
            if fit.kept is None:
                continue
            aside = int((~fit.kept).sum())
            told = [f.evidence["points_set_aside"] for f in fit.findings if f.code == "set-aside"]
            assert told == ([aside] if aside else [])

    def test_control_least_squares_on_every_point_does_not_hold(self) -> None:
        # The same intervals about a fit that believes the spikes: what robustness is for.
        truth = Truth(noise=1e-3)
        rng = np.random.default_rng(52)
        fits = [fit_resonance(truth.sweep(rng)) for _ in range(20)]
        u = float(np.mean([fit.q_unloaded.u for fit in fits if fit.q_unloaded is not None]))
        off = []
        for _ in range(40):
            sweep, where = hit(truth, 0.08, rng)
            assert where.any()
            off.append(abs(float(plain_fit(truth, sweep)[2]) - truth.q_unloaded) > 1.96 * u)
        assert np.mean(off) > 0.5

    def test_in_quiet_sweeps_the_spread_is_the_plain_fits(self) -> None:
        # Paired with scipy's least squares of the same sweeps: a thousandth, not a sample's luck.
        rng = np.random.default_rng(53)
        truths = [replace(Truth(noise=1e-3), theta=rng.uniform(0, 2)) for _ in range(150)]
        np.testing.assert_allclose(cost_of_watching(truths, rng), 1, atol=0.03)


class TestMovement:
    @pytest.mark.parametrize(
        ("what", "course", "size"),
        [
            ("amplitude", "a step", 3),
            ("amplitude", "a settling drift", 5),
            ("phase", "swaying", 5),
            pytest.param("amplitude", "a steady drift", 3, marks=pytest.mark.slow),
            pytest.param("amplitude", "swaying", 5, marks=pytest.mark.slow),
            pytest.param("phase", "a settling drift", 30, marks=pytest.mark.slow),
        ],
    )
    def test_is_noticed_where_it_exceeds_the_noise(
        self, what: str, course: str, size: float
    ) -> None:
        seen, _ = moved(what, course, size, DRAWS, np.random.default_rng(54))
        assert seen > 0.9

    def test_of_sweeps_in_which_nothing_moves_few_are_suspected(self) -> None:
        seen, held = moved("amplitude", "a step", 0, 400, np.random.default_rng(55))
        # A point set aside in one sweep of a hundred, and correlation at three standard deviations.
        assert seen < 0.02 + LIMIT * np.sqrt(0.02 / 400)
        assert held == pytest.approx(0.95, abs=LIMIT * np.sqrt(0.95 * 0.05 / 400))

    def test_control_a_phase_that_drifts_steadily_is_a_lines_and_costs_nothing(self) -> None:
        # Steady in time is steady in frequency: no single sweep can tell it from a line's delay.
        seen, held = moved("phase", "a steady drift", 30, 200, np.random.default_rng(56))
        assert seen < 0.1
        assert held == pytest.approx(0.95, abs=LIMIT * np.sqrt(0.95 * 0.05 / 200))

    def test_a_refusal_counts_as_noticed(self) -> None:
        assert noticed(Resonance("refused"))
