"""Where the ohms go: from a sweep and a build to a loss budget and an efficiency."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from sweeplab.estimate import Estimate
from sweeplab.finding import Finding, Status

FIGURES = (
    "x_eff_ohm",
    "r_total_ohm",
    "r_radiation_ohm",
    "r_loss_ohm",
    "r_ground_ohm",
    "r_conductor_ohm",
    "r_parts_ohm",
    "r_remainder_ohm",
    "efficiency",
    "efficiency_db",
    "efficiency_over_ground",
    "gain_dbi",
)


@dataclass(frozen=True)
class LossBudget:
    """Where the ohms go, all referred to the current at the capacitor's gap.

    Attributes bear the JSON contract's names.

    Parameters
    ----------
    status : {'ok', 'doubtful', 'refused'}
    findings : tuple of Finding
        The resonance's and the budget's own.
    x_eff_ohm : Estimate or None
        Effective reactance: ``Q0 R_total``.
    r_total_ohm, r_radiation_ohm, r_loss_ohm, r_conductor_ohm, r_remainder_ohm : Estimate or None
    r_ground_ohm, r_parts_ohm : Estimate or None
        None where no site or no part of known resistance is described.
    efficiency, efficiency_db : Estimate or None
        Power radiated over power into the coupling loop, ground's share taken out.
    efficiency_over_ground : Estimate or None
    gain_dbi : Estimate or None
        Efficiency times the loop's directivity in free space.
    shares : mapping of str to mapping of str to float
        For each figure, what each source of uncertainty contributes to its standard uncertainty,
        signed: ``shares['efficiency']['loop.circumference']``. The source ``'fit'`` is the
        sweep's own noise; every other source is a quantity of the build, with one error wherever
        that quantity appears, so that it cancels between builds.
    """

    status: Status
    findings: tuple[Finding, ...] = ()
    x_eff_ohm: Estimate | None = None
    r_total_ohm: Estimate | None = None
    r_radiation_ohm: Estimate | None = None
    r_loss_ohm: Estimate | None = None
    r_ground_ohm: Estimate | None = None
    r_conductor_ohm: Estimate | None = None
    r_parts_ohm: Estimate | None = None
    r_remainder_ohm: Estimate | None = None
    efficiency: Estimate | None = None
    efficiency_db: Estimate | None = None
    efficiency_over_ground: Estimate | None = None
    gain_dbi: Estimate | None = None
    shares: Mapping[str, Mapping[str, float]] = field(default_factory=dict)

    def to_json(self) -> dict[str, Any] | None:
        """Return the figures as the JSON contract has them; None where refused."""
        if self.status == "refused" or self.r_total_ohm is None:
            return None
        budget: dict[str, Any] = {}
        for name in FIGURES:
            estimate: Estimate | None = getattr(self, name)
            budget[name] = None if estimate is None else estimate.to_json()
        return budget
