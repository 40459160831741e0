"""The match as the transmitter sees it: lowest SWR, impedance there, bandwidths.

The circle is a bilinear function of ``jx``, ``x = QL t``, and a line maps it to another one:
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

SWR_LEVELS = (2.0, 3.0)
# A reflection this close to an open has no impedance.
_OPEN: Threshold = 1e-9
Plane = Literal["analyzer", "antenna"]
# All unknowns of the covariance but the delay, which changes no magnitude.
_UNKNOWNS = np.array([0, 1, 3, 4, 5, 6])
_IDENTITY = np.eye(2, dtype=complex)
_IDENTITY.flags.writeable = False


def find_match(
    sweep: Sweep,
    resonance: Resonance | None = None,
    *,
    levels: Sequence[float] = SWR_LEVELS,
    plane: Plane = "analyzer",
) -> Match:
    """Return the match of a sweep.

    Parameters
    ----------
    sweep : Sweep
        As measured.
    resonance : Resonance or None
        Its fit; computed if not given. Where it was refused, the figures are those of the best
        measured point, without uncertainties.
    levels : sequence of float
        SWR levels at which to find the bandwidth.
    plane : {'analyzer', 'antenna'}
        The analyzer's plane, or the far end of the line that the fit de-embedded.

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
    levels: Sequence[float] = SWR_LEVELS,
    plane: Plane = "analyzer",
) -> list[Match]:
    """Return the matches of many fitted sweeps; see `find_match`."""

    def find_all(pairs: Sequence[tuple[Sweep, Resonance]]) -> list[Match]:
        return _find_all([pair[0] for pair in pairs], [pair[1] for pair in pairs], levels, plane)

    def refused(pair: tuple[Sweep, Resonance], error: Exception) -> Match:
        none = {f"{level:g}": None for level in levels}
        return Match(None, None, None, none, findings=(unforeseen_finding(pair[0], error),))

    return isolated(list(zip(sweeps, resonances, strict=True)), find_all, refused)


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
        batch = _MatchBatch.of(fits, z0, levels, plane)
        values = batch.figures(batch.unknowns)
        u = batch.uncertainties()
        for i, figures, errors in zip(modelled, values.tolist(), u.tolist(), strict=True):
            matches[i] = _match_of(figures, errors, sweeps[i], resonances[i], levels, plane)
    return [
        _match_of_points(sweeps[i], levels) if match is None else match
        for i, match in enumerate(matches)
    ]


@dataclass(frozen=True, eq=False)
class _MatchBatch:
    """A batch of circles with their maps to the reference plane.

    Parameters
    ----------
    unknowns : ndarray, shape (b, 6)
        (f_loaded_hz, q_loaded, Re Gd, Im Gd, Re B, Im B).
    covariance : ndarray, shape (b, 6, 6)
    mapping : ndarray of complex, shape (b, 2, 2)
        Bilinear map from the plane of the fit to the reference plane.
    rho : ndarray, shape (l,)
        abs(reflection) of the levels.
    """

    unknowns: FloatArray
    covariance: FloatArray
    mapping: ComplexArray
    rho: FloatArray

    @classmethod
    def of(
        cls, fits: Sequence[Resonance], z0: Sequence[float], levels: Sequence[float], plane: Plane
    ) -> _MatchBatch:
        unknowns, covariances, mappings = [], [], []
        for fit, z0_ohm in zip(fits, z0, strict=True):
            assert fit.circle is not None
            assert fit.covariance is not None
            gd, b = fit.circle.detuned, fit.circle.drop
            f = fit.circle.f_loaded_hz
            unknowns.append((f, fit.circle.q_loaded, gd.real, gd.imag, b.real, b.imag))
            covariances.append(fit.covariance)
            mappings.append(_map_to_plane(fit, z0_ohm, f, plane))
        rho = np.array([(level - 1) / (level + 1) for level in levels])
        every = np.stack(covariances)[:, _UNKNOWNS[:, None], _UNKNOWNS[None, :]]
        return cls(np.array(unknowns), every, np.array(mappings), rho)

    def figures(self, unknowns: FloatArray) -> FloatArray:
        """Return (lowest SWR, its frequency, low and high edge a level), shape (..., b, 2 + 2l).

        Parameters
        ----------
        unknowns : ndarray, shape (..., b, 6)
        """
        f, q, gd_re, gd_im, b_re, b_im = np.moveaxis(unknowns, -1, 0)
        gd = gd_re + 1j * gd_im
        resonant = gd + (b_re + 1j * b_im)
        # Of the bilinear map (a G + b)/(c G + d).
        (a, b), (c, d) = np.moveaxis(self.mapping, 0, -1)
        numerator = _quadratic(a * resonant + b, a * gd + b)
        denominator = _quadratic(c * resonant + d, c * gd + d)
        x_best, minimum = _minimum_of_ratio(numerator, denominator)
        magnitude = np.sqrt(np.maximum(minimum, 0))
        with np.errstate(divide="ignore"):
            swr = np.where(
                magnitude < 1, (1 + magnitude) / np.maximum(1 - magnitude, 1e-300), np.inf
            )
        columns = [swr, _frequency(x_best / q, f)]
        for rho in self.rho:
            pairs = zip(numerator, denominator, strict=True)
            low, high = _roots(*(n - rho**2 * d for n, d in pairs))
            columns += [_frequency(low / q, f), _frequency(high / q, f)]
        return np.stack(columns, axis=-1)

    def uncertainties(self) -> FloatArray:
        """Return standard uncertainties of the figures and, last, of the widths, (b, 2 + 3l).

        `sweeplab.estimate.propagate` for a whole batch at once, with the same steps: row by
        row it takes hundreds of times as long.
        """
        spread = np.sqrt(np.maximum(np.einsum("bii->bi", self.covariance), 0))
        step = np.maximum(1e-2 * spread, 1e-9 * np.abs(self.unknowns)) + 1e-300
        one_changed = np.eye(6)[:, None, :] * step
        with np.errstate(over="ignore", invalid="ignore"):  # an infinite SWR has no uncertainty
            ahead, behind = (self._outputs(self.unknowns + s * one_changed) for s in (1, -1))
            rise = ahead - behind
        jacobian = (rise / (2 * step.T[:, :, None])).transpose(1, 2, 0)
        variance = ((jacobian @ self.covariance) * jacobian).sum(axis=2)
        return np.asarray(np.sqrt(np.maximum(variance, 0)))

    def _outputs(self, unknowns: FloatArray) -> FloatArray:
        figures = self.figures(unknowns)
        return np.concatenate([figures, figures[..., 3::2] - figures[..., 2::2]], axis=-1)


def _map_to_plane(fit: Resonance, z0_ohm: float, f_hz: float, plane: Plane) -> ComplexArray:
    """Return the bilinear map, shape (2, 2), from the plane of the fit to the reference plane.

    A described line has the loss and phase it has at the resonance: over the dip they hardly
    change.
    """
    if plane == "antenna" or fit.line is None or fit.circle is None:
        return _IDENTITY
    mapping = _IDENTITY.copy()
    if fit.line.z0_ohm == z0_ohm:
        mapping[0, 0] = fit.line.round_trip(np.array([f_hz]))[0]
        return mapping
    rotation = np.exp(-2j * np.pi * (f_hz - fit.circle.f_ref_hz) * fit.circle.delay_s)
    r = (fit.line.z0_ohm - z0_ohm) / (fit.line.z0_ohm + z0_ohm)
    into, out = np.array([[1, -r], [-r, 1]]), np.array([[1, r], [r, 1]])
    through = np.diag([complex(fit.line.round_trip(np.array([f_hz]))[0]), 1])
    return np.asarray(out @ through @ into @ np.diag([complex(rotation), 1]))


_Quadratic = tuple[FloatArray, FloatArray, FloatArray]


def _quadratic(p: ComplexArray, q: ComplexArray) -> _Quadratic:
    """Return ``|p + q jx|^2`` as coefficients of x^2, x and 1."""
    return (
        q.real**2 + q.imag**2,
        2 * (p.imag * q.real - p.real * q.imag),
        p.real**2 + p.imag**2,
    )


def _minimum_of_ratio(
    numerator: _Quadratic, denominator: _Quadratic
) -> tuple[FloatArray, FloatArray]:
    """Return the x at which a ratio of quadratics is smallest, and its value there."""
    (n2, n1, n0), (d2, d1, d0) = numerator, denominator
    a = n2 * d1 - n1 * d2
    b = 2 * (n2 * d0 - n0 * d2)
    c = n1 * d0 - n0 * d1
    root = np.sqrt(np.maximum(b * b - 4 * a * c, 0))
    # The form without cancellation, valid for a close to zero too.
    half = -(b + np.where(b < 0, -root, root)) / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        one, other = half / a, c / half
        value, other_value = (
            ((n2 * x + n1) * x + n0) / ((d2 * x + d1) * x + d0) for x in (one, other)
        )
    value = np.where(np.isfinite(value), value, np.inf)
    other_value = np.where(np.isfinite(other_value), other_value, np.inf)
    second = other_value < value
    return np.where(second, other, one), np.where(second, other_value, value)


def _roots(a: FloatArray, b: FloatArray, c: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the roots of upward parabolas; NaN where there are none."""
    inside = b * b - 4 * a * c
    with np.errstate(invalid="ignore", divide="ignore"):
        root = np.sqrt(np.where((inside >= 0) & (a > 0), inside, np.nan))
        return (-b - root) / (2 * a), (-b + root) / (2 * a)


def _frequency(t: FloatArray, f_loaded_hz: FloatArray) -> FloatArray:
    """Invert ``t = f/fL - fL/f``."""
    return np.asarray(f_loaded_hz * (t / 2 + np.sqrt(1 + t * t / 4)))


def _match_of(
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
        return _match_of_points(sweep, levels)
    widths: dict[str, float | None] = {}
    u_widths: dict[str, float | None] = {}
    for i, level in enumerate(levels):
        left, right = values[2 + 2 * i : 4 + 2 * i]
        inside, name = low <= left and right <= high, f"{level:g}"
        widths[name] = right - left if inside else None
        u_widths[name] = _finite(u[2 + 2 * len(levels) + i]) if inside else None
    # Two candidates fit the magnitudes alike: the impedance of neither is known to be right.
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
        Reference impedance of the sweep that was fitted [ohm].
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


def _match_of_points(sweep: Sweep, levels: Sequence[float]) -> Match:
    """Return the match of the best measured point."""
    magnitude = np.abs(sweep.gamma)
    if not np.any(np.isfinite(magnitude)):
        return Match(None, None, None, {f"{level:g}": None for level in levels})
    best = int(np.nanargmin(magnitude))
    swr = float(sweep.swr[best])
    known_phase = sweep.content == "complex"
    return Match(
        swr_min=swr if math.isfinite(swr) else None,
        f_swr_min_hz=float(sweep.f_hz[best]),
        impedance_ohm=_impedance(complex(sweep.gamma[best]), sweep.z0_ohm) if known_phase else None,
        swr_bandwidth_hz={f"{level:g}": _width_of_points(sweep, best, level) for level in levels},
    )


def _width_of_points(sweep: Sweep, best: int, level: float) -> float | None:
    """Return the width about the best point between linear crossings of the level."""
    rho = (level - 1) / (level + 1)
    finite = np.isfinite(sweep.gamma)
    f, magnitude = sweep.f_hz[finite], np.abs(sweep.gamma[finite])
    best_index = int(np.searchsorted(f, sweep.f_hz[best]))
    above = np.flatnonzero(magnitude > rho)
    left, right = above[above < best_index], above[above > best_index]
    if magnitude[best_index] > rho or left.size == 0 or right.size == 0:
        return None
    low, high = left[-1], right[0]
    f_low = np.interp(rho, [magnitude[low + 1], magnitude[low]], [f[low + 1], f[low]])
    f_high = np.interp(rho, [magnitude[high - 1], magnitude[high]], [f[high - 1], f[high]])
    return float(f_high - f_low)
