"""Drift during a sweep: sweeps without it are unchanged, steps are detected and allowed for."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from simulated import Truth, white
from studies.convergence import valid
from studies.interference import (
    BASE_TRUTH,
    DRIFT_SHAPES,
    DRIFTING,
    detection_and_coverage,
    flags_drift,
)

from sweeplab import Resonance, Sweep, fit_many, fit_resonance

# A share p of n sweeps scatters by sqrt(p (1 - p)/n); one seed in 16,000 lies further off.
LIMIT = 4.0
DRAWS = 100
CODES = {"step-in-sweep", "drift-in-sweep"}


def drift_codes(fit: Resonance) -> set[str]:
    return CODES & {finding.code for finding in fit.findings}


def with_step(quantity: str, size: float, seed: int = 3, **changed: float) -> tuple[Truth, Sweep]:
    """Return a sweep with a step at seven tenths, by `size` times the noise."""
    truth = replace(BASE_TRUTH, **changed)
    shape = np.where(np.arange(truth.points) >= 0.7 * truth.points, 1.0, 0.0)
    gamma = DRIFTING[quantity](truth, shape, size * truth.noise)
    noise = white(np.random.default_rng(seed), truth.points, truth.noise)
    return truth, Sweep(truth.f_hz, gamma + noise)


class TestWithoutDrift:
    def test_is_reported_in_hardly_one_sweep_in_a_thousand(self) -> None:
        # 20,000 sweeps had seven; of these 1,500 the thousandth would be one or two.
        rng = np.random.default_rng(61)
        fits = fit_many([valid(rng)[0].sweep(rng) for _ in range(1500)])
        assert sum(bool(drift_codes(fit)) for fit in fits) <= 1500 * 1e-3 + LIMIT * np.sqrt(1.5)

    def test_where_none_is_detected_no_figure_changes(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        rng = np.random.default_rng(62)
        sweeps = [valid(rng)[0].sweep(rng) for _ in range(60)]
        corrected = fit_many(sweeps)
        monkeypatch.setattr("sweeplab.resonance.drift.correct.may_have_drifted", lambda _: False)
        for fit, plain in zip(corrected, fit_many(sweeps), strict=True):
            assert drift_codes(fit) or fit.to_json() == plain.to_json()

    def test_two_resonances_are_no_step(self) -> None:
        truth = Truth(span_bandwidths=10)
        f = truth.f_hz
        other = truth.f_loaded_hz * (1 + 3 / truth.q_loaded)
        t = f / other - other / f
        gamma = truth.reflection() - 0.05 / (1 + 1.5j * truth.q_loaded * t)
        fit = fit_resonance(Sweep(f, gamma + white(np.random.default_rng(1), f.size, 5e-4)))
        assert "another-resonance" in {finding.code for finding in fit.findings}
        assert not drift_codes(fit)


class TestStep:
    @pytest.mark.parametrize(
        ("quantity", "size"), [("amplitude", 3), ("phase", 3), ("phase", 5), ("amplitude", 5)]
    )
    def test_is_detected_and_the_interval_of_unloaded_q_holds(
        self, quantity: str, size: float
    ) -> None:
        detected, held = detection_and_coverage(
            quantity, "a step", size, DRAWS, np.random.default_rng(63)
        )
        assert detected > 0.9 - LIMIT * np.sqrt(0.09 / DRAWS)
        # The aim is 93 in a hundred; a fit that ignores the step has 55 to 80.
        assert held > 0.93 - 2 * np.sqrt(0.93 * 0.07 / DRAWS)

    def test_control_a_fit_that_ignores_it_misses(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("sweeplab.resonance.drift.correct.may_have_drifted", lambda _: False)
        _, held = detection_and_coverage("amplitude", "a step", 5, DRAWS, np.random.default_rng(63))
        assert held < 0.8

    @pytest.mark.parametrize("quantity", DRIFTING)
    def test_large_as_it_is_it_is_not_taken_for_a_needle_between_two_points(
        self, quantity: str
    ) -> None:
        rng = np.random.default_rng(64)
        sweeps = []
        for _ in range(150):
            truth, _ = valid(rng)
            shape = np.where(np.arange(truth.points) >= rng.uniform(0.1, 0.9) * truth.points, 1, 0)
            gamma = DRIFTING[quantity](truth, shape, np.exp(rng.uniform(1, 3.4)) * truth.noise)
            noise = white(rng, truth.points, truth.noise)
            sweeps.append(Sweep(truth.f_hz, gamma + noise))
        # Of 3,000 eight were refused; when a second resonance was let shrink to nothing, 92.
        assert sum(fit.status == "refused" for fit in fit_many(sweeps)) <= 2

    def test_its_frequency_and_height_are_reported(self) -> None:
        truth, sweep = with_step("amplitude", 10)
        fit = fit_resonance(sweep)
        (finding,) = [finding for finding in fit.findings if finding.code == "step-in-sweep"]
        step_hz = float(truth.f_hz[1] - truth.f_hz[0])
        place = truth.f_hz[int(np.ceil(0.7 * truth.points))]
        assert finding.evidence["f_step_hz"] == pytest.approx(place, abs=1.5 * step_hz)
        # Ten times the noise in the reflection, held against the circle's diameter.
        diameter = 2 * truth.coupling_factor / (1 + truth.coupling_factor)
        assert finding.evidence["height_relative"] == pytest.approx(0.01 / diameter, rel=0.1)
        assert "jump" in finding.text

    @pytest.mark.parametrize("quantity", ["amplitude", "phase", "the resonance"])
    def test_figures_are_those_at_the_dip(self, quantity: str) -> None:
        truth, sweep = with_step(quantity, 10, off_centre=-0.5)
        fit = fit_resonance(sweep)
        for name in ("f_loaded_hz", "q_loaded", "q_unloaded", "coupling_factor"):
            estimate = getattr(fit, name)
            # Three standard uncertainties: twelve figures of fixed seeds.
            assert abs(estimate.value - getattr(truth, name)) < 3 * estimate.u

    def test_is_not_taken_for_a_second_resonance(self) -> None:
        rng = np.random.default_rng(64)
        sweeps = []
        for _ in range(40):
            gamma = DRIFTING["the resonance"](
                BASE_TRUTH, DRIFT_SHAPES["a step"](BASE_TRUTH, rng), 30 * BASE_TRUTH.noise
            )
            sweeps.append(
                Sweep(BASE_TRUTH.f_hz, gamma + white(rng, BASE_TRUTH.points, BASE_TRUTH.noise))
            )
        fits = fit_many(sweeps)
        others = [f.code for fit in fits for f in fit.findings if f.code == "another-resonance"]
        assert len(others) <= 1


class TestSwaying:
    @pytest.mark.parametrize("quantity", ["amplitude", "phase", "the resonance"])
    def test_is_detected_and_intervals_cover_it(self, quantity: str) -> None:
        detected, held = detection_and_coverage(
            quantity, "swaying", 10, DRAWS, np.random.default_rng(65)
        )
        assert detected > 0.9
        assert held > 0.93 - 2 * np.sqrt(0.93 * 0.07 / DRAWS)


class TestDriftThatNoSweepShows:
    def fit(self, q_loaded: float, drift: float, direction: int = 1) -> Resonance:
        """Fit a noisy sweep of six bandwidths during which the resonance drifts steadily."""
        truth = Truth(q_loaded=q_loaded, noise=3e-4)
        f = truth.f_hz
        shape = np.linspace(-0.5, 0.5, f.size)
        f_loaded = truth.f_loaded_hz * (1 + direction * drift * shape)
        t = f / f_loaded - f_loaded / f
        gamma = np.exp(1j * truth.angle) * (1 - 0.75 / (1 + 1j * q_loaded * t))
        return fit_resonance(Sweep(f, gamma + white(np.random.default_rng(4), f.size, 3e-4)))

    def test_is_warned_of_where_a_degree_would_matter(self) -> None:
        codes = [{f.code for f in self.fit(q, 0).findings} for q in (300, 2000)]
        assert ["drift-unseen" in found for found in codes] == [False, True]

    def test_changes_q_as_the_finding_says_and_in_reverse_the_other_way(self) -> None:
        still = self.fit(2000, 0)
        (finding,) = [f for f in still.findings if f.code == "drift-unseen"]
        drifted = [self.fit(2000, 17e-6, direction) for direction in (1, -1)]
        shares = [fit.q_loaded.value / still.q_loaded.value - 1 for fit in drifted]  # type: ignore[union-attr]
        share = finding.evidence["q_loaded_relative"]
        assert not any(drift_codes(fit) for fit in drifted)
        assert shares == pytest.approx([-share, share], rel=0.1)


def test_one_at_a_time_says_what_a_batch_says() -> None:
    sweeps = [with_step(quantity, 10, seed)[1] for quantity in DRIFTING for seed in range(4)]
    for alone, batched in zip(map(fit_resonance, sweeps), fit_many(sweeps), strict=True):
        assert drift_codes(alone) == drift_codes(batched)
        for name in ("f_loaded_hz", "q_unloaded"):
            one, other = getattr(alone, name), getattr(batched, name)
            assert one.value == pytest.approx(other.value, rel=1e-9)
            assert one.u == pytest.approx(other.u, rel=1e-9)


def test_a_ripple_with_a_step_is_no_resonance() -> None:
    u = np.linspace(-0.5, 0.5, 201)
    gamma = 0.95 * np.exp(-4j * u) + 0.05 * np.exp(-20j * u)
    gamma = gamma * np.where(u > 0.2, 1.01, 1.0)
    fit = fit_resonance(
        Sweep(7e6 + 2e5 * (u + 0.5), gamma + white(np.random.default_rng(2), 201, 1e-3))
    )
    assert fit.status != "ok"


def test_a_refused_sweep_reports_no_drift() -> None:
    rng = np.random.default_rng(66)
    fit = fit_resonance(Sweep(BASE_TRUTH.f_hz, 0.9 + white(rng, BASE_TRUTH.points, 1e-2)))
    assert flags_drift(fit)
    assert not drift_codes(fit)
