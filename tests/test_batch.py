"""Many files in, one table out."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from simulated import Truth, white

from sweeplab import Build, Sweep, analyze, fit_resonance, read_sweep

RESONANCE_COLUMNS = ["f_loaded_hz", "q_loaded", "q_unloaded", "coupling_factor",
                     "half_power_bandwidth_hz"]  # fmt: skip
CONTRACT = ["file", "sha256", "status", "points", *RESONANCE_COLUMNS, "swr_min", "f_swr_min_hz",
            "residual_rms", "points_in_bandwidth", "findings"]  # fmt: skip
LOSS_COLUMNS = ["x_eff_ohm", "r_total_ohm", "r_radiation_ohm", "r_loss_ohm", "efficiency"]
BUILD = 'name = "a"\n[loop]\ncircumference = "3.2 m ± 5 mm"\n[conductor]\ndiameter = "12 mm"\n'


def written(path: Path, sweep: Sweep) -> Path:
    rows = zip(sweep.f_hz, sweep.gamma, strict=True)
    lines = [f"{f:.9g} {g.real:.9g} {g.imag:.9g}" for f, g in rows]
    path.write_text("# Hz S RI R 50\n" + "\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.fixture
def paths(tmp_path: Path) -> list[Path]:
    """Good, broken, good, noise alone, absent, good of another length."""
    rng = np.random.default_rng(1)
    broken = tmp_path / "broken.s1p"
    broken.write_text("# Hz S RI R 50\nnot a number\n", encoding="utf-8")
    noise = Sweep(np.linspace(7e6, 7.1e6, 101), 0.6 + white(rng, 101, 0.01))
    return [
        written(tmp_path / "z.s1p", Truth(noise=1e-3).sweep(rng)),
        broken,
        written(tmp_path / "a.s1p", Truth(noise=1e-3, q_loaded=150).sweep(rng)),
        written(tmp_path / "noise.s1p", noise),
        tmp_path / "absent.s1p",
        written(tmp_path / "m.s1p", Truth(noise=1e-3, points=151).sweep(rng)),
    ]


class TestTheTable:
    def test_has_the_contracts_columns_in_order(self, paths: list[Path]) -> None:
        columns = list(analyze(paths).columns)
        assert [name for name in columns if not name.startswith("u_")] == CONTRACT

    def test_every_estimate_has_its_standard_uncertainty(self, paths: list[Path]) -> None:
        columns = set(analyze(paths, Build.from_toml(BUILD)).columns)
        assert {f"u_{name}" for name in [*RESONANCE_COLUMNS, *LOSS_COLUMNS]} <= columns
        assert all(name.removeprefix("u_") in columns for name in columns if name.startswith("u_"))

    def test_with_a_build_the_losses_follow(self, paths: list[Path]) -> None:
        table = analyze(paths, Build.from_toml(BUILD))
        plain = [name for name in table.columns if not name.startswith("u_")]
        assert plain == [*CONTRACT, *LOSS_COLUMNS]
        good = table.loc[[0, 2, 5], LOSS_COLUMNS]
        assert bool((good > 0).all(axis=None))
        assert bool(table.loc[[1, 3, 4], LOSS_COLUMNS].isna().all(axis=None))

    def test_rows_stand_in_the_order_given(self, paths: list[Path]) -> None:
        assert list(analyze(paths)["file"]) == [str(path) for path in paths]

    def test_a_file_that_cannot_be_read_keeps_its_row(self, paths: list[Path]) -> None:
        table = analyze(paths)
        assert list(table["status"]) == ["ok", "failed", "ok", "refused", "failed", "ok"]
        for row, path in ((1, paths[1]), (4, paths[4])):
            message = str(table.loc[row, "findings"])
            assert str(path) in message
            assert "\n" not in message
            assert table["q_loaded"].isna()[row]

    def test_figures_are_those_of_one_at_a_time(self, paths: list[Path]) -> None:
        table = analyze(paths)
        for row in (0, 2, 5):
            fit = fit_resonance(read_sweep(paths[row]))
            for name in RESONANCE_COLUMNS:
                estimate = getattr(fit, name)
                assert table.loc[row, name] == pytest.approx(estimate.value, rel=1e-9)
                assert table.loc[row, f"u_{name}"] == pytest.approx(estimate.u, rel=1e-6)

    def test_figures_are_numbers_and_not_objects(self, paths: list[Path]) -> None:
        table = analyze(paths, Build.from_toml(BUILD))
        for name in [*RESONANCE_COLUMNS, *LOSS_COLUMNS, "swr_min", "residual_rms"]:
            assert pd.api.types.is_float_dtype(table[name])

    def test_no_files_give_an_empty_table_with_its_columns(self) -> None:
        table = analyze([])
        assert len(table) == 0
        assert "q_unloaded" in table.columns


class TestExecutors:
    def test_threads_give_the_same_table(self, paths: list[Path]) -> None:
        many = paths * 25
        with ThreadPoolExecutor(2) as pool:
            pd.testing.assert_frame_equal(analyze(many, executor=pool), analyze(many))

    @pytest.mark.slow
    def test_processes_give_the_same_table(self, paths: list[Path]) -> None:
        build = Build.from_toml(BUILD)
        with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
            table = analyze(paths, build, executor=pool)
        pd.testing.assert_frame_equal(table, analyze(paths, build))
