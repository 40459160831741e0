"""Every figure of the match against a scan of the model, and against draws of its unknowns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from sweeplab import Circle, Estimate, Line, Match, Resonance, Sweep, find_match
from sweeplab.resonance.match import (
    _frequency,
    _map_to_plane,
    _minimum_of_ratio,
    _quadratic,
    _roots,
    find_matches,
    reflection_at,
)
from sweeplab.sweep import ComplexArray, FloatArray

F0, QL, Z0 = 7.1e6, 200.0, 50.0
F = np.linspace(7.0e6, 7.2e6, 401)
# A mismatched background, so that best match and resonance do not coincide.
CIRCLE = Circle(F0, QL, 0.9 - 0.15j, -0.8 + 0.25j, 0.0, F0)
LINES = {
    "none": None,
    "of the sweep's impedance": Line(7.0, 0.66, ((1e6, 2.0), (30e6, 12.0))),
    "of another impedance": Line(7.0, 0.66, ((1e6, 2.0), (30e6, 12.0)), z0_ohm=75.0),
}


def fit_of(circle: Circle, line: Line | None, covariance: FloatArray | None = None) -> Resonance:
    """A fit with this circle."""
    zero = np.zeros((7, 7)) if covariance is None else covariance
    return Resonance("ok", circle=circle, covariance=zero, line=line)


def through(gamma: ComplexArray, line: Line | None) -> ComplexArray:
    """What a line shows of a load's reflection, by impedances (Pozar, Microwave Engineering)."""
    if line is None:
        return gamma
    around = line.round_trip(np.array([F0]))[0]
    load = Z0 * (1 + gamma) / (1 - gamma)
    inner = (load - line.z0_ohm) / (load + line.z0_ohm) * around
    shown = line.z0_ohm * (1 + inner) / (1 - inner)
    return np.asarray((shown - Z0) / (shown + Z0))


@dataclass(frozen=True)
class Scan:
    """Lowest SWR, its frequency, and a width, from a fine grid."""

    swr_min: float
    f_hz: float
    width_hz: float

    @classmethod
    def of(cls, circle: Circle, line: Line | None, level: float) -> Scan:
        """Scan the model on a grid of 1 Hz."""
        f = np.arange(F[0], F[-1], 1.0)
        magnitude = np.abs(through(circle.reflection(f), line))
        swr = (1 + magnitude) / (1 - magnitude)
        inside = f[swr <= level]
        return cls(float(swr.min()), float(f[swr.argmin()]), float(inside[-1] - inside[0]))


@pytest.mark.parametrize("line", LINES.values(), ids=LINES)
def test_closed_forms_agree_with_a_scan(line: Line | None) -> None:
    scan = Scan.of(CIRCLE, line, 3.0)
    sweep = Sweep(F, through(CIRCLE.reflection(F), line))
    match = find_match(sweep, fit_of(CIRCLE, line))
    assert match.swr_min == pytest.approx(scan.swr_min, rel=1e-7)
    assert match.f_swr_min_hz == pytest.approx(scan.f_hz, abs=2)
    assert match.swr_bandwidth_hz["3"] == pytest.approx(scan.width_hz, abs=3)


@pytest.mark.parametrize("line", LINES.values(), ids=LINES)
def test_impedance_at_the_match_is_that_of_the_reflection(line: Line | None) -> None:
    sweep = Sweep(F, through(CIRCLE.reflection(F), line))
    match = find_match(sweep, fit_of(CIRCLE, line))
    assert match.f_swr_min_hz is not None
    assert match.impedance_ohm is not None
    gamma = through(CIRCLE.reflection(np.array([match.f_swr_min_hz])), line)[0]
    z = Z0 * (1 + gamma) / (1 - gamma)
    # The line's phase is that at the resonance in the one, at the match in the other.
    assert complex(*match.impedance_ohm) == pytest.approx(z, abs=0.2)


@pytest.mark.parametrize("line", LINES.values(), ids=LINES)
def test_reflection_at_the_resonance_through_a_line(line: Line | None) -> None:
    fit = fit_of(CIRCLE, line)
    gamma = CIRCLE.detuned + CIRCLE.drop
    assert reflection_at(fit, F0, Z0) == pytest.approx(
        complex(through(np.array([gamma]), line)[0]), rel=1e-12
    )
    assert reflection_at(fit, F0, Z0, "antenna") == pytest.approx(gamma, rel=1e-12)


def test_reflection_at_includes_the_fits_own_delay() -> None:
    circle = Circle(F0, QL, 0.9 - 0.15j, -0.8 + 0.25j, 40e-9, 7.05e6)
    f = 7.13e6
    expected = circle.reflection(np.array([f]))[0]
    assert reflection_at(fit_of(circle, None), f) == pytest.approx(complex(expected), rel=1e-12)


def test_map_to_plane_is_the_reflection_with_the_fits_own_delay() -> None:
    circle = Circle(F0, QL, 0.9 - 0.15j, -0.8 + 0.25j, 40e-9, 7.0e6)
    for line in LINES.values():
        fit = fit_of(circle, line)
        (a, b), (c, d) = _map_to_plane(fit, Z0, F0, "analyzer")
        gamma = circle.detuned + circle.drop
        mapped = (a * gamma + b) / (c * gamma + d)
        assert abs(mapped) == pytest.approx(abs(reflection_at(fit, F0, Z0)), rel=1e-12)


def test_plane_of_the_antenna_leaves_the_line_out() -> None:
    sweep = Sweep(F, CIRCLE.reflection(F))
    bare = find_match(sweep, fit_of(CIRCLE, None))
    behind = find_match(sweep, fit_of(CIRCLE, LINES["of another impedance"]), plane="antenna")
    assert behind == bare


def test_uncertainties_are_the_spread_of_drawn_circles() -> None:
    spread = np.array([300.0, 0.4, 0.0, 1e-3, 2e-3, 1.5e-3, 1e-3])
    correlation = 0.3 * np.ones((7, 7)) + 0.7 * np.eye(7)
    covariance = correlation * spread[:, None] * spread
    match = find_match(Sweep(F, CIRCLE.reflection(F)), fit_of(CIRCLE, None, covariance))
    draws = 1000
    mean = [F0, QL, 0.0, 0.9, -0.15, -0.8, 0.25]
    unknowns = np.random.default_rng(3).multivariate_normal(mean, covariance, draws)
    sweep = Sweep(F, CIRCLE.reflection(F))
    fits = [
        fit_of(Circle(*u[:2], complex(*u[3:5]), complex(*u[5:]), 0.0, F0), None) for u in unknowns
    ]
    found = find_matches([sweep] * draws, fits)
    # The spread of a standard deviation over n draws is 1/sqrt(2n): four of these.
    within = 4 / np.sqrt(2 * draws)
    for u, values in (
        (match.u_swr_min, [m.swr_min for m in found]),
        (match.u_f_swr_min_hz, [m.f_swr_min_hz for m in found]),
        (match.u_swr_bandwidth_hz["2"], [m.swr_bandwidth_hz["2"] for m in found]),
        (match.u_swr_bandwidth_hz["3"], [m.swr_bandwidth_hz["3"] for m in found]),
    ):
        assert u == pytest.approx(np.std(np.array(values, dtype=float)), rel=within)


class TestEdgesOfTheSweep:
    def match(self, low: float, high: float) -> Match:
        """The match of a sweep that ends at these frequencies, its points elsewhere all alike."""
        f = np.linspace(low, high, 51)
        return find_match(Sweep(f, CIRCLE.reflection(f)), fit_of(CIRCLE, None), levels=(3.0,))

    def edges(self) -> tuple[float, float]:
        """Where the SWR crosses 3."""
        f = np.arange(F[0], F[-1], 1.0)
        magnitude = np.abs(CIRCLE.reflection(f))
        inside = f[magnitude <= 0.5]
        return float(inside[0]), float(inside[-1])

    def test_a_width_needs_both_edges_within(self) -> None:
        low, high = self.edges()
        assert self.match(low - 10, high + 10).swr_bandwidth_hz["3"] is not None
        assert self.match(low + 10, high + 10).swr_bandwidth_hz["3"] is None
        assert self.match(low - 10, high - 10).swr_bandwidth_hz["3"] is None

    def test_its_ends_belong_to_it(self) -> None:
        covariance = np.diag([1.0, 1e-4, 0, 1e-6, 1e-6, 1e-6, 1e-6])
        fit = fit_of(CIRCLE, None, covariance)
        best = find_match(Sweep(F, CIRCLE.reflection(F)), fit).f_swr_min_hz
        assert best is not None
        for f in (np.linspace(best, best + 2e4, 51), np.linspace(best - 2e4, best, 51)):
            match = find_match(Sweep(f, CIRCLE.reflection(f)), fit)
            assert match.f_swr_min_hz == best
            assert match.u_swr_min is not None

    @pytest.mark.parametrize("side", [-1, 1])
    def test_a_best_match_beyond_the_sweep_is_not_extrapolated(self, side: int) -> None:
        best = find_match(Sweep(F, CIRCLE.reflection(F)), fit_of(CIRCLE, None)).f_swr_min_hz
        assert best is not None
        f = best + side * np.linspace(100, 20e3, 51)[::side]
        match = find_match(Sweep(f, CIRCLE.reflection(f)), fit_of(CIRCLE, None))
        assert match.f_swr_min_hz == f[0 if side > 0 else -1]
        assert match.u_swr_min is None


class TestWithoutAModel:
    # Magnitudes whose crossings of 1/3, SWR 2, are at 2.5 and at 5.25 of the frequency's steps.
    magnitude = np.array(
        [0.9, 0.8, 1 / 3 + 0.1, 1 / 3 - 0.1, 0.05, 1 / 3 - 0.05, 1 / 3 + 0.15, 0.9]
    )
    f = 7e6 + 1e4 * np.arange(8.0)

    def test_widths_lie_between_linear_crossings(self) -> None:
        match = find_match(Sweep(self.f, self.magnitude.astype(complex)), Resonance("refused"))
        assert match.swr_bandwidth_hz["2"] == pytest.approx(1e4 * (5.25 - 2.5), rel=1e-9)
        assert match.swr_min == pytest.approx(1.05 / 0.95)
        assert match.f_swr_min_hz == self.f[4]
        assert match.impedance_ohm == (pytest.approx(50 * 1.05 / 0.95), 0)

    def test_points_missing_are_passed_over(self) -> None:
        gamma = np.insert(self.magnitude.astype(complex), 2, np.nan)
        f = np.insert(self.f, 2, self.f[1] + 5e3)
        match = find_match(Sweep(f, gamma), Resonance("refused"))
        assert match.swr_bandwidth_hz["2"] == pytest.approx(1e4 * (5.25 - 2.5), rel=1e-9)

    @pytest.mark.parametrize("part", [slice(3, None), slice(None, 6)])
    def test_a_side_never_crossed_has_no_width(self, part: slice) -> None:
        sweep = Sweep(self.f[part], self.magnitude[part].astype(complex))
        assert find_match(sweep, Resonance("refused")).swr_bandwidth_hz["2"] is None

    def test_a_best_point_above_the_level_has_no_width(self) -> None:
        sweep = Sweep(self.f, np.maximum(self.magnitude, 0.4).astype(complex))
        assert find_match(sweep, Resonance("refused")).swr_bandwidth_hz["2"] is None

    def test_impedance_needs_the_phase(self) -> None:
        sweep = Sweep(self.f, self.magnitude.astype(complex), content="magnitude")
        assert find_match(sweep, Resonance("refused")).impedance_ohm is None


class TestTwoCandidates:
    def test_have_no_impedance_at_the_match(self) -> None:
        other = Estimate(400.0, 1.0, 398.0, 402.0)
        fit = Resonance(
            "doubtful", circle=CIRCLE, covariance=np.zeros((7, 7)), q_unloaded_other=other
        )
        assert find_match(Sweep(F, CIRCLE.reflection(F)), fit).impedance_ohm is None


class TestQuadratics:
    x = np.linspace(-50, 50, 1_000_001)

    @pytest.mark.parametrize("seed", range(6))
    def test_squared_magnitude_of_a_linear_function(self, seed: int) -> None:
        p, q = np.random.default_rng(seed).normal(size=(2, 2)) @ np.array([1, 1j])
        two, one, zero = _quadratic(np.array([p]), np.array([q]))
        for x in (-1.7, 0.0, 0.4, 3.0):
            assert two * x**2 + one * x + zero == pytest.approx(abs(p + q * 1j * x) ** 2)

    @pytest.mark.parametrize("seed", range(6))
    def test_minimum_of_a_ratio(self, seed: int) -> None:
        parts = np.random.default_rng(seed).normal(size=(4, 1, 2)) @ np.array([1, 1j])
        above, below = _quadratic(parts[0], parts[1]), _quadratic(parts[2], parts[3])
        (n2, n1, n0), (d2, d1, d0) = above, below
        x, value = _minimum_of_ratio(above, below)
        ratio = ((n2 * self.x + n1) * self.x + n0) / ((d2 * self.x + d1) * self.x + d0)
        assert value[0] <= ratio.min() + 1e-12
        if abs(x[0]) < 50:
            assert value[0] == pytest.approx(ratio.min(), abs=1e-6)
        there = ((n2 * x + n1) * x + n0) / ((d2 * x + d1) * x + d0)
        assert value == pytest.approx(there)

    def test_roots(self) -> None:
        a, b, c = (np.array([v, v2, v3]) for v, v2, v3 in ((2, 1, -1), (-2, 0, 0), (-12, 1, 4)))
        low, high = _roots(a, b, c)
        # 2 (x - 3)(x + 2); x^2 + 1 has none; a downward parabola has no inside.
        assert (low[0], high[0]) == (-2, 3)
        assert np.isnan([low[1], high[1], low[2], high[2]]).all()

    def test_roots_of_a_level_just_touched(self) -> None:
        low, high = _roots(np.array([1.0]), np.array([-2.0]), np.array([1.0]))
        assert (low[0], high[0]) == (1, 1)

    def test_frequency_inverts_the_detuning(self) -> None:
        f = np.array([3.0e6, 7.1e6, 9.9e6])
        assert _frequency(f / F0 - F0 / f, np.array([F0])) == pytest.approx(f, rel=1e-12)


def test_a_match_that_cannot_be_computed_names_every_level(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("broken")

    monkeypatch.setattr("sweeplab.resonance.match._find_all", broken)
    (match,) = find_matches([Sweep(F, CIRCLE.reflection(F))], [fit_of(CIRCLE, None)])
    assert match.swr_bandwidth_hz == {"2": None, "3": None}
    assert match.swr_min is None
    assert len(match.findings) == 1
