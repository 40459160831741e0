"""What two heights of one build say, as findings of their comparison."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from sweeplab.comparison.heights import (
    GroundSeparation,
    HeightResult,
    HeightSweeps,
    separate_ground,
)
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
    """Return what two builds tell that differ in nothing but `site.height`.

    Parameters
    ----------
    before, after : sequence of Record
    changes : sequence of Change
        What differs in the descriptions.

    Returns
    -------
    list of Finding
        One or two a band and setting; none where anything else differs, or a height is not said.
    """
    if len(changes) != 1 or changes[0].key != _HEIGHT:
        return []
    told = (changes[0].before, changes[0].after)
    stands = [
        HeightSweeps(parse_quantity(text, "length"), records)
        for text, records in zip(told, (before, after), strict=True)
        if text is not None
    ]
    return [finding for heights in separate_ground(stands) for finding in _findings(heights)]


def _findings(heights: GroundSeparation) -> list[Finding]:
    if heights.ground_factor is None:
        return [_difference(heights)]
    if heights.r_loss_ohm is None:
        return [_not_separated(heights, heights.ground_factor)]
    findings = [_separated(heights, heights.r_loss_ohm, heights.ground_factor)]
    if not heights.as_described:
        findings.append(_other_ground(heights, heights.ground_factor))
    return findings


def _difference(heights: GroundSeparation) -> Finding:
    difference, low, high = heights.ground_difference_ohm, heights.at[0], heights.at[-1]
    return Finding(
        code="heights-ground-difference",
        level="note",
        text=f"{_where(heights)}: at {_metres(low)} the ground draws {_ohms(difference)} more than "
        f"at {_metres(high)}; how much it draws in all is not known without a described ground",
        evidence=_evidence(heights),
        action="write site.ground in both builds; two heights then part it from the loss",
    )


def _not_separated(heights: GroundSeparation, factor: Estimate) -> Finding:
    return Finding(
        code="heights-too-alike",
        level="note",
        text=f"{_where(heights)}: {_heights(heights)} are too alike to part the ground from the "
        f"loss: the ground may draw {factor.low:.2g} to {factor.high:.2g} times what is described",
        evidence=_evidence(heights),
        action=_next(heights),
    )


def _separated(heights: GroundSeparation, loss: Estimate, factor: Estimate) -> Finding:
    low, high = heights.at[0], heights.at[-1]
    drawn = " and ".join(
        f"{_ohms(at.r_ground_ohm)} at {_metres(at)}" for at in (low, high) if at.r_ground_ohm
    )
    return Finding(
        code="heights-part-ground",
        level="note",
        text=f"{_where(heights)}: {_heights(heights)} part the ground from the loss: "
        f"{_ohms(loss)} are the loop's own, the ground draws {drawn}, "
        f"{factor.value:.2f} ± {factor.u:.2f} times what is described"
        f"{_efficiencies(low, high)}",
        evidence=_evidence(heights),
        action=_next(heights),
    )


def _other_ground(heights: GroundSeparation, factor: Estimate) -> Finding:
    more = "more" if factor.value > 1 else "less"
    return Finding(
        code="ground-not-as-described",
        level="warning",
        text=f"{_where(heights)}: the ground, or what else changes with height, draws {more} than "
        "the described ground can: efficiency over ground is left out",
        evidence={
            "ground_factor": factor.value,
            "u_ground_factor": factor.u,
            "u_ground_factor_described": heights.u_ground_factor_described or 0.0,
        },
        action="check both heights, site.ground, and what metal or wood came nearer",
    )


def _efficiencies(low: HeightResult, high: HeightResult) -> str:
    if low.efficiency is None:
        return ""
    # The same loop in free space: where it hung is all that differs.
    words = f"; efficiency {_per_cent(low.efficiency)} without the ground"
    if low.efficiency_over_ground is None or high.efficiency_over_ground is None:
        return words
    return (
        f"{words}, over it {_per_cent(low.efficiency_over_ground)} at {_metres(low)}, "
        f"{_per_cent(high.efficiency_over_ground)} at {_metres(high)}"
    )


def _next(heights: GroundSeparation) -> str:
    if heights.next_height_m is None or heights.u_r_loss_then_ohm is None:
        return ""
    height = format_quantity(heights.next_height_m, "m", digits=2)
    then = format_quantity(heights.u_r_loss_then_ohm, "ohm", digits=2)
    return (
        f"sweep at {height} next, the loss is then known to about ± {then}; stay a tenth of the "
        "circumference above ground"
    )


def _evidence(heights: GroundSeparation) -> dict[str, float | str]:
    """Return the figures of one band and setting, the height in the key where they go with it."""
    evidence: dict[str, float | str] = {"band": heights.band, "f_hz": heights.f_hz}
    if heights.setting is not None:
        evidence["setting"] = heights.setting
    for name in ("ground_difference_ohm", "ground_factor", "r_loss_ohm", "r_remainder_ohm"):
        _put(evidence, name, getattr(heights, name))
    for name in ("u_ground_factor_described", "next_height_m", "u_r_loss_then_ohm"):
        number = getattr(heights, name)
        if number is not None:
            evidence[name] = number
    for at in heights.at:
        for name in ("r_ground_ohm", "efficiency", "efficiency_over_ground"):
            _put(evidence, f"{name}_at_{at.height_m:.4g}_m", getattr(at, name))
    return evidence


def _put(evidence: dict[str, float | str], name: str, estimate: Estimate | None) -> None:
    if estimate is not None:
        evidence |= {name: estimate.value, f"u_{name}": estimate.u}


def _where(heights: GroundSeparation) -> str:
    return heights.band if heights.setting is None else f"{heights.band}, {heights.setting}"


def _heights(heights: GroundSeparation) -> str:
    return " and ".join(_metres(at) for at in heights.at)


def _metres(at: HeightResult) -> str:
    return format_quantity(at.height_m, "m", digits=3)


def _ohms(estimate: Estimate) -> str:
    return format_quantity(estimate.value, "ohm", estimate.u)


def _per_cent(share: Estimate) -> str:
    return f"{100 * share.value:.3g} % ({100 * share.low:.3g} to {100 * share.high:.3g})"
