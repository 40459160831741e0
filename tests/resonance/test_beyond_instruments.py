"""Numbers that no instrument gives are refused with what to do, and nothing overflows."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from simulated import Truth

from sweeplab import Line, Sweep, find_match, fit_resonance

TRUTH = Truth(noise=1e-3)
PLAIN = TRUTH.sweep(np.random.default_rng(1))
CABLE = Line(3.0, 0.66, ((1e6, 1.4), (10e6, 4.6), (30e6, 8.5)))


def _codes(sweep: Sweep, line: Line | None = None) -> set[str]:
    return {finding.code for finding in fit_resonance(sweep, line).findings}


def _over(low_hz: float, high_hz: float) -> Sweep:
    """The plain sweep's reflections over another span."""
    return Sweep(np.linspace(low_hz, high_hz, len(PLAIN)), PLAIN.gamma)


@pytest.mark.parametrize(
    ("low_hz", "high_hz", "refused"),
    [
        (0.99, 1.05, True),
        (1.01, 1.05, False),
        (0.96e12, 1.001e12, True),
        (0.96e12, 0.999e12, False),
        (7.1e6, 7.1e6 * (1 + 0.9e-9), True),
        (7.1e6, 7.1e6 * (1 + 1.1e-9), False),
    ],
)
def test_frequencies_past_what_is_swept_are_refused(
    low_hz: float, high_hz: float, refused: bool
) -> None:
    assert ("frequencies-implausible" in _codes(_over(low_hz, high_hz))) is refused


@pytest.mark.parametrize("line", [None, CABLE])
def test_one_row_of_another_kind_at_the_end_is_named(line: Line | None) -> None:
    f_hz = PLAIN.f_hz.copy()
    f_hz[-1] = 1.4e15
    fit = fit_resonance(Sweep(f_hz, PLAIN.gamma), line)
    (finding,) = fit.findings
    assert (fit.status, finding.code) == ("refused", "frequencies-implausible")
    assert "1.4e+15 Hz" in finding.text
    assert "delete rows" in finding.action


@pytest.mark.parametrize(("size", "refused"), [(0.99e6, False), (1.01e6, True), (1e300, True)])
@pytest.mark.parametrize("content", ["complex", "unsigned", "magnitude"])
def test_reflections_past_what_is_measured_are_refused(
    size: float, refused: bool, content: str
) -> None:
    gamma = PLAIN.gamma.copy()
    gamma[0] = size
    sweep = Sweep(PLAIN.f_hz, gamma, content=content)
    # A line of another impedance would bring what is huge back to something small.
    for line in (None, Line(3.0, 0.66, (), 75.0)):
        if content != "complex" or line is None:
            assert ("reflections-implausible" in _codes(sweep, line)) is refused


def test_where_nothing_comes_back_through_the_line_nothing_is_known() -> None:
    """At the line's far end the reflection of a point may be infinite: as if not measured."""
    gamma = PLAIN.gamma.copy()
    r = (75.0 - 50.0) / (75.0 + 50.0)
    gamma[3] = 1 / r
    fit = fit_resonance(Sweep(PLAIN.f_hz, gamma), Line(0.0, z0_ohm=75.0))
    assert fit.kept is not None
    assert not fit.kept[3]
    dead = Line(1e4, 1.0, ((1e6, 100.0),))
    refused = fit_resonance(PLAIN, dead)
    assert refused.status == "refused"


def test_an_infinite_swr_has_no_uncertainty() -> None:
    """A circle far outside the chart: more comes back than was sent."""
    sweep = Sweep(PLAIN.f_hz, 1e5 * PLAIN.gamma)
    match = find_match(sweep)
    assert match.swr_min is None
    json.dumps(match.to_json(), allow_nan=False)


@pytest.mark.parametrize("z0_ohm", [1e-300, 1e300])
def test_an_impedance_that_is_no_number_is_not_known(z0_ohm: float) -> None:
    match = find_match(Sweep(PLAIN.f_hz, 1e150 * PLAIN.gamma, z0_ohm))
    assert match.impedance_ohm is None or all(map(math.isfinite, match.impedance_ohm))
    json.dumps(match.to_json(), allow_nan=False)


def test_unsigned_reflections_of_two_values_have_no_signs() -> None:
    """As a dead port gives: one reflection, and now and then another of the same magnitude."""
    gamma = np.random.default_rng(0).choice(np.array([1, 1, 1, 1, 1, 1j]), 51)
    fit = fit_resonance(Sweep(np.linspace(7.0e6, 7.2e6, 51), gamma, content="unsigned"))
    assert fit.status == "refused"


def test_a_movement_with_as_many_unknowns_as_points_is_no_division_by_zero() -> None:
    """Twelve points without noise, the resonance drifting: a sweep that used to raise."""
    f_hz = np.linspace(7.0e6, 7.2e6, 12)
    t = (f_hz / 7.1e6 - 7.1e6 / f_hz) * (1 - 0.006 * np.linspace(0, 1, 12))
    fit = fit_resonance(Sweep(f_hz, 0.9 * (1 - 1.2 / (1 + 1j * 87 * t))))
    assert fit.q_loaded is not None
    assert fit.q_loaded.value == pytest.approx(87, rel=0.05)


@pytest.mark.parametrize(("middle_hz", "refused"), [(0.3, True), (3.0, False)])
def test_one_point_far_from_a_bunch_is_refused(middle_hz: float, refused: bool) -> None:
    # Of twelve points the fourth to the ninth are the middle half; a span of 1 MHz in all.
    f_hz = np.append(7e6 + np.arange(11) * middle_hz / 5, 8e6)
    rng = np.random.default_rng(5)
    gamma = 0.5 + 0.1 * (rng.standard_normal(12) + 1j * rng.standard_normal(12))
    codes = [finding.code for finding in fit_resonance(Sweep(f_hz, gamma)).findings]
    assert ("frequencies-implausible" in codes) is refused
