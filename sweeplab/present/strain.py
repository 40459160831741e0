"""Volts at the capacitor and amperes in the loop under power: estimates for caution."""

from __future__ import annotations

import math
from dataclasses import dataclass

from sweeplab.estimate import Estimate


@dataclass(frozen=True)
class Strain:
    """What the loop carries at a stated accepted power.

    Parameters
    ----------
    capacitor_v_peak : Estimate
        Peak volts across the gap.
    loop_a_rms : Estimate
        Current at the gap, rms.
    """

    capacitor_v_peak: Estimate
    loop_a_rms: Estimate


def strain(r_total_ohm: Estimate, x_ohm: float, power_w: float = 100.0) -> Strain:
    """Return volts and amperes: ``I = sqrt(P/R)``, ``V = sqrt(2) I X``.

    Parameters
    ----------
    r_total_ohm : Estimate
        Total resistance referred to the current at the gap; positive.
    x_ohm : float
        Size of the loop's reactance at the gap.
    power_w : float
        Power accepted at the coupling loop, all of it taken to reach the loop.
    """
    amperes = math.sqrt(power_w / r_total_ohm.value)
    current = Estimate.lognormal(amperes, amperes * r_total_ohm.u / (2 * r_total_ohm.value))
    factor = math.sqrt(2) * x_ohm
    ends = (factor * end for end in (current.value, current.u, current.low, current.high))
    return Strain(Estimate(*ends), current)
