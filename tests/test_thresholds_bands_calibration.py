"""Limits of band names and of open, short and load, each from both sides."""

from __future__ import annotations

import numpy as np
import pytest

from sweeplab import Sweep, SweepError
from sweeplab.bands import band_of
from sweeplab.calibration import OnePortCalibration

F_HZ = np.linspace(7.0e6, 7.2e6, 101)


def constant(value: complex, f_hz: np.ndarray = F_HZ) -> Sweep:
    return Sweep(f_hz, np.full(f_hz.size, value, dtype=complex))


class TestBandNames:
    @pytest.mark.parametrize("f_mhz", [7.3 * 1.004, 7.0 * 0.996])
    def test_reach_almost_half_a_per_cent_beyond_the_edges(self, f_mhz: float) -> None:
        assert band_of(f_mhz * 1e6) == "40m"

    @pytest.mark.parametrize(("f_mhz", "name"), [(7.344, "7.34MHz"), (6.956, "6.96MHz")])
    def test_end_where_a_sweep_is_farther_off(self, f_mhz: float, name: str) -> None:
        assert band_of(f_mhz * 1e6) == name


class TestStandards:
    @staticmethod
    def turning(step_rad: float) -> OnePortCalibration:
        f_hz = np.linspace(7.0e6, 7.2e6, 41)
        turn = np.exp(-1j * step_rad * np.arange(41))
        return OnePortCalibration(Sweep(f_hz, turn), Sweep(f_hz, -turn), Sweep(f_hz, 0 * turn))

    @pytest.mark.parametrize(("step_rad", "coarse"), [(0.08, False), (0.10, True)])
    def test_are_coarse_where_the_line_turns_far_from_point_to_point(
        self, step_rad: float, coarse: bool
    ) -> None:
        found = self.turning(step_rad).correct(constant(0.5)).findings
        assert ("reference-coarse" in [finding.code for finding in found]) is coarse

    def test_that_differ_by_little_are_still_two(self) -> None:
        alike = OnePortCalibration(constant(0.0012), constant(0), constant(0.5))
        assert np.isfinite(alike.correct(constant(0.4)).gamma).all()

    def test_that_differ_by_less_read_alike(self) -> None:
        alike = OnePortCalibration(constant(0.0008), constant(0), constant(0.5))
        with pytest.raises(SweepError, match="read alike"):
            alike.correct(constant(0.4))

    @pytest.mark.parametrize("end", [0, -1])
    def test_may_miss_an_end_by_a_rounding(self, end: int) -> None:
        OnePortCalibration(self.short_of(end, 6.0), constant(-1), constant(0)).correct(
            constant(0.4)
        )

    @pytest.mark.parametrize("end", [0, -1])
    def test_must_not_miss_an_end_by_more(self, end: int) -> None:
        with pytest.raises(SweepError, match="does not cover"):
            OnePortCalibration(self.short_of(end, 9.0), constant(-1), constant(0)).correct(
                constant(0.4)
            )

    @staticmethod
    def short_of(end: int, missing_hz: float) -> Sweep:
        f_hz = F_HZ.copy()
        f_hz[end] += missing_hz if end == 0 else -missing_hz
        return constant(1, f_hz)
