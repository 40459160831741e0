"""Options that several commands share."""

from __future__ import annotations

from typing import Annotated

import typer

AsJson = Annotated[bool, typer.Option("--json", help="Print JSON.")]
Files = Annotated[list[str], typer.Argument(metavar="FILE", help="Sweeps: Touchstone or tables.")]
Setting = Annotated[
    str | None, typer.Option(metavar="S", help="The build's setting they were taken in.")
]
Columns = Annotated[
    str | None,
    typer.Option(
        metavar="NAMES",
        help="A table's columns, by commas, where the file does not say: 'f_mhz,r_ohm,x_ohm'.",
    ),
]
Z0 = Annotated[
    float | None,
    typer.Option("--z0", metavar="OHM", help="Reference impedance, where the file has none."),
]


def column_names(columns: str | None) -> list[str] | None:
    """Return the names in the text of ``--columns``."""
    return None if columns is None else [name.strip() for name in columns.split(",")]
