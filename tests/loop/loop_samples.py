"""Builds for the loop's tests, and tables from the full-wave engine."""

from __future__ import annotations

import csv
from functools import cache

from simulated import NEC

from sweeplab import Build, LoopModel

C0_M_PER_S = 299_792_458.0


def build(loop: str, conductor: str = 'diameter = "10 mm"') -> Build:
    """Return a copper build with these lines of ``[loop]`` and ``[conductor]``."""
    return Build.from_toml(f'name = "test"\n[loop]\n{loop}\n[conductor]\n{conductor}\n')


@cache
def model(loop: str, conductor: str = 'diameter = "10 mm"') -> LoopModel:
    """Return the model of such a build."""
    return LoopModel(build(loop, conductor))


@cache
def nec_rows(name: str) -> list[dict[str, str]]:
    """Return the rows of one table; tests/data/nec/README.md says how they were computed."""
    with (NEC / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))
