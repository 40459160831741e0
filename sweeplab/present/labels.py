"""Labels and texts of figures and verdicts, shared by terminal, plots and report."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sweeplab.quantity import format_quantity

if TYPE_CHECKING:
    from sweeplab.comparison.comparison import BandChange, Verdict
    from sweeplab.estimate import Estimate


@dataclass(frozen=True)
class Figure:
    """Label, unit and place of one figure.

    Parameters
    ----------
    label : str
        Its name for people.
    unit : str
        SI unit; '%' for a share shown in percent; '' for a plain number.
    depth : int
        Indentation in the loss budget, where items are parts of the item above.
    """

    label: str
    unit: str = ""
    depth: int = 0


FIGURES: dict[str, Figure] = {
    "f_loaded_hz": Figure("resonance", "Hz"),
    "f0_hz": Figure("resonance, unloaded", "Hz"),
    "q_loaded": Figure("Q, loaded"),
    "q_unloaded": Figure("Q, unloaded"),
    "q_unloaded_other": Figure("or Q, unloaded"),
    "coupling_factor": Figure("coupling factor"),
    "half_power_bandwidth_hz": Figure("half-power bandwidth", "Hz"),
    "swr_min": Figure("lowest SWR"),
    "efficiency": Figure("efficiency", "%"),
    "efficiency_db": Figure("efficiency, dB", "dB"),
    "efficiency_over_ground": Figure("efficiency over ground", "%"),
    "gain_dbi": Figure("gain, free space", "dBi"),
    "x_eff_ohm": Figure("effective reactance", "ohm"),
    "r_total_ohm": Figure("total resistance", "ohm"),
    "r_radiation_ohm": Figure("radiation", "ohm", 1),
    "r_ground_ohm": Figure("ground", "ohm", 1),
    "r_loss_ohm": Figure("loss", "ohm", 1),
    "r_conductor_ohm": Figure("conductor", "ohm", 2),
    "r_parts_ohm": Figure("known parts", "ohm", 2),
    "r_remainder_ohm": Figure("remainder", "ohm", 2),
}

COUPLINGS = {
    "under": "under-coupled",
    "critical": "critically coupled",
    "over": "over-coupled",
    "unknown": "under- or over-coupled: the data cannot say",
}

VERDICTS = {
    "up": "rose",
    "down": "fell",
    "same": "stayed the same",
    "unsure": "not settled",
}


def estimate_text(name: str, estimate: Estimate) -> str:
    """Return a figure with its unit and standard uncertainty, for people."""
    text = quantity_text(name, estimate.value, estimate.u)
    return text if estimate.u > 0 else f"{text} (exact)"


def short_text(name: str, value: float, u: float) -> str:
    """Return a plain figure, a percentage or decibels for a summary: one digit of uncertainty.

    At most three decimals; an uncertainty below that is shown as the last of them.
    """
    unit = FIGURES[name].unit
    scale = 100 if unit == "%" else 1
    if u <= 0:
        return quantity_text(name, value, digits=3)
    decimals = min(max(0, -math.floor(math.log10(scale * u))), 3)
    least = max(scale * u, 10.0**-decimals)
    return f"{scale * value:.{decimals}f} ± {least:.{decimals}f} {unit}".strip()


def value_text(name: str, estimate: Estimate) -> str:
    """Return a figure alone, to the digits its uncertainty leaves; for tables that show u apart."""
    return quantity_text(name, estimate.value, digits=_digits(estimate.value, estimate.u))


def interval_text(name: str, estimate: Estimate) -> str:
    """Return the ends of a figure's 95 % interval, to the digits its uncertainty leaves."""
    if estimate.u == 0 and estimate.low == estimate.high:
        return "taken as exact, as described"
    ends = [
        quantity_text(name, end, digits=_digits(end, estimate.u))
        if math.isfinite(end)
        else "no limit"
        for end in (estimate.low, estimate.high)
    ]
    return " to ".join(ends)


def quantity_text(name: str, value: float, u: float | None = None, *, digits: int = 4) -> str:
    """Return a value of the named figure, rounded sensibly, for people."""
    unit = FIGURES[name].unit if name in FIGURES else ""
    if unit == "%":
        return format_quantity(100 * value, "%", None if u is None else 100 * u, digits=digits)
    return format_quantity(value, unit, u, digits=digits)


@dataclass(frozen=True)
class KnownChange:
    """A figure that is known on both sides of a change."""

    name: str
    before: Estimate
    after: Estimate
    change: Estimate
    verdict: Verdict


def known_changes(band: BandChange) -> list[KnownChange]:
    """Return the figures of a band that are known on both sides."""
    return [
        KnownChange(name, figure.before, figure.after, figure.change, figure.verdict)
        for name, figure in band.figures.items()
        if figure.before is not None and figure.after is not None and figure.change is not None
    ]


def change_text(change: KnownChange) -> str:
    """Return the change of a figure; that of a share in percentage points."""
    text = estimate_text(change.name, change.change)
    return text.replace("%", "points") if FIGURES[change.name].unit == "%" else text


def change_sentence(band: str, change: KnownChange) -> str:
    """Return a sentence on the change of one figure on one band."""
    label = FIGURES[change.name].label
    by = change_text(change).replace("points", "percentage points")
    if change.verdict == "same":
        return f"{band}: {label} stayed the same (change {by})."
    if change.verdict == "unsure":
        return f"{band}: whether {label} changed is not settled (change {by})."
    before, after = value_text(change.name, change.before), value_text(change.name, change.after)
    return (
        f"{band}: {label} {VERDICTS[change.verdict]} from {before} to {after}, by {by.lstrip('-')}."
    )


def change_phrase(change: KnownChange) -> str:
    """Return a phrase on the change of one figure, without its band."""
    label = FIGURES[change.name].label
    if change.verdict in ("same", "unsure"):
        return f"{label} {VERDICTS[change.verdict]}"
    after, amount = value_text(change.name, change.after), change_text(change).lstrip("-")
    return f"{label} {VERDICTS[change.verdict]} by {amount} to {after}"


def count_text(count: int, what: str) -> str:
    """Return a count with its noun."""
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def _digits(value: float, u: float) -> int:
    """Return how many significant digits of `value` reach the second digit of `u`."""
    if value == 0 or u <= 0:
        return 4
    above = math.floor(math.log10(abs(value))) - math.floor(math.log10(u))
    return min(max(above + 2, 1), 12)
