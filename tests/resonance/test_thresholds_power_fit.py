"""Thresholds of the fit to magnitudes alone and of what counts as a dip, each from both sides."""

from __future__ import annotations

import math

import numpy as np
import pytest
from simulated import Truth

from sweeplab import Sweep, fit_resonance
from sweeplab.resonance.circle.batch import SweepBatch
from sweeplab.resonance.scalar.dips import _find_dips, isolate_dip
from sweeplab.resonance.scalar.power_fit import (
    _null_model_comparison,
    _used_points,
    fit_power,
)
from sweeplab.sweep import FloatArray

F_HZ = np.linspace(7.0e6, 7.2e6, 201)


def dip(f_hz: FloatArray, at_hz: float, depth: float) -> FloatArray:
    """Return a dip 60 kHz across with a flat bottom that smoothing leaves alone."""
    return depth * np.clip(2 - np.abs(f_hz - at_hz) / 15e3, 0, 1)


class TestDips:
    @pytest.mark.parametrize(("depth", "found"), [(0.027, False), (0.035, True)])
    def test_stand_out_by_three_hundredths_of_the_largest_reflection(
        self, depth: float, found: bool
    ) -> None:
        size = 1 - dip(F_HZ, 7.05e6, 0.5) - dip(F_HZ, 7.15e6, depth)
        sweep = Sweep(F_HZ, size.astype(complex), content="magnitude")
        isolated = isolate_dip(sweep, None)
        assert (isolated is not None) is found
        if isolated is not None:
            assert isolated.finding().code == "another-dip"

    @pytest.mark.parametrize(("depth", "found"), [(0.15, 1), (0.17, 2)])
    def test_stand_out_by_eight_times_the_noise(self, depth: float, found: int) -> None:
        size = np.array([1, 0.9, 0.5, 0.9, 1, 1 - depth / 2, 1 - depth, 1 - depth / 2, 1])
        assert len(_find_dips(size, 0.02)[0]) == found


class TestSetAside:
    NOISE = 0.01

    def count(self, far: int, times: float, points: int) -> int:
        """Return how many points count, `far` of them so many standard deviations off."""
        square = np.full(points, 0.25)
        # Every other point is off by the noise's median size, 0.6745 standard deviations.
        off = 0.6745 * self.NOISE * np.where(np.arange(points) % 2, 1.0, -1.0)
        off[:far] = times * self.NOISE
        size = np.sqrt(square + self.NOISE**2) + off
        return int(_used_points(size, square, self.NOISE, np.ones(points, dtype=bool)).sum())

    @pytest.mark.parametrize(("times", "count"), [(4.2, 101), (4.4, 100)])
    def test_is_what_white_noise_reaches_once_in_a_hundred_sweeps(
        self, times: float, count: int
    ) -> None:
        # sqrt(2 ln(101/0.01)) = 4.29.
        assert self.count(1, times, 101) == count

    @pytest.mark.parametrize(("far", "count"), [(14, 86), (16, 100)])
    def test_is_nothing_where_it_would_be_more_than_a_seventh(self, far: int, count: int) -> None:
        assert self.count(far, 20.0, 100) == count

    @pytest.mark.parametrize(("off", "count"), [(0.8e-5, 50), (1.2e-5, 49)])
    def test_is_no_point_off_by_a_rounding(self, off: float, count: int) -> None:
        size = np.full(50, 0.5)
        size[20] += off
        counted = _used_points(size, np.full(50, 0.25), 0.0, np.ones(50, dtype=bool))
        assert int(counted.sum()) == count


class TestRipple:
    @pytest.mark.parametrize(("times", "compared"), [(55.0, True), (65.0, False)])
    def test_is_compared_unless_the_resonance_takes_all_but_a_sixtieth(
        self, times: float, compared: bool
    ) -> None:
        points, noise = 201, 0.01
        u = np.linspace(-0.5, 0.5, points)
        y = 0.8 - 0.5 / (1 + (20 * u) ** 2)
        line = np.vander(u, 3)
        level = line @ np.linalg.lstsq(line, y, rcond=None)[0]
        weight = 1 / (4 * (level + noise**2)) / noise**2
        # What the resonance leaves, as a part of what the parabola leaves.
        left = math.sqrt(float(weight @ (y - level) ** 2) / times / float(weight.sum()))
        rows = SweepBatch.of(F_HZ[None], (y + 0j)[None], np.ones((1, points)))
        gain, null_gain = _null_model_comparison(rows, y, y + left, noise)
        assert gain > 0
        assert math.isfinite(null_gain) is compared


class TestMisfit:
    """Correlated residuals of neighbours are reported and widen the intervals."""

    @pytest.mark.parametrize(("share", "reported"), [(0.3, False), (0.33, True)])
    def test_is_reported_where_white_noise_would_not_be_so_correlated(
        self, share: float, reported: bool
    ) -> None:
        points = 201
        truth = Truth(points=points)
        white = np.random.default_rng(7).standard_normal(points + 1)
        # Neighbours of w(i) + k w(i - 1) are correlated by k/(1 + k^2).
        noise = 1e-3 * (white[1:] + share * white[:-1])
        gamma = np.abs(truth.reflection()) + noise
        sweep = Sweep(truth.f_hz, gamma.astype(complex), content="magnitude")
        r = fit_power(sweep).residual
        correlation = float(r[1:] @ r[:-1]) / float(r @ r) * math.sqrt(points)
        assert (3.0 < correlation < 3.5) if reported else (2.5 < correlation < 3.0)
        assert ("misfit" in [finding.code for finding in fit_resonance(sweep).findings]) is reported
