"""Both sides of every limit at which a fit is refused, doubted, or has something to say."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from sweeplab import Circle, Estimate, Sweep, find_match
from sweeplab.resonance.api import _unloaded_frequency
from sweeplab.resonance.circle.uncertainty import correlation_inflation, coupling_of
from sweeplab.resonance.diagnostics import FitDiagnostics, _misfit
from sweeplab.resonance.match import _impedance
from sweeplab.resonance.next_sweep import expected_u, next_sweep
from sweeplab.resonance.quality import judge
from sweeplab.resonance.screening import screen
from sweeplab.resonance.unexplained_loss import unexplained_loss

# A good sweep: nothing to say of it.
GOOD = FitDiagnostics(
    f_loaded_hz=7.1e6,
    q_loaded=300.0,
    position=0.0,
    span_bandwidths=6.0,
    chi_square_gain=1e6,
    null_advantage=-1e5,
    step_gain=0.0,
    drift=None,
    points_in_bandwidth=33,
    max_point_share=0.1,
    u_q_loaded=0.002,
    u_q_unloaded=0.003,
    diameter=0.75,
    u_diameter=0.001,
    misfit=0.0,
    inflation=1.0,
    detuned_magnitude=0.98,
    u_detuned_magnitude=1e-3,
    largest_reflection=0.99,
    noise=1e-3,
    points_set_aside=0,
    points_measured=201,
)
Changed = dict[str, float]


def verdict(changed: Changed, determined: bool = True) -> tuple[str, set[tuple[str, str]]]:
    """Return the status, and code and level of every finding."""
    status, findings = judge(GOOD._replace(**changed), determined)
    return status, {(finding.code, finding.level) for finding in findings}


def test_of_a_good_sweep_there_is_nothing_to_say() -> None:
    assert verdict({}) == ("ok", set())


class TestRefused:
    @pytest.mark.parametrize(
        ("code", "refused", "not_refused"),
        [
            ("no-resonance", {"chi_square_gain": 59}, {"chi_square_gain": 61}),
            ("not-isolated", {"q_loaded": 4.9}, {"q_loaded": 5.1}),
            ("span-too-narrow", {"span_bandwidths": 0.79}, {"span_bandwidths": 0.81}),
            ("outside-span", {"position": 0.51}, {"position": 0.49}),
            ("outside-span", {"position": -0.51}, {"position": -0.49}),
            ("ripple-or-step", {"null_advantage": 12.5}, {"null_advantage": 11.5}),
            ("too-few-in-bandwidth", {"max_point_share": 0.71}, {"max_point_share": 0.69}),
            ("hardly-a-dip", {"diameter": 0.029}, {"diameter": 0.031}),
            ("too-noisy", {"u_q_loaded": 0.51}, {"u_q_loaded": 0.49}),
            ("not-one-resonance", {"misfit": 0.125}, {"misfit": 0.115}),
            # The reflection off resonance may be this small compared with the circle,
            (
                "not-a-reflection",
                {"detuned_magnitude": 0.095, "u_detuned_magnitude": 0},
                {"detuned_magnitude": 0.105, "u_detuned_magnitude": 0},
            ),
            # and this little where the circle has grown far beyond it.
            (
                "not-a-reflection",
                {"detuned_magnitude": 0.31, "u_detuned_magnitude": 0, "diameter": 3.2},
                {"detuned_magnitude": 0.32, "u_detuned_magnitude": 0, "diameter": 3.2},
            ),
            (
                "not-a-reflection",
                {"detuned_magnitude": 0.2, "u_detuned_magnitude": 0, "diameter": 3.1},
                {"detuned_magnitude": 0.2, "u_detuned_magnitude": 0, "diameter": 2.9},
            ),
            # Four standard uncertainties may reach up to the limit.
            (
                "not-a-reflection",
                {"detuned_magnitude": 0.08, "u_detuned_magnitude": 0.0045},
                {"detuned_magnitude": 0.08, "u_detuned_magnitude": 0.0055},
            ),
        ],
    )  # fmt: skip
    def test_beyond_the_limit_and_not_within(
        self, code: str, refused: Changed, not_refused: Changed
    ) -> None:
        assert verdict(refused) == ("refused", {(code, "problem")})
        status, findings = verdict(not_refused)
        assert status != "refused"
        assert code not in {found for found, _ in findings}

    def test_fewer_than_twelve_points(self) -> None:
        f = np.linspace(7e6, 7.2e6, 12)
        circle = 1 - 0.8 / (1 + 300j * (f / 7.1e6 - 7.1e6 / f))
        finding = screen(Sweep(f[:11], circle[:11]))
        assert finding is not None
        assert finding.code == "too-few-points"
        assert "201 points" in finding.action
        assert screen(Sweep(f, circle)) is None

    def test_a_trace_that_is_flat_but_for_rounding(self) -> None:
        f = np.linspace(7e6, 7.2e6, 51)
        codes = []
        for bump in (5e-10, 2e-9):
            gamma = np.full(51, 0.9 + 0j)
            gamma[10] += bump
            finding = screen(Sweep(f, gamma))
            codes.append(None if finding is None else finding.code)
        assert codes == ["flat", None]


class TestDoubted:
    @pytest.mark.parametrize(
        ("code", "doubted", "not_doubted"),
        [
            ("span-narrow", {"span_bandwidths": 1.45}, {"span_bandwidths": 1.55}),
            ("uncertain", {"u_q_unloaded": 0.105}, {"u_q_unloaded": 0.095}),
            ("low-q", {"q_loaded": 11.5}, {"q_loaded": 12.5}),
            ("ripple-or-resonance", {"null_advantage": -11.5}, {"null_advantage": -12.5}),
            (
                "more-than-all",
                {"largest_reflection": 1.2, "detuned_magnitude": 1.025},
                {"largest_reflection": 1.2, "detuned_magnitude": 1.015},
            ),
            # The noise may lift a point by five standard deviations.
            (
                "more-than-all",
                {"largest_reflection": 1.12 + 0.06, "detuned_magnitude": 1.1, "noise": 0.03},
                {"largest_reflection": 1.12 + 0.04, "detuned_magnitude": 1.1, "noise": 0.03},
            ),
        ],
    )  # fmt: skip
    def test_beyond_the_limit_and_not_within(
        self, code: str, doubted: Changed, not_doubted: Changed
    ) -> None:
        assert verdict(doubted) == ("doubtful", {(code, "warning")})
        assert verdict(not_doubted) == ("ok", set())


class TestNoted:
    def test_a_misfit_is_a_warning_from_three_per_cent_of_the_circle(self) -> None:
        assert verdict({"misfit": 0.029}) == ("ok", {("misfit", "note")})
        assert verdict({"misfit": 0.031}) == ("doubtful", {("misfit", "warning")})

    def test_a_step_in_magnitudes_needs_a_chi_square_of_25(self) -> None:
        assert verdict({"step_gain": 24.0}) == ("ok", set())
        assert verdict({"step_gain": 26.0}) == ("ok", {("step-in-sweep", "note")})
        # The inflation of the noise is allowed for: 25 times 1.5^2 is 56.
        assert verdict({"step_gain": 55.0, "inflation": 1.5}) == ("ok", set())
        assert verdict({"step_gain": 58.0, "inflation": 1.5}) == ("ok", {("step-in-sweep", "note")})

    @pytest.mark.parametrize(("noise", "level"), [(0.028, "note"), (0.034, "warning")])
    def test_a_step_in_magnitudes_is_a_warning_from_three_per_cent_of_the_circle(
        self, noise: float, level: str
    ) -> None:
        # Its height over the circle is 2 noise sqrt(step/points)/diameter.
        status, findings = verdict(
            {
                "step_gain": 25.5,
                "noise": noise,
                "points_measured": 1020,
                "detuned_magnitude": 1.0,
                "diameter": 0.32,
            }
        )
        assert findings == {("step-in-sweep", level)}
        assert status == ("doubtful" if level == "warning" else "ok")

    # One kelvin moves copper by 17e-6, and a drift of that passes for 17e-6 QL/widths of QL.
    @pytest.mark.parametrize(("q_loaded", "reported"), [(1000.0, False), (1120.0, True)])
    def test_an_undetectable_drift_of_three_thousandths(
        self, q_loaded: float, reported: bool
    ) -> None:
        _, findings = verdict({"q_loaded": q_loaded, "u_q_loaded": 1e-5})
        assert (("drift-unseen", "note") in findings) == reported

    @pytest.mark.parametrize(("u", "reported"), [(0.0053, False), (0.0047, True)])
    def test_an_undetectable_drift_of_twice_the_uncertainty(self, u: float, reported: bool) -> None:
        _, findings = verdict({"q_loaded": 0.01 * 6 / 17e-6, "u_q_loaded": u})
        assert (("drift-unseen", "note") in findings) == reported


class TestUnexplainedLoss:
    def note(self, detuned: float, u: float) -> tuple[float, float, object] | None:
        circle = Circle(7.1e6, 300.0, complex(detuned), complex(-0.75 * detuned), 0.0, 7.1e6)
        return unexplained_loss(circle, u, 2 * 300.0 / (2 - 0.75), line_described=False)

    @pytest.mark.parametrize(("u", "reported"), [(0.053, False), (0.047, True)])
    def test_is_looked_at_from_two_standard_uncertainties(self, u: float, reported: bool) -> None:
        assert (self.note(0.9, u) is not None) == reported

    @pytest.mark.parametrize(("off", "reported"), [(0.0025, False), (0.0035, True)])
    def test_is_worth_a_line_from_three_thousandths_of_unloaded_q(
        self, off: float, reported: bool
    ) -> None:
        circle = Circle(7.1e6, 300.0, 0.9 + 0j, -0.675 + 0j, 0.0, 7.1e6)
        found = unexplained_loss(circle, 1e-4, 480.0, line_described=False)
        assert found is not None
        again = unexplained_loss(circle, 1e-4, found[0] / (1 + off), line_described=False)
        assert again is not None
        assert (again[2] is not None) == reported


class TestCoupling:
    @pytest.mark.parametrize(
        ("low", "high", "name"),
        [
            (0.81, 1.24, "critical"),
            (0.79, 1.24, "unknown"),
            (0.81, 1.26, "unknown"),
            (0.5, 0.99, "under"),
            (1.01, 1.5, "over"),
        ],
    )
    def test_is_called_critical_from_four_fifths_to_five_fourths(
        self, low: float, high: float, name: str
    ) -> None:
        assert coupling_of(Estimate(1.0, 0.1, low, high)) == name


class TestCorrelatedResiduals:
    def inflation(self, correlation: float, points: float = 200.0) -> float:
        return float(correlation_inflation(np.array([correlation]), np.array([points]))[0])

    def test_widen_from_three_standard_deviations(self) -> None:
        # Of 200 points the correlation scatters by 1/20.
        assert self.inflation(0.145) == 1.0
        assert self.inflation(0.155) == pytest.approx(np.sqrt(1.155 / 0.845))

    def test_widen_tenfold_at_most(self) -> None:
        # sqrt(1.97/0.03) and sqrt(1.98/0.02).
        assert self.inflation(0.97) == pytest.approx(8.103, abs=1e-3)
        assert self.inflation(0.99) == pytest.approx(9.950, abs=1e-3)

    def test_are_a_misfit_from_three_standard_deviations(self) -> None:
        fitted = SimpleNamespace(
            correlation=np.array([0.145, 0.155]),
            sigma=np.full(2, 1e-3),
            batch=SimpleNamespace(weight=np.ones((2, 200))),
            fit=SimpleNamespace(linear=np.full((2, 2), 0.75 + 0j)),
        )
        none, some = _misfit(fitted)  # type: ignore[arg-type]
        assert none == 0
        assert some == pytest.approx(np.sqrt(0.31) * 1e-3 / 0.75)


class TestNextSweep:
    def test_covers_six_half_power_bandwidths(self) -> None:
        advised = next_sweep(7.1e6, 300.0, 0.75, 1e-3)
        assert advised.f_stop_hz - advised.f_start_hz == pytest.approx(6 * 7.1e6 / 300)

    def test_has_as_many_points_as_give_one_per_cent(self) -> None:
        first = next_sweep(7.1e6, 300.0, 0.75, 1e-3)
        assert first.points == 101
        # The uncertainty goes with the noise.
        for share, points in ((0.95, 101), (1.05, 201)):
            noise = 1e-3 * share * 0.01 / first.u_q_unloaded
            assert next_sweep(7.1e6, 300.0, 0.75, noise).points == points

    def test_expects_of_a_circle_next_to_total_reflection_what_it_does_of_one_of_1_95(self) -> None:
        def u(diameter: float) -> float:
            return expected_u(7.1e6, 300.0, diameter, 1e-3, 7.0e6, 7.2e6, 201)

        assert u(1.93) < u(1.94) < u(1.95)
        assert u(1.96) == u(1.95)


class TestAnOpen:
    def test_shows_no_impedance(self) -> None:
        assert _impedance(1 - 6e-10 + 0j, 50.0) is None
        assert _impedance(1 - 2e-9 + 0j, 50.0) is not None
        # And so the match has none to show.
        f = np.linspace(7e6, 7.2e6, 5)
        assert find_match(Sweep(f, np.full(5, 1 - 6e-10 + 0j))).impedance_ohm is None
        assert find_match(Sweep(f, np.full(5, 1 - 2e-9 + 0j))).impedance_ohm is not None

    @pytest.mark.parametrize(("turn", "known"), [(7e-7, False), (2e-6, True)])
    def test_shows_no_reactance_to_undo_the_pull_of(self, turn: float, known: bool) -> None:
        circle = Circle(7.1e6, 300.0, complex(np.exp(1j * turn)), -0.75 + 0j, 0.0, 7.1e6)
        found = SimpleNamespace(
            circles=[circle],
            covariance=1e-12 * np.eye(7)[None],
            f_loaded=SimpleNamespace(u_relative=np.array([1e-6])),
        )
        q_unloaded, beta = Estimate.normal(480.0, 1.0), Estimate.normal(0.6, 0.01)
        pulled = _unloaded_frequency(found, 0, q_unloaded, beta, 50.0)  # type: ignore[arg-type]
        assert (pulled is not None) == known
