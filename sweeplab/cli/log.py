"""``sweeplab init``, ``add``, ``list``, ``show``: the log's sweeps."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sweeplab.cli.context import CliContext, print_json
from sweeplab.cli.options import (
    Z0,
    AsJson,
    Columns,
    Files,
    Near,
    Port,
    ReferenceLoad,
    ReferenceOpen,
    ReferenceShort,
    Setting,
    column_names,
    frequency,
    standards_of,
)
from sweeplab.cli.progress import with_progress
from sweeplab.errors import LogError, one_line

if TYPE_CHECKING:
    from sweeplab.log import Added, Log, StoredSweep
    from sweeplab.reading import Reading


def init(ctx: typer.Context) -> None:
    """Make an empty log."""
    from sweeplab.log import Log
    from sweeplab.present.labels import counted

    shell = CliContext.of(ctx)
    there = shell.log_path.exists()
    with Log.open(shell.log_path, create=True) as log:
        builds = counted(len(log.builds()), "build")
    if there:
        typer.echo(f"{shell.log_path} is a log already, with {builds}; left as it is.")
    else:
        typer.echo(f"Made {shell.log_path}. Next: sweeplab build template > first.toml")


def add(
    ctx: typer.Context,
    files: Files,
    build: Annotated[
        str, typer.Option(metavar="NAME", help="The build they were taken on.", show_default=False)
    ],
    setting: Setting = None,
    columns: Columns = None,
    z0: Z0 = None,
    port: Port = None,
    near: Near = None,
    reference_open: ReferenceOpen = None,
    reference_short: ReferenceShort = None,
    reference_load: ReferenceLoad = None,
    as_json: AsJson = False,
) -> None:
    """Add sweeps to the log; the same bytes are kept once."""
    shell = CliContext.of(ctx)
    from sweeplab.files import sweep_paths
    from sweeplab.workflows.sweeps import add_files

    told: dict[str, Any] = {
        "columns": column_names(columns),
        "z0_ohm": z0,
        "port": port,
        "near_hz": frequency(near),
        "standards": standards_of(reference_open, reference_short, reference_load),
    }
    with shell.open_log() as log:
        described = log.build(build)
        watched = with_progress([place.name for place in sweep_paths(files)], speaks=True)
        for reading, added in add_files(log, watched, described, setting, shell.fail, **told):
            file = reading.sweep.origin.file
            if as_json:
                entry = {"file": file, "id": added.id, "sha256": added.sha256, "new": added.new}
                print_json(entry, indent=None)
            else:
                typer.echo(_said(one_line(file), reading, added))
    shell.finish()


def list_sweeps(ctx: typer.Context, as_json: AsJson = False) -> None:
    """List the log's sweeps."""
    shell = CliContext.of(ctx)
    with shell.open_log() as log:
        sweeps = log.sweeps()
    if as_json:
        print_json({"sweeps": [sweep.to_json() for sweep in sweeps]})
        return
    from sweeplab.present.terminal import rows_table

    headings = ["id", "taken", "band", "build", "setting", "status", "file"]
    rows = [_row(sweep) for sweep in sweeps]
    if not any(row[4] for row in rows):
        headings.remove("setting")
        rows = [[*row[:4], *row[5:]] for row in rows]
    shell.show(rows_table(headings, rows) if rows else "No sweeps yet.")


def show(
    ctx: typer.Context,
    which: Annotated[
        str, typer.Argument(metavar="ID-or-FILE", help="A sweep's number in the log, or its file.")
    ],
    as_json: AsJson = False,
) -> None:
    """Show one sweep of the log as 'read' would."""
    from sweeplab.cli.read import SCHEMA
    from sweeplab.workflows.sweeps import read_again

    shell = CliContext.of(ctx)
    with shell.open_log() as log:
        stored = _find(log, which)
        reading = read_again(log, stored)
    if as_json:
        print_json({"schema": SCHEMA, "sweeps": [reading.to_json()], "failed": []})
        return
    from sweeplab.present.terminal import reading_page

    place = f"sweep {stored.id} on {stored.build}"
    place += f", setting {stored.setting}" if stored.setting else ""
    place += f", set aside: {stored.set_aside}" if stored.set_aside else ""
    shell.show(place, reading_page(reading))


def _find(log: Log, which: str) -> StoredSweep:
    """Return the sweep with that number, file, or file's last name."""
    sweeps = log.sweeps()
    for matches in (
        [sweep for sweep in sweeps if str(sweep.id) == which],
        [sweep for sweep in sweeps if sweep.file == which],
        [sweep for sweep in sweeps if Path(sweep.file).name == Path(which).name],
    ):
        if len(matches) > 1:
            numbers = ", ".join(str(sweep.id) for sweep in matches)
            raise LogError(f"{which}: the log has several, {numbers}; name one by its number")
        if matches:
            return matches[0]
    raise LogError(f"{which}: no such sweep in the log; 'sweeplab list' shows them")


def _row(sweep: StoredSweep) -> list[str]:
    taken = (sweep.taken or "-").replace("T", " ")[:16]
    status = sweep.status if sweep.set_aside is None else "set aside"
    return [
        str(sweep.id),
        taken,
        sweep.band,
        sweep.build,
        sweep.setting or "",
        status,
        one_line(Path(sweep.file).name),
    ]


def _said(file: str, reading: Reading, added: Added) -> str:
    """Return one line on what became of a file."""
    from sweeplab.present.labels import shown

    if not added.new:
        return f"{file}: already in the log as sweep {added.id}"
    line = f"{file}: sweep {added.id}, {reading.band}"
    if reading.status != "ok":
        line += f", {reading.status}"
    figures = reading.figures()
    other = reading.resonance.q_unloaded_other
    if other is not None and "q_unloaded" in figures:
        pair = (shown("q_unloaded", q0) for q0 in (figures["q_unloaded"], other))
        line += f", Q one of {' or '.join(pair)}"
    elif "q_unloaded" in figures:
        line += f", Q {shown('q_unloaded', figures['q_unloaded'])}"
    if "efficiency" in figures:
        line += f", efficiency {shown('efficiency', figures['efficiency'])}"
    return line
