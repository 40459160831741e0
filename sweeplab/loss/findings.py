"""What a budget leaves open, and what cannot be right in it."""

from __future__ import annotations

from collections.abc import Mapping

from sweeplab.builds import Build
from sweeplab.estimate import Estimate
from sweeplab.finding import Finding, Threshold
from sweeplab.loop.model import gap_of
from sweeplab.loss.coupled_fit import Coupled

_WORDS = {
    "fit": ("the sweep's noise", "take more points, or a quieter hour"),
    "loop.gap": ("the length of the capacitor's gap", "measure it and write loop.gap"),
    "model.radiation": ("the loop's model itself", "nothing a tape measure would mend"),
    "model.reactance": ("the loop's model itself", "nothing a tape measure would mend"),
    "model.turns": ("how turns and leads are joined", "measure the leads and write loop.leads"),
    "model.ground": ("the ground's model so near to it", "lift the loop"),
    "site.ground.eps_r": ("the ground's constants", "compare sweeps at two heights"),
    "site.ground.sigma": ("the ground's constants", "compare sweeps at two heights"),
    "site.gap_at": ("which way up the loop stands", "write site.gap_at"),
}
_MISFIT: Threshold = 3.0
_LARGE_REMAINDER: Threshold = 0.15


def budget_findings(
    build: Build,
    estimates: Mapping[str, Estimate],
    shares: Mapping[str, Mapping[str, float]],
    coupled: Coupled | None,
) -> list[Finding]:
    """Return the budget's own findings.

    Parameters
    ----------
    build : Build
    estimates, shares : mapping
        The budget's figures and their uncertainty by source.
    coupled : Coupled or None
        The second stage, where it ran.
    """
    findings = [*build.findings, *_unaccounted(estimates), _dominant(shares["efficiency"])]
    findings += [*_space(build), *_coax(build)]
    findings += _too_good(estimates)
    if build.loop.gap is None:
        findings.append(Finding(
            "gap-not-described", "note",
            f"The capacitor's gap is not described; {1000 * gap_of(build):.0f} mm is taken.",
            {"gap_m": gap_of(build)}, "Measure it and write loop.gap.",
        ))  # fmt: skip
    if coupled is None:
        without, remedy = (
            ("Without [feed]", "Describe the coupling loop under [feed], and the line to it.")
            if build.feed is None
            else ("From this sweep", "Save complex data (Touchstone).")
        )
        findings.append(Finding(
            "coupling-not-described", "note",
            f"{without} the coupling loop's reactance is not modelled: Q0 is that of the "
            "circle, good to about 2 %.",
            {}, remedy,
        ))  # fmt: skip
    elif coupled.inflation > _MISFIT:
        findings.append(Finding(
            "model-misfit", "warning",
            "The loop's model misses the sweep by more than its noise; intervals are widened.",
            {"residual_rms": coupled.residual_rms, "widened_by": coupled.inflation},
            "Check the described line and loop; keep people and metal away during the sweep.",
        ))  # fmt: skip
    return findings


def _coax(build: Build) -> list[Finding]:
    if build.conductor.form != "coax":
        return []
    return [Finding(
        "coax-shield", "note",
        "Of coax only the shield's outside counts: a centre tied to it carries next to nothing, "
        "and the braid may cost more than the smooth tube it is taken for.",
        {}, "Write conductor.surface_factor where it is known; compare with a tube.",
    )]  # fmt: skip


def _space(build: Build) -> list[Finding]:
    if build.site is not None and build.site.ground != "free":
        return []
    return [Finding(
        "free-space", "note",
        "The loop is taken as in free space; near ground its ohms are counted as loss.",
        {}, "Describe ground and height under [site], or compare sweeps at two heights.",
    )]  # fmt: skip


def ground_unknown(why: str) -> Finding:
    """Return the finding for a site whose ground could not be taken out."""
    return Finding(
        "ground-not-taken-out", "warning",
        f"The ground's share stands in the loss, and efficiency reads low: {why}.",
        {}, "Write site.height, the height of the loop's lowest point; or lift the loop.",
    )  # fmt: skip


def two_efficiencies(under: float, over: float) -> Finding:
    """Return the finding for a sweep that does not tell the side of the match."""
    if 0 < over < 1:
        words = f"or {100 * over:.3g} % if over-coupled: the sweep does not tell which"
    else:
        words = "and over-coupled more would be radiated than goes in, which cannot be"
    return Finding(
        "two-efficiencies", "warning",
        f"Efficiency is {100 * under:.3g} % if the loop is under-coupled, {words}.",
        {"efficiency_under": under, "efficiency_over": over},
        "Save complex data (Touchstone); or sweep again with a slightly larger coupling loop: the "
        "dip gets deeper if it was under-coupled.",
    )  # fmt: skip


def overdrawn(figures: Mapping[str, float]) -> Finding:
    """Return the finding for a ground that would draw more than was measured."""
    return Finding(
        "ground-overdrawn", "problem",
        "The ground described would draw more than all that was measured.",
        {name: figures[name] for name in ("r_total_ohm", "r_ground_ohm")},
        "Check site.height, site.ground and the loop's size in the build.",
    )  # fmt: skip


def smaller_than_physics(q_radiation: float, least_q: float) -> list[Finding]:
    """Return a finding where Q over efficiency is below what the loop's size allows."""
    if q_radiation >= least_q:
        return []
    return [Finding(
        "below-size-limit", "warning",
        "Q over efficiency is below the least that an antenna of this size can have.",
        {"q_over_efficiency": q_radiation, "least": least_q},
        "Check the loop's size and turns in the build: no antenna does this.",
    )]  # fmt: skip


def _unaccounted(estimates: Mapping[str, Estimate]) -> list[Finding]:
    """Return a finding where a good part of the loss lies in nothing described."""
    loss, remainder = estimates["r_loss_ohm"], estimates["r_remainder_ohm"]
    if remainder.low <= 0 or remainder.value < _LARGE_REMAINDER * loss.value:
        return []
    share = remainder.value / loss.value
    return [Finding(
        "unaccounted-loss", "note",
        f"{100 * share:.0f} % of the loss ({1000 * remainder.value:.1f} mohm) is in nothing "
        "described: joints, contacts, capacitor, surroundings.",
        {"r_remainder_ohm": remainder.value, "u": remainder.u, "share_of_loss": share},
        "Braze, clean or bridge one joint or contact in the loop's path, and sweep again.",
    )]  # fmt: skip


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
