"""When heights part the ground from the loss, and which height is advised next: both sides."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest
from records import record
from simulated_heights import draw

from sweeplab.builds.diff import Change
from sweeplab.comparison.heights import GroundSeparation, HeightSweeps, separate_ground
from sweeplab.comparison.heights_findings import height_findings
from sweeplab.quantity import Quantity


class TestSeparation:
    """The described ground is a factor of 1, none a factor of 0."""

    @pytest.mark.parametrize(
        ("noise", "half", "code"),
        [(0.065, 0.90, "heights-part-ground"), (0.08, 1.10, "heights-too-alike")],
    )
    def test_needs_a_factor_known_better_than_to_one(
        self, noise: float, half: float, code: str
    ) -> None:
        by_height, _ = draw(np.random.default_rng(1), n=1, noise=noise)
        (found,) = separate_ground(by_height)
        factor = found.ground_factor
        assert factor is not None
        assert factor.high - factor.value == pytest.approx(half, abs=0.02)
        low, high = (of_height.records for of_height in by_height)
        findings = height_findings(low, high, [Change("site.height", "1.5 m", "4 m")])
        assert [finding.code for finding in findings][:1] == [code]


def at_heights(ground_ohm: Mapping[float, float], u_ohm: Mapping[float, float]) -> GroundSeparation:
    """Return what heights say of a loss of 0.05 ohm at 7.1 MHz, noise the only error."""
    by_height = []
    for height, drawn in ground_ohm.items():
        figures = {
            "f_loaded_hz": 7.1e6,
            "r_total_ohm": 0.06 + drawn,
            "r_radiation_ohm": 0.01,
            "r_ground_ohm": drawn,
            "r_loss_ohm": 0.05,
            "r_remainder_ohm": 0.02,
            "efficiency": 0.01 / 0.06,
            "efficiency_over_ground": 0.8 * 0.01 / (0.06 + drawn),
        }
        u = {**dict.fromkeys(figures, 0.0), "r_total_ohm": u_ohm[height]}
        by_height.append(HeightSweeps(Quantity(height), [record(figures, u=u)]))
    (found,) = separate_ground(by_height)
    return found


def u_of_the_loss(ground_ohm: list[float], u_ohm: list[float]) -> float:
    """Return the loss's standard uncertainty by least squares over heights (any textbook)."""
    design = np.stack([np.ones(len(ground_ohm)), ground_ohm], axis=1) / np.array(u_ohm)[:, None]
    return float(np.sqrt(np.linalg.inv(design.T @ design)[0, 0]))


class TestNextHeight:
    """Chosen as if the ground's share fell with the power of height that the two heights show."""

    @pytest.mark.parametrize(
        ("shown", "taken"), [(5.0, 3.0), (2.5, 2.5), (2.0, 2.0), (1.2, 1.2), (0.5, 1.0)]
    )
    def test_takes_no_fall_beyond_the_third_power_nor_below_the_first(
        self, shown: float, taken: float
    ) -> None:
        ground = [0.02, 0.02 * 3**-shown]
        found = at_heights({1.5: ground[0], 4.5: ground[1]}, {1.5: 1e-4, 4.5: 1e-4})
        choices = [(1.5 * t, ground[0] * t**-taken) for t in (0.5, 0.7, 1.0)]
        choices += [(4.5 * t, ground[1] * t**-taken) for t in (1.0, 1.5, 2.0)]
        u, height = min((u_of_the_loss([*ground, g], 3 * [1e-4]), h) for h, g in choices)
        assert found.next_height_m == pytest.approx(height)
        assert found.u_r_loss_then_ohm == pytest.approx(u, rel=1e-6)

    @pytest.mark.parametrize(("highest_m", "next_m"), [(5.2, 10.4), (5.4, 8.1)])
    def test_stays_below_a_quarter_wavelength(self, highest_m: float, next_m: float) -> None:
        # A quarter wavelength at 7.1 MHz is 10.56 m.
        heights = {1.5: 0.019, highest_m: 0.004}
        found = at_heights(heights, {1.5: 1e-3, highest_m: 1e-5})
        assert found.next_height_m == pytest.approx(next_m)
