"""Unexplained loss: Q0 and the coupling factor under its alternative interpretation."""

from __future__ import annotations

import math

from sweeplab.finding import Finding, Threshold
from sweeplab.resonance.result import Circle

# Standard uncertainties by which abs(Gd) differs from 1; share of Q0 that is worth a finding.
_LOSS_DEVIATIONS: Threshold = 2.0
_NOTABLE: Threshold = 0.003


def alternative_interpretation(circle: Circle) -> tuple[float, float] | None:
    """Return (Q0, beta) with the loss in the coupling, or with the circle not scaled by abs(Gd).

    The usual interpretation scales the whole locus by abs(Gd), as a lossy line does. For
    abs(Gd) < 1 the alternative is loss in the coupling loop, by the touching circle's diameter
    ``D = (1 - |SV|^2)/(1 - |SV| cos phi)``, ``Q0 = QL (1 + 1/(D/d - 1))`` (A. P. Gregory, NPL
    Report MAT 58, 2021; Kajfez & Hwan 1984). For abs(Gd) > 1 no loss explains it and the circle
    is taken as measured.

    Returns
    -------
    tuple of float, or None
        None where the alternative is impossible.
    """
    far, near = abs(circle.detuned), abs(circle.detuned + circle.drop)
    d = abs(circle.drop)
    touching = 2.0
    if far < 1:
        cosine = (far**2 + d**2 - near**2) / (2 * far * d)
        touching = (1 - far**2) / max(1 - far * cosine, 1e-12)
    if touching <= d:
        return None
    beta = d / (touching - d)
    return circle.q_loaded * (1 + beta), beta


def unexplained_loss(
    circle: Circle, u_detuned_magnitude: float, q_unloaded: float, line_described: bool
) -> tuple[float, float, Finding | None] | None:
    """Return the alternative (Q0, beta) where abs(Gd) differs from 1, and a finding if it matters.

    Parameters
    ----------
    circle : Circle
    u_detuned_magnitude : float
        Standard uncertainty of abs(Gd).
    q_unloaded : float
        Under the usual interpretation.
    line_described : bool
    """
    magnitude = abs(circle.detuned)
    if abs(magnitude - 1) <= _LOSS_DEVIATIONS * u_detuned_magnitude:
        return None
    other = alternative_interpretation(circle)
    if other is None:
        return None
    loss_db = -20 * math.log10(magnitude)
    if loss_db > 0:
        text = f"Off resonance {loss_db:.2f} dB are lost that nothing described accounts for"
        action = "Sweep the line open and shorted at its far end, or calibrate there" + (
            "." if line_described else ", or describe it under [feed.line]."
        )
    else:
        text = f"Off resonance the reflection reads {-loss_db:.2f} dB above all of it"
        action = "Calibrate the analyzer (open, short, load) and sweep again."
    q0, beta = other
    # A difference too small to notice widens the intervals but needs no finding.
    if abs(q0 / q_unloaded - 1) < _NOTABLE:
        return q0, beta, None
    return (
        q0,
        beta,
        Finding(
            code="unexplained-loss",
            level="note",
            text=(
                f"{text}; unloaded Q is {q_unloaded:.4g} if the line takes it, {q0:.4g} if not. "
                "The interval covers both."
            ),
            evidence={
                "detuned_reflection": magnitude,
                "u": u_detuned_magnitude,
                "q_unloaded_other_reading": q0,
            },
            action=action,
        ),
    )
