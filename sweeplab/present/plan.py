"""A plan for the terminal, and its plot. Every line fits 80 columns."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from sweeplab.planning.safety import CAUTIONS
from sweeplab.present.terminal import findings_list
from sweeplab.quantity import format_quantity

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from sweeplab.estimate import Estimate
    from sweeplab.planning.cut_list import Mast, Piece
    from sweeplab.planning.result import BandPlan, Plan
    from sweeplab.planning.stock import StockLoop

_UNKNOWN = "-"
# Columns that fit next to a turn's size; next to a pair of pieces.
_BANDS_BY_SIZE, _BANDS_BY_STOCK = 9, 5
# Meaning of the columns whose headings are too short.
_LEGEND = (
    "Bandwidth: half power, coupling loop matched. V peak over the capacitor and A rms at 100 W. "
    "Coupling loop: circumference for a match to 50 ohm. "
    "Hz/degree of the knob takes a linear capacitor; width/degree is that in bandwidths."
)


def plan_page(planned: Plan, tables: Sequence[RenderableType] = ()) -> RenderableType:
    """Return a plan: figures by band, voltage, current and tuning, more tables, findings."""
    parts: list[RenderableType] = [_headline(planned)]
    if planned.bands:
        parts += [Text(), _expected(planned.bands), Text(), _demands(planned), Text(_LEGEND, "dim")]
        parts += _matching(planned)
    if planned.power_w is not None:
        parts += [Text(), _under_power(planned, planned.power_w)]
    for table in tables:
        parts += [Text(), table]
    parts += [Text(), findings_list(planned.findings), Text()]
    parts += [Text(caution, style="yellow") for caution in CAUTIONS]
    return Group(*parts)


def sizes_table(plans: Sequence[Plan]) -> RenderableType:
    """Return expected efficiency by circumference and band."""
    heading = Text("Efficiency by circumference of one turn", style="bold")
    heading.append("  (- out of the capacitor's reach)", "not bold dim")
    names = _in_order(band.band for planned in plans for band in planned.bands)
    return Group(
        heading,
        *_wide(
            ["turn"],
            names,
            _BANDS_BY_SIZE,
            [
                (
                    [_metres(planned.circumference_m)],
                    {
                        band.band: _percent(_efficiency(band))
                        for band in planned.bands
                        if band.reachable is not False
                    },
                )
                for planned in plans
            ],
        ),
    )


def stock_table(loops: Sequence[StockLoop]) -> RenderableType:
    """Return efficiency of loops out of stock, and what the joint takes."""
    heading = Text(
        "Out of stock lengths: efficiency, and the share of it that the joint takes", style="bold"
    )
    names = _in_order(band.band for loop in loops for band in loop.bands)
    rows = []
    for loop in loops:
        cells = {}
        for band in loop.bands:
            cells[band.band] = _percent(band.efficiency)
            if loop.joint_ohm is not None:
                cells[band.band] += f"\n-{_cost(band.joint_cost)}"
        pieces = "+".join(f"{piece:.2f}" for piece in loop.pieces_m)
        rows.append(([pieces, _metres(loop.circumference_m)], cells))
    return Group(
        heading, *_wide(["pieces m", "turn"], names, _BANDS_BY_STOCK, rows), *_joint_note(loops)
    )


def cut_table(pieces: Sequence[Piece]) -> RenderableType:
    """Return the cut list."""
    table = _table("piece", "centre line", "allowances", "cut")
    for piece in pieces:
        added = ", ".join(
            f"{a.name} {format_quantity(a.length_m, 'm', digits=3)}" for a in piece.allowances
        )
        cut = format_quantity(piece.cut_m, "m", digits=4)
        centre = format_quantity(piece.centre_line_m, "m", digits=4)
        table.add_row(piece.name, centre, added or "none", Text(cut, style="bold"))
    return Group(Text("Cut list", style="bold"), table)


def mast_line(mast: Mast) -> RenderableType:
    """Return the loads on the mast, in a sentence."""
    weight = "not known" if mast.weight_n is None else f"{mast.weight_n:.2g} N"
    return Text(
        f"Mast of {_metres(mast.length_m)}: conductor's weight {weight}; at 25 m/s of wind about "
        f"{mast.wind_n:.2g} N on it, {mast.moment_n_m:.2g} N m at the foot. Capacitor, boxes and "
        "mast come on top; a rough figure, no structural proof."
    )


def efficiency_plot(ax: Axes, plans: Sequence[Plan]) -> Axes:
    """Draw expected efficiency over frequency, one line a circumference, with 95 % intervals."""
    marks = "osD^vP*Xh<>d"
    for i, planned in enumerate(plans):
        bands = [band for band in planned.bands if band.figures is not None]
        if not bands:
            continue
        estimates = [band.figures.efficiency for band in bands if band.figures is not None]
        f_mhz = [band.f_hz / 1e6 for band in bands]
        percent = [100 * e.value for e in estimates]
        reach = [
            [100 * (e.value - e.low) for e in estimates],
            [100 * (e.high - e.value) for e in estimates],
        ]
        ax.errorbar(
            f_mhz,
            percent,
            yerr=reach,
            marker=marks[i % len(marks)],
            ms=4,
            lw=1,
            capsize=2,
            label=f"{planned.circumference_m:.2f} m",
        )
    ax.set(xlabel="frequency (MHz)", ylabel="expected efficiency (%)", ylim=(0, 100))
    if ax.get_legend_handles_labels()[0]:
        ax.legend(title="turn", loc="best")
    return ax


def plan_sheet(plans: Sequence[Plan]) -> Figure:
    """Return the figure of a plan."""
    from sweeplab.present.plots import figure, styled

    with styled():
        sheet = figure(6.4, 4.0)
        ax = efficiency_plot(sheet.add_subplot(), plans)
        ax.set_title(f"{plans[0].build}: as in free space, bars to what is not described")
    return sheet


def _headline(planned: Plan) -> Text:
    line = Text(planned.build, style="bold", overflow="fold")
    line.append(f"  planned, turn {_metres(planned.circumference_m)}, ", "not bold")
    line.append(f"conductor {_metres(planned.conductor_length_m)}", "not bold")
    if planned.conductor_mass_kg is not None:
        line.append(f", {planned.conductor_mass_kg:.2g} kg", "not bold")
    if planned.tuning_range_hz is not None:
        low, high = (f"{f / 1e6:.3g}" for f in planned.tuning_range_hz)
        line.append(f"\nThe capacitor tunes {low} to {high} MHz.", "not bold")
    if not planned.bands:
        line.append("\nNo amateur band lies within the capacitor's range.", "yellow")
    return line


def _expected(bands: Sequence[BandPlan]) -> Table:
    table = _table(
        "band", "MHz", "needs", "efficiency", "from-to %", "Q", "bandwidth", "rad", "wire"
    )
    for band in bands:
        found = band.figures
        if found is None:
            table.add_row(band.band, f"{band.f_hz / 1e6:.2f}", "no answer", *[""] * 6)
            continue
        low, high = 100 * found.efficiency.low, 100 * found.efficiency.high
        needs = Text(format_quantity(found.c_required_f.value, "F", digits=3))
        if band.reachable is False:
            needs.append(" !", style="yellow")
        table.add_row(
            band.band,
            f"{band.f_hz / 1e6:.2f}",
            needs,
            Text(_percent(found.efficiency), style="bold"),
            f"{low:.2g}-{high:.2g}",
            f"{found.q_unloaded.value:.0f}",
            format_quantity(found.bandwidth_hz.value, "Hz", digits=2),
            format_quantity(found.r_radiation_ohm.value, "ohm", digits=2),
            format_quantity(found.r_conductor_ohm.value, "ohm", digits=2),
        )
    return table


def _demands(planned: Plan) -> Table:
    table = _table("band", "V/100 W", "A/100 W", "coupling loop", "Hz/degree", "width/degree")
    for band in planned.bands:
        if band.figures is None:
            continue
        volts, amperes = (
            format_quantity(estimate.value, unit, digits=2)
            for estimate, unit in (
                (band.figures.per_100w.capacitor_v_peak, "V"),
                (band.figures.per_100w.loop_a_rms, "A"),
            )
        )
        coupling, rate = band.coupling, band.tuning_hz_per_degree
        table.add_row(
            band.band,
            volts,
            amperes,
            _short(None if coupling is None else coupling.circumference_m, "m"),
            _UNKNOWN if rate is None else format_quantity(rate, "", digits=2),
            _UNKNOWN if rate is None else f"{rate / band.figures.bandwidth_hz.value:.2g}",
        )
    return table


def _matching(planned: Plan) -> list[RenderableType]:
    """Return how to match with the coupling loop described, band by band and for all."""
    described = [band for band in planned.bands if band.coupling and band.coupling.swr]
    if not described:
        return []
    heading = Text("The coupling loop described", style="bold")
    heading.append(
        ": where it matches, moved off the conductor or turned out of the plane", "not bold"
    )
    table = _table("band", "SWR as is", "matched at", "or turned by")
    for band in described:
        coupling = band.coupling
        assert coupling is not None
        table.add_row(
            band.band,
            _short(coupling.swr, ""),
            _with_u(coupling.offset_m, "m"),
            _UNKNOWN if coupling.tilt_deg is None else _degrees(coupling.tilt_deg),
        )
    parts: list[RenderableType] = [Text(), heading, table]
    compromise = planned.coupling_for_all
    if compromise is not None:
        position = "as described"
        if compromise.tilt_deg is not None:
            position = f"turned by {_degrees(compromise.tilt_deg)}"
        if compromise.offset_m is not None:
            position = f"at {_with_u(compromise.offset_m, 'm')}"
        parts.append(
            Text(
                f"Left alone for all of them, best {position}: "
                f"SWR up to {_with_u(compromise.worst_swr, '')}."
            )
        )
    return parts


def _degrees(tilt: Estimate) -> str:
    return f"{tilt.value:.0f} ± {tilt.u:.0f} degrees"


def _with_u(estimate: Estimate | None, unit: str) -> str:
    return _UNKNOWN if estimate is None else format_quantity(estimate.value, unit, estimate.u)


def _under_power(planned: Plan, power_w: float) -> RenderableType:
    heading = Text(f"At {power_w:g} W", style="bold")
    heading.append(
        ": volts, amperes; estimated distance from the loop's middle at which the field falls "
        "to ICNIRP 2020's levels for the general public, on the axis and in the plane",
        "not bold",
    )
    table = _table("band", "V peak", "A rms", "H axis", "H plane", "E axis", "E plane")
    for band in planned.bands:
        if band.at_power is None or band.distances is None:
            continue
        near = band.distances
        table.add_row(
            band.band,
            _short(band.at_power.capacitor_v_peak, "V"),
            _short(band.at_power.loop_a_rms, "A"),
            *(
                _short(e, "m")
                for e in (near.h_axis_m, near.h_plane_m, near.e_axis_m, near.e_plane_m)
            ),
        )
    return Group(heading, table)


def _joint_note(loops: Sequence[StockLoop]) -> list[RenderableType]:
    joint = next((loop.joint_ohm for loop in loops if loop.joint_ohm is not None), None)
    if joint is None:
        return []
    low, high = (format_quantity(end, "ohm", digits=2) for end in (joint.low, joint.high))
    taken = format_quantity(joint.value, "ohm", digits=2)
    spread = f" ({low} to {high})" if joint.high > joint.low else ""
    return [Text(f"Joint assumed: {taken} at 10 MHz{spread}. '--joint' says another.", "dim")]


def _wide(
    fixed: Sequence[str],
    names: Sequence[str],
    most: int,
    rows: Sequence[tuple[list[str], dict[str, str]]],
) -> list[RenderableType]:
    """Return tables of at most `most` bands, to fit the page; rows without figures are left out."""
    tables: list[RenderableType] = []
    for start in range(0, len(names), most):
        group = names[start : start + most]
        table = _table(*fixed, *group)
        for lead, cells in rows:
            if not cells.keys().isdisjoint(group):
                table.add_row(*lead, *(cells.get(name, _UNKNOWN) for name in group))
        tables.append(table)
    return tables


def _in_order(names: Iterable[str]) -> list[str]:
    from sweeplab.bands import band_order

    return sorted(set(names), key=band_order)


def _efficiency(band: BandPlan) -> Estimate | None:
    return None if band.figures is None else band.figures.efficiency


def _percent(estimate: Estimate | None) -> str:
    return _UNKNOWN if estimate is None else f"{100 * estimate.value:.2g} %"


def _cost(cost: Estimate) -> str:
    if cost.low == cost.high:
        return _percent(cost)
    return f"{100 * cost.low:.1g}..{100 * cost.high:.1g} %"


def _short(estimate: Estimate | None, unit: str) -> str:
    if estimate is None:
        return _UNKNOWN
    return format_quantity(estimate.value, unit, digits=2)


def _metres(length_m: float) -> str:
    return f"{length_m:.2f} m"


def _table(*headings: str) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for heading in headings:
        table.add_column(heading, overflow="fold")
    return table
