"""``sweeplab report``: the shareable report."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from sweeplab.cli.context import CliContext


def report(
    ctx: typer.Context,
    out: Annotated[Path, typer.Option(metavar="FILE.html", help="Where to write it.")] = Path(
        "sweeplab-report.html"
    ),
) -> None:
    """Write the log's report, one HTML file.

    Builds and their changes, figures, plots, loss budget, what each change did. Comments in the
    sweeps' files (a place, a call sign) and paths stay out of it."""
    from sweeplab.output import is_standard_output
    from sweeplab.workflows.report import write_report

    with CliContext.of(ctx).open_log() as log:
        write_report(log, out)
    # Where the report itself is printed, a word after it would be part of it.
    typer.echo(f"Wrote {out}.", err=is_standard_output(out))
