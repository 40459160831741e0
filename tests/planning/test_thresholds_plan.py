"""Limits of a plan, each from both sides."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest

from sweeplab.builds import Build
from sweeplab.estimate import Estimate
from sweeplab.loop import LoopModel
from sweeplab.planning.band import BandFigures, band_figures, loop_impedance, undescribed_losses
from sweeplab.planning.coupling import (
    CommonPlacement,
    CouplingMatch,
    common_placement,
    coupling_geometry,
)
from sweeplab.planning.plan import _within_range, plan
from sweeplab.planning.result import BandPlan
from sweeplab.planning.safety import Distances, distances, fields
from sweeplab.planning.stock import assumed_joint, stock_loops
from sweeplab.planning.tuning_range import tuning_range

CAPACITOR = '[capacitor]\nc_min = "8 pF"\nc_max = "330 pF"\nesr = "50 mohm"\n'


def build(around: str = "3.2 m", rest: str = CAPACITOR) -> Build:
    return Build.from_toml(
        f'name = "planned"\n[loop]\ncircumference = "{around}"\ngap = "30 mm"\n'
        f'[conductor]\nform = "tube"\ndiameter = "12 mm"\nwall = "1 mm"\n{rest}'
    )


class TestKnob:
    @pytest.mark.parametrize(("turns", "reported"), [(11.6, False), (10.2, True)])
    def test_is_too_fast_where_a_degree_passes_half_the_bandwidth(
        self, turns: float, reported: bool
    ) -> None:
        found = plan(build(rest=f"{CAPACITOR}turns_per_range = {turns}\n"), ["20m"], coupling=False)
        (band,) = found.bands
        assert band.figures is not None
        assert band.tuning_hz_per_degree is not None
        share = band.tuning_hz_per_degree / band.figures.bandwidth_hz.value
        assert (0.5 < share < 0.55) if reported else (0.45 < share < 0.5)
        assert ("knob-too-fast" in [finding.code for finding in found.findings]) is reported


class TestReach:
    @pytest.mark.parametrize(("around", "planned"), [("4.0 m", True), ("4.35 m", False)])
    def test_bands_are_left_out_beyond_two_fifths_of_a_wavelength_of_conductor(
        self, around: str, planned: bool
    ) -> None:
        # 10 m, in its middle 10.39 m long; 30 mm of each turn are the gap.
        place = BandPlan("10m", 28.85e6, reachable=None)
        assert _within_range(build(around, rest=""), place) is planned

    def test_is_not_computed_below_one_megahertz_nor_above_sixty(self) -> None:
        # A loop half a metre round, of some 0.3 uH, would go from 0.3 to over 200 MHz.
        wide = build("0.5 m", rest='[capacitor]\nc_min = "1 pF"\nc_max = "1 uF"\n')
        assert tuning_range(wide, LoopModel(wide)) == pytest.approx((1e6, 60e6), rel=1e-3)


def test_a_turn_of_four_gaps_and_less_is_no_loop() -> None:
    # One turn is the piece and a gap of 30 mm: 115 and 125 mm.
    made = stock_loops(build(), [0.085, 0.095], bands=["10m"])
    single = [loop.pieces_m for loop in made if len(loop.pieces_m) == 1]
    assert single == [(0.095,)]


class TestCommonPlacement:
    """Two bands with the same size of coupling loop: left, or turned for both."""

    @staticmethod
    @cache
    def figures(f_hz: float) -> BandFigures:
        return band_figures(build(), f_hz)

    def place(self, high: float, low: float) -> CommonPlacement | None:
        fed = build(rest=f'{CAPACITOR}[feed]\ncircumference = "0.55 m"\n')
        geometry, _ = coupling_geometry(fed)
        factors = (Estimate.lognormal(high, 0.05), Estimate.lognormal(low, 0.05))
        bands = zip((self.figures(10.1e6), self.figures(14.1e6)), factors, strict=True)
        return common_placement(
            fed, geometry, [(at, CouplingMatch(None, factor)) for at, factor in bands]
        )

    def test_a_coupling_loop_nearly_at_its_best_is_left_as_it_is(self) -> None:
        # Half way between them in logarithms SWR would be at most 1.50; it is 1.04 times that.
        left = self.place(1.56, 1.56 / 2.25)
        assert left is not None
        assert left.tilt_deg is None
        assert left.offset_m is None
        assert left.worst_swr.value == pytest.approx(1.56)

    def test_one_farther_from_it_is_turned(self) -> None:
        turned = self.place(1.60, 1.60 / 2.25)
        assert turned is not None
        assert turned.tilt_deg is not None
        assert turned.worst_swr.value == pytest.approx(1.50)


class TestDistances:
    """Where no distance is given: too near the conductor, or farther than any power reaches."""

    F_HZ = 7.0e6

    def at(self, current_a: float) -> Distances:
        return distances(LoopModel(build()), self.F_HZ, Estimate.normal(current_a, 0.0))

    @pytest.mark.parametrize(("axis_m", "reported"), [(0.12, True), (0.08, False)])
    def test_nearer_than_a_tenth_of_a_metre(self, axis_m: float, reported: bool) -> None:
        # Where the field of one ampere is known, the current that brings it to the level is too.
        _, h = fields(LoopModel(build()), self.F_HZ, np.array([[0.0, axis_m, 0.0]]))
        current = 2.2 / 7.0 / float(np.linalg.norm(h))
        found = self.at(current).h_axis_m
        assert (found is not None) is reported

    @pytest.mark.parametrize(("wavelengths", "reported"), [(9.0, True), (11.0, False)])
    def test_farther_than_ten_wavelengths(self, wavelengths: float, reported: bool) -> None:
        # Far away in its plane a small loop has H = I A k^2/(4 pi r), any textbook.
        wavelength = 299.792458 / 7.0
        k, area = 2 * math.pi / wavelength, 3.2**2 / (4 * math.pi)
        current = 2.2 / 7.0 * 4 * math.pi * wavelengths * wavelength / (area * k**2)
        found = self.at(current).h_plane_m
        assert (found is not None) is reported
        if found is not None:
            assert found.value == pytest.approx(wavelengths * wavelength, rel=0.08)


class TestAssumptions:
    """What is assumed where nothing is described: common practice, reported to the person."""

    def test_of_a_joint(self) -> None:
        joint = assumed_joint(None)
        assert (joint.low, joint.value, joint.high) == (0.0005, 0.002, 0.010)

    def test_of_a_coupling_loop(self) -> None:
        geometry, (assumed,) = coupling_geometry(build())
        assert geometry.circumference_m == pytest.approx(3.2 / 5)
        assert assumed.evidence == {"feed.conductor_diameter_m": 0.006, "feed.offset_m": 0.025}

    def test_of_a_coupling_loop_next_to_a_thick_tube(self) -> None:
        thick = Build.from_toml(
            'name = "thick"\n[loop]\ncircumference = "3.2 m"\n[conductor]\ndiameter = "42 mm"\n'
        )
        geometry, _ = coupling_geometry(thick)
        # 15 mm clear of it.
        assert geometry.offset_m == pytest.approx(0.036)

    def test_of_losses(self) -> None:
        rest = '[[parts]]\nkind = "joint"\ncount = 2\n'
        braid = 'form = "braid"\ndiameter = "12 mm"\n'
        bare = 'name = "bare"\n[loop]\ncircumference = "3.2 m"\n[conductor]\n'
        ohms = loop_impedance(build(), 10e6)
        most = {
            item.key: item.upper_bound_ohm(ohms)
            for text in (bare + braid, bare + braid + rest)
            for item in undescribed_losses(Build.from_toml(text))
        }
        # At 10 MHz; opposite the gap the current is some 7 % larger than in it.
        assert most["capacitor.esr"] == pytest.approx(0.1)
        assert most["parts"] == pytest.approx(0.005)
        assert most["parts.joint.r"] == pytest.approx(0.05 * 1.07**2, rel=0.02)
        assert most["conductor.surface_factor"] == pytest.approx(ohms.r_conductor_ohm)
