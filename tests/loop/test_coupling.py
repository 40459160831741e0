"""The coupling loop against full-wave answers and against what must hold."""

from __future__ import annotations

import csv
import json
import math
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from sweeplab.builds import Build
from sweeplab.errors import ModelError
from sweeplab.loop import LoopModel
from sweeplab.loop.coupling import (
    CouplingGeometry,
    coupling_factor,
    coupling_nodes,
    coupling_of,
)
from sweeplab.loop.inductance import coaxial_circles, mutual_inductance

REPOSITORY = Path(__file__).parents[2]
TRUTH = REPOSITORY / "tests" / "data" / "nec" / "truth" / "cases.json"
DEMO = REPOSITORY / "samples" / "demo"
FEED = CouplingGeometry(0.6, 0.003, 0.025)


def geometry(build: Build) -> CouplingGeometry:
    feed = build.feed
    assert feed is not None
    assert feed.circumference is not None
    assert feed.conductor_diameter is not None
    assert feed.offset is not None
    return CouplingGeometry(
        feed.circumference.value, feed.conductor_diameter.value / 2, feed.offset.value,
        feed.shape, feed.position,
    )  # fmt: skip


def ratios(step: int) -> np.ndarray:
    """Return predicted over full-wave coupling factor for every step-th truth case."""
    found = []
    for case in json.loads(TRUTH.read_text())[::step]:
        build, truth = Build.from_toml(case["build_toml"]), case["truth"]
        predicted = coupling_factor(
            LoopModel(build), geometry(build), truth["f0_hz"], truth["r_total_ohm"]
        )
        found.append(predicted / truth["coupling_factor"])
    return np.array(found)


@cache
def model(shape: str = "circle", more: str = "") -> LoopModel:
    return LoopModel(Build.from_toml(
        f'name = "x"\n[loop]\nshape = "{shape}"\ncircumference = "3.2 m"\ngap = "30 mm"\n{more}\n'
        '[conductor]\nform = "tube"\ndiameter = "12 mm"\n'
    ))  # fmt: skip


class TestAgainstFullWave:
    # The NEC-2 engine (PyNEC 2.3.4), main and coupling loop solved together: tests/data/nec.
    def test_every_fourth_truth_case_within_three_percent(self) -> None:
        off = np.abs(ratios(4) - 1)
        assert np.median(off) < 0.005
        assert off.max() < 0.03

    @pytest.mark.slow
    def test_all_truth_cases_within_three_percent(self) -> None:
        off = np.abs(ratios(1) - 1)
        assert np.median(off) < 0.005
        assert off.max() < 0.03

    @pytest.mark.parametrize("number", [1, 2, 3])
    def test_the_demos_antennas_within_two_percent(self, number: int) -> None:
        # samples/demo/truth.csv, from the same engine.
        rows = csv.DictReader((DEMO / "truth.csv").read_text().splitlines()[1:])
        mine = [row for row in rows if row["build"] == f"quay-{number}"][::4]
        build = Build.from_toml((DEMO / f"quay-{number}.toml").read_text())
        loop, feed = LoopModel(build), geometry(build)
        for row in mine:
            predicted = coupling_factor(loop, feed, float(row["f0_hz"]), float(row["r_total_ohm"]))
            assert predicted == pytest.approx(float(row["coupling_factor"]), rel=0.02)


class TestMutual:
    def test_the_static_limit_is_neumanns_integral_over_both_loops(self) -> None:
        # At a thousandth of a wavelength the current is the same all round.
        nodes = coupling_nodes(model(), FEED)
        angle = np.linspace(0, 2 * math.pi, 240, endpoint=False)
        radius = 3.2 / (2 * math.pi)
        main = np.stack([radius * np.sin(angle), 0 * angle, radius * np.cos(angle)], axis=1)
        expected = abs(mutual_inductance(main, nodes))
        assert coupling_of(model(), FEED, 1e5).m_h == pytest.approx(expected, rel=0.01)

    def test_a_small_loop_in_the_middle_is_in_the_centres_field(self) -> None:
        # Maxwell's coaxial form at no distance: a small coupling loop in the very middle.
        radius = 3.2 / (2 * math.pi)
        small = 0.02
        centred = CouplingGeometry(2 * math.pi * small, 0.001, radius - small)
        expected = coaxial_circles(radius, small, 0.0)
        assert coupling_of(model(), centred, 1e5).m_h == pytest.approx(expected, rel=0.01)

    def test_a_quarter_turn_decouples_in_the_middle(self) -> None:
        radius = 3.2 / (2 * math.pi)
        across = CouplingGeometry(0.1, 0.001, radius - 0.1 / (2 * math.pi), tilt_rad=math.pi / 2)
        flat = replace(across, tilt_rad=0.0)
        assert coupling_of(model(), across, 1e5).m_h < 1e-6 * coupling_of(model(), flat, 1e5).m_h

    def test_nearer_and_larger_couple_more(self) -> None:
        here = coupling_of(model(), FEED, 7e6).m_h
        assert coupling_of(model(), replace(FEED, offset_m=0.05), 7e6).m_h < here
        assert coupling_of(model(), replace(FEED, circumference_m=0.7), 7e6).m_h > here

    def test_the_current_is_smaller_near_the_gap(self) -> None:
        # The ends at the capacitor carry the least of a loop's current.
        side = replace(FEED, position=0.25)
        assert coupling_of(model(), side, 28e6).m_h < coupling_of(model(), FEED, 28e6).m_h

    @pytest.mark.parametrize("position", [0.25, 0.5, 0.75])
    def test_it_lies_inside_at_the_offset_it_was_given(self, position: float) -> None:
        nodes = coupling_nodes(model(), replace(FEED, position=position))
        out = np.linalg.norm(nodes, axis=1).max()
        # Corners of equal-area polygons stand up to 1 mm outside their circles.
        assert out == pytest.approx(3.2 / (2 * math.pi) - FEED.offset_m, abs=1.5e-3)

    def test_two_turns_link_about_twice_the_flux_of_one(self) -> None:
        two = model(more='turns = 2\nturn_spacing = "40 mm"')
        ratio = coupling_of(two, FEED, 1e5).m_h / coupling_of(model(), FEED, 1e5).m_h
        assert 1.6 < ratio < 2.0


def test_a_coupling_loop_that_does_not_fit_is_refused() -> None:
    with pytest.raises(ModelError, match="does not fit"):
        coupling_of(model(), replace(FEED, circumference_m=3.15), 7e6)
