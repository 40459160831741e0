"""What a plan leaves open, and what its bands run into."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from sweeplab.builds import Build
from sweeplab.finding import Finding, Threshold
from sweeplab.planning.band import undescribed_losses
from sweeplab.planning.cut_list import conductor_mass_kg
from sweeplab.planning.result import BandPlan
from sweeplab.planning.safety import voltage_finding
from sweeplab.quantity import format_quantity

# A knob that passes this share of the bandwidth in a degree is hard to set (common practice, no
# source).
_FAST: Threshold = 0.5


def plan_findings(build: Build, bands: Sequence[BandPlan], power_w: float | None) -> list[Finding]:
    """Return a plan's own findings.

    Parameters
    ----------
    build : Build
    bands : sequence of BandPlan
    power_w : float or None
        Where no power is given, an exceeded voltage rating is a note only.
    """
    found = [
        Finding(
            code="as-in-free-space",
            level="note",
            text="Expected as in free space; ground, people and metal nearby cost more.",
            evidence={},
            action="Measure it where it stands, and compare.",
        ),
        *_not_described(build),
        *(_missing(band) for band in bands if band.reachable is False or band.figures is None),
        *_no_mass(build),
    ]
    exceeded = _exceeded_voltage(build, bands)
    if exceeded is not None:
        found.append(exceeded if power_w is not None else replace(exceeded, level="note"))
    return found + _fast_knob(bands)


def _not_described(build: Build) -> list[Finding]:
    losses = undescribed_losses(build)
    if not losses:
        return []
    assumed = "; ".join(loss.assumption for loss in losses)
    return [
        Finding(
            code="not-described",
            level="note",
            text=f"Not described, so only the interval knows of it: {assumed} "
            "at 10 MHz (common practice, no source).",
            evidence={},
            action=f"Write {' and '.join(loss.key for loss in losses)} in its file where known.",
        )
    ]


def _no_mass(build: Build) -> list[Finding]:
    if conductor_mass_kg(build) is not None:
        return []
    return [
        Finding(
            code="no-mass",
            level="note",
            text="The conductor's mass is not known: section or metal missing.",
            evidence={},
            action="Write conductor.wall for a tube, thickness for a strip, and the material.",
        )
    ]


def _fast_knob(bands: Sequence[BandPlan]) -> list[Finding]:
    fast = [
        band.band
        for band in bands
        if band.figures is not None
        and band.tuning_hz_per_degree is not None
        and band.tuning_hz_per_degree > _FAST * band.figures.bandwidth_hz.value
    ]
    if not fast:
        return []
    return [
        Finding(
            code="knob-too-fast",
            level="note",
            text=f"One degree of the knob passes over half the bandwidth on {', '.join(fast)}.",
            evidence={},
            action="Gear the capacitor down, or add a small one beside it.",
        )
    ]


def _exceeded_voltage(build: Build, bands: Sequence[BandPlan]) -> Finding | None:
    """Return the finding on the rated voltage for the band with the highest."""
    stresses = [
        (band.at_power or band.figures.per_100w, band.band)
        for band in bands
        if band.figures is not None
    ]
    if not stresses:
        return None
    worst, band = max(stresses, key=lambda pair: pair[0].capacitor_v_peak.value)
    return voltage_finding(build, band, worst)


def _missing(band: BandPlan) -> Finding:
    if band.figures is None:
        return Finding(
            code="band-outside-model",
            level="warning",
            text=f"{band.band}: {band.why_not}.",
            evidence={},
            action="Plan a smaller loop for that band.",
        )
    needed = band.figures.c_required_f.value
    return Finding(
        code="band-not-reached",
        level="warning",
        text=f"{band.band} needs {format_quantity(needed, 'F', digits=3)}, beyond the capacitor.",
        evidence={"c_required_f": needed},
        action="Another capacitor or size; '--circumference' shows which.",
    )
