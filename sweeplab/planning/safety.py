"""What a loop does under power: volts, amperes, fields near it. Estimates for caution only.

The fields are those of the loop's own current in free space: near and far in one, by the
elementary dipoles of the thin-wire solution. Ground, wiring and metal nearby are not in them. Local
codes and measurement decide; nothing here certifies a distance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sweeplab.builds import Build
from sweeplab.estimate import Estimate
from sweeplab.finding import Finding, Threshold
from sweeplab.line import C0_M_PER_S
from sweeplab.loop import LoopModel
from sweeplab.loop.path import closed_path
from sweeplab.loop.thinwire import MU0
from sweeplab.quantity import format_quantity
from sweeplab.sweep import ComplexArray, FloatArray

_EPS0 = 1 / (MU0 * C0_M_PER_S**2)
_PIECES = 4
# How far the field of a real loop may be from that of its thin wire, as standard uncertainties: a
# published full-wave figure is met within 15 % for H; near the capacitor E is less sure.
_U_H, _U_E = 0.08, 0.2
_DIRECTIONS = 8
# Nearer the conductor than this no distance is given.
_NEAREST_M: Threshold = 0.1
# No power that a loop can take reaches the levels farther out.
_FARTHEST_WAVELENGTHS: Threshold = 10.0
_STEPS = 80

CAUTIONS = (
    "RF burns and high voltage: never touch or adjust the loop or its capacitor under power.",
    "Fields are estimates for continuous carrier in free space; ground and metal may raise them.",
    "Local codes and licensed practice come first; sweeplab certifies no distance.",
)


@dataclass(frozen=True)
class ElectricalStress:
    """Voltage and current at one accepted power and frequency.

    Parameters
    ----------
    power_w : float
        All of it reaches the main loop.
    capacitor_v_peak, loop_a_rms : Estimate
        Volts across the gap, current in it.
    """

    power_w: float
    capacitor_v_peak: Estimate
    loop_a_rms: Estimate


@dataclass(frozen=True)
class Distances:
    """How far from the loop's middle the field falls to a reference level for good [m].

    None where the level is not reached anywhere farther than 0.1 m from the conductor.

    Parameters
    ----------
    h_level_a_per_m, e_level_v_per_m : float
        The levels, rms.
    h_axis_m, h_plane_m, e_axis_m, e_plane_m : Estimate or None
        Along the axis; in the loop's plane, in the worst direction.
    """

    h_level_a_per_m: float
    e_level_v_per_m: float
    h_axis_m: Estimate | None
    h_plane_m: Estimate | None
    e_axis_m: Estimate | None
    e_plane_m: Estimate | None

    def to_json(self) -> dict[str, object]:
        """Return the distances with their levels; estimates as the contract's ``E``."""
        return {
            name: value.to_json() if isinstance(value, Estimate) else value
            for name, value in vars(self).items()
        }


def electrical_stress(x_loop_ohm: float, r_total_ohm: Estimate, power_w: float) -> ElectricalStress:
    """Return volts and amperes: ``I = sqrt(P/R)`` rms, ``V = sqrt(2) I X`` peak.

    Parameters
    ----------
    x_loop_ohm : float
        The loop's reactance at the gap.
    r_total_ohm : Estimate
        Referred to the gap current. Losses left out make volts and amperes too high: the safe side.
    power_w : float
    """

    def amperes(ohms: float) -> float:
        return math.sqrt(power_w / ohms)

    value = amperes(r_total_ohm.value)
    u = value * r_total_ohm.u / (2 * r_total_ohm.value)
    low, high = amperes(r_total_ohm.high), amperes(r_total_ohm.low)
    to_volts = math.sqrt(2) * x_loop_ohm
    volts = Estimate(value * to_volts, u * to_volts, low * to_volts, high * to_volts)
    return ElectricalStress(power_w, volts, Estimate(value, u, low, high))


def reference_levels(f_hz: float) -> tuple[float, float]:
    """Return E [V/m] and H [A/m], rms, for the general public, 0.1 to 30 MHz.

    ICNIRP, Health Physics 118, 483 (2020), table 5, whole body, 30 minutes (from memory); below
    10 MHz also the instantaneous 83 V/m and 21 A/m against nerve stimulation (from memory).
    """
    f_mhz = f_hz / 1e6
    e, h = 300 / f_mhz**0.7, 2.2 / f_mhz
    return (min(e, 83.0), min(h, 21.0)) if f_mhz < 10 else (e, h)


def fields(
    model: LoopModel, f_hz: float, points_m: FloatArray, current_a: float = 1.0
) -> tuple[ComplexArray, ComplexArray]:
    """Return E [V/m] and H [A/m] of the loop's current at points in free space.

    Currents and charges of the thin-wire solution as elementary dipoles, retarded (e.g. C. A.
    Balanis, Antenna Theory, eqs 3-58 and 3-59, memory).

    Parameters
    ----------
    model : LoopModel
    f_hz : float
    points_m : ndarray, shape (p, 3)
        The loop's plane is x-z, the gap on top; nearer the wire than a segment is long the answer
        is wrong.
    current_a : float
        At the gap; rms gives rms fields.

    Returns
    -------
    e, h : ndarray of complex, shape (p, 3)
    """
    path = closed_path(model.geometry)
    nodes = current_a * model.currents(f_hz).nodes_a
    following = nodes[path.following]
    share = (np.arange(_PIECES) + 0.5) / _PIECES
    place = (path.nodes_m[:, None] + share[:, None] * path.vectors_m[:, None]).reshape(-1, 3)
    along = nodes[:, None] + share * (following - nodes)[:, None]
    moment = (along[:, :, None] * path.vectors_m[:, None] / _PIECES).reshape(-1, 3)
    omega = 2 * math.pi * f_hz
    k = omega / C0_M_PER_S
    charge = np.repeat((nodes - following) / (1j * omega * _PIECES), _PIECES)
    apart = points_m[:, None] - place
    r = np.linalg.norm(apart, axis=2)
    wave = np.exp(-1j * k * r) / (4 * math.pi * r)
    falling = (wave * (1j * k + 1 / r) / r)[:, :, None] * apart
    h = np.cross(moment[None], falling).sum(axis=1)
    e = -1j * omega * MU0 * np.einsum("ps,sc->pc", wave, moment)
    e += (charge[None, :, None] * falling).sum(axis=1) / _EPS0
    return e, h


def distances(model: LoopModel, f_hz: float, current: Estimate) -> Distances:
    """Return where the fields fall to the reference levels for the general public.

    Parameters
    ----------
    model : LoopModel
    f_hz : float
    current : Estimate
        At the gap, rms [A].
    """
    e_level, h_level = reference_levels(f_hz)
    middle, reach = _middle(model)
    out = np.geomspace(_NEAREST_M, _FARTHEST_WAVELENGTHS * C0_M_PER_S / f_hz, _STEPS)
    axis = middle + out[:, None] * np.array([0.0, 1.0, 0.0])
    found: dict[str, Estimate | None] = {}
    e_magnitude, h_magnitude = _magnitudes(fields(model, f_hz, axis, current.value))
    found["e_axis_m"] = _outermost(out, e_magnitude, e_level, current, _U_E)
    found["h_axis_m"] = _outermost(out, h_magnitude, h_level, current, _U_H)
    away = out + reach
    magnitudes = []
    for angle in 2 * math.pi * np.arange(_DIRECTIONS) / _DIRECTIONS:
        ray = away[:, None] * np.array([math.sin(angle), 0.0, math.cos(angle)])
        magnitudes.append(_magnitudes(fields(model, f_hz, middle + ray, current.value)))
    worst_e, worst_h = (np.max([pair[i] for pair in magnitudes], axis=0) for i in (0, 1))
    found["e_plane_m"] = _outermost(away, worst_e, e_level, current, _U_E)
    found["h_plane_m"] = _outermost(away, worst_h, h_level, current, _U_H)
    return Distances(h_level, e_level, **found)


def voltage_finding(build: Build, band: str, stress: ElectricalStress) -> Finding | None:
    """Return a finding where the capacitor's rated voltage is, or may be, exceeded."""
    rated = None if build.capacitor is None else build.capacitor.rated_voltage
    volts = stress.capacitor_v_peak
    if rated is None or volts.high <= rated.value:
        return None
    surely = volts.value > rated.value
    allowed_w = stress.power_w * (rated.value / volts.value) ** 2
    at = f"{format_quantity(stress.power_w, 'W', digits=3)} on {band}"
    most = format_quantity(allowed_w, "W", digits=2)
    return Finding(
        code="rated-voltage-exceeded",
        level="warning",
        text=f"At {at} the capacitor carries about {format_quantity(volts.value, 'V', digits=2)} "
        "peak; "
        f"it is rated {format_quantity(rated.value, 'V', digits=2)}"
        f"{'.' if surely else ', inside the uncertainty.'}",
        evidence={"v_peak": volts.value, "rated_v": rated.value, "power_at_rated_w": allowed_w},
        action=f"Stay well below {most} there, or use a capacitor of wider spacing.",
    )


def _middle(model: LoopModel) -> tuple[FloatArray, float]:
    """Return the middle of the loop and how far its wire reaches from there [m]."""
    nodes = closed_path(model.geometry).nodes_m
    middle = (nodes.max(axis=0) + nodes.min(axis=0)) / 2
    return middle, float(np.linalg.norm(nodes - middle, axis=1).max())


def _magnitudes(both: tuple[ComplexArray, ComplexArray]) -> tuple[FloatArray, FloatArray]:
    e, h = (np.linalg.norm(field, axis=1) for field in both)
    return e, h


def _outermost(
    distance_m: FloatArray, magnitude: FloatArray, level: float, current: Estimate, u_model: float
) -> Estimate | None:
    """Return the largest distance at which the field is still at the level."""
    over = np.flatnonzero(magnitude >= level)
    if not over.size or over[-1] == len(magnitude) - 1:
        return None
    i = int(over[-1])
    steepness = float(
        np.log(magnitude[i] / magnitude[i + 1]) / np.log(distance_m[i + 1] / distance_m[i])
    )
    value = float(distance_m[i] * (magnitude[i] / level) ** (1 / steepness))
    relative = math.hypot(u_model, current.u / current.value)
    return Estimate.lognormal(value, value * relative / steepness)
