"""One-port calibration by open, short and load: line and analyzer error removed.

The one-port error model (e.g. S. Rehnmark, IEEE Trans. MTT 22, 457, 1974, memory):

    Gm = e00 + t Ga/(1 - e11 Ga)

with directivity e00, tracking t and source match e11, from ideal standards Ga = 1, -1, 0.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sweeplab.errors import SweepError
from sweeplab.finding import Finding, Threshold
from sweeplab.sweep import ComplexArray, FloatArray, Sweep

# Linear interpolation between points this far apart in phase errs by 1e-3.
_COARSE_STEP_RAD: Threshold = 0.09
# An open and a short whose reflections differ by less than this are not two standards.
_SAME_REFLECTION: Threshold = 1e-3
# Of the highest frequency: rounding of a point beyond the ends of a standard's sweep is harmless.
_SPAN_TOLERANCE: Threshold = 1e-6


@dataclass(frozen=True)
class OnePortCalibration:
    """Three sweeps taken at one plane, normally the coupling loop's terminals.

    Parameters
    ----------
    open, short, load : Sweep
        Of the standards there; the load is one of the analyzer's reference impedance.
    """

    open: Sweep
    short: Sweep
    load: Sweep

    def correct(self, sweep: Sweep) -> Sweep:
        """Return a sweep with the one-port error terms removed, at the standards' plane.

        Raises
        ------
        SweepError
            A standard's sweep does not cover the sweep, is not complex, or the standards do not
            differ.
        """
        opened, shorted, loaded = (
            _at(standard, sweep, name)
            for name, standard in (("open", self.open), ("short", self.short), ("load", self.load))
        )
        a, b = opened - loaded, shorted - loaded
        if np.any(np.abs(a - b) < _SAME_REFLECTION):
            raise SweepError("the open and the short read alike: were the files mixed up?")
        source_match = (a + b) / (a - b)
        tracking = a * (1 - source_match)
        above = sweep.gamma - loaded
        # An impossible reflection becomes non-finite: as if not measured.
        with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
            corrected = replace(sweep, gamma=above / (tracking + source_match * above))
        findings = (*sweep.findings, *self._findings(sweep))
        return replace(corrected, findings=findings)

    def _findings(self, sweep: Sweep) -> list[Finding]:
        step_rad = _largest_phase_step(self.open, sweep.f_hz)
        findings = [
            Finding(
                code="referenced",
                level="note",
                text="Line and analyzer error were taken out with the open, short and load given.",
                evidence={"largest_turn_rad": step_rad},
            )
        ]
        if step_rad > _COARSE_STEP_RAD:
            findings.append(
                Finding(
                    code="reference-coarse",
                    level="warning",
                    text="The open, short and load were swept in coarse steps: between them the "
                    "line turns too far to interpolate well.",
                    evidence={"largest_turn_rad": step_rad},
                    action="Sweep the standards over the same span with the same points as the "
                    "antenna.",
                )
            )
        return findings


def _at(standard: Sweep, sweep: Sweep, name: str) -> ComplexArray:
    """Return a standard's reflection at the sweep's frequencies."""
    if standard.content != "complex" or not np.all(np.isfinite(standard.gamma)):
        raise SweepError(f"the {name}'s sweep needs a complex reflection at every point")
    low, high = float(sweep.f_hz[0]), float(sweep.f_hz[-1])
    tolerance_hz = _SPAN_TOLERANCE * high
    if standard.f_hz[0] > low + tolerance_hz or standard.f_hz[-1] < high - tolerance_hz:
        raise SweepError(
            f"the {name} was swept from {standard.f_hz[0] / 1e6:.6g} to "
            f"{standard.f_hz[-1] / 1e6:.6g} MHz, which does not cover the sweep's "
            f"{low / 1e6:.6g} to {high / 1e6:.6g} MHz: sweep it over the same span"
        )
    if standard.z0_ohm != sweep.z0_ohm:
        raise SweepError(
            f"the {name} refers to {standard.z0_ohm:g} ohm, the sweep to {sweep.z0_ohm:g} ohm"
        )
    f = np.clip(sweep.f_hz, standard.f_hz[0], standard.f_hz[-1])
    return np.asarray(np.interp(f, standard.f_hz, standard.gamma))


def _largest_phase_step(standard: Sweep, f_hz: FloatArray) -> float:
    """Return the largest phase step between the points interpolated between [rad]."""
    if standard.f_hz.shape == f_hz.shape and np.allclose(standard.f_hz, f_hz, rtol=1e-9, atol=0):
        return 0.0
    return float(np.abs(np.angle(standard.gamma[1:] / standard.gamma[:-1])).max(initial=0.0))
