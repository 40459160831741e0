"""The figures of a build's repeats taken together, for the report's tables and budgets."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from sweeplab.comparison.metrics import repeats
from sweeplab.comparison.repeatability import effective_dof, moderated_scatter, weighted_mean
from sweeplab.estimate import Estimate

if TYPE_CHECKING:
    from sweeplab.log.rows import StoredSweep
    from sweeplab.record import Record

# Figures that may be nought or less: the others keep their intervals above it.
_ANY_SIGN = {"r_loss_ohm", "r_ground_ohm", "r_remainder_ohm", "efficiency_db", "gain_dbi"}


def column_of(record: Record | StoredSweep) -> str:
    """Return what sweeps are gathered by: band, and setting where there is one."""
    return record.band + (f", {record.setting}" if record.setting else "")


def pooled_figures(records: Sequence[Record]) -> dict[str, dict[str, Estimate]]:
    """Return each figure of each band and setting: means over repeats, scatter included.

    Parameters
    ----------
    records : sequence of Record
        Of one build; those that do not count are left out.
    """
    columns: dict[str, list[Record]] = {}
    for record in records:
        if record.counts:
            columns.setdefault(column_of(record), []).append(record)
    taken: dict[str, dict[str, Estimate]] = {column: {} for column in columns}
    for name in {name for record in records for name in record.figures}:
        groups = {column: repeats(name, held) for column, held in columns.items()}
        known = {column: group for column, group in groups.items() if group is not None}
        scatters = moderated_scatter({column: [group] for column, group in known.items()})
        for column, group in known.items():
            side = weighted_mean(group, scatters[column])
            if not group.noise.any() and not any(any(s.values()) for s in group.shares):
                taken[column][name] = Estimate.normal(side.value, 0.0)
                continue
            u = math.hypot(side.u_repeat, *side.shares.values())
            dof = effective_dof(side.u_repeat, side.dof, u)
            make = Estimate.normal if name in _ANY_SIGN else Estimate.lognormal
            taken[column][name] = make(side.value, u, dof)
    return taken
