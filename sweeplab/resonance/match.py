"""The match as the transmitter sees it: lowest SWR, impedance there, bandwidths."""

from __future__ import annotations

import math

import numpy as np

from sweeplab.estimate import propagate
from sweeplab.line import renormalized
from sweeplab.resonance.many import fit_resonance
from sweeplab.resonance.result import Circle, Match, Resonance
from sweeplab.sweep import FloatArray, Sweep

LEVELS = (2.0, 3.0)


def find_match(sweep: Sweep, resonance: Resonance | None = None) -> Match:
    """Return the match of a sweep, at the analyzer's plane.

    Parameters
    ----------
    sweep : Sweep
        As measured.
    resonance : Resonance or None
        Its fit; made here where not given. Where there is none, the figures are those of the
        best measured point, without uncertainties.

    Returns
    -------
    Match
        SWR bandwidths are None where the level is not reached or an edge lies outside the sweep.
    """
    fit = fit_resonance(sweep) if resonance is None else resonance
    if fit.circle is None or fit.covariance is None:
        return _measured(sweep)
    middle, covariance = _unknowns(fit.circle), fit.covariance[np.ix_(_USED, _USED)]
    scale = _line_scale(fit, sweep)

    def model(x: FloatArray) -> FloatArray:
        return _model_figures(x, scale)

    values, spread = propagate(model, middle, covariance)
    u = np.sqrt(np.maximum(np.diag(spread), 0))
    f_best = float(values[1])
    if not sweep.f_hz[0] <= f_best <= sweep.f_hz[-1] or not np.all(np.isfinite(values[:2])):
        return _measured(sweep)
    reflection = _at_analyzer(fit, sweep, f_best)
    widths, u_widths = _bandwidths(middle, scale, sweep, u)
    return Match(
        swr_min=float(values[0]),
        f_swr_min_hz=f_best,
        impedance_ohm=_impedance(reflection, sweep.z0_ohm),
        swr_bandwidth_hz=widths,
        u_swr_min=float(u[0]) if math.isfinite(u[0]) else None,
        u_f_swr_min_hz=float(u[1]) if math.isfinite(u[1]) else None,
        u_swr_bandwidth_hz=u_widths,
    )


# The delay turns the picture and does not change its size.
_USED = np.array([0, 1, 3, 4, 5, 6])


def _unknowns(circle: Circle) -> FloatArray:
    gd, b = circle.detuned, circle.drop
    return np.array([circle.f_loaded_hz, circle.q_loaded, gd.real, gd.imag, b.real, b.imag])


def _line_scale(fit: Resonance, sweep: Sweep) -> float:
    """Return what the described line leaves of a reflection's size at the resonance."""
    if fit.line is None or fit.circle is None or fit.line.z0_ohm != sweep.z0_ohm:
        return 1.0
    return float(abs(fit.line.round_trip(np.array([fit.circle.f_loaded_hz]))[0]))


def _at_analyzer(fit: Resonance, sweep: Sweep, f_hz: float) -> complex:
    """Return the model's reflection at the analyzer's plane at one frequency."""
    assert fit.circle is not None
    f = np.array([f_hz])
    gamma = fit.circle.reflection(f)
    if fit.line is not None:
        z_line = fit.line.z0_ohm
        inner = renormalized(gamma, sweep.z0_ohm, z_line) * fit.line.round_trip(f)
        gamma = renormalized(inner, z_line, sweep.z0_ohm)
    return complex(gamma[0])


def _impedance(reflection: complex, z0_ohm: float) -> tuple[float, float] | None:
    if abs(1 - reflection) < 1e-9:
        return None
    z = z0_ohm * (1 + reflection) / (1 - reflection)
    return (z.real, z.imag)


def _model_figures(x: FloatArray, scale: float) -> FloatArray:
    """Return (lowest SWR, its frequency, then low and high edge for each of `LEVELS`)."""
    f_loaded, q_loaded = x[0], x[1]
    gd, b = scale * complex(x[2], x[3]), scale * complex(x[4], x[5])
    # The circle's points are gd + b (1 + e^{j psi})/2 with QL t = -tan(psi/2); the one nearest
    # to the origin lies opposite to the centre.
    centre = gd + b / 2
    direction = -centre / abs(centre) / (b / abs(b)) if centre else 1.0
    psi = math.atan2(complex(direction).imag, complex(direction).real)
    size = abs(abs(centre) - abs(b) / 2)
    swr = (1 + size) / (1 - size) if size < 1 else math.inf
    edges = [_frequency(-math.tan(psi / 2) / q_loaded, f_loaded)]
    for level in LEVELS:
        low, high = _edges(gd, b, (level - 1) / (level + 1))
        edges += [_frequency(low / q_loaded, f_loaded), _frequency(high / q_loaded, f_loaded)]
    return np.array([swr, *edges])


def _edges(gd: complex, b: complex, rho: float) -> tuple[float, float]:
    """Return the two ``QL t`` where ``|gd + b/(1 + jx)| = rho``; NaN where there are none."""
    resonant = gd + b
    a = abs(gd) ** 2 - rho**2
    half_b = (resonant.conjugate() * 1j * gd).real
    c = abs(resonant) ** 2 - rho**2
    root = half_b**2 - a * c
    if root < 0 or a <= 0:
        return math.nan, math.nan
    return (-half_b - math.sqrt(root)) / a, (-half_b + math.sqrt(root)) / a


def _frequency(t: float, f_loaded_hz: float) -> float:
    """Invert ``t = f/fL - fL/f``."""
    return f_loaded_hz * (t / 2 + math.sqrt(1 + t * t / 4))


def _bandwidths(
    middle: FloatArray, scale: float, sweep: Sweep, u: FloatArray
) -> tuple[dict[str, float | None], dict[str, float | None]]:
    values = _model_figures(middle, scale)
    widths: dict[str, float | None] = {}
    u_widths: dict[str, float | None] = {}
    for i, level in enumerate(LEVELS):
        low, high = values[2 + 2 * i], values[3 + 2 * i]
        inside = sweep.f_hz[0] <= low and high <= sweep.f_hz[-1]
        key = f"{level:g}"
        widths[key] = float(high - low) if inside else None
        # Edges move apart and together with QL: their errors are nearly opposite.
        spread = float(u[2 + 2 * i] + u[3 + 2 * i])
        u_widths[key] = spread if inside and math.isfinite(spread) else None
    return widths, u_widths


def _measured(sweep: Sweep) -> Match:
    """Return the best measured point's figures."""
    size = np.abs(sweep.gamma)
    if not np.any(np.isfinite(size)):
        return Match(None, None, None, {f"{level:g}": None for level in LEVELS})
    best = int(np.nanargmin(size))
    swr = float(sweep.swr[best])
    known_phase = sweep.content == "complex"
    return Match(
        swr_min=swr if math.isfinite(swr) else None,
        f_swr_min_hz=float(sweep.f_hz[best]),
        impedance_ohm=_impedance(complex(sweep.gamma[best]), sweep.z0_ohm) if known_phase else None,
        swr_bandwidth_hz={f"{level:g}": _measured_width(sweep, best, level) for level in LEVELS},
    )


def _measured_width(sweep: Sweep, best: int, level: float) -> float | None:
    """Return the width about the best point between linear crossings of the level."""
    rho = (level - 1) / (level + 1)
    good = np.isfinite(sweep.gamma)
    f, size = sweep.f_hz[good], np.abs(sweep.gamma[good])
    place = int(np.searchsorted(f, sweep.f_hz[best]))
    above = np.flatnonzero(size > rho)
    left, right = above[above < place], above[above > place]
    if size[place] > rho or left.size == 0 or right.size == 0:
        return None
    low, high = left[-1], right[0]
    f_low = np.interp(rho, [size[low + 1], size[low]], [f[low + 1], f[low]])
    f_high = np.interp(rho, [size[high - 1], size[high]], [f[high - 1], f[high]])
    return float(f_high - f_low)
