"""``sweeplab compare``: which figures a change moved, and how surely."""

from __future__ import annotations

from typing import Annotated

import typer

from sweeplab.cli.context import CliContext, print_json
from sweeplab.cli.options import AsJson


def compare(
    ctx: typer.Context,
    before: Annotated[str, typer.Argument(metavar="BEFORE", help="The build before the change.")],
    after: Annotated[str, typer.Argument(metavar="AFTER", help="The build after it.")],
    as_json: AsJson = False,
) -> None:
    """Say which figures a change moved, and how surely."""
    from sweeplab.workflows.sweeps import compare_builds

    context = CliContext.of(ctx)
    with context.open_log() as log:
        comparison = compare_builds(log, before, after)
    if as_json:
        print_json(comparison.to_json())
        return
    from sweeplab.present.terminal import comparison_page

    context.show(comparison_page(comparison))
