"""From a sweep and a build to where the ohms go.

The budget brings the loop's model with it and loads on first use: a sweep read without a build
does not pay for it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sweeplab.loss.result import FIGURES, LossBudget

if TYPE_CHECKING:
    from sweeplab.loss.budget import loss_budget

__all__ = ["FIGURES", "LossBudget", "loss_budget"]


def __getattr__(name: str) -> Any:
    if name != "loss_budget":
        raise AttributeError(f"module 'sweeplab.loss' has no attribute {name!r}")
    from sweeplab.loss.budget import loss_budget

    globals()[name] = loss_budget
    return loss_budget
