"""The figures behind each finding on a fit, and the sweeps that are refused before one."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sweeplab import Circle, Sweep
from sweeplab.finding import Finding
from sweeplab.resonance.diagnostics import FitDiagnostics, largest_point_share
from sweeplab.resonance.interference import (
    HALF_NORMAL_MEDIAN,
    RAYLEIGH_MEDIAN,
    noise_from_neighbours,
    without_outliers,
)
from sweeplab.resonance.next_sweep import NextSweep, next_sweep
from sweeplab.resonance.quality import judge
from sweeplab.resonance.screening import screen
from sweeplab.resonance.unexplained_loss import alternative_interpretation, unexplained_loss

# A good sweep: nothing to say of it.
GOOD = FitDiagnostics(
    f_loaded_hz=7.1e6, q_loaded=300.0, position=0.0, span_bandwidths=6.0, chi_square_gain=1e6,
    null_advantage=-1e5, step_gain=0.0, drift=None, points_in_bandwidth=33, max_point_share=0.1,
    u_q_loaded=0.002, u_q_unloaded=0.003, diameter=0.75, u_diameter=0.001, misfit=0.0,
    inflation=1.0, detuned_magnitude=0.98, u_detuned_magnitude=1e-3, largest_reflection=0.99,
    noise=1e-3, points_set_aside=0, points_measured=201,
)  # fmt: skip


def only(determined: bool = True, **changed: float) -> Finding:
    """The one finding on a fit with these figures."""
    _, (finding,) = judge(GOOD._replace(**changed), determined)
    return finding


@pytest.mark.parametrize(
    ("changed", "code", "evidence"),
    [
        ({"chi_square_gain": 50.0}, "no-resonance", {"chi_square_gain": 50.0, "needed": 60.0}),
        ({"q_loaded": 4.0}, "not-isolated", {"q_loaded": 4.0}),
        ({"span_bandwidths": 0.5}, "span-too-narrow", {"half_power_bandwidths_in_span": 0.5}),
        ({"position": -0.7}, "outside-span", {"place_in_span": -0.7}),
        ({"null_advantage": 20.0}, "ripple-or-step", {"chi_square_better": 20.0}),
        ({"max_point_share": 0.9}, "too-few-in-bandwidth", {"points_in_bandwidth": 33.0}),
        ({"diameter": 0.02}, "hardly-a-dip", {"diameter": 0.02}),
        ({"u_q_loaded": 0.7}, "too-noisy", {"u_q_loaded_relative": 0.7}),
        ({"u_q_loaded": math.inf}, "too-noisy", {"u_q_loaded_relative": math.inf}),
        ({"misfit": 0.2}, "not-one-resonance", {"misfit_relative": 0.2}),
        (
            {"detuned_magnitude": 0.05, "diameter": 0.8},
            "not-a-reflection",
            {"detuned_reflection": 0.05, "circle_diameter": 0.05 * 0.8},
        ),
        (
            {"span_bandwidths": 1.0, "q_loaded": 100.0},
            "span-narrow",
            {"half_power_bandwidths_in_span": 1.0},
        ),
        (
            {"u_q_unloaded": math.nan},
            "overcoupled-beyond-model",
            {"diameter": 0.75, "u": 0.001},
        ),
        (
            {"u_q_unloaded": 0.2},
            "uncertain",
            {"u_q_unloaded_relative": 0.2, "points_in_bandwidth": 33.0},
        ),
        ({"q_loaded": 10.0}, "low-q", {"q_loaded": 10.0}),
        ({"null_advantage": -5.0}, "ripple-or-resonance", {"chi_square_better": -5.0}),
        (
            {"misfit": 0.05, "inflation": 2.5},
            "misfit",
            {"misfit_relative": 0.05, "widened_by": 2.5},
        ),
        (
            {"detuned_magnitude": 1.1, "largest_reflection": 1.15},
            "more-than-all",
            {"largest_reflection": 1.15, "detuned_reflection": 1.1},
        ),
        ({"points_set_aside": 3}, "set-aside", {"points_set_aside": 3.0}),
        (
            {"q_loaded": 2000.0},
            "drift-unseen",
            {"q_loaded_relative": 17e-6 * 2000 / 6, "u_q_loaded_relative": 0.002},
        ),
    ],
)
def test_holds_the_figures_it_speaks_of(
    changed: dict[str, float], code: str, evidence: dict[str, float]
) -> None:
    finding = only(**changed)
    assert finding.code == code
    assert dict(finding.evidence) == pytest.approx(evidence)


def test_height_of_a_step_follows_from_its_gain() -> None:
    # A step of height h in the middle of n points gains n h^2/(4 sigma^2): on h = 0.02 of the
    # circle, 0.75 * 0.98 wide, with sigma = 1e-3 and n = 190.
    height = 0.02
    gain = 190 * (height * 0.75 * 0.98) ** 2 / (4 * 1e-3**2)
    _, findings = judge(GOOD._replace(step_gain=gain, points_set_aside=11), True)
    (step,) = [finding for finding in findings if finding.code == "step-in-sweep"]
    assert step.level == "note"
    assert dict(step.evidence) == pytest.approx(
        {"chi_square_gain": gain, "height_relative": height}
    )
    assert "about 2.0 % of the circle" in step.text


def test_step_counts_for_less_where_neighbours_are_correlated() -> None:
    changed = GOOD._replace(step_gain=90.0)
    assert [finding.code for finding in judge(changed, True)[1]] == ["step-in-sweep"]
    assert judge(changed._replace(inflation=2.0), True)[1] == []


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"position": -0.7}, ("below", "down")),
        ({"position": 0.7}, ("above", "up")),
        ({"diameter": 0.02}, ("takes 2.0 % off",)),
        ({"misfit": 0.2}, ("misfit is 20 % of",)),
        ({"misfit": 0.05}, ("together, by 5.0 %",)),
        ({"detuned_magnitude": 0.05, "diameter": 0.8}, ("5 % come back", "diameter is 4 %")),
        ({"u_q_unloaded": 0.2}, ("known to 20 %", "33 points")),
        ({"q_loaded": 2000.0}, ("17 millionths", "make 0.6 %")),
        ({"points_set_aside": 3}, ("3 of 201 points",)),
        ({"detuned_magnitude": 1.1, "largest_reflection": 1.15}, ("up to 1.150",)),
    ],
)
def test_says_the_figures_in_per_cent(changed: dict[str, float], words: tuple[str, ...]) -> None:
    finding = only(**changed)
    for word in words:
        assert word in finding.text + finding.action


@pytest.mark.parametrize(
    "changed",
    [
        {"span_bandwidths": 0.5},
        {"u_q_loaded": 0.7},
        {"max_point_share": 0.9},
        {"u_q_unloaded": 0.2},
    ],
)
def test_says_the_sweep_to_take_next(changed: dict[str, float]) -> None:
    assert only(**changed).action == str(next_sweep(7.1e6, 300.0, 0.75, 1e-3))


def test_a_note_alone_leaves_a_fit_ok() -> None:
    assert judge(GOOD._replace(points_set_aside=3), True)[0] == "ok"
    assert judge(GOOD._replace(q_loaded=10.0), True)[0] == "doubtful"
    assert judge(GOOD, False)[0] == "refused"
    assert only(determined=False).code == "not-determined"


class TestNextSweep:
    def test_is_six_bandwidths_wide_about_the_resonance(self) -> None:
        advised = next_sweep(7.1e6, 284.0, 0.9, 1e-4)
        # A bandwidth of 7.1 MHz / 284 is 25 kHz.
        assert (advised.f_start_hz, advised.f_stop_hz) == pytest.approx((7.025e6, 7.175e6))
        assert advised.points == 101
        assert 0 < advised.u_q_unloaded < 0.01

    @pytest.mark.parametrize(
        ("half_hz", "shown"),
        [
            # To a fiftieth of half the span, or better.
            (75e3, "Sweep 7.025 to 7.175 MHz with 201 points"),
            (40e3, "Sweep 7.0600 to 7.1400 MHz with 201 points"),
            (2e6, "Sweep 5.10 to 9.10 MHz with 201 points"),
        ],
    )
    def test_is_written_as_finely_as_its_span_asks(self, half_hz: float, shown: str) -> None:
        text = str(NextSweep(7.1e6 - half_hz, 7.1e6 + half_hz, 201, 0.0123))
        assert text.startswith(shown)
        assert "about 1.2 %." in text


class TestRefusedUnfitted:
    f = np.linspace(7e6, 7.2e6, 21)

    def test_too_few_points(self) -> None:
        gamma = np.exp(1j * np.arange(21.0))
        gamma[5:] = np.nan
        finding = screen(Sweep(self.f, gamma))
        assert finding is not None
        assert (finding.code, dict(finding.evidence)) == ("too-few-points", {"points": 5.0})
        assert "201 points" in finding.action

    def test_all_points_alike(self) -> None:
        finding = screen(Sweep(self.f, np.full(21, 0.3 + 0.4j)))
        assert finding is not None
        assert (finding.code, dict(finding.evidence)) == ("flat", {"reflection": 0.5})

    @pytest.mark.parametrize("odd", [1, 10, 20])
    def test_a_single_point_that_differs_is_not_flat(self, odd: int) -> None:
        gamma = np.full(21, 0.3 + 0.4j)
        gamma[odd] = 0.1
        assert screen(Sweep(self.f, gamma)) is None

    @pytest.mark.parametrize(("low", "high"), [(0.5, 7e6), (7e6, 2e12), (7e6, 7e6 + 1e-3)])
    def test_frequencies_no_analyzer_sweeps(self, low: float, high: float) -> None:
        finding = screen(Sweep(np.linspace(low, high, 21), np.exp(1j * np.arange(21.0))))
        assert finding is not None
        assert finding.code == "frequencies-implausible"
        assert dict(finding.evidence) == {"f_start_hz": low, "f_stop_hz": high}

    @pytest.mark.parametrize("huge", [3e6, 3e6j, -3e6, -3e6j])
    def test_reflections_no_antenna_has(self, huge: complex) -> None:
        gamma = np.exp(1j * np.arange(21.0))
        gamma[3] = huge
        finding = screen(Sweep(self.f, gamma))
        assert finding is not None
        assert finding.code == "reflections-implausible"
        assert dict(finding.evidence) == {"largest_reflection": 3e6}


class TestUnexplainedLoss:
    # By hand for Gd = 0.8, B = -0.6 (so |SV| = 0.8, the dip at 0.2 on the same side: cos phi = 1):
    # D = (1 - 0.64)/(1 - 0.8) = 1.8, beta = 0.6/(1.8 - 0.6) = 1/2, Q0 = 1.5 QL.
    circle = Circle(7.1e6, 200.0, 0.8 + 0j, -0.6 + 0j, 0.0, 7.1e6)

    def test_touching_circle_by_hand(self) -> None:
        assert alternative_interpretation(self.circle) == pytest.approx((300.0, 0.5))

    def test_touching_circle_off_the_line_by_hand(self) -> None:
        circle = Circle(7.1e6, 200.0, 0.8 + 0j, -0.3j, 0.0, 7.1e6)
        # |near|^2 = 0.73 = far^2 + d^2, cos phi = 0, D = 0.36, beta = 0.3/0.06.
        assert alternative_interpretation(circle) == pytest.approx((200 * 6, 5.0))
        wide = Circle(7.1e6, 200.0, 0.8 + 0j, -0.6j, 0.0, 7.1e6)
        assert alternative_interpretation(wide) is None

    def test_gain_takes_the_circle_as_measured(self) -> None:
        circle = Circle(7.1e6, 200.0, 1.1 + 0j, -0.5 + 0j, 0.0, 7.1e6)
        assert alternative_interpretation(circle) == pytest.approx((200 / 0.75, 1 / 3))

    @pytest.mark.parametrize(
        ("described", "action"), [(True, "calibrate there."), (False, "describe it under")]
    )
    def test_finding_holds_both_unloaded_q(self, described: bool, action: str) -> None:
        other = unexplained_loss(self.circle, 0.01, 320.0, described)
        assert other is not None
        assert other[:2] == pytest.approx((300.0, 0.5))
        finding = other[2]
        assert finding is not None
        assert dict(finding.evidence) == pytest.approx(
            {"detuned_reflection": 0.8, "u": 0.01, "q_unloaded_other_reading": 300.0}
        )
        # 20 log10(1/0.8) = 1.938 dB.
        assert "1.94 dB are lost" in finding.text
        assert "320 if the line takes it, 300 if not" in finding.text
        assert action in finding.action

    def test_gain_is_said_to_be_gain(self) -> None:
        circle = Circle(7.1e6, 200.0, 1.25 + 0j, -0.5 + 0j, 0.0, 7.1e6)
        other = unexplained_loss(circle, 0.01, 320.0, False)
        assert other is not None
        assert other[2] is not None
        assert "1.94 dB above all of it" in other[2].text

    def test_what_is_impossible_is_no_alternative(self) -> None:
        wide = Circle(7.1e6, 200.0, 0.8 + 0j, -0.6j, 0.0, 7.1e6)
        assert unexplained_loss(wide, 0.01, 320.0, False) is None


class TestOutliers:
    def test_reach_of_the_median(self) -> None:
        # Deviations 1 to 4 have the median 2.5: the limit is 2.5/0.6745 times the reach.
        deviation = np.array([[1.0, 2.0, 3.0, 4.0] * 10 + [0.0]])
        measured = np.ones((1, 41), dtype=bool)
        measured[0, -1] = False
        limit = 2.5 / HALF_NORMAL_MEDIAN * 3.0
        for last, kept in ((limit - 1e-6, True), (limit + 1e-6, False)):
            moved = deviation.copy()
            moved[0, 3] = last
            counts = without_outliers(moved, measured, HALF_NORMAL_MEDIAN, 0.0, reach=3.0)
            assert bool(counts[0, 3]) is kept
            assert counts[0, [0, 1, 2, *range(4, 40)]].all()
            assert not counts[0, 40]

    def test_many_outliers_are_none(self) -> None:
        deviation = np.ones((2, 20))
        deviation[0, :3] = 100  # 15 % of the points, no more
        deviation[1, :4] = 100
        counts = without_outliers(deviation, np.ones((2, 20), bool), HALF_NORMAL_MEDIAN, 0.0, 3.0)
        assert counts.sum(axis=1).tolist() == [17, 20]

    def test_medians_of_white_noise(self) -> None:
        # The half-normal median is the normal quantile of 3/4, 0.67449; Rayleigh's sqrt(2 ln 2).
        assert pytest.approx(0.67449, abs=1e-4) == HALF_NORMAL_MEDIAN
        assert pytest.approx(1.17741, abs=1e-5) == RAYLEIGH_MEDIAN

    def test_noise_of_a_smooth_curve(self) -> None:
        # The median of n magnitudes has the relative spread 0.79 sqrt(6/n) at most, 3 %: three of
        # these.
        noise = np.random.default_rng(8).normal(scale=0.01, size=4000)
        curve = 1 + 0.2 * np.linspace(-1, 1, 4000) ** 2
        assert noise_from_neighbours(curve + noise) == pytest.approx(0.01, rel=0.1)


def test_largest_share_of_one_point_by_its_definition() -> None:
    x = np.array([[-8.0, -3.0, -0.6, 0.1, 1.5, 4.0]])
    weight = np.array([[1.0, 1.0, 1.0, 1.0, 0.0, 1.0]])
    shape = 1 / (1 + 1j * x[0])
    mean = (weight[0] * shape).sum() / 5
    deviation = weight[0] * np.abs(shape - mean) ** 2
    share = largest_point_share(x, weight)
    assert share == pytest.approx([deviation.max() / deviation.sum()])
