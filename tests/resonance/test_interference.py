"""A seeded part of the study in docs/validation.md: broadcasters and drift during a sweep."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from simulated import Truth
from studies.convergence import valid
from studies.interference import detection_and_coverage, flags_drift, hit, plain_fit, spread_ratio

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
        masks = [(fit.kept, where) for _, fit, where in eight_in_a_hundred if fit.kept is not None]
        set_aside = np.concatenate([~k for k, _ in masks])
        hit_points = np.concatenate([where for _, where in masks])
        # A spike of 0.02 in noise of 0.01 is no different from noise.
        assert set_aside[hit_points].mean() > 0.9
        assert set_aside[~hit_points].mean() < 1e-3

    def test_what_is_set_aside_is_reported(self, eight_in_a_hundred: Hit) -> None:
        for _, fit, _ in eight_in_a_hundred:
            if fit.kept is None:
                continue
            set_aside = int((~fit.kept).sum())
            reported = [
                f.evidence["points_set_aside"] for f in fit.findings if f.code == "set-aside"
            ]
            assert reported == ([set_aside] if set_aside else [])

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

    def test_without_drift_the_spread_is_the_plain_fits(self) -> None:
        # Paired with scipy's least squares of the same sweeps: a thousandth, not a sample's luck.
        rng = np.random.default_rng(53)
        truths = [replace(Truth(noise=1e-3), theta=rng.uniform(0, 2)) for _ in range(150)]
        np.testing.assert_allclose(spread_ratio(truths, rng), 1, atol=0.03)


class TestDrift:
    @pytest.mark.parametrize(
        ("quantity", "shape", "size"),
        [
            ("amplitude", "a step", 3),
            ("amplitude", "a settling drift", 5),
            ("phase", "swaying", 5),
            pytest.param("amplitude", "a steady drift", 3, marks=pytest.mark.slow),
            pytest.param("amplitude", "swaying", 5, marks=pytest.mark.slow),
            pytest.param("phase", "a settling drift", 30, marks=pytest.mark.slow),
        ],
    )
    def test_is_detected_where_it_exceeds_the_noise(
        self, quantity: str, shape: str, size: float
    ) -> None:
        detected, _ = detection_and_coverage(
            quantity, shape, size, DRAWS, np.random.default_rng(54)
        )
        assert detected > 0.9

    def test_is_reported_in_few_sweeps_without_it(self) -> None:
        detected, held = detection_and_coverage(
            "amplitude", "a step", 0, 400, np.random.default_rng(55)
        )
        # A point set aside in one sweep of a hundred, and correlation at three standard deviations.
        assert detected < 0.02 + LIMIT * np.sqrt(0.02 / 400)
        assert held == pytest.approx(0.95, abs=LIMIT * np.sqrt(0.95 * 0.05 / 400))

    def test_control_steady_drift_of_the_phase_is_a_lines_and_costs_nothing(self) -> None:
        # Steady in time is steady in frequency: no single sweep distinguishes it from a delay.
        detected, held = detection_and_coverage(
            "phase", "a steady drift", 30, 200, np.random.default_rng(56)
        )
        assert detected < 0.1
        assert held == pytest.approx(0.95, abs=LIMIT * np.sqrt(0.95 * 0.05 / 200))

    def test_a_refusal_counts_as_detected(self) -> None:
        assert flags_drift(Resonance("refused"))
