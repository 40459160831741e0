"""The root of the command line: the list of commands and the options that go anywhere."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from sweeplab import __version__
from sweeplab.cli.build import app as build_app
from sweeplab.cli.compare import compare
from sweeplab.cli.context import DEFAULT_LOG, CliContext, one_line
from sweeplab.cli.demo import demo
from sweeplab.cli.log import add, init, list_sweeps, show
from sweeplab.cli.plan import plan
from sweeplab.cli.read import read
from sweeplab.cli.report import report
from sweeplab.cli.status import print_status
from sweeplab.cli.streams import guard_streams, lost_output
from sweeplab.errors import SweeplabError

_ROOT_OPTIONS = {"--log": 1, "--color": 0, "--no-color": 0}


class Root(TyperGroup):
    """The root command: takes its own options anywhere, and turns errors into one line."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Read the arguments with the root's own options brought to the front."""
        parsed: list[str] = super().parse_args(ctx, root_options_first(args))
        return parsed

    def invoke(self, ctx: Any) -> Any:
        """Run the command; an error of the input ends in one line and status 1."""
        try:
            return super().invoke(ctx)
        except (SweeplabError, OSError) as error:
            typer.echo(one_line(error), err=True)
        raise typer.Exit(1)


def root_options_first(args: list[str]) -> list[str]:
    """Return the arguments with ``--log PATH`` and the colour switches before the command."""
    root_words: list[str] = []
    rest = list(args)
    at = 0
    while at < len(rest) and rest[at] != "--":
        name, equals, _ = rest[at].partition("=")
        if name in _ROOT_OPTIONS:
            words = 1 if equals else 1 + _ROOT_OPTIONS[name]
            root_words += rest[at : at + words]
            del rest[at : at + words]
        else:
            at += 1
    return root_words + rest


app = typer.Typer(
    cls=Root,
    help=(
        "Say what each analyzer sweep tells of a small transmitting loop, keep a log of builds, "
        "and find out which change did what."
    ),
    epilog="--log and --color/--no-color may stand before or after the command.",
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _print_version(requested: bool) -> None:
    if requested:
        typer.echo(f"sweeplab {__version__}")
        raise typer.Exit


@app.callback(invoke_without_command=True)
def root(
    ctx: typer.Context,
    log_path: Annotated[
        Path | None,
        typer.Option(
            "--log",
            metavar="PATH",
            help=f"The log; else what SWEEPLAB_LOG says, else {DEFAULT_LOG} in this folder.",
            show_default=False,
        ),
    ] = None,
    color: Annotated[
        bool | None,
        typer.Option(
            "--color/--no-color", help="Colour or none; on a terminal unless NO_COLOR is set."
        ),
    ] = None,
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_print_version, is_eager=True, help="Print the version."
        ),
    ] = False,
) -> None:
    """Set the run up; without a command, say where you are."""
    chosen = log_path or Path(os.environ.get("SWEEPLAB_LOG") or DEFAULT_LOG)
    ctx.obj = CliContext(log_path=chosen, color=color)
    if ctx.invoked_subcommand is None:
        print_status(ctx.obj)


app.command()(demo)
app.command()(read)
app.command()(init)
app.command()(add)
app.command("list")(list_sweeps)
app.command()(show)
app.add_typer(build_app, name="build")
app.command()(compare)
app.command()(plan)
app.command()(report)


def main() -> None:
    """Run the command line."""
    guard_streams()
    try:
        app(prog_name="sweeplab")
    except SystemExit as ended:
        lost = lost_output()
        if lost:
            typer.echo(lost, err=True)
        sys.exit(ended.code or (1 if lost else 0))
