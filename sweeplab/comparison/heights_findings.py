"""Ground and loop separated by two heights of one build, as findings of their comparison."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from sweeplab.comparison.heights import (
    GroundSeparation,
    HeightResult,
    HeightSweeps,
    separate_ground,
)
from sweeplab.comparison.pooling import column_name
from sweeplab.estimate import Estimate
from sweeplab.finding import Finding
from sweeplab.quantity import format_quantity, parse_quantity
from sweeplab.record import Record

if TYPE_CHECKING:
    from sweeplab.builds.diff import Change

_HEIGHT = "site.height"


def height_findings(
    before: Sequence[Record], after: Sequence[Record], changes: Sequence[Change]
) -> list[Finding]:
    """Return the findings of two builds that differ in nothing but `site.height`.

    Parameters
    ----------
    before, after : sequence of Record
    changes : sequence of Change
        What differs in the descriptions.

    Returns
    -------
    list of Finding
        One or two a band and setting; none where anything else differs, or a height is not given.
    """
    if len(changes) != 1 or changes[0].key != _HEIGHT:
        return []
    texts = (changes[0].before, changes[0].after)
    sweeps = [
        HeightSweeps(parse_quantity(text, "length"), records)
        for text, records in zip(texts, (before, after), strict=True)
        if text is not None
    ]
    return [finding for separation in separate_ground(sweeps) for finding in _findings(separation)]


def _findings(separation: GroundSeparation) -> list[Finding]:
    if separation.ground_factor is None:
        return [_difference(separation)]
    if separation.r_loss_ohm is None:
        return [_not_separated(separation, separation.ground_factor)]
    findings = [_separated(separation, separation.r_loss_ohm, separation.ground_factor)]
    if not separation.as_described:
        findings.append(_other_ground(separation, separation.ground_factor))
    return findings


def _difference(separation: GroundSeparation) -> Finding:
    difference, low, high = (
        separation.ground_difference_ohm,
        separation.heights[0],
        separation.heights[-1],
    )
    return Finding(
        code="heights-ground-difference",
        level="note",
        text=f"{_column(separation)}: at {_metres(low)} the ground draws {_ohms(difference)} more "
        "than "
        f"at {_metres(high)}; how much it draws in all is not known without a described ground",
        evidence=_evidence(separation),
        action="write site.ground in both builds; two heights then part it from the loss",
    )


def _not_separated(separation: GroundSeparation, factor: Estimate) -> Finding:
    return Finding(
        code="heights-too-alike",
        level="note",
        text=f"{_column(separation)}: {_heights(separation)} are too alike to part the ground from "
        "the "
        f"loss: the ground may draw {factor.low:.2g} to {factor.high:.2g} times what is described",
        evidence=_evidence(separation),
        action=_next_height(separation),
    )


def _separated(separation: GroundSeparation, loss: Estimate, factor: Estimate) -> Finding:
    low, high = separation.heights[0], separation.heights[-1]
    drawn = " and ".join(
        f"{_ohms(at.r_ground_ohm)} at {_metres(at)}" for at in (low, high) if at.r_ground_ohm
    )
    return Finding(
        code="heights-part-ground",
        level="note",
        text=f"{_column(separation)}: {_heights(separation)} part the ground from the loss: "
        f"{_ohms(loss)} are the loop's own, the ground draws {drawn}, "
        f"{factor.value:.2f} ± {factor.u:.2f} times what is described"
        f"{_efficiencies(low, high)}",
        evidence=_evidence(separation),
        action=_next_height(separation),
    )


def _other_ground(separation: GroundSeparation, factor: Estimate) -> Finding:
    more = "more" if factor.value > 1 else "less"
    return Finding(
        code="ground-not-as-described",
        level="warning",
        text=f"{_column(separation)}: the ground, or what else changes with height, draws {more} "
        "than the described ground can: efficiency over ground is left out",
        evidence={
            "ground_factor": factor.value,
            "u_ground_factor": factor.u,
            "u_ground_factor_described": separation.u_ground_factor_described or 0.0,
        },
        action="check both heights, site.ground, and what metal or wood came nearer",
    )


def _efficiencies(low: HeightResult, high: HeightResult) -> str:
    if low.efficiency is None:
        return ""
    # The same loop in free space: only the height differs.
    words = f"; efficiency {_per_cent(low.efficiency)} without the ground"
    if low.efficiency_over_ground is None or high.efficiency_over_ground is None:
        return words
    return (
        f"{words}, over it {_per_cent(low.efficiency_over_ground)} at {_metres(low)}, "
        f"{_per_cent(high.efficiency_over_ground)} at {_metres(high)}"
    )


def _next_height(separation: GroundSeparation) -> str:
    if separation.next_height_m is None or separation.u_r_loss_then_ohm is None:
        return ""
    height = format_quantity(separation.next_height_m, "m", digits=2)
    then = format_quantity(separation.u_r_loss_then_ohm, "ohm", digits=2)
    return (
        f"sweep at {height} next, the loss is then known to about ± {then}; stay a tenth of the "
        "circumference above ground"
    )


def _evidence(separation: GroundSeparation) -> dict[str, float | str]:
    """Return the figures of one band and setting, the height in the key where they depend on it."""
    evidence: dict[str, float | str] = {"band": separation.band, "f_hz": separation.f_hz}
    if separation.setting is not None:
        evidence["setting"] = separation.setting
    for name in ("ground_difference_ohm", "ground_factor", "r_loss_ohm", "r_remainder_ohm"):
        _put(evidence, name, getattr(separation, name))
    for name in ("u_ground_factor_described", "next_height_m", "u_r_loss_then_ohm"):
        number = getattr(separation, name)
        if number is not None:
            evidence[name] = number
    for height in separation.heights:
        for name in ("r_ground_ohm", "efficiency", "efficiency_over_ground"):
            _put(evidence, f"{name}_at_{height.height_m:.4g}_m", getattr(height, name))
    return evidence


def _put(evidence: dict[str, float | str], name: str, estimate: Estimate | None) -> None:
    if estimate is not None:
        evidence |= {name: estimate.value, f"u_{name}": estimate.u}


def _column(separation: GroundSeparation) -> str:
    return column_name(separation.band, separation.setting)


def _heights(separation: GroundSeparation) -> str:
    return " and ".join(_metres(height) for height in separation.heights)


def _metres(height: HeightResult) -> str:
    return format_quantity(height.height_m, "m", digits=3)


def _ohms(estimate: Estimate) -> str:
    return format_quantity(estimate.value, "ohm", estimate.u)


def _per_cent(share: Estimate) -> str:
    return f"{100 * share.value:.3g} % ({100 * share.low:.3g} to {100 * share.high:.3g})"
