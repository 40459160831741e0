"""Sweeps of many more points than an analyzer takes: found and fitted, in memory that fits."""

from __future__ import annotations

import gc
import tracemalloc

import numpy as np
import pytest
from simulated import Truth, white

from sweeplab import Sweep, fit_resonance


def of_width(bandwidths: float, points: int) -> tuple[Truth, Sweep]:
    """A resonance with so many of its half-power bandwidths in a span of 2 MHz."""
    truth = Truth(
        f_loaded_hz=14.1e6, q_loaded=14.1e6 * bandwidths / 2e6, coupling_factor=0.8,
        points=points, span_bandwidths=bandwidths, noise=1e-3, theta=0.3,
    )  # fmt: skip
    noise = white(np.random.default_rng(points), points, truth.noise)
    return truth, Sweep(truth.f_hz, truth.reflection() + noise)


@pytest.mark.parametrize("points", [2_001, 10_001, 50_001])
@pytest.mark.parametrize("in_bandwidth", [8, 40, 400])
def test_a_narrow_resonance_among_them_is_found(points: int, in_bandwidth: int) -> None:
    truth, sweep = of_width(points / in_bandwidth, points)
    fit = fit_resonance(sweep)
    assert fit.status == "ok"
    assert fit.q_unloaded is not None
    # Four standard deviations: nine draws.
    assert fit.q_unloaded.value == pytest.approx(truth.q_unloaded, abs=4 * fit.q_unloaded.u)


def test_that_no_drift_is_searched_for_in_very_many_is_reported() -> None:
    for points in (10_001, 30_001):
        _, sweep = of_width(20, points)
        codes = {finding.code for finding in fit_resonance(sweep).findings}
        assert ("movement-not-looked-for" in codes) == (points > 20_000)


def test_memory_grows_as_the_points_and_not_as_their_square() -> None:
    _, sweep = of_width(1_000, 40_001)
    tracemalloc.start()
    fit_resonance(sweep)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    # The bank of shapes takes some tens of megabytes at any size.
    assert peak < 64e6 + 1_000 * len(sweep)


def test_memory_of_the_drift_fit_is_released_after_it() -> None:
    truth = Truth(points=15_001, span_bandwidths=8, noise=1e-3)
    step = np.where(np.arange(truth.points) >= 0.6 * truth.points, 1.002, 1.0)
    noise = white(np.random.default_rng(5), truth.points, truth.noise)
    sweep = Sweep(truth.f_hz, truth.reflection() * step + noise)
    tracemalloc.start()
    fit = fit_resonance(sweep)
    assert "step-in-sweep" in {finding.code for finding in fit.findings}
    del fit
    gc.collect()
    held = tracemalloc.get_traced_memory()[0]
    tracemalloc.stop()
    # Inner products at every point would be 15 MB, twice; the banks of shapes may stay.
    assert held < 16e6
