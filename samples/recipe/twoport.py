"""From the engine's ports to a sweep and its truth: joints, capacitor, line, noise-free reflection.

Port 0 is the main loop's gap, port 1 the coupling loop's feed, further ports are joints. Joints
are folded in first, the two-port impedances smoothed over frequency (the engine's reactance
scatters by some 1e-5, which is percents of a small loop's resistance once it resonates), and the
capacitor attached analytically.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from geometry import Array
from nec import C0, Complex, Ports
from numpy.polynomial import Polynomial

REFERENCE_HZ = 10e6


@dataclass(frozen=True)
class TwoPort:
    """Smoothed open-circuit impedances and power forms of main loop and coupling loop.

    ``z`` holds polynomials of ``x = f / f_mid - 1``: the impedances Z00, Z01, Z10, Z11 [ohm] with
    reactances and transfer impedances divided by ``1 + x``. ``radiated`` and ``ohmic`` are the
    same for Hermitian 2 x 2 matrices: power = I^H P I [W, I rms].
    """

    f_mid_hz: float
    z: tuple[tuple[Polynomial, Polynomial], ...]
    radiated: tuple[tuple[Polynomial, Polynomial], ...]
    ohmic: tuple[tuple[Polynomial, Polynomial], ...]

    def impedances(self, f_hz: Array) -> Complex:
        """Open-circuit impedance matrix, shape (nf, 2, 2) [ohm]."""
        x = np.asarray(f_hz / self.f_mid_hz - 1)
        flat = [real(x) * (1 + x if i in (1, 2) else 1) for i, (real, _) in enumerate(self.z)]
        imag = [im(x) * (1 + x) for _, im in self.z]
        return np.stack([r + 1j * i for r, i in zip(flat, imag, strict=True)], -1).reshape(-1, 2, 2)

    def power(self, forms: tuple[tuple[Polynomial, Polynomial], ...], f_hz: float) -> Complex:
        """A power form at one frequency, shape (2, 2) [ohm]."""
        x = f_hz / self.f_mid_hz - 1
        return np.array([re(x) + 1j * im(x) for re, im in forms]).reshape(2, 2)


@dataclass(frozen=True)
class Truth:
    """What the engine says of one antenna at its unloaded resonance, referred to the gap."""

    f0_hz: float
    capacitance_f: float
    r_total_ohm: float
    r_radiation_ohm: float
    r_loss_ohm: float
    x_eff_ohm: float
    q_unloaded: float
    coupling_factor: float
    efficiency: float
    half_power_bandwidth_hz: float


@dataclass(frozen=True)
class Line:
    """A feed line: loss points (Hz, dB per 100 m), interpolated log-log."""

    length_m: float
    velocity_factor: float
    loss_db_per_100m: tuple[tuple[float, float], ...]

    def two_way(self, f_hz: Array) -> Complex:
        """Factor by which a reflection shrinks and turns on the way there and back."""
        points = np.log(np.array(self.loss_db_per_100m))
        db_per_100m = np.exp(np.interp(np.log(f_hz), points[:, 0], points[:, 1]))
        loss_np = db_per_100m / 100 * self.length_m * np.log(10) / 20
        phase = 2 * np.pi * f_hz * self.length_m / (C0 * self.velocity_factor)
        return np.asarray(np.exp(-2 * (loss_np + 1j * phase)))


def two_port(ports: Ports, joint_ohm: Array, degree: int = 4) -> TwoPort:
    """Fold joints in and smooth.

    ``joint_ohm`` (p - 2, nf) [ohm] are the resistances on the ports after the first two.
    """
    f_mid = float(np.mean(ports.f_hz))
    z, radiated, ohmic = [], [], []
    for n in range(len(ports.f_hz)):
        y = ports.y_s[n]
        resistance = np.diag(joint_ohm[:, n])
        own = np.eye(len(resistance)) + resistance @ y[2:, 2:]
        joints = -np.linalg.solve(own, resistance @ y[2:, :2])
        volts = np.vstack([np.eye(2), joints])
        z_n = np.linalg.inv((y @ volts)[:2])
        per_ampere = volts @ z_n
        amperes = y @ per_ampere
        lost = per_ampere.conj().T @ ports.ohmic_s[:, n].sum(axis=0) @ per_ampere
        lost = lost + amperes[2:].conj().T @ resistance @ amperes[2:]
        z.append(z_n)
        radiated.append(per_ampere.conj().T @ ports.radiated_s[n] @ per_ampere)
        ohmic.append(lost)
    x = ports.f_hz / f_mid - 1
    scaled = np.array(z).reshape(-1, 4)
    scaled = scaled.real / np.where(
        [False, True, True, False], 1 + x[:, None], 1.0
    ) + 1j * scaled.imag / (1 + x[:, None])
    return TwoPort(
        f_mid,
        _fits(x, scaled, degree),
        _fits(x, np.array(radiated).reshape(-1, 4), degree),
        _fits(x, np.array(ohmic).reshape(-1, 4), degree),
    )


def capacitance_at(pair: TwoPort, f0_hz: float) -> float:
    """The capacitance that resonates the loop, coupling loop open, at ``f0_hz`` [F]."""
    reactance = pair.impedances(np.array([f0_hz]))[0, 0, 0].imag
    return float(1 / (2 * np.pi * f0_hz * reactance))


def truth(pair: TwoPort, f0_hz: float, esr_ohm: float, z0_ohm: float = 50.0) -> Truth:
    """All figures at the unloaded resonance ``f0_hz``.

    ``esr_ohm`` is the capacitor's series resistance at ``f0_hz``. Efficiency is radiated over
    radiated plus ohmic with the source on the coupling loop; ``x_eff = (w/2)(dX/dw + X/w)``
    (A. D. Yaghjian, S. R. Best, IEEE Trans. Antennas Propag. 53, 1298, 2005), slope by central
    difference; ``beta = (w M)^2 Z0 / ((Z0^2 + Xc^2) R)`` with ``(w M)^2 = |Z01 Z10|``.
    """
    step = 1e-3
    below, at, above = pair.impedances(f0_hz * np.array([1 - step, 1.0, 1 + step]))
    reactance = at[0, 0].imag
    x_eff = ((above[0, 0].imag - below[0, 0].imag) / (2 * step) + reactance) / 2
    radiated, ohmic = pair.power(pair.radiated, f0_hz), pair.power(pair.ohmic, f0_hz)
    r_total = at[0, 0].real + esr_ohm
    # The loop's own current for one ampere into the coupling loop, the capacitor cancelling X.
    current = np.array([-at[0, 1] / r_total, 1.0])
    p_rad = float((current.conj() @ radiated @ current).real)
    p_ohm = float((current.conj() @ ohmic @ current).real) + esr_ohm * abs(current[0]) ** 2
    coupled = abs(at[0, 1] * at[1, 0])
    q = x_eff / r_total
    beta = coupled * z0_ohm / ((z0_ohm**2 + at[1, 1].imag ** 2) * r_total)
    return Truth(
        f0_hz=f0_hz,
        capacitance_f=capacitance_at(pair, f0_hz),
        r_total_ohm=float(r_total),
        r_radiation_ohm=float(radiated[0, 0].real),
        r_loss_ohm=float(ohmic[0, 0].real + esr_ohm),
        x_eff_ohm=float(x_eff),
        q_unloaded=float(q),
        coupling_factor=float(beta),
        efficiency=p_rad / (p_rad + p_ohm),
        half_power_bandwidth_hz=float(f0_hz * (1 + beta) / q),
    )


def reflection(
    pair: TwoPort,
    f_hz: Array,
    capacitance_f: float,
    esr_ohm: Array,
    line: Line | None = None,
    z0_ohm: float = 50.0,
) -> Complex:
    """Noise-free reflection at the analyzer's plane, shape (nf,)."""
    z = pair.impedances(f_hz)
    series = z[:, 0, 0] + esr_ohm + 1 / (2j * np.pi * f_hz * capacitance_f)
    z_in = z[:, 1, 1] - z[:, 0, 1] * z[:, 1, 0] / series
    gamma = (z_in - z0_ohm) / (z_in + z0_ohm)
    return np.asarray(gamma if line is None else gamma * line.two_way(f_hz))


def loaded_frequency(pair: TwoPort, figures: Truth, z0_ohm: float = 50.0) -> float:
    """Where the loaded resonance falls [Hz]: ``f0 (1 + beta Xc / (2 Q0 Z0))``."""
    x_c = pair.impedances(np.array([figures.f0_hz]))[0, 1, 1].imag
    shift = figures.coupling_factor * x_c / (2 * figures.q_unloaded * z0_ohm)
    return float(figures.f0_hz * (1 + shift))


def skin_law(value_ohm: float, f_hz: Array) -> Array:
    """A resistance given at 10 MHz that grows with the root of frequency [ohm]."""
    return np.asarray(value_ohm * np.sqrt(f_hz / REFERENCE_HZ))


def _fits(x: Array, values: Complex, degree: int) -> tuple[tuple[Polynomial, Polynomial], ...]:
    """Least-squares polynomials through the real and imaginary part of each column."""
    return tuple(
        (Polynomial.fit(x, v.real, degree), Polynomial.fit(x, v.imag, degree)) for v in values.T
    )
