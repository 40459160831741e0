"""The 64 full-wave cases whose efficiency the far field tells; see tests/data/nec/README.md."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from typing import Any
from zipfile import ZipFile

from simulated import NEC

from sweeplab import Build, Sweep
from sweeplab.files import sweep_from_bytes


@dataclass(frozen=True)
class Case:
    """One antenna: its description, its sweep, and what the engine knows of it."""

    name: str
    toml: str
    sweep: Sweep
    truth: dict[str, float]
    esr_described: bool

    @property
    def build(self) -> Build:
        return Build.from_toml(self.toml)


@cache
def cases() -> tuple[Case, ...]:
    """Return every case, in order."""
    entries: list[dict[str, Any]] = json.loads((NEC / "truth" / "cases.json").read_text("utf-8"))
    with ZipFile(NEC / "truth" / "sweeps.zip") as archive:
        return tuple(
            Case(
                name=case["name"],
                toml=case["build_toml"],
                sweep=sweep_from_bytes(archive.read(case["sweep"]), case["sweep"]),
                truth=case["truth"],
                esr_described=case["esr_told"],
            )
            for case in entries
        )
