"""Hand-made builds and readings for the log's tests: what the log asks of them and no more."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from sweeplab.estimate import Estimate
from sweeplab.log import Added, Log
from sweeplab.sweep import Origin, Sweep

if TYPE_CHECKING:
    from sweeplab.builds import Build
    from sweeplab.reading import Reading

TOML = """name = "{name}"

[loop]
shape = "circle"
circumference = "3.20 m ± 1 cm"

[conductor]
form = "tube"
diameter = "12 mm"
material = "copper"
"""


@dataclass(frozen=True)
class HandMadeBuild:
    """A name and a text."""

    name: str

    def to_toml(self) -> str:
        return TOML.format(name=self.name)


@dataclass(frozen=True)
class HandMadeReading:
    """Figures by hand."""

    band: str = "40m"
    status: str = "ok"
    values: Mapping[str, Estimate] = field(
        default_factory=lambda: {"q_unloaded": Estimate.normal(412.0, 3.0)}
    )
    unforeseen: None = None

    def figures(self) -> Mapping[str, Estimate]:
        return self.values

    def shares(self) -> dict[str, dict[str, float]]:
        return {name: {"fit": figure.u} for name, figure in self.values.items()}

    def to_json(self) -> dict[str, Any]:
        return {"status": self.status, "findings": []}


def a_build(name: str = "quay-1") -> Build:
    return cast("Build", HandMadeBuild(name))


def a_real_build(name: str = "quay-1") -> Build:
    from sweeplab.builds import Build

    return Build.from_toml(TOML.format(name=name))


def a_reading(**changed: Any) -> Reading:
    return cast("Reading", HandMadeReading(**changed))


def raw_bytes(number: int) -> bytes:
    return f"! sweep {number}\n# HZ S RI R 50\n7.0e6 0.5 0.1\n7.1e6 0.4 -0.1\n".encode()


def a_sweep(number: int = 1, taken: str | None = "2024-05-01T10:00:00Z") -> Sweep:
    sha256 = hashlib.sha256(raw_bytes(number)).hexdigest()
    origin = Origin(file=f"sweep-{number}.s1p", sha256=sha256, taken=taken)
    return Sweep([7.0e6, 7.1e6], [0.5 + 0.1j, 0.4 - 0.1j], origin=origin)  # type: ignore[arg-type]


def add(log: Log, number: int = 1, build: str = "quay-1", **changed: Any) -> Added:
    return log.add(a_sweep(number), raw_bytes(number), a_reading(**changed), build)


def new_log(path: Path) -> Log:
    log = Log.open(path, create=True)
    log.add_build(a_build())
    return log
