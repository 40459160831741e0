"""Plots: they draw on what they are given, read without colour, and come out the same each time."""

from __future__ import annotations

import sys
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from sweeplab.estimate import Estimate
from sweeplab.files import read_sweep
from sweeplab.present import plots
from sweeplab.resonance import fit_resonance

DEMO = Path(__file__).parents[2] / "samples" / "demo"
BUDGET = {
    "r_total_ohm": Estimate.normal(0.130, 0.002),
    "r_radiation_ohm": Estimate.normal(0.090, 0.001),
    "r_ground_ohm": Estimate.normal(-0.010, 0.002),
    "r_conductor_ohm": Estimate.normal(0.030, 0.001),
    "r_remainder_ohm": Estimate.normal(0.020, 0.002),
}


@pytest.fixture(scope="module")
def fitted():
    sweep = read_sweep(DEMO / "quay-1_40m_a.s1p")
    return sweep, fit_resonance(sweep)


@pytest.fixture
def ax():
    with plots.styled():
        yield plots.figure().subplots()


def marks(ax, label):
    return next(line for line in ax.lines if line.get_label() == label)


def test_reflection_draws_points_fit_and_those_set_aside(ax, fitted):
    sweep, resonance = fitted
    assert plots.reflection(ax, sweep, resonance) is ax
    assert len(marks(ax, "measured").get_xdata()) == int(np.sum(resonance.kept))
    assert len(marks(ax, "set aside").get_xdata()) == int(np.sum(~resonance.kept)) > 0
    fit = marks(ax, "fit")
    lowest = fit.get_xdata()[np.argmin(fit.get_ydata())]
    assert lowest * 1e6 == pytest.approx(resonance.f_loaded_hz.value, rel=1e-4)


def test_smith_chart_draws_the_fitted_circle_through_the_points(ax, fitted):
    sweep, resonance = fitted
    assert plots.smith(ax, sweep, resonance) is ax
    circle, points = marks(ax, "fitted circle"), marks(ax, "measured")
    model = circle.get_xdata() + 1j * circle.get_ydata()
    data = points.get_xdata() + 1j * points.get_ydata()
    away = np.min(np.abs(data[:, None] - model[None, :]), axis=1)
    assert np.median(away) < 3 * resonance.residual_rms


def test_a_refused_sweep_is_drawn_without_a_fit(ax):
    from sweeplab.resonance import Resonance
    from sweeplab.sweep import Sweep

    sweep = Sweep(np.linspace(7e6, 7.1e6, 11), np.full(11, 0.4 + 0.1j))
    plots.reflection(ax, sweep, Resonance("refused"))
    assert "fit" not in [line.get_label() for line in ax.lines]
    with plots.styled():
        plots.smith(plots.figure().subplots(), sweep, Resonance("refused"))


def test_loss_bars_add_up_and_differ_by_hatch(ax):
    plots.loss_bars(ax, {"40m": BUDGET})
    widths = [bar.get_width() for bar in ax.patches]
    assert sum(widths) == pytest.approx(1e3 * BUDGET["r_total_ohm"].value)
    assert len({bar.get_hatch() for bar in ax.patches}) == len(ax.patches) == 4


def test_before_and_after_differ_by_mark(ax):
    rows = [("40m", Estimate.normal(0.05, 0.01), Estimate.normal(0.08, 0.01))]
    assert plots.before_after(ax, rows, "efficiency (%)", 100) is ax
    shown = [bars.lines[0] for bars in ax.containers]
    assert [line.get_xdata()[0] for line in shown] == pytest.approx([5.0, 8.0])
    assert len({line.get_marker() for line in shown}) == 2


def test_svg_is_the_same_each_time_and_its_ids_are_its_own(fitted):
    def drawn(name):
        with plots.styled():
            sheet = plots.figure()
            plots.smith(sheet.subplots(), *fitted)
        return plots.to_svg(sheet, name, 'a "label" & more')

    one = drawn("one")
    assert one == drawn("one")
    ElementTree.fromstring(one)
    ids = {node.get("id") for node in ElementTree.fromstring(one).iter() if node.get("id")}
    assert ids
    assert all(name.startswith("one-") for name in ids)
    assert "url(#one-" in one
    assert "url(#" not in one.replace("url(#one-", "")


def test_drawing_leaves_pyplot_without_figures(fitted):
    plots.sweep_sheet([(*fitted, "title")])
    if "matplotlib.pyplot" in sys.modules:
        assert sys.modules["matplotlib.pyplot"].get_fignums() == []
