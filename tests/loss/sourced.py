"""Small loops described with every uncertainty, and circles as sweeps, for the budgets' tests."""

from __future__ import annotations

from functools import cache

import numpy as np
from simulated import Truth

from sweeplab import Build, LossBudget, Resonance, fit_resonance, loss_budget
from sweeplab.sweep import Sweep

F_HZ = 7.1e6


@cache
def swept(f_loaded_hz: float = F_HZ) -> tuple[Sweep, Resonance]:
    """One under-coupled circle with noise, and its fit: the same for every description."""
    sweep = Truth(f_loaded_hz=f_loaded_hz, noise=1e-3).sweep(np.random.default_rng(2))
    return sweep, fit_resonance(sweep)


@cache
def budget(toml: str, f_loaded_hz: float = F_HZ) -> LossBudget:
    """The budget of the circle with a build of these lines."""
    sweep, resonance = swept(f_loaded_hz)
    made = loss_budget(sweep, Build.from_toml(f'name = "x"\n{toml}'), resonance=resonance)
    assert made.efficiency is not None, made.findings
    return made


def described(
    loop: str, conductor: str = 'diameter = "20 mm"', rest: str = "", gap: str = 'gap = "20 mm"\n'
) -> str:
    """Lines of a description."""
    return "\n".join(("[loop]", loop, f"{gap}[conductor]", conductor, rest))
