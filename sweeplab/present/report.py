"""The shareable report: one HTML file, nothing outside it needed to read or print it.

Names of files, paths and comments stay out: they may hold a place or a call sign.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from sweeplab.bands import band_order
from sweeplab.planning.safety import CAUTIONS, Distances, ElectricalStress, voltage_finding
from sweeplab.present import plots
from sweeplab.present.labels import (
    FIGURES,
    VERDICTS,
    change,
    counted,
    interval,
    moves,
    sentence,
    shown,
)
from sweeplab.quantity import format_quantity
from sweeplab.version import __version__

if TYPE_CHECKING:
    from sweeplab.builds import Build
    from sweeplab.comparison.comparison import BandChange, Comparison
    from sweeplab.estimate import Estimate
    from sweeplab.finding import Finding
    from sweeplab.resonance import Resonance
    from sweeplab.sweep import Sweep

T = TypeVar("T")
_TEMPLATES = Path(__file__).parent / "templates"
POWER_W = 100.0
_TOLD = ("efficiency", "r_loss_ohm", "q_unloaded", "swr_min")


@dataclass(frozen=True, eq=False)
class Entry:
    """One sweep of a build, as the report shows it.

    Parameters
    ----------
    number : int
        Its number in the log.
    column : str
        Band, and setting where there is one: what figures are gathered by.
    status : str
        'ok', 'doubtful', 'refused' or 'set aside'.
    taken : str or None
        ISO 8601 in UTC.
    points : int
    sha256 : str
    findings : sequence of Finding
    picture : tuple of (Sweep, Resonance), or None
        What to draw; None where another sweep stands for the band.
    """

    number: int
    column: str
    status: str
    taken: str | None
    points: int
    sha256: str
    findings: Sequence[Finding] = ()
    picture: tuple[Sweep, Resonance] | None = None

    @property
    def counts(self) -> bool:
        """Whether its figures may be used."""
        return self.status in ("ok", "doubtful")


@dataclass(frozen=True, eq=False)
class Chapter:
    """One build: how it came about and what its sweeps say.

    Parameters
    ----------
    build : Build
    entries : sequence of Entry
    figures : mapping of str to mapping of str to Estimate
        For each band (and setting) the figures of all its sweeps together.
    strains : mapping of str to Strain
        For each band, what the loop carries at `POWER_W`.
    distances : mapping of str to Distances
        For each band, where its fields fall to reference levels at `POWER_W`.
    came_from, why : str
        The build before and the reason; empty for a first build.
    comparison : Comparison or None
        With the build before.
    """

    build: Build
    entries: Sequence[Entry]
    figures: Mapping[str, Mapping[str, Estimate]]
    strains: Mapping[str, ElectricalStress] = field(default_factory=dict)
    distances: Mapping[str, Distances] = field(default_factory=dict)
    came_from: str = ""
    why: str = ""
    comparison: Comparison | None = None


def render(chapters: Sequence[Chapter], title: str) -> str:
    """Return the report as HTML; the same chapters give the same bytes."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    surroundings = Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    entries = [(chapter, entry) for chapter in chapters for entry in chapter.entries]
    return surroundings.get_template("report.html").render(
        title=title,
        subtitle=_subtitle(chapters),
        version=__version__,
        story=_story(chapters),
        chapters=[_chapter(chapter, f"b{i}") for i, chapter in enumerate(chapters)],
        strains=_strains(chapters),
        worst_volts=_worst_volts(chapters),
        overloads=_overloads(chapters),
        cautions=CAUTIONS,
        sweeps=[_sweep_row(chapter, entry) for chapter, entry in entries],
    )


def _subtitle(chapters: Sequence[Chapter]) -> str:
    entries = [entry for chapter in chapters for entry in chapter.entries]
    dates = sorted(entry.taken[:10] for entry in entries if entry.taken)
    when = f", taken {dates[0]} to {dates[-1]}" if dates else ""
    builds, sweeps = counted(len(chapters), "build"), counted(len(entries), "sweep")
    return f"{builds}, {sweeps}{when}. Figures ± one standard uncertainty."


def _story(chapters: Sequence[Chapter]) -> dict[str, Any]:
    """Return the builds in a table: why each came about, and its efficiency band by band."""
    columns = [column for column, _ in _by_band({c: c for ch in chapters for c in ch.figures})]
    rows = []
    for chapter in chapters:
        verdicts = _verdicts(chapter.comparison, "efficiency")
        cells = []
        for column in columns:
            efficiency = chapter.figures.get(column, {}).get("efficiency")
            verdict = verdicts.get(column, "")
            text = "" if efficiency is None else shown("efficiency", efficiency)
            cells.append({"text": text, "verdict": verdict, "word": VERDICTS.get(verdict, "")})
        before = f"from {chapter.came_from}: {chapter.why}" if chapter.came_from else ""
        why = before or chapter.build.note
        rows.append({"name": chapter.build.name, "why": why, "cells": cells})
    return {"columns": columns, "rows": rows}


def _verdicts(comparison: Comparison | None, figure: str) -> dict[str, str]:
    """Return a figure's verdict for each band and setting."""
    bands = [] if comparison is None else comparison.bands
    return {
        _place(band): move.verdict for band in bands for move in moves(band) if move.name == figure
    }


def _told(comparison: Comparison, names: Sequence[str]) -> list[str]:
    """Return what became of the named figures, band by band."""
    return [
        sentence(_place(band), move)
        for band in comparison.bands
        for move in moves(band)
        if move.name in names
    ]


def _place(band: BandChange) -> str:
    return band.band + (f", {band.setting}" if band.setting else "")


def _chapter(chapter: Chapter, name: str) -> dict[str, Any]:
    return {
        "name": chapter.build.name,
        "note": chapter.build.note,
        "came_from": chapter.came_from,
        "why": chapter.why,
        "changes": chapter.comparison.changes if chapter.comparison else (),
        "description": chapter.build.describe(),
        "comparison": _comparison(chapter.comparison, name),
        "table": _table(chapter),
        "budget": _budget(chapter, name),
        "sheets": _sheets(chapter, name),
        "findings": _findings(chapter),
    }


def _comparison(comparison: Comparison | None, name: str) -> dict[str, Any] | None:
    if comparison is None:
        return None
    return {
        "sentences": _told(comparison, _TOLD) or ["No band has figures on both sides."],
        "drawings": _drawings(comparison.bands, name),
        "bands": [_band(band) for band in comparison.bands],
        "findings": comparison.findings,
    }


def _drawings(bands: Iterable[BandChange], name: str) -> list[dict[str, str]]:
    """Draw efficiency and loss before and after, where both sides have them."""
    drawn = []
    for figure, label, scale in (
        ("efficiency", "efficiency (%)", 100.0),
        ("r_loss_ohm", "loss (milliohm)", 1000.0),
    ):
        rows = [
            (_place(band), move.before, move.after)
            for band in bands
            for move in moves(band)
            if move.name == figure
        ]
        if rows:
            with plots.styled():
                sheet = plots.figure(5.0, 1.1 + 0.55 * len(rows))
                plots.before_after(sheet.subplots(), rows, label, scale)
            svg = plots.to_svg(sheet, f"{name}-{figure}", f"{label} before and after")
            drawn.append({"svg": svg, "caption": f"{label.capitalize()}, before and after."})
    return drawn


def _band(band: BandChange) -> dict[str, Any]:
    rows = [
        {
            "label": FIGURES[move.name].label,
            "before": shown(move.name, move.before),
            "after": shown(move.name, move.after),
            "change": change(move),
            "interval": interval(move.name, move.change),
            "verdict": move.verdict,
            "word": VERDICTS[move.verdict],
        }
        for move in moves(band)
    ]
    before, after = counted(band.n_before, "sweep"), counted(band.n_after, "sweep")
    return {"heading": f"{_place(band)} ({before} before, {after} after)", "rows": rows}


def _table(chapter: Chapter) -> dict[str, Any] | None:
    """Return the figures of a build, a column for each band."""
    columns = _by_band(chapter.figures)
    if not columns:
        return None
    known = [name for name in FIGURES if any(name in figures for _, figures in columns)]
    counts = {
        column: sum(entry.counts and entry.column == column for entry in chapter.entries)
        for column, _ in columns
    }
    return {
        "note": "Several sweeps of a band are taken together, with the spread between them.",
        "headings": [f"{column} ({counted(counts[column], 'sweep')})" for column, _ in columns],
        "rows": [
            {
                "label": FIGURES[name].label,
                "depth": FIGURES[name].depth,
                "cells": [
                    shown(name, figures[name]) if name in figures else "not known"
                    for _, figures in columns
                ],
            }
            for name in known
        ],
    }


def _budget(chapter: Chapter, name: str) -> dict[str, str] | None:
    bars = {
        column: figures for column, figures in _by_band(chapter.figures) if "r_total_ohm" in figures
    }
    if not bars:
        return None
    with plots.styled():
        sheet = plots.figure(7.4, 1.2 + 0.6 * len(bars))
        plots.loss_bars(sheet.subplots(), bars)
    svg = plots.to_svg(sheet, f"{name}-budget", "where the ohms go, by band")
    return {"svg": svg, "caption": "Resistances referred to the current at the capacitor's gap."}


def _sheets(chapter: Chapter, name: str) -> list[dict[str, str]]:
    """Draw the sweeps that have a picture, each with its Smith chart."""
    pictures = {entry.column: (entry, entry.picture) for entry in chapter.entries if entry.picture}
    drawn = []
    for i, (column, (entry, picture)) in enumerate(_by_band(pictures)):
        with plots.styled():
            # Fixed margins: these two are drawn for every band, and laying out costs most.
            left, right = plots.figure(5.6, 3.3), plots.figure(3.2, 3.3)
            for sheet in (left, right):
                sheet.set_layout_engine("none")
            plots.reflection(left.add_axes((0.1, 0.14, 0.79, 0.83)), *picture)
            plots.smith(right.add_axes((0.02, 0.08, 0.96, 0.92)), *picture)
        drawn.append(
            {
                "reflection": plots.to_svg(left, f"{name}-r{i}", f"reflection, {column}"),
                "smith": plots.to_svg(right, f"{name}-s{i}", f"Smith chart, {column}"),
                "caption": f"{column}: sweep {entry.number}, {_when(entry)}, the latest.",
            }
        )
    return drawn


def _findings(chapter: Chapter) -> list[dict[str, str]]:
    """Return each thing noticed once, with the sweeps it was noticed on."""
    told: dict[tuple[str, str], tuple[Finding, list[int]]] = {}
    for entry in chapter.entries:
        for finding in entry.findings:
            place = told.setdefault((finding.code, finding.action), (finding, []))
            if entry.number not in place[1]:
                place[1].append(entry.number)
    everywhere = len(chapter.entries)
    rows = []
    for finding, numbers in told.values():
        where = "" if len(numbers) == everywhere else f" ({_numbers(numbers)})"
        rows.append(
            {"level": finding.level, "text": finding.text, "action": finding.action, "where": where}
        )
    order = {"problem": 0, "warning": 1, "note": 2}
    return sorted(rows, key=lambda row: order[row["level"]])


def _numbers(numbers: Sequence[int]) -> str:
    few = ", ".join(str(number) for number in numbers[:6])
    rest = f" and {len(numbers) - 6} more" if len(numbers) > 6 else ""
    return f"{'sweep' if len(numbers) == 1 else 'sweeps'} {few}{rest}"


def _strains(chapters: Sequence[Chapter]) -> list[dict[str, Any]]:
    return [
        {
            "build": chapter.build.name,
            "band": column,
            "volts": format_quantity(
                carried.capacitor_v_peak.value, "V", carried.capacitor_v_peak.u
            ),
            "amperes": format_quantity(carried.loop_a_rms.value, "A", carried.loop_a_rms.u),
            "distances": _distances(chapter.distances.get(column)),
        }
        for chapter in chapters
        for column, carried in _by_band(chapter.strains)
    ]


def _distances(found: Distances | None) -> list[str]:
    """Return distances as texts: H on the axis and in the plane, E likewise.

    The upper ends of the 95 % intervals, rounded up to a tenth of a metre: for caution.
    """
    if found is None:
        return ["not known"] * 4
    return [
        "not reached" if e is None else f"{math.ceil(10 * e.high) / 10:.1f} m"
        for e in (found.h_axis_m, found.h_plane_m, found.e_axis_m, found.e_plane_m)
    ]


def _worst_volts(chapters: Sequence[Chapter]) -> str:
    """Return the upper end of the highest volts, rounded up to two digits; empty if not known."""
    highs = [
        carried.capacitor_v_peak.high
        for chapter in chapters
        for carried in chapter.strains.values()
    ]
    return format_quantity(max(highs), "V", digits=2) if highs else ""


def _overloads(chapters: Sequence[Chapter]) -> list[Finding]:
    """Return where the latest build's capacitor is, or may be, beyond its rated voltage."""
    latest = [chapter for chapter in chapters if chapter.strains][-1:]
    found = [
        voltage_finding(chapter.build, column, carried)
        for chapter in latest
        for column, carried in _by_band(chapter.strains)
    ]
    return [finding for finding in found if finding is not None]


def _sweep_row(chapter: Chapter, entry: Entry) -> dict[str, Any]:
    return {
        "number": entry.number,
        "build": chapter.build.name,
        "band": entry.column,
        "taken": _when(entry),
        "points": entry.points,
        "status": entry.status,
        "sha256": entry.sha256[:12],
    }


def _when(entry: Entry) -> str:
    return entry.taken[:16].replace("T", " ") if entry.taken else "time not known"


def _by_band(columns: Mapping[str, T]) -> list[tuple[str, T]]:
    """Return columns in rising frequency."""
    return sorted(columns.items(), key=lambda item: (band_order(item[0].split(",")[0]), item[0]))
