"""The figures of a build's repeats pooled, for the report's tables and budgets."""

from __future__ import annotations

from collections.abc import Sequence

from sweeplab.comparison.metrics import repeats
from sweeplab.comparison.repeatability import Repeats, Scatter, moderated_scatter, weighted_mean
from sweeplab.estimate import Estimate
from sweeplab.record import Record

# Figures that may be zero or negative; the intervals of the others are positive.
_ANY_SIGN = {"r_loss_ohm", "r_ground_ohm", "r_remainder_ohm", "efficiency_db", "gain_dbi"}


def column_name(band: str, setting: str | None) -> str:
    """Return what sweeps are grouped by: band, and setting where there is one."""
    return f"{band}, {setting}" if setting else band


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
            columns.setdefault(column_name(record.band, record.setting), []).append(record)
    figures: dict[str, dict[str, Estimate]] = {column: {} for column in columns}
    for name in dict.fromkeys(name for record in records for name in record.figures):
        groups = {column: repeats(name, members) for column, members in columns.items()}
        known = {column: group for column, group in groups.items() if group is not None}
        scatters = moderated_scatter({column: [group] for column, group in known.items()})
        for column, group in known.items():
            figures[column][name] = _estimate(name, group, scatters[column])
    return figures


def _estimate(name: str, group: Repeats, scatter: Scatter | None) -> Estimate:
    """Return a figure's mean over repeats; exact where no repeat has an uncertainty."""
    mean = weighted_mean(group, scatter)
    if not group.noise.any() and not any(any(shares.values()) for shares in group.shares):
        return Estimate.normal(mean.value, 0.0)
    make = Estimate.normal if name in _ANY_SIGN else Estimate.lognormal
    return make(mean.value, mean.u, mean.dof_of_u)
