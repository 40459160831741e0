"""From a sweep and a build to where the ohms go."""

from sweeplab.loss.budget import loss_budget
from sweeplab.loss.result import FIGURES, LossBudget

__all__ = ["FIGURES", "LossBudget", "loss_budget"]
