"""How a described loop of several turns becomes a path: its shape, and what the shape is worth."""

from __future__ import annotations

import json
import math
from itertools import product
from typing import Any

import numpy as np
import pytest
from loop_samples import model, nec_rows
from numpy.typing import NDArray
from simulated import NEC

from sweeplab import Build, LoopModel
from sweeplab.loop.path import Geometry, closed_path
from sweeplab.loop.thinwire import Path, ThinWire

SHAPES = ("circle", "square", "octagon", "rectangle")
CASES: list[dict[str, Any]] = json.loads((NEC / "truth_turns" / "cases.json").read_text("utf-8"))


def geometry(shape: str, turns: int, spacing_m: float = 0.05, leads_m: float = 0.05) -> Geometry:
    lengths = tuple(2.0 + 0.05 * n for n in range(turns))
    return Geometry(
        shape, lengths, 0.04, 0.004, aspect=0.5, turn_spacing_m=spacing_m, leads_m=leads_m
    )


def area_within(path: Path) -> float:
    """Return the area the path runs round in the loop's plane, every time round counted [m^2]."""
    x, _, z = path.nodes_m.T
    return float(abs(x @ np.roll(z, -1) - z @ np.roll(x, -1)) / 2)


def between(path: Path, one: NDArray[np.intp], other: NDArray[np.intp]) -> float:
    """Return the least distance between two runs of segments, by points along them [m]."""
    along = np.linspace(0, 1, 21)[None, :, None]
    points = [
        (path.nodes_m[i][:, None] + along * path.vectors_m[i][:, None]).reshape(-1, 3)
        for i in (one, other)
    ]
    return float(np.linalg.norm(points[0][:, None] - points[1][None], axis=2).min())


class TestPath:
    @pytest.mark.parametrize(("shape", "turns"), list(product(SHAPES, (1, 2, 3, 4))))
    def test_winds_every_turn_the_same_way(self, shape: str, turns: int) -> None:
        described = geometry(shape, turns, leads_m=0.0)
        lengths = np.array(described.turn_lengths_m)
        per_length2 = {
            "circle": 1 / (4 * math.pi),
            "square": 1 / 16,
            "octagon": 1 / (32 * math.tan(math.pi / 8)),
            "rectangle": 1 / 18,  # sides of 1/6 and 1/3
        }[shape]
        expected = float((lengths**2).sum() * per_length2)
        assert area_within(closed_path(described)) == pytest.approx(expected, rel=0.012)

    @pytest.mark.parametrize(("shape", "turns"), list(product(SHAPES, (1, 2, 3, 4))))
    def test_the_gap_is_as_long_as_described(self, shape: str, turns: int) -> None:
        path = closed_path(geometry(shape, turns))
        # A circle's nodes lie a little outside: up to a thousandth.
        assert path.lengths_m[path.in_gap].sum() == pytest.approx(0.04, rel=2e-3)

    @pytest.mark.parametrize("turns", [2, 3])
    def test_the_capacitors_leads_keep_clear_of_the_joint(self, turns: int) -> None:
        path = closed_path(geometry("square", turns, leads_m=0.05))
        gap = np.flatnonzero(path.in_gap)
        top = np.maximum(path.nodes_m[:, 2], path.nodes_m[:, 2] + path.vectors_m[:, 2])
        turns_and_joints = np.flatnonzero(top < path.nodes_m[gap, 2].min() - 0.03)
        assert between(path, gap, turns_and_joints) > 0.04

    def test_turns_lie_as_far_apart_as_described(self) -> None:
        path = closed_path(geometry("circle", 3, spacing_m=0.07))
        low = path.nodes_m[path.nodes_m[:, 2] < 0]
        assert sorted({round(float(y), 9) for y in low[:, 1]}) == [0.0, 0.07, 0.14]

    def test_a_rectangles_gap_sits_in_the_side_as_long_as_width(self) -> None:
        # Width the shorter of the two: the gap is in a short side.
        path = closed_path(geometry("rectangle", 1, leads_m=0.0))
        assert np.ptp(path.nodes_m[:, 0]) == pytest.approx(2.0 / 6)
        assert np.ptp(path.nodes_m[:, 2]) == pytest.approx(2.0 / 3)
        assert path.nodes_m[path.in_gap, 2] == pytest.approx(2.0 / 6)


class TestRectanglesOnEnd:
    # NEC-2 (PyNEC 2.3.4), lossless, perimeter pi m, radius 5 mm, gap one 36th in 7 segments in the
    # middle of a short side: reactance at the gap, far field over the square of its current.
    @pytest.mark.parametrize(
        ("width", "height", "f_hz", "x_ohm", "r_ohm"),
        [
            (math.pi / 6, math.pi / 3, 7.1e6, 119.276, 0.00310304),
            (math.pi / 6, math.pi / 3, 14.1e6, 250.677, 0.0565418),
            (math.pi / 6, math.pi / 3, 23.0e6, 471.893, 0.589600),
            (math.pi / 8, math.pi * 3 / 8, 7.1e6, 114.782, 0.00220299),
            (math.pi / 8, math.pi * 3 / 8, 14.1e6, 241.150, 0.0398185),
            (math.pi / 8, math.pi * 3 / 8, 23.0e6, 453.564, 0.407955),
        ],
    )
    def test_agree_with_the_engine(
        self, width: float, height: float, f_hz: float, x_ohm: float, r_ohm: float
    ) -> None:
        size = f'width = "{width} m"\nheight = "{height} m"'
        loop = model(f'shape = "rectangle"\n{size}\ngap = "{math.pi / 36} m"')
        solved = loop.currents(f_hz, lossless=True)
        assert solved.impedance_ohm.imag == pytest.approx(x_ohm, rel=0.002)
        assert solved.r_radiation_ohm == pytest.approx(r_ohm, rel=0.002)


class TestTheEnginesOwnPath:
    def test_brings_the_engines_far_field_and_nearly_its_reactance(self) -> None:
        # Its corners and 12 mm segments cost the engine half a per cent of reactance (README).
        entry = json.loads((NEC / "multiturn_paths.json").read_text("utf-8"))[0]
        nodes = np.array(entry["nodes_m"])
        in_gap = np.arange(len(nodes)) < entry["gap_segments"]
        solver = ThinWire(Path(nodes, in_gap, entry["conductor_radius_m"]))
        rows = [
            row
            for row in nec_rows("multiturn.csv")
            if int(row["turns"]) == entry["turns"]
            and float(row["turn_spacing_m"]) == entry["turn_spacing_m"]
        ]
        assert len(rows) == 5
        for row in rows:
            solved = solver.solve(float(row["f_hz"]))
            assert solved.r_radiation_ohm == pytest.approx(float(row["r_radiated_ohm"]), rel=1e-3)
            assert solved.impedance_ohm.imag == pytest.approx(
                float(row["x_lossless_ohm"]), rel=0.008
            )


class TestDescribedPath:
    @pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case['name']}-{case['way']}")
    def test_radiation_over_reactance_is_within_one_per_cent(self, case: dict[str, Any]) -> None:
        # What efficiency rests on: Rrad Q0/Xeff. Paths drawn apart from this one.
        loop, truth = LoopModel(Build.from_toml(case["build_toml"])), case["truth"]
        found = loop.radiation_resistance(truth["f0_hz"]) / loop.effective_reactance(truth["f0_hz"])
        # The engine's ohms at the port fall short of ohms and far field together: so does its
        # reactance, and Q is right.
        balance = truth["r_total_ohm"] / (truth["r_radiation_ohm"] + truth["r_loss_ohm"])
        expected = truth["r_radiation_ohm"] / truth["x_eff_ohm"] * balance
        assert found == pytest.approx(expected, rel=0.01)

    @pytest.mark.parametrize("leads", [5, 20, 40, 70])
    def test_leads_move_the_ohms_but_hardly_their_ratio(self, leads: float) -> None:
        def of(millimetres: float) -> tuple[float, float]:
            loop = model(
                'circumference = "2.2 m"\ngap = "40 mm"\nturns = 2\nturn_spacing = "40 mm"\n'
                f'leads = "{millimetres} mm"',
                'diameter = "6 mm"',
            )
            return loop.radiation_resistance(7.1e6), loop.effective_reactance(7.1e6)

        (r, x), (r_none, x_none) = of(leads), of(1)
        assert x > x_none
        assert r / x == pytest.approx(r_none / x_none, rel=1.5e-3)
