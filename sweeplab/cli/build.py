"""``sweeplab build``: the antenna's builds and the changes between them."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from sweeplab.cli.context import CliContext, key_values
from sweeplab.workflows.sweeps import load_build

app = typer.Typer(
    help="Describe builds and the changes between them.",
    no_args_is_help=True,
    rich_markup_mode=None,
)


@app.command()
def template() -> None:
    """Print a build's file to fill in, every key explained."""
    from sweeplab.builds import template as blank

    typer.echo(blank(), nl=False)


@app.command()
def add(
    ctx: typer.Context,
    file: Annotated[Path, typer.Argument(metavar="FILE.toml", help="The build's description.")],
) -> None:
    """Add a build to the log."""
    build = load_build(file)
    with CliContext.of(ctx).open_log() as log:
        log.add_build(build)
    typer.echo(f"Added build {build.name}.")
    for finding in build.findings:
        typer.echo(f"  {finding.level}: {finding.text}")
    typer.echo(f"Next: sweeplab add FILE... --build {build.name}")


@app.command()
def change(
    ctx: typer.Context,
    old: Annotated[str, typer.Argument(metavar="OLD", help="The build as it was.")],
    new: Annotated[str, typer.Argument(metavar="NEW", help="A name for the build as it is now.")],
    why: Annotated[
        str, typer.Option(metavar="TEXT", help="Why it was changed.", show_default=False)
    ],
    settings: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            metavar="KEY=VALUE",
            help=(
                "What is different, such as feed.circumference='0.66 m'; repeat for more; an "
                "empty value takes the key away. None where the description stays as it was."
            ),
            show_default=False,
        ),
    ] = None,
) -> None:
    """Make a new build out of an old one: what changed, and why."""
    from sweeplab.builds import difference

    changed = key_values(settings or [])
    with CliContext.of(ctx).open_log() as log:
        log.change(old, new, changed, why)
        changes = difference(log.build(old), log.build(new))
    typer.echo(f"Added build {new}, changed from {old}: {why}")
    for step in changes:
        typer.echo(f"  {step.key}: {step.before or 'not given'} -> {step.after or 'not given'}")
    typer.echo(f"Next: sweeplab add FILE... --build {new}")


@app.command()
def show(
    ctx: typer.Context, name: Annotated[str, typer.Argument(metavar="NAME", help="The build.")]
) -> None:
    """Print a build's description, and how it came about."""
    with CliContext.of(ctx).open_log() as log:
        build = log.build(name)
        changes = [step for step in log.changes() if step.after == name]
    for step in changes:
        typer.echo(f"# changed from {step.before}: {step.why}")
    typer.echo((build.text or build.to_toml()).rstrip())


@app.command("list")
def list_builds(ctx: typer.Context) -> None:
    """List the log's builds and where each came from."""
    from collections import Counter

    context = CliContext.of(ctx)
    with context.open_log() as log:
        builds = log.builds()
        came_from = {step.after: step for step in log.changes()}
        sweeps = Counter(sweep.build for sweep in log.sweeps())
    if not builds:
        typer.echo("No builds yet: sweeplab build add FILE.toml")
        return
    from sweeplab.present.terminal import rows_table

    rows = []
    for build in builds:
        step = came_from.get(build.name)
        rows.append(
            [
                build.name,
                str(sweeps[build.name]),
                step.before if step else "",
                step.why if step else "",
            ]
        )
    context.show(rows_table(["build", "sweeps", "changed from", "why"], rows))
