"""The distance in the loop's plane is that of the worst direction, whichever way it points."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sweeplab.builds import Build
from sweeplab.estimate import Estimate
from sweeplab.loop import LoopModel
from sweeplab.planning.safety import Distances, distances, fields

F_HZ = 7.0e6
AMPERES = 30.0


@pytest.fixture(scope="module")
def wide() -> LoopModel:
    """Three times as wide as high: its field reaches farther to the sides than upward."""
    return LoopModel(Build.from_toml(
        'name = "x"\n[loop]\nshape = "rectangle"\nwidth = "2.4 m"\nheight = "0.8 m"\n'
        'gap = "30 mm"\n[conductor]\nform = "tube"\ndiameter = "22 mm"\n'
    ))  # fmt: skip


@pytest.fixture(scope="module")
def found(wide: LoopModel) -> Distances:
    return distances(wide, F_HZ, Estimate.normal(AMPERES, 0.6))


def reaches(model: LoopModel, which: int, level: float) -> np.ndarray:
    """How far E (0) or H (1) is at the level along rays in the plane, by bisection.

    Every 15 degrees from upward, through the gap, to downward; left and right are alike.
    """
    angle = math.pi * np.arange(13) / 12
    ray = np.stack([np.sin(angle), 0 * angle, np.cos(angle)], axis=1)
    near, far = np.full(13, 1.3), np.full(13, 30.0)
    for _ in range(25):
        middle = np.sqrt(near * far)
        field = fields(model, F_HZ, middle[:, None] * ray, AMPERES)[which]
        above = np.linalg.norm(field, axis=1) >= level
        near, far = np.where(above, middle, near), np.where(above, far, middle)
    return near


@pytest.mark.parametrize("which", ["e", "h"])
def test_is_the_farthest_of_all_directions(wide: LoopModel, found: Distances, which: str) -> None:
    plane = found.e_plane_m if which == "e" else found.h_plane_m
    level = found.e_level_v_per_m if which == "e" else found.h_level_a_per_m
    assert plane is not None
    reached = reaches(wide, 0 if which == "e" else 1, level)
    assert reached.max() / reached[0] > 1.05, "no direction stands out: the case is too even"
    # The search has eight directions, 45 degrees apart: it may miss the worst by a little.
    assert 0.98 * reached.max() < plane.value < 1.005 * reached.max()


def test_its_uncertainty_is_the_fields_over_how_steeply_it_falls(
    wide: LoopModel, found: Distances
) -> None:
    # d(ln r) = d(ln field)/slope. A field known to 8 % (H) or 20 % (E), a current to 2 %.
    for along, level_u in ((found.h_axis_m, 0.08), (found.e_axis_m, 0.20)):
        assert along is not None
        r = along.value * np.array([0.99, 1.01])
        e, h = fields(wide, F_HZ, np.stack([0 * r, r, 0 * r], axis=1), AMPERES)
        size = np.linalg.norm(h if level_u == 0.08 else e, axis=1)
        slope = math.log(size[0] / size[1]) / math.log(r[1] / r[0])
        relative = math.hypot(level_u, 0.02) / slope
        assert along.u / along.value == pytest.approx(relative, rel=0.05)
        stretch = math.exp(1.959964 * along.u / along.value)
        assert along.high / along.value == pytest.approx(stretch, rel=1e-6)
        assert along.value / along.low == pytest.approx(stretch, rel=1e-6)
