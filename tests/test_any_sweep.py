"""Whatever a sweep holds, nothing raises, nothing warns, and every answer is strict JSON."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from sweeplab import Build, Line, Sweep, find_match, fit_many, loss_budget
from sweeplab.reading import take_reading
from sweeplab.sweep import Content

FIRST = """name = "first"
[loop]
circumference = "3.20 m"
[conductor]
diameter = "12 mm"
"""
FED = (
    FIRST
    + """[feed]
kind = "coupling-loop"
circumference = "0.6 m"
conductor_diameter = "6 mm"
offset = "20 mm"
"""
)
WITH_LINE = (
    FED
    + """[feed.line]
length = "3 m"
velocity_factor = 0.66
loss_db_per_100m = [[1e6, 1.4], [30e6, 8.5]]
z0_ohm = 75
"""
)
BUILDS = [Build.from_toml(text) for text in (FIRST, FED, WITH_LINE)]
LINES = [None, Line(3.0, 0.66, ((1e6, 1.4), (30e6, 8.5)), 75.0)]
ODD = [0, 1, -1, 1j, 1e6, 1e200, 1e-200, complex(math.nan, 0), complex(0, math.inf)]


def _log(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(math.log10(low), math.log10(high)).map(lambda power: 10**power)


@st.composite
def _frequencies(draw: st.DrawFn, points: int) -> NDArray[np.float64]:
    middle = draw(st.one_of(_log(1e5, 1e9), _log(1e5, 1e9), _log(1e-3, 1e16)))
    half = middle * draw(_log(1e-14, 0.99))
    f_hz = np.linspace(middle - half, middle + half, points)
    if draw(st.booleans()):
        f_hz[-1] = max(f_hz[-1], draw(_log(1e6, 1e16)))
    return f_hz


@st.composite
def sweeps(draw: st.DrawFn) -> Sweep:
    """Draw a sweep: resonances and noise of any size, odd points, or the same everywhere."""
    points = draw(st.sampled_from([1, 2, 11, 12, 13, 14, 25, 60]))
    f_hz = draw(_frequencies(points))
    # As many places as the numbers hold, where they lie too close.
    f_hz = np.unique(f_hz)
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    f0 = f_hz[0] + (f_hz[-1] - f_hz[0]) * draw(st.floats(-0.5, 1.5))
    t = f_hz / abs(f0) - abs(f0) / f_hz
    beta = draw(_log(1e-3, 1e3))
    gamma = 1 - 2 * beta / (1 + beta) / (1 + 1j * draw(_log(1, 1e5)) * t)
    gamma = gamma * draw(st.sampled_from([0, 1, 1, 1, 1j, 1e-160, 1e3, 1e6, 1e155]))
    noise = draw(st.sampled_from([0, 1e-9, 1e-3, 1e-3, 0.1, 10]))
    gamma = gamma + noise * (rng.standard_normal(f_hz.size) + 1j * rng.standard_normal(f_hz.size))
    for value in draw(st.lists(st.sampled_from(ODD), max_size=3)):
        gamma[rng.integers(gamma.size)] = value
    content: Content = draw(st.sampled_from(["complex", "complex", "unsigned", "magnitude"]))
    if content == "magnitude":
        gamma = np.hypot(gamma.real, gamma.imag).astype(complex)
    elif content == "unsigned":
        gamma.imag = np.abs(gamma.imag)
    z0_ohm = draw(st.sampled_from([50.0, 50.0, 75.0, 1e-300, 1e300]))
    return Sweep(f_hz, gamma, z0_ohm, content)


def _strict(value: Any) -> str:
    return json.dumps(value, allow_nan=False)


def _check_fits(batch: list[Sweep], line: Line | None, near_hz: float | None) -> None:
    for sweep, fit in zip(batch, fit_many(batch, line, near_hz=near_hz), strict=True):
        match = find_match(sweep, fit)
        findings = [*fit.findings, *match.findings]
        assert not any(finding.code == "unforeseen" for finding in findings), findings
        assert fit.status in ("ok", "doubtful", "refused")
        assert fit.findings or fit.status == "ok"
        _strict([fit.to_json(), match.to_json(), [finding.to_json() for finding in findings]])


def _check_reading(sweep: Sweep, build: Build) -> None:
    reading = take_reading(sweep, build)
    assert reading.unforeseen is None, reading.findings
    assert reading.band
    _strict([reading.to_json(), reading.shares()])
    for figure in reading.figures().values():
        assert math.isfinite(figure.value)


_PLAIN = Sweep(np.linspace(7.0e6, 7.2e6, 12), np.ones(12))


@settings(max_examples=25)
@given(
    st.lists(sweeps(), min_size=1, max_size=3),
    st.sampled_from(LINES),
    st.one_of(st.none(), _log(1, 1e16)),
)
@example([_PLAIN], None, None)
def test_no_sweep_makes_the_fit_raise(
    batch: list[Sweep], line: Line | None, near_hz: float | None
) -> None:
    _check_fits(batch, line, near_hz)


@settings(max_examples=15)
@given(sweeps(), st.sampled_from(BUILDS))
def test_no_sweep_makes_the_budget_raise(sweep: Sweep, build: Build) -> None:
    _check_reading(sweep, build)


@pytest.mark.slow
@settings(max_examples=3000)
@given(
    st.lists(sweeps(), min_size=1, max_size=3),
    st.sampled_from(LINES),
    st.one_of(st.none(), _log(1, 1e16)),
    st.sampled_from(BUILDS),
)
def test_none_of_many_sweeps_makes_anything_raise(
    batch: list[Sweep], line: Line | None, near_hz: float | None, build: Build
) -> None:
    _check_fits(batch, line, near_hz)
    _check_reading(batch[0], build)


@pytest.mark.parametrize("build", BUILDS, ids=["bare", "fed", "with a line"])
@pytest.mark.parametrize("f_hz", [1e4, 44e6, 300e6, 3e9, 1e11])
def test_no_loop_is_too_short_or_too_long_for_its_wave(build: Build, f_hz: float) -> None:
    f = np.linspace(0.98 * f_hz, 1.02 * f_hz, 51)
    t = f / f_hz - f_hz / f
    rng = np.random.default_rng(3)
    noise = 1e-3 * (rng.standard_normal(51) + 1j * rng.standard_normal(51))
    sweep = Sweep(f, 0.9 - 0.9 / (1 + 150j * t) + noise)
    assert loss_budget(sweep, build).status in ("doubtful", "refused")
    _check_reading(sweep, build)
