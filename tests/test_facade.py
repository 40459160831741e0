"""The front door: every public name, nothing loaded before it is asked for."""

from __future__ import annotations

import subprocess
import sys

import pytest

import sweeplab

# What DESIGN promises to hang on `sweeplab`.
CONTRACT = {"read_sweep", "read_sweeps", "fit_resonance", "find_match", "fit_many", "iter_fit",
            "Build", "LoopModel", "loss_budget", "Log", "analyze", "Sweep", "Resonance", "Match",
            "LossBudget", "Estimate", "Finding"}  # fmt: skip
SLOW = ("numpy", "scipy", "pandas", "skrf", "matplotlib", "typer", "rich", "jinja2")


def loaded_after(statement: str) -> set[str]:
    """Return the slow packages that a fresh interpreter has loaded after a statement."""
    code = f"import sys\n{statement}\nprint(*(n for n in {SLOW!r} if n in sys.modules))"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    return set(done.stdout.split())


class TestNames:
    @pytest.mark.parametrize("name", sweeplab.__all__)
    def test_every_public_name_loads(self, name: str) -> None:
        assert getattr(sweeplab, name) is not None

    def test_the_promised_names_are_public(self) -> None:
        assert set(sweeplab.__all__) >= CONTRACT

    def test_dir_shows_them(self) -> None:
        assert set(dir(sweeplab)) >= CONTRACT

    def test_a_name_that_is_not_there_says_so(self) -> None:
        with pytest.raises(AttributeError, match="no attribute 'fit_resonanse'"):
            sweeplab.fit_resonanse  # noqa: B018


class TestLoading:
    def test_the_package_alone_loads_nothing_slow(self) -> None:
        assert loaded_after("import sweeplab") == set()

    def test_fitting_loads_neither_tables_nor_plots(self) -> None:
        statement = (
            "import numpy as np, sweeplab\n"
            "f = np.linspace(7e6, 7.1e6, 101)\n"
            "t = f / 7.05e6 - 7.05e6 / f\n"
            "g = 1 - 0.8 / (1 + 300j * t)\n"
            "assert sweeplab.fit_resonance(sweeplab.Sweep(f, g)).status == 'ok'"
        )
        assert not loaded_after(statement) & {"pandas", "skrf", "matplotlib", "typer"}
