"""What a budget leaves open, and what cannot be right in it."""

from __future__ import annotations

from collections.abc import Mapping

from sweeplab.build import Build
from sweeplab.estimate import Estimate
from sweeplab.finding import Finding
from sweeplab.loop.model import gap_of
from sweeplab.loss.coupled import Coupled
from sweeplab.resonance import Resonance

_WORDS = {
    "fit": ("the sweep's noise", "take more points, or a quieter hour"),
    "loop.gap": ("the length of the capacitor's gap", "measure it and write loop.gap"),
    "model.radiation": ("the loop's model itself", "nothing a tape measure would mend"),
    "model.reactance": ("the loop's model itself", "nothing a tape measure would mend"),
}
_MISFIT = 3.0


def budget_findings(
    build: Build,
    estimates: Mapping[str, Estimate],
    shares: Mapping[str, Mapping[str, float]],
    coupled: Coupled | None,
    fit: Resonance,
) -> list[Finding]:
    """Return the budget's own findings.

    Parameters
    ----------
    build : Build
    estimates, shares : mapping
        The budget's figures and their uncertainty by source.
    coupled : Coupled or None
        The second stage, where it ran.
    fit : Resonance
    """
    findings = [*build.findings, _space(build), _dominant(shares["efficiency"])]
    findings += _too_good(estimates)
    if build.loop.gap is None:
        findings.append(Finding(
            "gap-not-described", "note",
            f"The capacitor's gap is not described; {1000 * gap_of(build):.0f} mm is taken.",
            {"gap_m": gap_of(build)}, "Measure it and write loop.gap.",
        ))  # fmt: skip
    if coupled is None:
        findings.append(Finding(
            "coupling-not-described", "note",
            "Without [feed] the coupling loop's reactance is not modelled: Q0 is that of the "
            "circle, good to about 2 %.",
            {}, "Describe the coupling loop under [feed], and the line to it.",
        ))  # fmt: skip
    elif coupled.inflation > _MISFIT:
        findings.append(Finding(
            "model-misfit", "warning",
            "The loop's model misses the sweep by more than its noise; intervals are widened.",
            {"residual_rms": coupled.residual_rms, "widened_by": coupled.inflation},
            "Check the described line and loop; keep people and metal away during the sweep.",
        ))  # fmt: skip
    return findings


def _space(build: Build) -> Finding:
    if build.site is None or build.site.ground == "free":
        return Finding(
            "free-space", "note",
            "The loop is taken as in free space; near ground its ohms are counted as loss.",
            {}, "Lift the loop, or compare sweeps at two heights.",
        )  # fmt: skip
    return Finding(
        "ground-not-taken-out", "warning",
        "The ground's share is not modelled: it stands in the loss, and efficiency reads low.",
        {"ground": str(build.site.ground)},
        "Compare sweeps at two heights; only the ground's ohms change.",
    )  # fmt: skip


def _dominant(shares: Mapping[str, float]) -> Finding:
    total = sum(share**2 for share in shares.values())
    key = max(shares, key=lambda name: abs(shares[name]))
    part = shares[key] ** 2 / total if total > 0 else 0.0
    words, action = _WORDS.get(key, (f"the uncertainty of {key}", f"measure {key} more closely"))
    return Finding(
        "dominant-uncertainty", "note",
        f"Most of the efficiency's uncertainty ({100 * part:.0f} % of its variance) is {words}.",
        {"source": key, "share_of_variance": part},
        f"To know it better: {action}.",
    )  # fmt: skip


def _too_good(estimates: Mapping[str, Estimate]) -> list[Finding]:
    """Return findings where the loss is below what the conductor alone must cost."""
    loss, conductor = estimates["r_loss_ohm"], estimates["r_conductor_ohm"]
    remainder = estimates["r_remainder_ohm"]
    causes = (
        "Check the loop's size, turns and conductor in the build; check that the sweep belongs to "
        "it; calibrate the analyzer."
    )
    if loss.high < conductor.low:
        return [Finding(
            "better-than-conductor", "warning",
            "The loss found is below what the conductor alone must cost: something described or "
            "measured is off.",
            {"r_loss_ohm": loss.value, "r_conductor_ohm": conductor.value}, causes,
        )]  # fmt: skip
    if remainder.high < 0:
        return [Finding(
            "negative-remainder", "warning",
            "Conductor and described parts account for more loss than was found.",
            {"r_remainder_ohm": remainder.value, "u": remainder.u},
            "Check the stated resistances of parts and capacitor, and the loop's size.",
        )]  # fmt: skip
    return []
