"""Texts for the readers' tests, written apart from the readers, and strategies that draw them."""

from __future__ import annotations

import cmath
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from hypothesis import strategies as st

from sweeplab.files import sweep_from_bytes
from sweeplab.sweep import Sweep

UNITS_HZ = {"Hz": 1.0, "kHz": 1e3, "MHz": 1e6, "GHz": 1e9}


def read_text(text: str, name: str = "sweep.s1p", **options: object) -> Sweep:
    """Read a text as the file `name`."""
    return sweep_from_bytes(text.encode(), name, **options)  # type: ignore[arg-type]


def codes(sweep: Sweep) -> list[str]:
    """The codes of a sweep's findings."""
    return [finding.code for finding in sweep.findings]


@dataclass(frozen=True)
class Case:
    """A sweep and the way it is to be written."""

    f_hz: tuple[float, ...]
    gamma: tuple[complex, ...]
    unit: str
    parameter: str
    form: str
    r_ohm: float
    line_end: str
    order: tuple[int, ...]

    def text(self) -> str:
        """The Touchstone 1 text."""
        words = [self.unit, self.parameter, self.form, f"R {self.r_ohm!r}"]
        lines = ["! drawn", "# " + " ".join(words[i] for i in self.order)]
        for f_hz, gamma in zip(self.f_hz, self.gamma, strict=True):
            first, second = pair(self.parameter_of(gamma), self.form)
            lines.append(f"{f_hz / UNITS_HZ[self.unit]!r}\t{first!r}  {second!r}")
        return self.line_end.join([*lines, ""])

    def parameter_of(self, gamma: complex) -> complex:
        """S, or Z and Y normalised to R, as version 1 holds them."""
        if self.parameter == "S":
            return gamma
        z = (1 + gamma) / (1 - gamma)
        return z if self.parameter == "Z" else 1 / z


def pair(value: complex, form: str) -> tuple[float, float]:
    """The two numbers that stand for a complex one."""
    if form == "RI":
        return value.real, value.imag
    size, angle = abs(value), math.degrees(cmath.phase(value))
    return (size, angle) if form == "MA" else (20 * math.log10(size), angle)


def _gamma(size: float, angle: float) -> complex:
    return cmath.rect(size, angle)


# Sizes keep clear of 0 and of the points where Z or Y run off, so that twelve digits survive.
gammas = st.builds(_gamma, st.floats(0.01, 0.99), st.floats(-3.14, 3.14))


@st.composite
def cases(draw: st.DrawFn) -> Case:
    """Any one-port sweep that the standard can hold, in any spelling of its option line."""
    steps = draw(st.lists(st.integers(1, 10**6), min_size=1, max_size=30))
    f_hz = tuple(float(f) for f in np.cumsum([draw(st.integers(10_000, 10**8)), *steps]))
    gamma = draw(st.lists(gammas, min_size=len(f_hz), max_size=len(f_hz)))
    return Case(
        f_hz=f_hz,
        gamma=tuple(gamma),
        unit=draw(st.sampled_from(list(UNITS_HZ))),
        parameter=draw(st.sampled_from("SZY")),
        form=draw(st.sampled_from(["RI", "MA", "DB"])),
        r_ohm=draw(st.floats(1, 600)),
        line_end=draw(st.sampled_from(["\n", "\r\n", "\r"])),
        order=tuple(draw(st.permutations(range(4)))),
    )


def table_text(header: str, columns: Sequence[Sequence[float]], separator: str = ",") -> str:
    """A table of columns under a header."""
    rows = (separator.join(repr(float(x)) for x in row) for row in zip(*columns, strict=True))
    return "\n".join([header, *rows, ""])
