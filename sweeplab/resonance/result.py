"""Results of a fit: the circle, the resonance, the match."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from sweeplab.estimate import Estimate
from sweeplab.finding import Finding, Status
from sweeplab.line import Line
from sweeplab.sweep import ComplexArray, FloatArray

Coupling = Literal["under", "critical", "over", "unknown"]


@dataclass(frozen=True)
class Circle:
    """The reflection near a resonance (A. P. Gregory, NPL Report MAT 58, 2021, the one-port form).

        G(f) = [Gd + B/(1 + j QL t)] exp(-2 pi j (f - f_ref) tau),   t = f/fL - fL/f

    Parameters
    ----------
    f_loaded_hz, q_loaded : float
        Loaded resonance fL [Hz] and loaded Q.
    detuned, drop : complex
        ``Gd``, the reflection far from resonance, and ``B``, its change at resonance; abs(B) is
        the circle's diameter.
    delay_s : float
        Round-trip delay tau that the fit found, on top of a described line [s].
    f_ref_hz : float
        Where the delay's phase is zero [Hz].
    """

    f_loaded_hz: float
    q_loaded: float
    detuned: complex
    drop: complex
    delay_s: float
    f_ref_hz: float

    def detuning(self, f_hz: FloatArray) -> FloatArray:
        """Return ``t = f/fL - fL/f``, same shape as `f_hz`."""
        f = np.asarray(f_hz, dtype=float)
        return np.asarray(f / self.f_loaded_hz - self.f_loaded_hz / f)

    def reflection(self, f_hz: FloatArray) -> ComplexArray:
        """Return the model's reflection at `f_hz`, at the plane of the fit."""
        f = np.asarray(f_hz, dtype=float)
        locus = self.detuned + self.drop / (1 + 1j * self.q_loaded * self.detuning(f))
        return np.asarray(locus * np.exp(-2j * np.pi * (f - self.f_ref_hz) * self.delay_s))


@dataclass(frozen=True, eq=False)
class Resonance:
    """The resonance of one sweep. Attributes have the JSON contract's names.

    Parameters
    ----------
    status : {'ok', 'doubtful', 'refused'}
        'refused' has no figures; 'doubtful' has figures and a finding that says what is wrong.
    findings : tuple of Finding
    f0_hz : Estimate or None
        Unloaded resonance, where the reference plane and the coupling loop's reactance are known.
    f_loaded_hz, q_loaded, q_unloaded, coupling_factor, half_power_bandwidth_hz : Estimate or None
    q_unloaded_other : Estimate or None
        The second candidate where the data cannot distinguish under- from over-coupled.
    coupling : {'under', 'critical', 'over', 'unknown'}
    residual_rms : float or None
        Root mean square of abs(data - model) over the points used.
    points_in_bandwidth : int or None
        Points used within fL/QL about fL.
    circle : Circle or None
        The model, at the far end of `line` where there is one.
    covariance : ndarray, shape (7, 7), or None
        Of (f_loaded_hz, q_loaded, delay_s, Re Gd, Im Gd, Re B, Im B).
    kept : ndarray of bool, shape (n,), or None
        Which points of the sweep the fit used; the others were set aside as interference or NaN.
    line : Line or None
        The described line that was de-embedded before the fit.
    """

    status: Status
    findings: tuple[Finding, ...] = ()
    f0_hz: Estimate | None = None
    f_loaded_hz: Estimate | None = None
    q_loaded: Estimate | None = None
    q_unloaded: Estimate | None = None
    q_unloaded_other: Estimate | None = None
    coupling_factor: Estimate | None = None
    coupling: Coupling = "unknown"
    half_power_bandwidth_hz: Estimate | None = None
    residual_rms: float | None = None
    points_in_bandwidth: int | None = None
    circle: Circle | None = None
    covariance: FloatArray | None = None
    kept: np.ndarray[Any, np.dtype[np.bool_]] | None = None
    line: Line | None = None

    def to_json(self) -> dict[str, Any] | None:
        """Return the figures as the JSON contract has them; None where refused."""
        if self.status == "refused":
            return None
        figures = (
            "f0_hz",
            "f_loaded_hz",
            "q_loaded",
            "q_unloaded",
            "q_unloaded_other",
            "coupling_factor",
            "half_power_bandwidth_hz",
        )
        estimates: dict[str, Any] = {}
        for name in figures:
            estimate: Estimate | None = getattr(self, name)
            estimates[name] = None if estimate is None else estimate.to_json()
        return estimates | {
            "coupling": self.coupling,
            "residual_rms": self.residual_rms,
            "points_in_bandwidth": self.points_in_bandwidth,
        }


@dataclass(frozen=True)
class Match:
    """The match as the transmitter sees it, at the analyzer's plane.

    Parameters
    ----------
    swr_min, f_swr_min_hz : float or None
        Lowest SWR against the sweep's reference impedance, and where [Hz]. From the fit's model
        where there is one, else from the best point measured.
    impedance_ohm : tuple of (float, float) or None
        Resistance and reactance there [ohm].
    swr_bandwidth_hz : mapping of str to (float or None)
        Width [Hz] over which the SWR is at or below the level ('2', '3'); None where it does not
        reach it or an edge lies outside the sweep.
    u_swr_min, u_f_swr_min_hz : float or None
        Standard uncertainties from the fit; None where the figure is a measured point.
    u_swr_bandwidth_hz : mapping of str to (float or None)
    findings : tuple of Finding
        Why there are no figures, where their computation failed.
    """

    swr_min: float | None
    f_swr_min_hz: float | None
    impedance_ohm: tuple[float, float] | None
    swr_bandwidth_hz: Mapping[str, float | None] = field(default_factory=dict)
    u_swr_min: float | None = None
    u_f_swr_min_hz: float | None = None
    u_swr_bandwidth_hz: Mapping[str, float | None] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Return the match as the JSON contract has it, with its standard uncertainties."""
        return {
            "swr_min": self.swr_min,
            "f_swr_min_hz": self.f_swr_min_hz,
            "impedance_ohm": None if self.impedance_ohm is None else list(self.impedance_ohm),
            "swr_bandwidth_hz": dict(self.swr_bandwidth_hz),
            "u_swr_min": self.u_swr_min,
            "u_f_swr_min_hz": self.u_f_swr_min_hz,
            "u_swr_bandwidth_hz": dict(self.u_swr_bandwidth_hz),
        }
