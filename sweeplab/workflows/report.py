"""From an open log to the report's chapters."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from sweeplab.comparison.pooling import column_name, pooled_figures
from sweeplab.errors import LogError
from sweeplab.finding import Finding
from sweeplab.log.refit import read_stored
from sweeplab.log.schema import files_of
from sweeplab.output import REPORT, check, write
from sweeplab.planning.safety import Distances, ElectricalStress, distances, electrical_stress
from sweeplab.present.chapter import POWER_W, Chapter, Entry
from sweeplab.present.report import render
from sweeplab.workflows.sweeps import compare_builds

if TYPE_CHECKING:
    from sweeplab.builds import Build
    from sweeplab.estimate import Estimate
    from sweeplab.log import Log, StoredSweep
    from sweeplab.record import Record
    from sweeplab.resonance import Resonance
    from sweeplab.sweep import Sweep


def write_report(log: Log, out: Path, title: str | None = None) -> None:
    """Write a log's report, one HTML file.

    Raises
    ------
    LogError
        The log has no builds.
    OutputError
        The file there is no report, or it could not be written.
    """
    own = files_of(log.path)
    check(out, REPORT, never=own)
    chapters = [_chapter(log, stored.name) for stored in log.builds()]
    if not chapters:
        raise LogError(f"{log.path}: no builds to report on; 'sweeplab build add' adds one")
    first, last = chapters[0].build.name, chapters[-1].build.name
    heading = title or (first if first == last else f"{first} to {last}")
    write(out, render(chapters, heading).encode(), REPORT, never=own)


def _chapter(log: Log, name: str) -> Chapter:
    """Return one build's chapter: its sweeps, its figures, its origin."""
    build, records, sweeps = log.build(name), log.records(build=name), log.sweeps(build=name)
    step = next((step for step in log.changes() if step.after == name), None)
    figures = pooled_figures(records)
    latest = _latest(sweeps)
    strains, near = _strains(build, records, figures)
    return Chapter(
        build=build,
        entries=[_entry(log, build, stored, stored.id in latest) for stored in sweeps],
        figures=figures,
        strains=strains,
        distances=near,
        came_from="" if step is None else step.before,
        why="" if step is None else step.why,
        comparison=None if step is None else compare_builds(log, step.before, name),
    )


def _latest(sweeps: Sequence[StoredSweep]) -> set[int]:
    """Return the numbers of the latest sweep that counts of each band and setting."""
    latest: dict[str, int] = {}
    for stored in sorted(sweeps, key=lambda stored: (stored.taken or "", stored.id)):
        if stored.set_aside is None and stored.status != "refused":
            latest[column_name(stored.band, stored.setting)] = stored.id
    return set(latest.values())


def _entry(log: Log, build: Build, stored: StoredSweep, plotted: bool) -> Entry:
    reading = log.reading(stored.id)
    return Entry(
        number=stored.id,
        column=column_name(stored.band, stored.setting),
        status="set aside" if stored.set_aside else stored.status,
        taken=stored.taken,
        points=reading["points"],
        sha256=stored.sha256,
        findings=[Finding.from_json(finding) for finding in reading["findings"]],
        fitted=_fit(log, build, stored) if plotted else None,
    )


def _fit(log: Log, build: Build, stored: StoredSweep) -> tuple[Sweep, Resonance]:
    """Return a stored sweep and its fit, under a number instead of its file's name."""
    from sweeplab.resonance import fit_resonance

    sweep, options = read_stored(log, stored.id, str(stored.id)), log.reading_options(stored.id)
    line = build.feed.line if build.feed else None
    if "calibration" in options:
        # A corrected sweep refers to the line's far end.
        sweep, line = options["calibration"].correct(sweep), None
    return sweep, fit_resonance(sweep, line=line, near_hz=options.get("near_hz"))


def _strains(
    build: Build, records: Sequence[Record], figures: Mapping[str, Mapping[str, Estimate]]
) -> tuple[dict[str, ElectricalStress], dict[str, Distances]]:
    """Return voltage and current at `POWER_W`, and the distances of its fields, band by band.

    Bands without a loss budget are left out.
    """
    from sweeplab.loop import LoopModel

    settings = {column_name(record.band, record.setting): record.setting for record in records}
    strains, near = {}, {}
    for column, known in figures.items():
        if "r_total_ohm" in known and known["r_total_ohm"].value > 0:
            model = LoopModel(build.in_setting(settings[column]))
            f_hz = known["f_loaded_hz"].value
            x_ohm = abs(model.impedance(f_hz).imag)
            strains[column] = electrical_stress(x_ohm, known["r_total_ohm"], POWER_W)
            near[column] = distances(model, f_hz, strains[column].loop_a_rms)
    return strains, near
