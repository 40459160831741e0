"""Pages for the terminal: a summary on top, then figures, then findings.

Every function returns something rich can print; none prints. Lines fit 80 columns.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from sweeplab.errors import one_line
from sweeplab.finding import Threshold
from sweeplab.present.labels import (
    COUPLINGS,
    FIGURES,
    VERDICTS,
    change_text,
    count_text,
    estimate_text,
    interval_text,
    known_changes,
    short_text,
    value_text,
)
from sweeplab.quantity import format_quantity

if TYPE_CHECKING:
    from sweeplab.comparison.comparison import Comparison
    from sweeplab.estimate import Estimate
    from sweeplab.finding import Finding
    from sweeplab.reading import Reading
    from sweeplab.resonance import Resonance

_LEVEL_STYLES = {"problem": "bold red", "warning": "yellow", "note": "dim"}
_STATUS_STYLES = {"ok": "green", "doubtful": "yellow", "refused": "bold red"}
_VERDICT_STYLES = {"up": "bold", "down": "bold", "same": "", "unsure": "dim"}
# SWR from which the summary says how to change the coupling loop (common practice, no source).
_HIGH_SWR: Threshold = 1.5
_REMEDIES = {
    "under": "a larger or closer coupling loop matches better",
    "over": "a smaller or less close coupling loop matches better",
}


def reading_page(reading: Reading) -> RenderableType:
    """Return a reading in full: summary, figures, findings."""
    parts: list[RenderableType] = [summary(reading)]
    if reading.resonance.status != "refused":
        parts += [Text(), figures_table(reading)]
    if reading.findings:
        parts += [Text(), findings_list(reading.findings)]
    return Group(*parts)


def summary(reading: Reading) -> RenderableType:
    """Return the summary of a reading: efficiency, match, next step."""
    rows = _grid(11)
    rows.add_row("Efficiency", _efficiency(reading))
    rows.add_row("Match", _match(reading))
    if (pair := coupling_alternatives(reading)) is not None:
        rows.add_row("Q, unloaded", Text(pair))
    rows.add_row("Next", Text(next_step(reading), style="bold"))
    return Group(_headline(reading), rows)


def coupling_alternatives(reading: Reading) -> str | None:
    """Return both pairs of unloaded Q and coupling factor where the data allow two; else None."""
    fit = reading.resonance
    if fit.q_unloaded is None or fit.q_unloaded_other is None:
        return None
    under, over = (
        f"{estimate_text('q_unloaded', q0)} (coupling factor {_coupling(fit, q0):.3f})"
        for q0 in (fit.q_unloaded, fit.q_unloaded_other)
    )
    return f"one of {under} if under-coupled, {over} if over-coupled"


_MOST_EVIDENCE = 6
_MOST_USEFUL_NOTES = ("unaccounted-loss", "dominant-uncertainty")


def next_step(reading: Reading) -> str:
    """Return the action of the most severe finding, else the usual next step.

    Where there are only notes, unexplained loss comes first; after it, the largest uncertainty.
    """
    severe = [finding for finding in reading.findings if finding.level != "note"]
    if not severe and reading.loss is None:
        return "Describe the build to learn the efficiency: see 'sweeplab build template'."
    by_code = {finding.code: finding for finding in reading.findings}
    useful = [by_code[code] for code in _MOST_USEFUL_NOTES if code in by_code]
    for finding in (*severe, *useful, *reading.findings):
        if finding.action:
            return _sentence(finding.action)
    return "Nothing stands out. Keep it: 'sweeplab add FILE --build NAME'."


def figures_table(reading: Reading) -> Table:
    """Return the figures with standard uncertainties and 95 % intervals."""
    table = _table("figure", "value ± u", "95 % interval")
    resonance, loss = reading.resonance, reading.loss
    for name, figure in FIGURES.items():
        estimate = getattr(resonance, name, None) or getattr(loss, name, None)
        if estimate is not None:
            label = "  " * figure.depth + figure.label
            value = estimate_text(name, estimate)
            if name == "coupling_factor" and resonance.q_unloaded_other is not None:
                value += f" or {_coupling(resonance, resonance.q_unloaded_other):.3f}"
            table.add_row(label, value, interval_text(name, estimate))
    table.add_row("coupling", COUPLINGS[resonance.coupling], "")
    if resonance.residual_rms is not None:
        points = f"{resonance.points_in_bandwidth} points in the bandwidth"
        table.add_row("fit's residual, rms", f"{resonance.residual_rms:.2g}", points)
    return table


def _coupling(fit: Resonance, q_unloaded: Estimate) -> float:
    """Return the coupling factor that goes with an unloaded Q: ``Q0 = QL (1 + beta)``."""
    assert fit.q_loaded is not None
    return q_unloaded.value / fit.q_loaded.value - 1


def findings_list(findings: Iterable[Finding]) -> RenderableType:
    """Return findings in the order given, each with its evidence and action."""
    rows = _grid(9)
    for finding in findings:
        text = Text(_sentence(finding.text))
        if finding.evidence:
            text.append(f" ({_evidence(finding.evidence)})", style="dim")
        if finding.action:
            text.append(f"\n-> {_sentence(finding.action)}")
        rows.add_row(Text(finding.level, style=_LEVEL_STYLES[finding.level]), text)
    return rows


def comparison_page(comparison: Comparison) -> RenderableType:
    """Return a comparison, band by band: before, after, difference, verdict."""
    parts: list[RenderableType] = [_changes(comparison)]
    for band in comparison.bands:
        heading = Text(band.band, style="bold")
        setting = f", {band.setting}" if band.setting else ""
        before, after = count_text(band.n_before, "sweep"), count_text(band.n_after, "sweep")
        heading.append(f"{setting}  {before} before, {after} after", style="not bold dim")
        table = _table("figure", "before", "after", "change ± u", "verdict")
        for change in known_changes(band):
            table.add_row(
                FIGURES[change.name].label,
                value_text(change.name, change.before),
                value_text(change.name, change.after),
                change_text(change),
                Text(VERDICTS[change.verdict], style=_VERDICT_STYLES[change.verdict]),
            )
        parts += [Text(), heading, table]
    if comparison.findings:
        parts += [Text(), findings_list(comparison.findings)]
    return Group(*parts)


def rows_table(headings: Sequence[str], rows: Iterable[Sequence[str]]) -> Table:
    """Return plain rows as a table; a column 'status' is coloured."""
    table = _table(*headings)
    status = headings.index("status") if "status" in headings else -1
    for row in rows:
        cells = [Text(cell) for cell in row]
        if status >= 0:
            cells[status].stylize(_STATUS_STYLES.get(row[status], ""))
        table.add_row(*cells)
    return table


def _headline(reading: Reading) -> Text:
    sweep = reading.sweep
    name = one_line(sweep.origin.file or "sweep")
    span = f"{sweep.f_hz[0] / 1e6:.6g} to {sweep.f_hz[-1] / 1e6:.6g} MHz"
    line = Text(name, style="bold", overflow="fold")
    line.append(f"  {reading.band}, {len(sweep)} points, {span}", style="dim")
    if reading.status != "ok":
        line.append(f"  {reading.status}", style=_STATUS_STYLES[reading.status])
    return line


def _efficiency(reading: Reading) -> Text:
    if reading.resonance.status == "refused":
        return Text("none: no resonance that can be trusted", style="bold red")
    if reading.loss is None:
        return Text("not known: no build given (--build FILE.toml)")
    if reading.loss.efficiency is None:
        return Text("none: the loss budget was refused, see the findings", style="bold red")
    efficiency, decibels = reading.loss.efficiency, reading.loss.efficiency_db
    text = Text(short_text("efficiency", efficiency.value, efficiency.u), style="bold")
    if decibels is not None:
        text.append(f" ({short_text('efficiency_db', decibels.value, decibels.u)})", "not bold")
    text.append(", as in free space", style="not bold")
    if reading.loss.efficiency_over_ground is not None:
        over = estimate_text("efficiency_over_ground", reading.loss.efficiency_over_ground)
        text.append(f"\n{over} over the ground described", style="not bold")
    return text


def _match(reading: Reading) -> Text:
    match = reading.match
    if match.swr_min is None or match.f_swr_min_hz is None:
        return Text("not known")
    frequency = format_quantity(match.f_swr_min_hz, "Hz", match.u_f_swr_min_hz)
    text = Text(f"SWR {short_text('swr_min', match.swr_min, match.u_swr_min or 0.0)}", style="bold")
    text.append(f" at {frequency}", style="not bold")
    if match.u_swr_min is None:
        text.append(", the best point measured", style="not bold")
    widths = [
        _width(level, width, match.u_swr_bandwidth_hz.get(level), match.swr_min)
        for level, width in match.swr_bandwidth_hz.items()
    ]
    if widths:
        text.append("\n" + "; ".join(widths), style="not bold")
    remedy = _REMEDIES.get(reading.resonance.coupling)
    if remedy is not None and match.swr_min > _HIGH_SWR:
        text.append(f"\n{COUPLINGS[reading.resonance.coupling]}: {remedy}", style="not bold")
    return text


def _width(level: str, width: float | None, u: float | None, lowest: float) -> str:
    if width is not None:
        return f"SWR {level} over {format_quantity(width, 'Hz', u)}"
    if lowest > float(level):
        return f"SWR {level} not reached"
    return f"SWR {level} wider than the sweep"


def _changes(comparison: Comparison) -> RenderableType:
    line = Text(f"{comparison.before} -> {comparison.after}", style="bold", overflow="fold")
    for step in comparison.changes:
        line.append(f"\n  {step.key}: ", style="not bold")
        line.append(f"{step.before or 'not given'} -> {step.after or 'not given'}", "not bold")
    return line


def _evidence(evidence: Mapping[str, Any]) -> str:
    pairs = [
        f"{key} {value:.4g}" if isinstance(value, float) else f"{key} {value}"
        for key, value in evidence.items()
    ]
    listed = pairs[:_MOST_EVIDENCE]
    if len(pairs) > len(listed):
        listed.append(f"{len(pairs) - len(listed)} more in --json")
    return ", ".join(listed)


def _sentence(text: str) -> str:
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "!", "?", "'")) else text + "."


def _grid(first: int) -> Table:
    grid = Table.grid(padding=(0, 1))
    grid.add_column(width=first, style="dim", no_wrap=True)
    grid.add_column(overflow="fold")
    return grid


def _table(*headings: str) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for heading in headings:
        table.add_column(heading, overflow="fold")
    return table
