"""How far the loop's model may be from the loop, as relative standard uncertainties."""

from __future__ import annotations

import math
from dataclasses import dataclass

from sweeplab.builds import Build
from sweeplab.finding import Finding, Threshold
from sweeplab.loop import LoopModel

# From a converged full-wave solution: half of the largest difference met on 64 single turns up to
# 0.27 wavelengths of circumference.
_SINGLE_TURN = 0.001
# Where joints and leads of several turns run is not described: 0.35 % covers 16 full-wave cases of
# two turns with leads given; 1 % those with leads left out.
_TURNS = 0.004
_TURNS_WITHOUT_LEADS = 0.010
# They also move radiation resistance and reactance together, which efficiency does not show.
_TURNS_TOGETHER = 0.008
# Proximity effect by the plane solution against turns solved by their whole surface: within 6e-4 of
# the reactance from three radii on (-0.9 % of it at four, falling with the square).
_PROXIMITY = 0.01
# Insulation and spacers between close turns hold charge that nobody describes: they too move both
# together.
_SPACERS = 0.25
# X_eff over X grows towards the loop's own resonance, and with it what small errors do.
_NEAR_RESONANCE: Threshold = 2.0


@dataclass(frozen=True)
class ModelUncertainty:
    """Relative standard uncertainties of the loop's model.

    Parameters
    ----------
    radiation : float
        Of the radiation resistance alone.
    reactance, effective_reactance : float
        One error of the reactance alone, as it moves the reactance itself and the effective
        reactance.
    together : float
        One error that moves radiation resistance and both reactances alike.
    """

    radiation: float
    reactance: float
    effective_reactance: float
    together: float


def model_uncertainty(build: Build, model: LoopModel, f_hz: float) -> ModelUncertainty:
    """Return how far the model may be off at one frequency.

    Parameters
    ----------
    build : Build
        Whether its leads are described counts where there are several turns.
    model : LoopModel
        Of that build.
    f_hz : float
    """
    x_error, r_error = model.solver_error(f_hz)
    radiation, reactance = max(r_error, _SINGLE_TURN), max(x_error, _SINGLE_TURN)
    together, geometry = 0.0, model.geometry
    if len(geometry.turn_lengths_m) > 1:
        shape = _TURNS_WITHOUT_LEADS if build.loop.leads is None else _TURNS
        nearness = (geometry.radius_m / geometry.turn_spacing_m) ** 2
        radiation = math.hypot(radiation, shape)
        reactance = math.hypot(reactance, _PROXIMITY * nearness)
        together = math.hypot(_TURNS_TOGETHER, _SPACERS * nearness)
    # X_eff = s X, and to leading order s itself moves with X by s.
    steepness = max(_steepness(model, f_hz), 1.0)
    return ModelUncertainty(radiation, reactance, reactance * steepness**2, together)


def model_findings(build: Build, model: LoopModel, f_hz: float) -> list[Finding]:
    """Return what the person should know about the limits of the model at one frequency."""
    findings = []
    if len(model.geometry.turn_lengths_m) > 1 and build.loop.leads is None:
        findings.append(
            Finding(
                code="leads-not-described",
                level="note",
                text="The leads from the turns to the capacitor are not described: taken as none, "
                "and the interval knows of it.",
                evidence={},
                action="Measure each lead and write loop.leads.",
            )
        )
    steepness = _steepness(model, f_hz)
    if steepness > _NEAR_RESONANCE:
        findings.append(
            Finding(
                code="near-own-resonance",
                level="warning",
                text="The loop is near its own resonance: small errors of its description grow "
                "large here.",
                evidence={"x_eff_over_x": steepness},
                action="Take the efficiency as rough; fewer turns or a smaller loop suit this "
                "band.",
            )
        )
    return findings


def _steepness(model: LoopModel, f_hz: float) -> float:
    return model.effective_reactance(f_hz) / model.impedance(f_hz).imag
