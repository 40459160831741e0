"""Plots: each function draws on the Axes it is given and returns it.

Everything is told apart by mark, line or hatch as well as by colour; the colours are those of
Okabe and Ito's set for colour-blind readers. SVG output is reproducible: a fixed salt, no date.
"""

from __future__ import annotations

import io
import re
from collections.abc import Mapping, Sequence
from html import escape
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from sweeplab.line import deembed, embed
from sweeplab.output import PLOTS, write
from sweeplab.quantity import format_quantity

if TYPE_CHECKING:
    from pathlib import Path

    from matplotlib.axes import Axes

    from sweeplab.estimate import Estimate
    from sweeplab.resonance import Resonance
    from sweeplab.sweep import ComplexArray, FloatArray, Sweep

INK, SKY, GREEN, RUST, AMBER, PALE = (
    "#1b2733",
    "#0072b2",
    "#009e73",
    "#d55e00",
    "#e69f00",
    "#8a97a3",
)

STYLE: Any = {
    "svg.hashsalt": "sweeplab",
    "svg.fonttype": "none",
    "font.family": "sans-serif",
    "font.size": 9.0,
    "axes.edgecolor": PALE,
    "axes.labelcolor": INK,
    "axes.titlesize": 10.0,
    "axes.titlelocation": "left",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "xtick.color": INK,
    "ytick.color": INK,
    "text.color": INK,
    "legend.frameon": False,
    "legend.fontsize": 8.0,
    "hatch.linewidth": 0.6,
}

# Share of the budget, label, colour, hatch.
_ITEMS = (
    ("r_radiation_ohm", "radiation", GREEN, ""),
    ("r_ground_ohm", "ground", AMBER, "//"),
    ("r_conductor_ohm", "conductor", SKY, ".."),
    ("r_parts_ohm", "known parts", PALE, "xx"),
    ("r_remainder_ohm", "remainder", RUST, "\\\\"),
)
_SWR_MARKS = (1.2, 1.5, 2.0, 3.0, 5.0, 10.0)
_FEW_POINTS = 400


def figure(width_in: float = 6.4, height_in: float = 3.4) -> Figure:
    """Return an empty figure in the house style; draw on it within `styled`."""
    made = Figure(figsize=(width_in, height_in), layout="constrained")
    FigureCanvasAgg(made)
    return made


def styled() -> Any:
    """Return a context in which axes are made, drawn and saved in the house style."""
    return mpl.rc_context(STYLE)


def to_svg(drawn: Figure, name: str, label: str = "") -> str:
    """Return the figure as an SVG element, the same bytes every time.

    Parameters
    ----------
    drawn : Figure
    name : str
        A word of its own for each figure of a page: it goes before every id, so that the ids
        of two figures inlined in one page never meet.
    label : str
        What it shows, for those who cannot see it.
    """
    sheet = io.StringIO()
    with styled():
        drawn.savefig(sheet, format="svg", metadata={"Date": None, "Creator": None})
    text = sheet.getvalue()
    text = text[text.index("<svg") :]
    text = text.replace("<svg", f'<svg role="img" aria-label="{escape(label, quote=True)}"', 1)
    return re.sub(r'((?: id="|url\(#|href="#))', rf"\g<1>{name}-", text)


def save(drawn: Figure, path: Path) -> None:
    """Write the figure in the format its ending names (png, svg, pdf).

    Raises
    ------
    OutputError
        Something else than such a figure is there, or the disk did not take it.
    """
    ending = path.suffix.lower()
    sheet = io.BytesIO()
    with styled():
        drawn.savefig(
            sheet,
            format=ending.removeprefix("."),
            dpi=160,
            metadata={"Date": None} if ending == ".svg" else None,
        )
    write(path, sheet.getvalue(), PLOTS[ending])


def reflection(ax: Axes, sweep: Sweep, resonance: Resonance) -> Axes:
    """Plot the magnitude of the reflection over frequency, with SWR on the right.

    Points, the fitted curve and the points it excluded, all at the analyzer's plane.
    """
    f_mhz, magnitude = sweep.f_hz / 1e6, np.abs(sweep.gamma)
    used = np.ones(len(sweep), bool) if resonance.kept is None else resonance.kept
    mark = "o" if len(sweep) <= _FEW_POINTS else "."
    ax.plot(
        f_mhz[used], magnitude[used], mark, ms=3, mfc="none", mec=SKY, mew=0.7, label="measured"
    )
    aside = ~used & np.isfinite(magnitude)
    if aside.any():
        ax.plot(f_mhz[aside], magnitude[aside], "x", ms=5, color=RUST, label="set aside")
    fine_hz = np.linspace(sweep.f_hz[0], sweep.f_hz[-1], 1001)
    model = _model(sweep, resonance, fine_hz)
    if model is not None:
        ax.plot(fine_hz / 1e6, np.abs(model), "-", lw=1.3, color=INK, label="fit")
    if resonance.f_loaded_hz is not None:
        ax.axvline(resonance.f_loaded_hz.value / 1e6, lw=0.7, ls=":", color=INK)
    ax.set(xlabel="frequency (MHz)", ylabel="size of the reflection")
    ax.set_ylim(0, max(1.03, float(np.nanmax(magnitude, initial=1.0)) * 1.03))
    ax.ticklabel_format(axis="x", useOffset=False)
    _swr_scale(ax)
    ax.legend(loc="lower left")
    return ax


def smith(ax: Axes, sweep: Sweep, resonance: Resonance) -> Axes:
    """Draw the sweep on a Smith chart, with the fitted circle.

    At the far end of the described line where there is one; the fit's own delay is taken out of
    points and circle alike, so that a resonance is a circle. A sweep whose phase has no sign
    cannot be plotted: the chart stays empty and says so.
    """
    from sweeplab.resonance.scalar.sign_recovery import with_signs_of_fit

    _smith_grid(ax)
    sweep = with_signs_of_fit(sweep, resonance)
    if sweep.content != "complex":
        ax.text(0, 0, "no signed phase:\nnothing to show here", ha="center", va="center")
        return ax
    at_plane = sweep if resonance.line is None else deembed(sweep, resonance.line)
    gamma = at_plane.gamma * _delay_removed(resonance, sweep.f_hz)
    used = np.ones(len(sweep), bool) if resonance.kept is None else resonance.kept
    style: Any = {"ms": 2.6, "mfc": "none", "mec": SKY, "mew": 0.7}
    ax.plot(gamma[used].real, gamma[used].imag, "o", label="measured", **style)
    _fitted_circle(ax, resonance)
    ax.legend(
        loc="upper center",
        bbox_to_anchor=(0.5, 0.02),
        ncols=3,
        columnspacing=1.0,
        handletextpad=0.3,
        handlelength=1.2,
    )
    return ax


def _smith_grid(ax: Axes) -> None:
    from skrf.plotting import smith as grid

    grid(ax=ax)
    for patch in ax.patches:
        patch.set(linewidth=0.3, edgecolor=PALE)
    for line in ax.lines:
        line.set(linewidth=0.3, color=PALE)


def _fitted_circle(ax: Axes, resonance: Resonance) -> None:
    """Draw the fitted circle and its resonance, where there is one."""
    circle = resonance.circle
    if circle is None:
        return
    fine_hz = _even_in_angle(circle.f_loaded_hz, circle.q_loaded)
    model = circle.reflection(fine_hz) * _delay_removed(resonance, fine_hz)
    ax.plot(model.real, model.imag, "-", lw=1.2, color=INK, label="fitted circle")
    best = circle.detuned + circle.drop
    ax.plot(best.real, best.imag, "D", ms=5, color=RUST, label="resonance")


def loss_bars(ax: Axes, budgets: Mapping[str, Mapping[str, Estimate]]) -> Axes:
    """Draw where the ohms go, one bar a budget, each item with its standard uncertainty.

    Budgets are figures by contract name, as `Reading.figures` gives them. Items below zero (ground
    may take away from the radiation resistance) run to the left.
    """
    names = list(budgets)
    for row, budget in enumerate(budgets.values()):
        end = _loss_bar(ax, row, budget)
        if total := budget.get("r_total_ohm"):
            ax.annotate(
                format_quantity(total.value, "ohm", total.u),
                (end, row),
                (10, 0),
                textcoords="offset points",
                va="center",
                fontsize=8,
            )
    ax.axvline(0, lw=0.8, color=INK)
    ax.set_yticks(range(len(names)), names)
    ax.invert_yaxis()
    ax.margins(x=0.16)
    ax.set_xlabel("resistance at the gap (milliohm); each end ± one standard uncertainty")
    _legend_once(ax, [label for _, label, _, _ in _ITEMS])
    return ax


def _loss_bar(ax: Axes, row: int, budget: Mapping[str, Estimate]) -> float:
    """Draw one budget's items end to end; return the right end [milliohm]."""
    ends = {1: 0.0, -1: 0.0}
    items = [(item, budget.get(item[0])) for item in _ITEMS]
    known = [(item, estimate) for item, estimate in items if estimate is not None]
    for k, ((_, label, colour, hatch), estimate) in enumerate(known):
        milliohm, side = 1e3 * estimate.value, 1 if estimate.value >= 0 else -1
        ax.barh(
            row,
            milliohm,
            left=ends[side],
            height=0.62,
            color=colour,
            hatch=hatch,
            edgecolor="white",
            lw=0.6,
            label=label,
        )
        ends[side] += milliohm
        y = row - 0.24 + 0.48 * (k + 0.5) / len(known)
        style: Any = {"fmt": "none", "ecolor": INK, "elinewidth": 0.9, "capsize": 1.8}
        ax.errorbar(ends[side], y, xerr=1e3 * estimate.u, **style)
    return ends[1]


def before_after(
    ax: Axes,
    bands: Sequence[tuple[str, Estimate, Estimate]],
    label: str,
    scale: float = 1.0,
) -> Axes:
    """Draw one figure before and after a change, band by band, with 95 % intervals.

    Parameters
    ----------
    bands : sequence of (str, Estimate, Estimate)
        Band, figure before, figure after.
    label : str
        What the figure is, with its unit.
    scale : float
        What to multiply by for that unit.
    """
    styles = ((-0.14, "o", PALE, "white", "before"), (0.14, "s", SKY, SKY, "after"))
    for row, (_, *pair) in enumerate(bands):
        for (shift, mark, colour, fill, name), estimate in zip(styles, pair, strict=True):
            reach = np.array([[estimate.value - estimate.low], [estimate.high - estimate.value]])
            ax.errorbar(
                scale * estimate.value,
                row + shift,
                xerr=scale * np.maximum(reach, 0),
                fmt=mark,
                color=colour,
                mfc=fill,
                ms=6,
                elinewidth=1.6,
                capsize=3,
                label=name,
            )
    ax.set_yticks(range(len(bands)), [band for band, *_ in bands])
    ax.set_ylim(len(bands) - 0.5, -0.5)
    ax.set_xlabel(f"{label}, 95 % intervals")
    ax.grid(axis="x", lw=0.4, color=PALE, alpha=0.5)
    _legend_once(ax, [name for *_, name in styles])
    return ax


def sweep_sheet(sweeps: Sequence[tuple[Sweep, Resonance, str]]) -> Figure:
    """Return sweeps, each with its title: the reflection over frequency beside the Smith chart."""
    with styled():
        sheet = figure(9.0, 3.7 * len(sweeps))
        rows = sheet.subplots(len(sweeps), 2, width_ratios=(1.75, 1), squeeze=False)
        for (left, right), (sweep, resonance, title) in zip(rows, sweeps, strict=True):
            reflection(left, sweep, resonance)
            smith(right, sweep, resonance)
            left.set_title(title)
    return sheet


def _model(sweep: Sweep, resonance: Resonance, f_hz: FloatArray) -> ComplexArray | None:
    """Return the fit's reflection at the analyzer's plane."""
    if resonance.circle is None:
        return None
    from sweeplab.sweep import Sweep as SweepValue

    model = SweepValue(f_hz, resonance.circle.reflection(f_hz), sweep.z0_ohm)
    return (model if resonance.line is None else embed(model, resonance.line)).gamma


def _delay_removed(resonance: Resonance, f_hz: FloatArray) -> ComplexArray:
    """Return the factor that removes the fitted delay from a reflection."""
    if resonance.circle is None:
        return np.ones(f_hz.size, complex)
    offset_hz = f_hz - resonance.circle.f_ref_hz
    return np.asarray(np.exp(2j * np.pi * offset_hz * resonance.circle.delay_s))


def _even_in_angle(f_loaded_hz: float, q_loaded: float) -> FloatArray:
    """Return frequencies evenly spaced in angle on a resonance's circle."""
    half = np.tan(np.linspace(-1.54, 1.54, 361)) / (2 * q_loaded)
    # t = f/fL - fL/f solved for f, exact however low the Q.
    return np.asarray(f_loaded_hz * (half + np.sqrt(1 + half**2)))


def _swr_scale(ax: Axes) -> None:
    """Put an SWR scale at the right of an axis of the reflection's magnitude."""
    right = ax.secondary_yaxis("right")
    right.set_yticks([(s - 1) / (s + 1) for s in _SWR_MARKS], [f"{s:g}" for s in _SWR_MARKS])
    right.set_ylabel("SWR")
    ax.axhline(1 / 3, lw=0.6, ls="--", color=PALE)


def _legend_once(ax: Axes, order: Sequence[str]) -> None:
    """Put a legend above the axes, each label once, in the order given."""
    handles, labels = ax.get_legend_handles_labels()
    first = dict(zip(reversed(labels), reversed(handles), strict=True))
    shown = [label for label in order if label in first]
    ax.legend(
        [first[label] for label in shown],
        shown,
        loc="lower left",
        bbox_to_anchor=(0, 1.0),
        ncols=max(1, len(shown)),
        handlelength=1.4,
    )
