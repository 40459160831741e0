"""``sweeplab read``: figures and findings without a log."""

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
    check_plot,
    flatten_options,
    reading_options,
)
from sweeplab.cli.progress import with_progress
from sweeplab.errors import one_line

if TYPE_CHECKING:
    from sweeplab.reading import Reading

SCHEMA = "sweeplab/1"


@flatten_options
def read(
    ctx: typer.Context,
    files: Files,
    *,
    build_file: Annotated[
        Path | None,
        typer.Option("--build", metavar="FILE.toml", help="The build they were taken on."),
    ] = None,
    setting: Setting = None,
    file_options: FileOptions,
    as_json: AsJson = False,
    fit_options: FitOptions,
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

    context = CliContext.of(ctx)
    build = None if build_file is None else load_build(build_file)
    options = reading_options(file_options, fit_options)
    names = with_progress([path.name for path in sweep_paths(files)])
    readings = list(readings_of(names, build, setting, context.fail, options))
    if as_json:
        failed = [{"file": file, "error": text} for file, text in context.failed]
        sweeps = [reading.to_json() for reading in readings]
        print_json({"schema": SCHEMA, "sweeps": sweeps, "failed": failed})
    else:
        _print(context, readings)
    if plot is not None and readings:
        _write_plot(plot, readings)
    context.finish()


def _write_plot(path: Path, readings: list[Reading]) -> None:
    from sweeplab.present.plots import save, sweep_sheet

    rows = [
        (reading.sweep, reading.resonance, one_line(Path(reading.sweep.origin.file).name))
        for reading in readings
    ]
    save(sweep_sheet(rows), path)


def _print(context: CliContext, readings: list[Reading]) -> None:
    """Print one sweep in full, several with a summary each."""
    from sweeplab.present.terminal import reading_page, summary

    for number, reading in enumerate(readings):
        if number:
            context.show("")
        context.show(reading_page(reading) if len(readings) == 1 else summary(reading))
