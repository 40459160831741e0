"""``sweeplab`` alone: the log's contents and the next sensible step."""

from __future__ import annotations

from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from sweeplab.cli.context import CliContext


def print_status(context: CliContext) -> None:
    """Say whether there is a log, what it holds, and what to do next."""
    if not context.log_path.exists():
        typer.echo(f"No log at {context.log_path}.")
        typer.echo("See it work:    sweeplab demo")
        typer.echo("Try a sweep:    sweeplab read FILE")
        typer.echo("Start a log:    sweeplab init")
        typer.echo("Everything:     sweeplab --help")
        return
    from sweeplab.present.labels import count_text

    with context.open_log() as log:
        builds, sweeps = log.builds(), log.sweeps()
        latest = builds[-1].name if builds else ""
        steps = len(log.changes())
    contents = f"{count_text(len(builds), 'build')}, {count_text(len(sweeps), 'sweep')}"
    typer.echo(f"Log {context.log_path}: {contents}.")
    if not builds:
        typer.echo("Next, describe the antenna:    sweeplab build template > first.toml")
        typer.echo("and add it:                    sweeplab build add first.toml")
    elif not sweeps:
        typer.echo(f"Next, add its sweeps:    sweeplab add FILE... --build {latest}")
    elif not steps:
        typer.echo("Next, change one thing, and say why:")
        typer.echo(f"    sweeplab build change {latest} NEW --set key=value --why TEXT")
    else:
        typer.echo("See what the changes did:    sweeplab report")
