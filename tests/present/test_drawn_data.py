"""What a plot draws is what it was given, in the unit its axis names."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from simulated import Truth

from sweeplab.estimate import Estimate
from sweeplab.line import Line
from sweeplab.present import plots
from sweeplab.resonance import Resonance, fit_resonance
from sweeplab.sweep import Sweep

Fitted = tuple[Sweep, Resonance]


@pytest.fixture(scope="module")
def fitted() -> Fitted:
    """A sweep with two points that stand out, which the fit sets aside."""
    truth = Truth(noise=1e-3)
    sweep = truth.sweep(np.random.default_rng(4))
    gamma = sweep.gamma.copy()
    gamma[[20, 150]] += 0.4
    sweep = sweep.with_gamma(gamma)
    return sweep, fit_resonance(sweep)


@pytest.fixture
def ax() -> Iterator[Axes]:
    with plots.styled():
        yield plots.figure().subplots()


def drawn(ax: Axes, label: str) -> tuple[np.ndarray, np.ndarray]:
    line = next(line for line in ax.lines if line.get_label() == label)
    assert isinstance(line, Line2D)
    return np.asarray(line.get_xdata()), np.asarray(line.get_ydata())


def test_measured_points_stand_at_their_frequency_and_size(ax: Axes, fitted: Fitted) -> None:
    sweep, resonance = fitted
    plots.reflection(ax, sweep, resonance)
    assert resonance.kept is not None
    assert ax.get_xlabel() == "frequency (MHz)"
    for label, which in (("measured", resonance.kept), ("set aside", ~resonance.kept)):
        assert which.any()
        f_mhz, size = drawn(ax, label)
        np.testing.assert_allclose(f_mhz, sweep.f_hz[which] / 1e6, rtol=1e-12)
        np.testing.assert_allclose(size, abs(sweep.gamma[which]), rtol=1e-12)


def test_the_fit_runs_through_the_points_from_end_to_end(ax: Axes, fitted: Fitted) -> None:
    sweep, resonance = fitted
    plots.reflection(ax, sweep, resonance)
    f_mhz, size = drawn(ax, "fit")
    assert f_mhz[[0, -1]] * 1e6 == pytest.approx(sweep.f_hz[[0, -1]])
    at_points = np.interp(sweep.f_hz / 1e6, f_mhz, size)
    # The sweep's formula without its noise; points are 1e-3 off, the fit a few times less.
    np.testing.assert_allclose(at_points, abs(Truth().reflection()), atol=1e-3)


def test_the_resonance_is_marked_at_its_frequency(ax: Axes, fitted: Fitted) -> None:
    sweep, resonance = fitted
    plots.reflection(ax, sweep, resonance)
    assert resonance.f_loaded_hz is not None
    upright = [line.get_xdata() for line in ax.lines if len(set(line.get_xdata())) == 1]
    assert [float(x[0]) for x in upright] == pytest.approx([resonance.f_loaded_hz.value / 1e6])


def test_swr_marks_stand_at_their_reflection(ax: Axes, fitted: Fitted) -> None:
    plots.reflection(ax, *fitted)
    (right,) = ax.child_axes
    for place, label in zip(right.get_yticks(), right.get_yticklabels(), strict=True):
        # SWR = (1 + |G|)/(1 - |G|), any textbook.
        assert (1 + place) / (1 - place) == pytest.approx(float(label.get_text()))
    assert right.get_ylabel() == "SWR"


def test_the_smith_chart_shows_points_at_the_lines_far_end(ax: Axes) -> None:
    # A lossless line of 3 m at 0.66 of light's speed, written out here.
    truth = Truth(noise=1e-4)
    delay_s = 2 * 3.0 / (0.66 * 299_792_458.0)
    turned = truth.reflection() * np.exp(-2j * np.pi * truth.f_hz * delay_s)
    sweep = Sweep(truth.f_hz, turned)
    line = Line(length_m=3.0, velocity_factor=0.66)
    resonance = fit_resonance(sweep, line=line)
    plots.smith(ax, sweep, resonance)
    assert resonance.circle is not None
    x, y = drawn(ax, "measured")
    np.testing.assert_allclose(x + 1j * y, truth.reflection(), atol=2e-3)
    (x,), (y,) = drawn(ax, "resonance")
    # At resonance the detuned reflection less the circle's diameter.
    beta = truth.coupling_factor
    assert x + 1j * y == pytest.approx(np.exp(1j * truth.angle) * (1 - beta) / (1 + beta), abs=3e-3)


def test_bars_of_loss_and_their_ends_are_the_budgets(ax: Axes) -> None:
    budget = {
        "r_total_ohm": Estimate.normal(0.130, 0.002),
        "r_radiation_ohm": Estimate.normal(0.090, 0.001),
        "r_ground_ohm": Estimate.normal(-0.010, 0.003),
        "r_conductor_ohm": Estimate.normal(0.050, 0.004),
    }
    plots.loss_bars(ax, {"40m": budget})
    assert "milliohm" in ax.get_xlabel()
    assert [bar.get_width() for bar in ax.patches] == pytest.approx([90, -10, 50])
    assert [bar.get_x() for bar in ax.patches] == pytest.approx([0, 0, 90])
    ends = [bars for bars in ax.containers if type(bars).__name__ == "ErrorbarContainer"]
    reach = []
    for bars in ends:
        ((a, _), (b, _)) = bars.lines[2][0].get_segments()[0]
        reach.append(((a + b) / 2, (b - a) / 2))
    assert np.array(reach) == pytest.approx(np.array([(90, 1), (-10, 3), (140, 4)]))


def test_before_and_after_show_both_ends_of_their_intervals(ax: Axes) -> None:
    before, after = Estimate(0.05, 0.01, 0.02, 0.06), Estimate(0.08, 0.01, 0.07, 0.13)
    plots.before_after(ax, [("40m", before, after)], "efficiency (%)", 100)
    spans = [bars.lines[2][0].get_segments()[0][:, 0] for bars in ax.containers]
    assert np.array(spans) == pytest.approx(np.array([(2, 6), (7, 13)]))
