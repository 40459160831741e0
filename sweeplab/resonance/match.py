"""The match as the transmitter sees it: lowest SWR, impedance there, bandwidths.

The circle is a bilinear function of ``jx``, ``x = QL t``, and stays one through a line:
``G = (a + b jx)/(c + d jx)``. So every figure of the match has a closed form.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from sweeplab.finding import Threshold
from sweeplab.isolation import isolated, unforeseen_finding
from sweeplab.resonance.api import fit_resonance
from sweeplab.resonance.result import Match, Resonance
from sweeplab.sweep import ComplexArray, FloatArray, Sweep

LEVELS = (2.0, 3.0)
# A reflection this near to an open has no impedance to show.
_OPEN: Threshold = 1e-9
Plane = Literal["analyzer", "antenna"]
# The delay turns the picture and does not change its size.
_USED = np.array([0, 1, 3, 4, 5, 6])
_NO_WAY = np.eye(2, dtype=complex)
_NO_WAY.flags.writeable = False


def find_match(
    sweep: Sweep,
    resonance: Resonance | None = None,
    *,
    levels: Sequence[float] = LEVELS,
    plane: Plane = "analyzer",
) -> Match:
    """Return the match of a sweep.

    Parameters
    ----------
    sweep : Sweep
        As measured.
    resonance : Resonance or None
        Its fit; made here where not given. Where there is none, the figures are those of the
        best measured point, without uncertainties.
    levels : sequence of float
        SWR levels whose bandwidth is wanted.
    plane : {'analyzer', 'antenna'}
        Where: the analyzer's plane, or the far end of the line that the fit took out.

    Returns
    -------
    Match
        SWR bandwidths are None where the level is not reached or an edge lies outside the sweep.
    """
    fit = fit_resonance(sweep) if resonance is None else resonance
    return find_matches([sweep], [fit], levels=levels, plane=plane)[0]


def find_matches(
    sweeps: Sequence[Sweep],
    resonances: Sequence[Resonance],
    *,
    levels: Sequence[float] = LEVELS,
    plane: Plane = "analyzer",
) -> list[Match]:
    """Return the matches of many fitted sweeps; see `find_match`."""

    def together(pairs: Sequence[tuple[Sweep, Resonance]]) -> list[Match]:
        return _find_all([pair[0] for pair in pairs], [pair[1] for pair in pairs], levels, plane)

    def refused(pair: tuple[Sweep, Resonance], error: Exception) -> Match:
        none = {f"{level:g}": None for level in levels}
        return Match(None, None, None, none, findings=(unforeseen_finding(pair[0], error),))

    return isolated(list(zip(sweeps, resonances, strict=True)), together, refused)


def _find_all(
    sweeps: Sequence[Sweep],
    resonances: Sequence[Resonance],
    levels: Sequence[float],
    plane: Plane,
) -> list[Match]:
    matches: list[Match | None] = [None] * len(sweeps)
    modelled = [i for i, fit in enumerate(resonances) if fit.circle is not None]
    if modelled:
        fits = [resonances[i] for i in modelled]
        z0 = [sweeps[i].z0_ohm for i in modelled]
        problem = _Problem.of(fits, z0, levels, plane)
        values = problem.figures(problem.unknowns)
        u = problem.uncertainties()
        for i, figures, errors in zip(modelled, values.tolist(), u.tolist(), strict=True):
            matches[i] = _match(figures, errors, sweeps[i], resonances[i], levels, plane)
    return [
        _measured(sweeps[i], levels) if match is None else match for i, match in enumerate(matches)
    ]


@dataclass(frozen=True, eq=False)
class _Problem:
    """A batch of circles and what the way to the plane does to them.

    Parameters
    ----------
    unknowns : ndarray, shape (b, 6)
        (f_loaded_hz, q_loaded, Re Gd, Im Gd, Re B, Im B).
    covariance : ndarray, shape (b, 6, 6)
    way : ndarray of complex, shape (b, 2, 2)
        Bilinear map from the plane of the fit to the plane asked for.
    rho : ndarray, shape (l,)
        abs(reflection) of the levels.
    """

    unknowns: FloatArray
    covariance: FloatArray
    way: ComplexArray
    rho: FloatArray

    @classmethod
    def of(
        cls, fits: Sequence[Resonance], z0: Sequence[float], levels: Sequence[float], plane: Plane
    ) -> _Problem:
        unknowns, covariances, ways = [], [], []
        for fit, z0_ohm in zip(fits, z0, strict=True):
            assert fit.circle is not None
            assert fit.covariance is not None
            gd, b = fit.circle.detuned, fit.circle.drop
            f = fit.circle.f_loaded_hz
            unknowns.append((f, fit.circle.q_loaded, gd.real, gd.imag, b.real, b.imag))
            covariances.append(fit.covariance)
            ways.append(_way(fit, z0_ohm, f, plane))
        rho = np.array([(level - 1) / (level + 1) for level in levels])
        every = np.stack(covariances)[:, _USED[:, None], _USED[None, :]]
        return cls(np.array(unknowns), every, np.array(ways), rho)

    def figures(self, unknowns: FloatArray) -> FloatArray:
        """Return (lowest SWR, its frequency, low and high edge a level), shape (..., b, 2 + 2l).

        Parameters
        ----------
        unknowns : ndarray, shape (..., b, 6)
        """
        f, q, gd_re, gd_im, b_re, b_im = np.moveaxis(unknowns, -1, 0)
        gd = gd_re + 1j * gd_im
        resonant = gd + (b_re + 1j * b_im)
        # Rows: above and below the fraction's bar; what multiplies 1 and jx in each.
        (to_top, on_top), (to_bottom, on_bottom) = np.moveaxis(self.way, 0, -1)
        top = _quadratic(to_top * resonant + on_top, to_top * gd + on_top)
        bottom = _quadratic(to_bottom * resonant + on_bottom, to_bottom * gd + on_bottom)
        x_best, least = _least_ratio(top, bottom)
        size = np.sqrt(np.maximum(least, 0))
        with np.errstate(divide="ignore"):
            swr = np.where(size < 1, (1 + size) / np.maximum(1 - size, 1e-300), np.inf)
        columns = [swr, _frequency(x_best / q, f)]
        for rho in self.rho:
            low, high = _edges(*(t - rho**2 * b for t, b in zip(top, bottom, strict=True)))
            columns += [_frequency(low / q, f), _frequency(high / q, f)]
        return np.stack(columns, axis=-1)

    def uncertainties(self) -> FloatArray:
        """Return standard uncertainties of the figures and, last, of the widths, (b, 2 + 3l)."""
        spread = np.sqrt(np.maximum(np.einsum("bii->bi", self.covariance), 0))
        step = np.maximum(1e-2 * spread, 1e-9 * np.abs(self.unknowns)) + 1e-300
        one_moved = np.eye(6)[:, None, :] * step
        with np.errstate(over="ignore", invalid="ignore"):  # an infinite SWR has no uncertainty
            ahead, behind = (self._outputs(self.unknowns + s * one_moved) for s in (1, -1))
            rise = ahead - behind
        jacobian = (rise / (2 * step.T[:, :, None])).transpose(1, 2, 0)
        variance = ((jacobian @ self.covariance) * jacobian).sum(axis=2)
        return np.asarray(np.sqrt(np.maximum(variance, 0)))

    def _outputs(self, unknowns: FloatArray) -> FloatArray:
        figures = self.figures(unknowns)
        return np.concatenate([figures, figures[..., 3::2] - figures[..., 2::2]], axis=-1)


def _way(fit: Resonance, z0_ohm: float, f_hz: float, plane: Plane) -> ComplexArray:
    """Return the bilinear map, shape (2, 2), from the plane of the fit to the plane asked for.

    A described line is taken with its loss and turn at the resonance: over the dip they change
    by next to nothing.
    """
    if plane == "antenna" or fit.line is None or fit.circle is None:
        return _NO_WAY
    way = _NO_WAY.copy()
    if fit.line.z0_ohm == z0_ohm:
        way[0, 0] = fit.line.round_trip(np.array([f_hz]))[0]
        return way
    turn = np.exp(-2j * np.pi * (f_hz - fit.circle.f_ref_hz) * fit.circle.delay_s)
    r = (fit.line.z0_ohm - z0_ohm) / (fit.line.z0_ohm + z0_ohm)
    into, out = np.array([[1, -r], [-r, 1]]), np.array([[1, r], [r, 1]])
    through = np.diag([complex(fit.line.round_trip(np.array([f_hz]))[0]), 1])
    return np.asarray(out @ through @ into @ np.diag([complex(turn), 1]))


_Quadratic = tuple[FloatArray, FloatArray, FloatArray]


def _quadratic(p: ComplexArray, q: ComplexArray) -> _Quadratic:
    """Return ``|p + q jx|^2`` as coefficients of x^2, x and 1."""
    return (
        q.real**2 + q.imag**2,
        2 * (p.imag * q.real - p.real * q.imag),
        p.real**2 + p.imag**2,
    )


def _least_ratio(top: _Quadratic, bottom: _Quadratic) -> tuple[FloatArray, FloatArray]:
    """Return where a ratio of quadratics is least, and its value there."""
    a = top[0] * bottom[1] - top[1] * bottom[0]
    b = 2 * (top[0] * bottom[2] - top[2] * bottom[0])
    c = top[1] * bottom[2] - top[2] * bottom[1]
    root = np.sqrt(np.maximum(b * b - 4 * a * c, 0))
    # The form without cancellation, good for a near zero too.
    half = -(b + np.where(b < 0, -root, root)) / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        one, other = half / a, c / half
        value, rival = (
            ((top[0] * x + top[1]) * x + top[2]) / ((bottom[0] * x + bottom[1]) * x + bottom[2])
            for x in (one, other)
        )
    value = np.where(np.isfinite(value), value, np.inf)
    rival = np.where(np.isfinite(rival), rival, np.inf)
    second = rival < value
    return np.where(second, other, one), np.where(second, rival, value)


def _edges(a: FloatArray, b: FloatArray, c: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the roots of upward parabolas; NaN where there are none."""
    inside = b * b - 4 * a * c
    with np.errstate(invalid="ignore", divide="ignore"):
        root = np.sqrt(np.where((inside >= 0) & (a > 0), inside, np.nan))
        return (-b - root) / (2 * a), (-b + root) / (2 * a)


def _frequency(t: FloatArray, f_loaded_hz: FloatArray) -> FloatArray:
    """Invert ``t = f/fL - fL/f``."""
    return np.asarray(f_loaded_hz * (t / 2 + np.sqrt(1 + t * t / 4)))


def _match(
    values: list[float],
    u: list[float],
    sweep: Sweep,
    fit: Resonance,
    levels: Sequence[float],
    plane: Plane,
) -> Match:
    swr, f_best = values[:2]
    low, high = sweep.f_hz.item(0), sweep.f_hz.item(-1)
    if not (low <= f_best <= high and math.isfinite(swr)):
        return _measured(sweep, levels)
    widths: dict[str, float | None] = {}
    u_widths: dict[str, float | None] = {}
    for i, level in enumerate(levels):
        left, right = values[2 + 2 * i : 4 + 2 * i]
        inside, name = low <= left and right <= high, f"{level:g}"
        widths[name] = right - left if inside else None
        u_widths[name] = _finite(u[2 + 2 * len(levels) + i]) if inside else None
    # Of two circles alike in size, neither's impedance is the antenna's.
    impedance = None
    if fit.q_unloaded_other is None:
        reflection = reflection_at(fit, f_best, sweep.z0_ohm, plane)
        impedance = _impedance(reflection, sweep.z0_ohm)
    return Match(
        swr_min=swr,
        f_swr_min_hz=f_best,
        impedance_ohm=impedance,
        swr_bandwidth_hz=widths,
        u_swr_min=_finite(u[0]),
        u_f_swr_min_hz=_finite(u[1]),
        u_swr_bandwidth_hz=u_widths,
    )


def _finite(x: float) -> float | None:
    return x if math.isfinite(x) else None


def reflection_at(
    fit: Resonance, f_hz: float, z0_ohm: float = 50.0, plane: Plane = "analyzer"
) -> complex:
    """Return the model's reflection at one frequency.

    Parameters
    ----------
    fit : Resonance
        One with a circle.
    f_hz : float
    z0_ohm : float
        Of the sweep that was fitted.
    plane : {'analyzer', 'antenna'}

    Raises
    ------
    ValueError
        The fit was refused.
    """
    if fit.circle is None:
        raise ValueError("a refused fit has no model")
    circle = fit.circle
    t = f_hz / circle.f_loaded_hz - circle.f_loaded_hz / f_hz
    gamma = circle.detuned + circle.drop / (1 + 1j * circle.q_loaded * t)
    angle = -2 * math.pi * (f_hz - circle.f_ref_hz) * circle.delay_s
    gamma *= complex(math.cos(angle), math.sin(angle))
    if fit.line is None or plane == "antenna":
        return gamma
    r = (fit.line.z0_ohm - z0_ohm) / (fit.line.z0_ohm + z0_ohm)
    inner = (gamma - r) / (1 - r * gamma) * complex(fit.line.round_trip(np.array([f_hz]))[0])
    return (inner + r) / (1 + r * inner)


def _impedance(reflection: complex, z0_ohm: float) -> tuple[float, float] | None:
    if abs(1 - reflection) < _OPEN:
        return None
    z = z0_ohm * (1 + reflection) / (1 - reflection)
    return (z.real, z.imag) if cmath.isfinite(z) else None


def _measured(sweep: Sweep, levels: Sequence[float]) -> Match:
    """Return the best measured point's figures."""
    size = np.abs(sweep.gamma)
    if not np.any(np.isfinite(size)):
        return Match(None, None, None, {f"{level:g}": None for level in levels})
    best = int(np.nanargmin(size))
    swr = float(sweep.swr[best])
    known_phase = sweep.content == "complex"
    return Match(
        swr_min=swr if math.isfinite(swr) else None,
        f_swr_min_hz=float(sweep.f_hz[best]),
        impedance_ohm=_impedance(complex(sweep.gamma[best]), sweep.z0_ohm) if known_phase else None,
        swr_bandwidth_hz={f"{level:g}": _measured_width(sweep, best, level) for level in levels},
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
