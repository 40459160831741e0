"""``sweeplab init``, ``add``, ``list``, ``show``: the log's sweeps."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sweeplab.cli.context import CliContext, print_json
from sweeplab.cli.options import (
    AsJson,
    FileOptions,
    Files,
    FitOptions,
    Setting,
    flatten_options,
    reading_options,
)
from sweeplab.cli.progress import with_progress
from sweeplab.errors import LogError, one_line

if TYPE_CHECKING:
    from sweeplab.log import Added, Log, StoredSweep
    from sweeplab.reading import Reading


def init(ctx: typer.Context) -> None:
    """Make an empty log."""
    from sweeplab.log import Log
    from sweeplab.present.labels import count_text

    context = CliContext.of(ctx)
    existed = context.log_path.exists()
    with Log.open(context.log_path, create=True) as log:
        builds = count_text(len(log.builds()), "build")
    if existed:
        typer.echo(f"{context.log_path} is a log already, with {builds}; left as it is.")
    else:
        typer.echo(f"Made {context.log_path}. Next: sweeplab build template > first.toml")


@flatten_options
def add(
    ctx: typer.Context,
    files: Files,
    *,
    build: Annotated[
        str, typer.Option(metavar="NAME", help="The build they were taken on.", show_default=False)
    ],
    setting: Setting = None,
    file_options: FileOptions,
    fit_options: FitOptions,
    as_json: AsJson = False,
) -> None:
    """Add sweeps to the log; the same bytes are kept once."""
    from sweeplab.files import sweep_paths
    from sweeplab.workflows.sweeps import add_files

    context = CliContext.of(ctx)
    options = reading_options(file_options, fit_options)
    with context.open_log() as log:
        description = log.build(build)
        names = with_progress([path.name for path in sweep_paths(files)], prints_each=True)
        for reading, added in add_files(log, names, description, setting, context.fail, options):
            file = reading.sweep.origin.file
            if as_json:
                entry = {"file": file, "id": added.id, "sha256": added.sha256, "new": added.new}
                print_json(entry, indent=None)
            else:
                typer.echo(_outcome(one_line(file), reading, added))
    context.finish()


def list_sweeps(ctx: typer.Context, as_json: AsJson = False) -> None:
    """List the log's sweeps."""
    context = CliContext.of(ctx)
    with context.open_log() as log:
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
    context.show(rows_table(headings, rows) if rows else "No sweeps yet.")


def show(
    ctx: typer.Context,
    which: Annotated[
        str, typer.Argument(metavar="ID-or-FILE", help="A sweep's number in the log, or its file.")
    ],
    as_json: AsJson = False,
) -> None:
    """Show one sweep of the log as 'read' would."""
    from sweeplab.cli.read import SCHEMA
    from sweeplab.log.refit import recompute

    context = CliContext.of(ctx)
    with context.open_log() as log:
        stored = _find(log, which)
        reading = recompute(log, stored.id)
    if as_json:
        print_json({"schema": SCHEMA, "sweeps": [reading.to_json()], "failed": []})
        return
    from sweeplab.present.terminal import reading_page

    heading = f"sweep {stored.id} on {stored.build}"
    heading += f", setting {stored.setting}" if stored.setting else ""
    heading += f", set aside: {stored.set_aside}" if stored.set_aside else ""
    context.show(heading, reading_page(reading))


def _find(log: Log, which: str) -> StoredSweep:
    """Return the sweep with that number, path or file name."""
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


def _outcome(file: str, reading: Reading, added: Added) -> str:
    """Return one line on a file that was added, or was in the log already."""
    from sweeplab.present.labels import estimate_text

    if not added.new:
        return f"{file}: already in the log as sweep {added.id}"
    line = f"{file}: sweep {added.id}, {reading.band}"
    if reading.status != "ok":
        line += f", {reading.status}"
    figures = reading.figures()
    other = reading.resonance.q_unloaded_other
    if other is not None and "q_unloaded" in figures:
        pair = (estimate_text("q_unloaded", q0) for q0 in (figures["q_unloaded"], other))
        line += f", Q one of {' or '.join(pair)}"
    elif "q_unloaded" in figures:
        line += f", Q {estimate_text('q_unloaded', figures['q_unloaded'])}"
    if "efficiency" in figures:
        line += f", efficiency {estimate_text('efficiency', figures['efficiency'])}"
    return line
