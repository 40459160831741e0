"""A reading keeps the JSON contract, whatever the sweep is worth."""

from __future__ import annotations

import json
import math
from collections.abc import Callable

import numpy as np
import pytest
from simulated import Truth, white

from sweeplab import Build, BuildError, Sweep
from sweeplab.reading import take_reading

BUILD = """name = "porch-loop"
[loop]
circumference = "3.20 m ± 5 mm"
gap = "30 mm"
[conductor]
diameter = "12 mm"
[capacitor]
esr = "20 mohm"
[[settings]]
name = "low"
[[settings]]
name = "high"
esr = "40 mohm"
"""

SWEEP_KEYS = ["file", "sha256", "points", "f_start_hz", "f_stop_hz", "z0_ohm", "content", "status",
              "findings", "resonance", "match", "loss"]  # fmt: skip
RESONANCE_KEYS = {"f0_hz", "f_loaded_hz", "q_loaded", "q_unloaded", "q_unloaded_other",
                  "coupling_factor", "coupling", "half_power_bandwidth_hz", "residual_rms",
                  "points_in_bandwidth"}  # fmt: skip
MATCH_KEYS = {"swr_min", "f_swr_min_hz", "impedance_ohm", "swr_bandwidth_hz"}
LOSS_KEYS = {"x_eff_ohm", "r_total_ohm", "r_radiation_ohm", "r_loss_ohm", "r_ground_ohm",
             "r_conductor_ohm", "r_parts_ohm", "r_remainder_ohm", "efficiency", "efficiency_db",
             "efficiency_over_ground"}  # fmt: skip
ESTIMATE_KEYS = {"value", "u", "low", "high"}


def good(rng: np.random.Generator) -> Sweep:
    return Truth(noise=1e-3).sweep(rng)


def doubtful(rng: np.random.Generator) -> Sweep:
    return Truth(noise=0.3).sweep(rng)


def overcoupled(rng: np.random.Generator) -> Sweep:
    """A circle wider than any lossless coupling gives."""
    truth = Truth(coupling_factor=60, noise=1e-3)
    gamma = truth.reflection()
    return Sweep(truth.f_hz, 1.2 * gamma - 0.3 * np.exp(1j * truth.angle) + white(rng, 201, 1e-3))


def refused(rng: np.random.Generator) -> Sweep:
    return Sweep(np.linspace(7e6, 7.1e6, 101), 0.6 + white(rng, 101, 0.01))


def flat(rng: np.random.Generator) -> Sweep:
    return Sweep(np.linspace(7e6, 7.1e6, 101), np.ones(101, dtype=complex))


def missing(rng: np.random.Generator) -> Sweep:
    return Sweep(np.array([7e6]), np.array([complex(math.nan, math.nan)]))


def magnitude(rng: np.random.Generator) -> Sweep:
    truth = Truth()
    return Sweep(truth.f_hz, np.abs(truth.reflection()).astype(complex), content="magnitude")


KINDS = (good, doubtful, overcoupled, refused, flat, missing, magnitude)
Kind = Callable[[np.random.Generator], Sweep]


@pytest.fixture
def build() -> Build:
    return Build.from_toml(BUILD)


class TestTheContract:
    @pytest.mark.parametrize("with_build", [False, True])
    @pytest.mark.parametrize("kind", KINDS)
    def test_keys_and_types(self, kind: Kind, with_build: bool, build: Build) -> None:
        sweep = kind(np.random.default_rng(1))
        reading = take_reading(sweep, build if with_build else None, "low" if with_build else None)
        printed = json.loads(json.dumps(reading.to_json(), allow_nan=False))
        assert list(printed) == SWEEP_KEYS
        assert printed["status"] in ("ok", "doubtful", "refused")
        assert set(printed["match"]) >= MATCH_KEYS
        assert set(printed["match"]["swr_bandwidth_hz"]) == {"2", "3"}
        if printed["status"] == "refused" and reading.resonance.status == "refused":
            assert printed["resonance"] is None
            assert printed["loss"] is None
        else:
            assert set(printed["resonance"]) == RESONANCE_KEYS
            assert printed["resonance"]["coupling"] in ("under", "critical", "over", "unknown")
            self.assert_estimates(printed["resonance"])
        assert with_build or printed["loss"] is None
        if printed["loss"] is not None:
            assert set(printed["loss"]) == LOSS_KEYS | {"gain_dbi"}
            self.assert_estimates(printed["loss"])

    def assert_estimates(self, figures: dict[str, object]) -> None:
        for estimate in figures.values():
            if isinstance(estimate, dict):
                assert set(estimate) == ESTIMATE_KEYS
                assert estimate["low"] <= estimate["value"] <= estimate["high"]
                assert estimate["u"] >= 0

    @pytest.mark.parametrize(
        ("kind", "status"),
        [(good, "ok"), (doubtful, "doubtful"), (refused, "refused"), (flat, "refused"),
         (missing, "refused"), (magnitude, "doubtful")],
    )  # fmt: skip
    def test_status(self, kind: Kind, status: str) -> None:
        assert take_reading(kind(np.random.default_rng(1))).status == status


class TestFigures:
    def test_every_figure_has_shares_that_make_up_its_uncertainty(self, build: Build) -> None:
        reading = take_reading(good(np.random.default_rng(1)), build, "low")
        figures, shares = reading.figures(), reading.shares()
        assert set(figures) == set(shares)
        assert {"q_unloaded", "swr_min", "efficiency", "r_loss_ohm"} <= set(figures)
        for name, estimate in figures.items():
            assert math.hypot(*shares[name].values()) == pytest.approx(estimate.u, rel=1e-9)

    def test_swr_never_reaches_below_one(self) -> None:
        sweep = Truth(coupling_factor=1.0, noise=1e-2).sweep(np.random.default_rng(1))
        assert take_reading(sweep).figures()["swr_min"].low >= 1.0

    def test_a_refused_sweep_has_none(self) -> None:
        assert take_reading(refused(np.random.default_rng(1))).figures() == {}

    def test_the_worse_status_and_every_finding_once(self, build: Build) -> None:
        reading = take_reading(good(np.random.default_rng(1)), build, "low")
        assert reading.loss is not None
        severity = ["ok", "doubtful", "refused"].index
        assert severity(reading.status) == max(
            severity(reading.resonance.status), severity(reading.loss.status)
        )
        assert len(reading.findings) == len({(f.code, f.text) for f in reading.findings})

    def test_the_band_is_that_of_the_resonance_else_of_the_middle(self) -> None:
        assert take_reading(good(np.random.default_rng(1))).band == "40m"
        assert take_reading(refused(np.random.default_rng(1))).band == "40m"


class TestSettings:
    def test_a_setting_changes_what_it_names(self, build: Build) -> None:
        sweep = good(np.random.default_rng(1))
        losses = [take_reading(sweep, build, name).loss for name in ("low", "high")]
        parts = [loss.r_parts_ohm for loss in losses if loss is not None]
        assert parts[0] is not None
        assert parts[1] is not None
        assert parts[1].value == pytest.approx(2 * parts[0].value)

    def test_a_setting_that_is_not_there_is_an_error_that_names_those_that_are(
        self, build: Build
    ) -> None:
        with pytest.raises(BuildError, match="low"):
            take_reading(good(np.random.default_rng(1)), build, "middle")
