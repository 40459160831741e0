"""Studies of simulated sweeps whose truth the NEC-2 engine tells; see tests/data/nec/README.md."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from typing import Any
from zipfile import ZipFile

import numpy as np
from numpy.typing import NDArray
from simulated import NEC

from sweeplab import Build, Estimate, LossBudget, loss_budget
from sweeplab.files import sweep_from_bytes


@dataclass(frozen=True)
class Study:
    """Every case of a study: as described, what is inferred, and what the engine knows."""

    cases: tuple[dict[str, Any], ...]
    builds: tuple[Build, ...]
    budgets: tuple[LossBudget, ...]

    def estimates(self, name: str) -> list[Estimate]:
        """Return a figure of every budget; fails where one is missing."""
        found = [getattr(budget, name) for budget in self.budgets]
        missing = [case["name"] for case, e in zip(self.cases, found, strict=True) if e is None]
        assert not missing, f"no {name} in {missing}"
        return found

    def truth(self, name: str) -> NDArray[np.float64]:
        """Return a figure of the engine's, shape (cases,)."""
        return np.array([case["truth"][name] for case in self.cases])

    def errors(self, name: str) -> NDArray[np.float64]:
        """Return each case's relative error, unsigned, shape (cases,)."""
        values = np.array([estimate.value for estimate in self.estimates(name)])
        return np.asarray(np.abs(values / self.truth(name) - 1))

    def covered(self, name: str) -> float:
        """Return the share of 95 % intervals that hold the truth."""
        pairs = zip(self.estimates(name), self.truth(name), strict=True)
        return float(np.mean([e.low <= value <= e.high for e, value in pairs]))


@cache
def study(folder: str, step: int = 1) -> Study:
    """Return every `step`-th case of a folder of tests/data/nec, its budget inferred."""
    every: list[dict[str, Any]] = json.loads((NEC / folder / "cases.json").read_text("utf-8"))
    cases = every[::step]
    builds = tuple(Build.from_toml(case["build_toml"]) for case in cases)
    with ZipFile(NEC / folder / "sweeps.zip") as archive:
        sweeps = [sweep_from_bytes(archive.read(case["sweep"]), case["sweep"]) for case in cases]
    budgets = tuple(loss_budget(sweep, build) for sweep, build in zip(sweeps, builds, strict=True))
    return Study(tuple(cases), builds, budgets)
