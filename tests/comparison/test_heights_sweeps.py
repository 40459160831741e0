"""Two heights of one loop, from files through a log to their comparison.

What the ground draws at each height is the NEC-2 engine's (tests/data/nec/ground.csv). The sweeps
are made by formula from sweeplab's own reactance and radiation resistance in free space: they hold
the way through to account, not the loop's model.
"""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from simulated import NEC, white

from sweeplab import Build
from sweeplab.builds import difference
from sweeplab.files import sweep_from_bytes
from sweeplab.finding import Finding
from sweeplab.log import Log
from sweeplab.loop import LoopModel
from sweeplab.reading import take_reading
from sweeplab.workflows.sweeps import compare_builds

F_HZ, AROUND_M, CENTRES_M = 14.1e6, 2.126, (1.382, 4.252)
# The table's relative permittivity of each.
SOILS = {"poor": 5.0, "average": 13.0, "good": 20.0}
# Joints and capacitor, in addition to the conductor [ohm].
EXTRA_OHM = 0.05
BUILD = f"""
name = "yard-low"
[loop]
circumference = "{AROUND_M} m ± 5 mm"
gap = "{AROUND_M / 36} m"
[conductor]
form = "rod"
diameter = "10 mm"
material = "copper"
[feed]
kind = "coupling-loop"
circumference = "0.45 m"
[site]
ground = "GROUND"
height = "{CENTRES_M[0] - AROUND_M / 2 / math.pi:.4f} m ± 2 cm"
gap_at = "top"
"""


def drawn(soil: str, centre_m: float) -> float:
    """Return what the engine says a ground makes of the power radiated in free space."""
    with (NEC / "ground.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            keys = ("f_hz", "circumference_m", "eps_r", "centre_height_m")
            place = [float(row[key]) for key in keys]
            if row["stand"] == "gap top" and place == [F_HZ, AROUND_M, SOILS[soil], centre_m]:
                return float(row["total_over_free"])
    raise AssertionError(f"no row for {soil} at {centre_m} m")


def file_of(model: LoopModel, ratio: float, rng: np.random.Generator) -> bytes:
    """Return a sweep as a Touchstone file: coupled critically, 1e-3 of noise."""
    radiation = model.radiation_resistance(F_HZ)
    loss = model.conductor_resistance(F_HZ) + EXTRA_OHM
    total = loss + ratio * radiation
    width = F_HZ * total / model.effective_reactance(F_HZ)
    f = np.linspace(F_HZ - 3 * width, F_HZ + 3 * width, 201)
    x = np.interp(f, f[[0, 100, -1]], model.impedance(f[[0, 100, -1]]).imag)
    z_main = ratio * radiation * (f / F_HZ) ** 4 + loss * np.sqrt(f / F_HZ)
    z_main = z_main + 1j * (x - x[100] * F_HZ / f)
    mutual_ohm = math.sqrt(50 * total) * f / F_HZ
    z = 0.02 + 30j * f / F_HZ + mutual_ohm**2 / z_main
    gamma = (z - 50) / (z + 50) + white(rng, 201, 0.001)
    rows = [f"{a:.1f} {b.real:.7f} {b.imag:.7f}" for a, b in zip(f, gamma, strict=True)]
    return "\n".join(["! invented for a test", "# Hz S RI R 50", *rows, ""]).encode()


def findings(folder: Path, described: str, true: str) -> dict[str, Finding]:
    """Return the findings of a comparison of two heights, three sweeps each, by code."""
    rng = np.random.default_rng(14)
    low = Build.from_toml(BUILD.replace("GROUND", described))
    model = LoopModel(low)
    with Log.open(folder / "yard.db", create=True) as log:
        log.add_build(low)
        height = f"{CENTRES_M[1] - AROUND_M / 2 / math.pi:.4f} m ± 2 cm"
        log.change("yard-low", "yard-high", {"site.height": height}, "lifted")
        for name, centre in zip(("yard-low", "yard-high"), CENTRES_M, strict=True):
            build = log.build(name)
            for n in range(3):
                raw = file_of(model, drawn(true, centre), rng)
                sweep = sweep_from_bytes(raw, f"{name}-{n}.s1p")
                log.add(sweep, raw, take_reading(sweep, build), build)
        assert [c.key for c in difference(low, log.build("yard-high"))] == ["site.height"]
        compared = compare_builds(log, "yard-low", "yard-high")
    return {finding.code: finding for finding in compared.findings}


def loss_ohm() -> float:
    model = LoopModel(Build.from_toml(BUILD.replace("GROUND", "average")))
    return model.conductor_resistance(F_HZ) + EXTRA_OHM


def number(finding: Finding, key: str) -> float:
    value = finding.evidence[key]
    assert isinstance(value, float)
    return value


class TestAGroundAsDescribed:
    @pytest.mark.parametrize("soil", SOILS)
    def test_is_separated_from_the_loss(self, tmp_path: Path, soil: str) -> None:
        separated = findings(tmp_path, soil, soil)["heights-part-ground"]
        loss, u = (number(separated, key) for key in ("r_loss_ohm", "u_r_loss_ohm"))
        assert loss == pytest.approx(loss_ohm(), abs=2 * u)
        assert loss == pytest.approx(loss_ohm(), rel=0.015)
        assert u < 0.01 * loss
        factor, u = (number(separated, key) for key in ("ground_factor", "u_ground_factor"))
        assert factor == pytest.approx(1.0, abs=2 * u)
        assert u < 0.1


class TestAnotherGroundThanDescribed:
    # The constants that people go by are off by a factor of two and more.
    @pytest.mark.parametrize(
        ("described", "true"),
        [("average", "good"), ("average", "poor"), ("good", "average"), ("poor", "average")],
    )
    def test_costs_the_loss_little(self, tmp_path: Path, described: str, true: str) -> None:
        separated = findings(tmp_path, described, true)["heights-part-ground"]
        loss, u = (number(separated, key) for key in ("r_loss_ohm", "u_r_loss_ohm"))
        assert loss == pytest.approx(loss_ohm(), abs=2 * u)
        assert loss == pytest.approx(loss_ohm(), rel=0.03)


class TestNoGroundDescribed:
    def test_leaves_what_it_draws_from_one_height_to_the_other(self, tmp_path: Path) -> None:
        finding = findings(tmp_path, "free", "average")["heights-ground-difference"]
        model = LoopModel(Build.from_toml(BUILD.replace("GROUND", "free")))
        low, high = (drawn("average", centre) for centre in CENTRES_M)
        truth = (low - high) * model.radiation_resistance(F_HZ)
        difference, u = (
            number(finding, key) for key in ("ground_difference_ohm", "u_ground_difference_ohm")
        )
        assert difference == pytest.approx(truth, abs=2 * u)
        assert difference == pytest.approx(truth, rel=0.03)
