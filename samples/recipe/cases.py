"""Draws the antennas of the truth study, and describes each exactly as a build file."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from antenna import Antenna
from geometry import Array
from nec import ALUMINIUM_S_PER_M, C0, COPPER_S_PER_M, Ports
from turns import Turns
from twoport import Line, skin_law, truth, two_port

_LINE_LOSS = ((1e6, 1.4), (10e6, 4.6), (30e6, 8.5))
_OTHER_SHAPES = ("square", "octagon", "rectangle")


class Solvable(Protocol):
    """Anything with a gap and a coupling loop for the engine to solve."""

    def solve(self, f_hz: Array) -> Ports:
        """Ports over ``f_hz``: gap, coupling feed."""
        ...


@dataclass(frozen=True)
class Case:
    """One antenna of the study, its line, and how it is swept."""

    name: str
    antenna: Antenna | Turns
    form: str
    f0_hz: float
    esr_ohm: float  # at 10 MHz
    esr_described: bool
    line: Line | None
    noise: float
    points: int
    span_bandwidths: float
    off_centre_bandwidths: float


def draw(index: int, rng: np.random.Generator) -> Case:
    """A random antenna whose coupling loop could be sized; draws again until one fits."""
    shape = "circle" if index % 3 else _OTHER_SHAPES[index // 3 % 3]
    for _ in range(100):
        f0 = log_uniform(rng, 3.5e6, 29e6)
        # Whole millimetres that also divide into a rectangle's and an octagon's sides.
        perimeter = round(log_uniform(rng, 0.03, 0.27) * C0 / f0 / 0.024) * 0.024
        radius = round(log_uniform(rng, 6, 28) / 2, 1) / 1000
        # At least four segments in the gap, none shorter than the wire is thick.
        if not 1.5 <= perimeter <= 6 or radius > perimeter / 36 / 4 / 2.15:
            continue
        esr = round(log_uniform(rng, 5, 80), 1) / 1000
        antenna = sized(shape, perimeter, radius, f0, esr, rng)
        if antenna is not None:
            return swept(f"case-{index:02d}", antenna, f0, esr, index % 2 == 0, rng)
    raise RuntimeError(f"case {index}: no antenna found")


def first_figures(antenna: Solvable, f0_hz: float, esr_ohm: float) -> tuple[float, float]:
    """Coupling factor and half-power bandwidth [Hz], from three frequencies."""
    grid = f0_hz * np.array([0.98, 1.0, 1.02])
    pair = two_port(antenna.solve(grid), np.zeros((0, 3)), degree=2)
    figures = truth(pair, f0_hz, float(skin_law(esr_ohm, np.array(f0_hz))))
    return figures.coupling_factor, figures.half_power_bandwidth_hz


def build_toml(case: Case, capacitance_f: float) -> str:
    """The build file: geometry exact, the capacitor's ESR only where ``esr_described``."""
    antenna = case.antenna
    esr = f'esr = "{case.esr_ohm * 1000:.1f} mohm"\n' if case.esr_described else ""
    return f"""name = "{case.name}"

[loop]
shape = "{antenna.shape}"
{antenna.size_toml()}
gap = "{antenna.gap_m * 1000:.6f} mm"

[conductor]
form = "{case.form}"
diameter = "{antenna.radius_m * 2000:.1f} mm"
conductivity = {antenna.conductivity_s_per_m:.3g}

[capacitor]
c_min = "{capacitance_f * 0.5e12:.2f} pF"
c_max = "{capacitance_f * 2e12:.2f} pF"
{esr}
[feed]
kind = "coupling-loop"
shape = "circle"
circumference = "{antenna.coupling_circumference_m * 1000:.1f} mm"
conductor_diameter = "{antenna.coupling_radius_m * 2000:.1f} mm"
conductor = "bare"
offset = "{antenna.coupling_offset_m * 1000:.1f} mm"
position = 0.5
{_line_toml(case.line)}"""


def sized(
    shape: str,
    perimeter: float,
    radius: float,
    f0: float,
    esr: float,
    rng: np.random.Generator,
    stood: Callable[[Antenna], Solvable] = lambda antenna: antenna,
) -> Antenna | None:
    """The antenna with a coupling loop sized for a drawn coupling factor, or None.

    ``stood`` puts it where it is to be solved.
    """
    target = log_uniform(rng, 0.33, 2.8)
    coupling_radius = round(float(rng.uniform(1.5, 3.0)), 1) / 1000
    offset = round(float(rng.uniform(2.5, 5.0)) * (radius + coupling_radius), 4)
    conductivity = COPPER_S_PER_M if rng.random() < 0.6 else ALUMINIUM_S_PER_M
    least = 12 * 2.4 * coupling_radius
    # Half the room across: side to side, a 2:1 rectangle being the narrowest.
    room = {"circle": 1 / np.pi, "square": 1 / 4, "octagon": 0.3, "rectangle": 1 / 6}[shape]
    most = np.pi * (0.75 * room * perimeter - offset)

    def antenna(around: float) -> Antenna:
        return Antenna(
            shape,
            perimeter,
            perimeter / 36,
            radius,
            conductivity,
            round(around, 4),
            coupling_radius,
            offset,
        )

    start = float(np.clip(0.15 * perimeter, least, most))
    around = circumference_for(
        lambda size: stood(antenna(size)), target, start, least, most, f0, esr
    )
    return None if around is None else antenna(around)


def circumference_for(
    antenna: Callable[[float], Solvable],
    target: float,
    start: float,
    least: float,
    most: float,
    f0: float,
    esr: float,
) -> float | None:
    """The coupling loop's circumference for about a coupling factor, or None."""
    around = start
    for _ in range(4):
        beta, _ = first_figures(antenna(around), f0, esr)
        if abs(np.log(beta / target)) < 0.1:
            return around
        around *= float((target / beta) ** 0.35)
        if not least <= around <= most:
            return None
    return None


def swept(
    name: str,
    antenna: Antenna | Turns,
    f0: float,
    esr: float,
    esr_described: bool,
    rng: np.random.Generator,
) -> Case:
    """Everything about the case that is not the antenna itself."""
    line = None
    if rng.random() < 0.75:
        scale = float(rng.uniform(0.5, 1.6))
        loss = tuple((f, round(db * scale, 2)) for f, db in _LINE_LOSS)
        length = round(float(rng.uniform(0.3, 6.0)), 2)
        line = Line(length, round(float(rng.uniform(0.66, 0.85)), 3), loss)
    return Case(
        name=name,
        antenna=antenna,
        form=("rod", "tube")[int(rng.integers(2))],
        f0_hz=f0,
        esr_ohm=esr,
        esr_described=esr_described,
        line=line,
        noise=log_uniform(rng, 0.0005, 0.005),
        points=int(rng.choice([101, 151, 201, 301, 401])),
        span_bandwidths=float(rng.uniform(4, 15)),
        off_centre_bandwidths=float(rng.uniform(-0.5, 0.5)),
    )


def _line_toml(line: Line | None) -> str:
    if line is None:
        return ""
    points = ", ".join(f"[{f:.0e}, {db}]" for f, db in line.loss_db_per_100m)
    return f"""
[feed.line]
length = "{line.length_m} m"
velocity_factor = {line.velocity_factor}
loss_db_per_100m = [{points}]
z0_ohm = 50
"""


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """A number whose logarithm is drawn evenly."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))
