"""``sweeplab read``: figures and findings without a log."""

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
    check_plot,
    column_names,
    frequency,
    reference_of,
)
from sweeplab.cli.progress import with_progress
from sweeplab.errors import one_line

if TYPE_CHECKING:
    from sweeplab.reading import Reading

SCHEMA = "sweeplab/1"


def read(
    ctx: typer.Context,
    files: Files,
    build_file: Annotated[
        Path | None,
        typer.Option("--build", metavar="FILE.toml", help="The build they were taken on."),
    ] = None,
    setting: Setting = None,
    columns: Columns = None,
    z0: Z0 = None,
    port: Port = None,
    as_json: AsJson = False,
    near: Near = None,
    reference_open: ReferenceOpen = None,
    reference_short: ReferenceShort = None,
    reference_load: ReferenceLoad = None,
    plot: Annotated[
        Path | None,
        typer.Option(metavar="PNG", help="Write the resonance and Smith plots (png, svg, pdf)."),
    ] = None,
) -> None:
    """Say what sweeps tell: efficiency, match, what to do next."""
    if setting is not None and build_file is None:
        raise typer.BadParameter("a setting needs the build it belongs to: add --build")
    check_plot(plot)
    from sweeplab.files import sweep_paths
    from sweeplab.workflows.sweeps import load_build, readings_of

    shell = CliContext.of(ctx)
    build = None if build_file is None else load_build(build_file)
    told: dict[str, Any] = {
        "columns": column_names(columns),
        "z0_ohm": z0,
        "port": port,
        "near_hz": frequency(near),
        "reference": reference_of(reference_open, reference_short, reference_load),
    }
    watched = with_progress([place.name for place in sweep_paths(files)])
    readings = list(readings_of(watched, build, setting, shell.fail, **told))
    if as_json:
        failed = [{"file": file, "error": text} for file, text in shell.failed]
        sweeps = [reading.to_json() for reading in readings]
        print_json({"schema": SCHEMA, "sweeps": sweeps, "failed": failed})
    else:
        _print(shell, readings)
    if plot is not None and readings:
        from sweeplab.present.plots import save, sweep_sheet

        names = [one_line(Path(r.sweep.origin.file).name) for r in readings]
        rows = zip(readings, names, strict=True)
        save(sweep_sheet([(r.sweep, r.resonance, name) for r, name in rows]), plot)
    shell.finish()


def _print(shell: CliContext, readings: list[Reading]) -> None:
    """Print one sweep in full, several with their first words each."""
    from sweeplab.present.terminal import first_words, reading_page

    for place, reading in enumerate(readings):
        if place:
            shell.show("")
        shell.show(reading_page(reading) if len(readings) == 1 else first_words(reading))
