"""``sweeplab demo``: the whole job on invented data."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def demo(
    folder: Annotated[
        Path, typer.Argument(metavar="DIR", help="Where to put the demo's log and report.")
    ] = Path("sweeplab-demo"),
) -> None:
    """Replay an invented antenna's story, log to report."""
    from sweeplab.demo import replay

    replay(folder, typer.echo)
