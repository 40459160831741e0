"""What the size of the reflection alone says of a resonance."""

from __future__ import annotations

from sweeplab.finding import Finding
from sweeplab.line import Line
from sweeplab.resonance.result import Resonance
from sweeplab.sweep import Sweep


def fit_magnitude(sweep: Sweep, line: Line | None = None) -> Resonance:
    """Fit a sweep of which only the reflection's size is known.

    Parameters
    ----------
    sweep : Sweep
        As measured; the phase of its reflections is not looked at.
    line : Line or None
        A described feed line, whose loss is taken out.
    """
    reason = Finding(
        "phase-unknown", "problem",
        "The file holds no signed phase, so a circle cannot be fitted.",
        {"content": sweep.content},
        "Save the sweep as Touchstone, or with real and imaginary part.",
    )  # fmt: skip
    return Resonance("refused", (reason,), line=line)
