"""A small wrapper around the NEC-2 engine: wires and ports in, currents and powers out.

Ports are runs of segments; a port's voltage is spread evenly over them and its current is their
mean, so that power in = V conj(I). Whatever is lumped (capacitor, joint) is left out of the engine
and attached afterwards as a load on its port: the engine sees no resonance.

Conductor loss goes in per segment as the exact round wire's internal impedance (Bessel functions),
since the engine's own wire-conductivity load leaves out a term of order skin depth over diameter.
Phasors are rms, time factor exp(+j w t).
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import PyNEC
from geometry import Array, Wire
from numpy.typing import NDArray
from scipy.integrate import simpson
from scipy.special import ive

Complex = NDArray[np.complex128]
# Relative permittivity and conductivity [S/m]; None is free space.
Ground = tuple[float, float] | None

MU0 = 4e-7 * np.pi
C0 = 299_792_458.0
EPS0 = 1 / (MU0 * C0**2)
COPPER_S_PER_M = 5.8e7
ALUMINIUM_S_PER_M = 3.5e7


@dataclass(frozen=True)
class Ports:
    """The engine's results for a structure, port by port.

    ``y_s`` (nf, p, p) [S]: column k is the currents when port k alone has voltage, others shorted.
    ``radiated_s``, ``ohmic_s`` (nf, p, p), Hermitian: power = V^H P V [W, V rms]; ``ohmic_s`` has
    a leading axis, one matrix for each wire. Over ground ``radiated_s`` is what reaches the sky.
    """

    f_hz: Array
    y_s: Complex
    radiated_s: Complex
    ohmic_s: Complex


def internal_impedance(f_hz: float, radius_m: float, conductivity_s_per_m: float) -> complex:
    """Exact internal impedance of a round wire per metre [ohm/m].

    ``Z = (k / (2 pi a sigma)) I0(k a) / I1(k a)``, ``k = (1 + j) / delta`` (S. Ramo, J. Whinnery,
    T. Van Duzer, Fields and Waves in Communication Electronics, round-wire section; from memory).
    """
    delta = 1 / np.sqrt(np.pi * f_hz * MU0 * conductivity_s_per_m)
    k = (1 + 1j) / delta
    ratio = ive(0, k * radius_m) / ive(1, k * radius_m)
    return complex(k / (2 * np.pi * radius_m * conductivity_s_per_m) * ratio)


def segment_impedance(wires: Sequence[Wire], f_hz: float) -> Complex:
    """Internal impedance of every segment of every wire [ohm], shape (n,)."""
    parts = []
    for wire in wires:
        sigma = wire.conductivity_s_per_m
        per_metre = 0j if sigma is None else internal_impedance(f_hz, wire.radius_m, sigma)
        crowded = complex(per_metre.real * wire.crowding, per_metre.imag)
        parts.append(crowded * wire.lengths_m)
    return np.concatenate(parts).astype(np.complex128)


def currents(
    wires: Sequence[Wire],
    ports: Sequence[Sequence[int]],
    f_hz: float,
    z_segment: Complex,
    ground: Ground = None,
) -> Complex:
    """Segment currents [A], shape (p, n): row k for one volt on port k, the others shorted."""
    rows = []
    for port in ports:
        context = _context(wires)
        _ground(context, ground)
        _load(context, z_segment)
        _excite(context, port)
        context.fr_card(0, 1, f_hz / 1e6, 0)
        context.xq_card(0)
        rows.append(np.array(context.get_structure_currents(0).get_current()))
    return np.asarray(rows, dtype=np.complex128)


def solve(
    wires: Sequence[Wire], ports: Sequence[Sequence[int]], f_hz: Array, ground: Ground = None
) -> Ports:
    """Admittances and power matrices of ``ports`` over ``f_hz`` (nf,)."""
    y, radiated, ohmic = [], [], []
    bounds = np.cumsum([0] + [len(wire.nodes_m) for wire in wires])
    for f in f_hz:
        z_segment = segment_impedance(wires, float(f))
        current = currents(wires, ports, float(f), z_segment, ground)
        y.append(np.array([current[:, list(port)].mean(axis=1) for port in ports]))
        if ground is None:
            radiated.append(radiated_power(wires, current, float(f)))
        else:
            radiated.append(sky_power(wires, current, float(f), ground))
        ohmic.append(
            [
                (current[:, a:b].conj() * z_segment.real[a:b]) @ current[:, a:b].T
                for a, b in itertools.pairwise(bounds)
            ]
        )
    return Ports(
        np.asarray(f_hz, dtype=np.float64),
        np.array(y),
        np.array(radiated),
        np.moveaxis(np.array(ohmic), 1, 0),
    )


def radiated_power(wires: Sequence[Wire], current: Complex, f_hz: float) -> Complex:
    """Far-field pattern of the segment currents (p, n), integrated over the sphere: (p, p).

    Gauss-Legendre in cos(theta), equal steps in phi: exact for the low orders a loop under half a
    wavelength radiates.
    """
    start = np.vstack([wire.nodes_m for wire in wires])
    moment = np.vstack([wire.ends_m for wire in wires]) - start
    centre = start + moment / 2
    wavenumber = 2 * np.pi * f_hz / C0
    cosines, weights = np.polynomial.legendre.leggauss(16)
    phi = 2 * np.pi * np.arange(32) / 32
    theta = np.arccos(cosines)[:, None] + 0 * phi
    angles = 0 * theta + phi
    out = np.stack(
        [np.sin(theta) * np.cos(angles), np.sin(theta) * np.sin(angles), np.cos(theta)], axis=-1
    ).reshape(-1, 3)
    weight = np.repeat(weights * 2 * np.pi / 32, 32)
    phase = np.exp(1j * wavenumber * out @ centre.T)
    vector = np.einsum("dn,pn,nx->pdx", phase, current, moment, optimize=True)
    vector = vector - _radial(vector, out)
    scale = MU0 * C0 * wavenumber**2 / (16 * np.pi**2)
    return np.asarray(scale * np.einsum("d,jdx,kdx->jk", weight, vector.conj(), vector))


def sky_power(
    wires: Sequence[Wire], current: Complex, f_hz: float, ground: tuple[float, float]
) -> Complex:
    """Far-field pattern above ground of the segment currents (p, n), integrated: (p, p).

    Every direction gets the direct ray and the one reflected from the plane z = 0 with Fresnel's
    coefficients. What runs along the ground dies away there and is no part of it.
    """
    start = np.vstack([wire.nodes_m for wire in wires])
    moment = np.vstack([wire.ends_m for wire in wires]) - start
    centre = start + moment / 2
    wavenumber = 2 * np.pi * f_hz / C0
    x, weights = np.polynomial.legendre.leggauss(40)
    cosines, weights = np.repeat((x + 1) / 2, 32), np.repeat(weights / 2 * 2 * np.pi / 32, 32)
    phi = np.tile(2 * np.pi * np.arange(32) / 32, 40)
    sines = np.sqrt(1 - cosines**2)
    across = np.stack([-np.sin(phi), np.cos(phi), 0 * phi], axis=1)
    along = np.stack([np.cos(phi), np.sin(phi), 0 * phi], axis=1)
    upright = np.array([0.0, 0.0, 1.0])
    eps = ground[0] - 1j * ground[1] / (2 * np.pi * f_hz * EPS0)
    inner = np.sqrt(eps - sines**2)
    r_s = (cosines - inner) / (cosines + inner)
    r_p = (eps * cosines - inner) / (eps * cosines + inner)

    def wave(sign: int) -> Complex:
        out = sines[:, None] * along + sign * cosines[:, None] * upright
        phase = np.exp(1j * wavenumber * out @ centre.T)
        return np.asarray(np.einsum("dn,pn,nx->pdx", phase, current, moment, optimize=True))

    up, down = wave(1), wave(-1)
    p_up = -cosines[:, None] * along + sines[:, None] * upright
    p_down = cosines[:, None] * along + sines[:, None] * upright
    field = np.stack(
        [
            np.einsum("pdx,dx->pd", up, across) + r_s * np.einsum("pdx,dx->pd", down, across),
            np.einsum("pdx,dx->pd", up, p_up) + r_p * np.einsum("pdx,dx->pd", down, p_down),
        ],
        axis=-1,
    )
    scale = MU0 * C0 * wavenumber**2 / (16 * np.pi**2)
    return np.asarray(scale * np.einsum("d,jdx,kdx->jk", weights, field.conj(), field))


def radiated_share(wire: Wire, f_hz: float, ground: Ground) -> tuple[float, float]:
    """Gap resistance [ohm] and the share of the power in that reaches the far field above ground.

    ``ground`` is (relative permittivity, conductivity [S/m]), None for free space; Sommerfeld's
    integrals. The share is the power gain averaged over the upper hemisphere (Simpson over theta in
    steps of 2 degrees), half the sphere's; 1 for a lossless wire in free space, not computed there.
    """
    context = _context([wire])
    _ground(context, ground)
    if wire.conductivity_s_per_m is not None:
        _load(context, segment_impedance([wire], f_hz))
    gap = range(wire.gap_segments)
    _excite(context, gap)
    context.fr_card(0, 1, f_hz / 1e6, 0)
    context.rp_card(0, 46, 36, 1, 0, 0, 0, 0, 0, 2, 10, 0, 0)
    current = np.array(context.get_structure_currents(0).get_current())[list(gap)].mean()
    gain_db = np.array(context.get_radiation_pattern(0).get_gain())
    theta = np.radians(np.arange(0, 91, 2))
    gain = 10 ** (gain_db / 10)
    share = simpson(gain.mean(axis=1) * np.sin(theta), x=theta) / 2
    return float((1 / current).real), 1.0 if ground is None else float(share)


def _radial(vector: Complex, out: Array) -> Complex:
    """The part of ``vector`` (p, d, 3) along the unit vectors ``out`` (d, 3)."""
    return np.asarray(np.einsum("pdx,dx->pd", vector, out)[..., None] * out)


def _context(wires: Sequence[Wire]) -> PyNEC.nec_context:
    """A fresh engine holding the wires, one tag a segment, counted from 1."""
    context = PyNEC.nec_context()
    geometry = context.get_geometry()
    tag = 0
    for wire in wires:
        for start, stop in zip(wire.nodes_m, wire.ends_m, strict=True):
            tag += 1
            geometry.wire(tag, 1, *map(float, start), *map(float, stop), wire.radius_m, 1.0, 1.0)
    context.geometry_complete(0)
    return context


def _ground(context: PyNEC.nec_context, ground: Ground) -> None:
    """Free space, or Sommerfeld's integrals over ground."""
    if ground is None:
        context.gn_card(-1, 0, 0, 0, 0, 0, 0, 0)
    else:
        context.gn_card(2, 0, *ground, 0, 0, 0, 0)


def _load(context: PyNEC.nec_context, z_segment: Complex) -> None:
    """A fixed impedance on every segment; must come before the frequency card."""
    for tag, z in enumerate(z_segment, start=1):
        if z != 0:
            context.ld_card(4, tag, 1, 1, float(z.real), float(z.imag), 0.0)


def _excite(context: PyNEC.nec_context, port: Sequence[int]) -> None:
    """One volt spread evenly over the port's segments."""
    for segment in port:
        context.ex_card(0, segment + 1, 1, 0, 1.0 / len(port), 0, 0, 0, 0, 0)
