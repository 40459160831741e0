"""What a budget leaves open, and what cannot be right in it."""

from __future__ import annotations

from collections.abc import Mapping

from sweeplab.builds import Build
from sweeplab.estimate import Estimate
from sweeplab.finding import Finding, Threshold
from sweeplab.loop.model import gap_of
from sweeplab.loss.coupled_fit import CoupledFit

_SOURCE_TEXTS = {
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
    coupled: CoupledFit | None,
) -> list[Finding]:
    """Return the budget's own findings.

    Parameters
    ----------
    build : Build
    estimates, shares : mapping
        The budget's figures and their uncertainty by source.
    coupled : CoupledFit or None
        The second stage, where it ran.
    """
    return [
        *build.findings,
        *_unaccounted_loss(estimates),
        _dominant_uncertainty(shares["efficiency"]),
        *_free_space(build),
        *_coax(build),
        *_below_conductor_loss(estimates),
        *_gap(build),
        *_coupling(build, coupled),
    ]


def _gap(build: Build) -> list[Finding]:
    if build.loop.gap is not None:
        return []
    gap_m = gap_of(build)
    return [
        Finding(
            code="gap-not-described",
            level="note",
            text=f"The capacitor's gap is not described; {1000 * gap_m:.0f} mm is taken.",
            evidence={"gap_m": gap_m},
            action="Measure it and write loop.gap.",
        )
    ]


def _coupling(build: Build, coupled: CoupledFit | None) -> list[Finding]:
    """Return a finding where there is no second stage, or it does not fit the sweep."""
    if coupled is None:
        without, remedy = (
            ("Without [feed]", "Describe the coupling loop under [feed], and the line to it.")
            if build.feed is None
            else ("From this sweep", "Save complex data (Touchstone).")
        )
        return [
            Finding(
                code="coupling-not-described",
                level="note",
                text=f"{without} the coupling loop's reactance is not modelled: Q0 is that of the "
                "circle, good to about 2 %.",
                evidence={},
                action=remedy,
            )
        ]
    if coupled.inflation <= _MISFIT:
        return []
    return [
        Finding(
            code="model-misfit",
            level="warning",
            text="The loop's model misses the sweep by more than its noise; intervals are widened.",
            evidence={"residual_rms": coupled.residual_rms, "widened_by": coupled.inflation},
            action="Check the described line and loop; keep people and metal away during the "
            "sweep.",
        )
    ]


def _coax(build: Build) -> list[Finding]:
    if build.conductor.form != "coax":
        return []
    return [
        Finding(
            code="coax-shield",
            level="note",
            text="Of coax only the shield's outside counts: a centre tied to it carries next to "
            "nothing, "
            "and the braid may cost more than the smooth tube it is taken for.",
            evidence={},
            action="Write conductor.surface_factor where it is known; compare with a tube.",
        )
    ]


def _free_space(build: Build) -> list[Finding]:
    if build.site is not None and build.site.ground != "free":
        return []
    return [
        Finding(
            code="free-space",
            level="note",
            text="The loop is taken as in free space; near ground its ohms are counted as loss.",
            evidence={},
            action="Describe ground and height under [site], or compare sweeps at two heights.",
        )
    ]


def ground_unknown(why: str) -> Finding:
    """Return the finding for a site whose ground could not be taken out."""
    return Finding(
        code="ground-not-taken-out",
        level="warning",
        text=f"The ground's share stands in the loss, and efficiency reads low: {why}.",
        evidence={},
        action="Write site.height, the height of the loop's lowest point; or lift the loop.",
    )


def ambiguous_efficiency(under: float, over: float) -> Finding:
    """Return the finding for a sweep that does not tell the side of the match."""
    if 0 < over < 1:
        words = f"or {100 * over:.3g} % if over-coupled: the sweep does not tell which"
    else:
        words = "and over-coupled more would be radiated than goes in, which cannot be"
    return Finding(
        code="two-efficiencies",
        level="warning",
        text=f"Efficiency is {100 * under:.3g} % if the loop is under-coupled, {words}.",
        evidence={"efficiency_under": under, "efficiency_over": over},
        action="Save complex data (Touchstone); or sweep again with a slightly larger coupling "
        "loop: the "
        "dip gets deeper if it was under-coupled.",
    )


def ground_exceeds_total(figures: Mapping[str, float]) -> Finding:
    """Return the finding for a ground that would draw more than was measured."""
    return Finding(
        code="ground-overdrawn",
        level="problem",
        text="The ground described would draw more than all that was measured.",
        evidence={name: figures[name] for name in ("r_total_ohm", "r_ground_ohm")},
        action="Check site.height, site.ground and the loop's size in the build.",
    )


def smaller_than_physics(q_radiation: float, least_q: float) -> list[Finding]:
    """Return a finding where Q over efficiency is below what the loop's size allows."""
    if q_radiation >= least_q:
        return []
    return [
        Finding(
            code="below-size-limit",
            level="warning",
            text="Q over efficiency is below the least that an antenna of this size can have.",
            evidence={"q_over_efficiency": q_radiation, "least": least_q},
            action="Check the loop's size and turns in the build: no antenna does this.",
        )
    ]


def _unaccounted_loss(estimates: Mapping[str, Estimate]) -> list[Finding]:
    """Return a finding where a good part of the loss lies in nothing described."""
    loss, remainder = estimates["r_loss_ohm"], estimates["r_remainder_ohm"]
    if remainder.low <= 0 or remainder.value < _LARGE_REMAINDER * loss.value:
        return []
    share = remainder.value / loss.value
    return [
        Finding(
            code="unaccounted-loss",
            level="note",
            text=f"{100 * share:.0f} % of the loss ({1000 * remainder.value:.1f} mohm) is in "
            "nothing described: joints, contacts, capacitor, surroundings.",
            evidence={"r_remainder_ohm": remainder.value, "u": remainder.u, "share_of_loss": share},
            action="Braze, clean or bridge one joint or contact in the loop's path, and sweep "
            "again.",
        )
    ]


def _dominant_uncertainty(shares: Mapping[str, float]) -> Finding:
    total = sum(share**2 for share in shares.values())
    key = max(shares, key=lambda name: abs(shares[name]))
    part = shares[key] ** 2 / total if total > 0 else 0.0
    unknown = (f"the uncertainty of {key}", f"measure {key} more closely")
    source, action = _SOURCE_TEXTS.get(key, unknown)
    return Finding(
        code="dominant-uncertainty",
        level="note",
        text=f"Most of the efficiency's uncertainty ({100 * part:.0f} % of its variance) is "
        f"{source}.",
        evidence={"source": key, "share_of_variance": part},
        action=f"To know it better: {action}.",
    )


def _below_conductor_loss(estimates: Mapping[str, Estimate]) -> list[Finding]:
    """Return findings where the loss is below what the conductor alone must cost."""
    loss, conductor = estimates["r_loss_ohm"], estimates["r_conductor_ohm"]
    remainder = estimates["r_remainder_ohm"]
    causes = (
        "Check the loop's size, turns and conductor in the build; check that the sweep belongs to "
        "it; calibrate the analyzer."
    )
    if loss.high < conductor.low:
        return [
            Finding(
                code="better-than-conductor",
                level="warning",
                text="The loss found is below what the conductor alone must cost: something "
                "described or measured is off.",
                evidence={"r_loss_ohm": loss.value, "r_conductor_ohm": conductor.value},
                action=causes,
            )
        ]
    if remainder.high < 0:
        return [
            Finding(
                code="negative-remainder",
                level="warning",
                text="Conductor and described parts account for more loss than was found.",
                evidence={"r_remainder_ohm": remainder.value, "u": remainder.u},
                action="Check the stated resistances of parts and capacitor, and the loop's size.",
            )
        ]
    return []
