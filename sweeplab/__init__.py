"""sweeplab: a measurement log for small transmitting loops.

Every public name is an attribute of this package and loads on first use, so that
``import sweeplab`` costs next to nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from sweeplab.version import __version__

if TYPE_CHECKING:
    from sweeplab.batch import analyze
    from sweeplab.builds import Build
    from sweeplab.errors import (
        BuildError,
        LogError,
        ModelError,
        OutputError,
        QuantityError,
        ReadError,
        SweepError,
        SweeplabError,
    )
    from sweeplab.estimate import Estimate
    from sweeplab.files import read_sweep, read_sweeps
    from sweeplab.finding import Finding
    from sweeplab.line import Line, deembed, embed
    from sweeplab.log import Log
    from sweeplab.loop import LoopModel
    from sweeplab.loss import LossBudget, loss_budget
    from sweeplab.resonance import (
        Circle,
        Match,
        Resonance,
        find_match,
        fit_many,
        fit_resonance,
        iter_fit,
    )
    from sweeplab.sweep import Origin, Sweep

_HOMES = {
    "analyze": "batch",
    "Build": "builds",
    "BuildError": "errors",
    "LogError": "errors",
    "ModelError": "errors",
    "OutputError": "errors",
    "QuantityError": "errors",
    "ReadError": "errors",
    "SweepError": "errors",
    "SweeplabError": "errors",
    "Estimate": "estimate",
    "read_sweep": "files",
    "read_sweeps": "files",
    "Finding": "finding",
    "Line": "line",
    "deembed": "line",
    "embed": "line",
    "Log": "log",
    "LoopModel": "loop",
    "LossBudget": "loss",
    "loss_budget": "loss",
    "Circle": "resonance",
    "Match": "resonance",
    "Resonance": "resonance",
    "find_match": "resonance",
    "fit_many": "resonance",
    "fit_resonance": "resonance",
    "iter_fit": "resonance",
    "Origin": "sweep",
    "Sweep": "sweep",
}

__all__ = [
    "Build",
    "BuildError",
    "Circle",
    "Estimate",
    "Finding",
    "Line",
    "Log",
    "LogError",
    "LoopModel",
    "LossBudget",
    "Match",
    "ModelError",
    "Origin",
    "OutputError",
    "QuantityError",
    "ReadError",
    "Resonance",
    "Sweep",
    "SweepError",
    "SweeplabError",
    "__version__",
    "analyze",
    "deembed",
    "embed",
    "find_match",
    "fit_many",
    "fit_resonance",
    "iter_fit",
    "loss_budget",
    "read_sweep",
    "read_sweeps",
]


def __getattr__(name: str) -> Any:
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'sweeplab' has no attribute {name!r}")
    value = getattr(import_module(f"sweeplab.{home}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
