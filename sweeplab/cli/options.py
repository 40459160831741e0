"""Options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from sweeplab.calibration import OnePortCalibration
    from sweeplab.log import Standard, Standards

AsJson = Annotated[bool, typer.Option("--json", help="Print JSON.")]
Files = Annotated[
    list[str],
    typer.Argument(
        metavar="FILE",
        help="Sweeps: Touchstone or tables; folders or zip archives of them; '-' for standard "
        "input; 'log.csv#2' for the second sweep in a file.",
    ),
]
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
Port = Annotated[
    int | None,
    typer.Option(metavar="N", help="Whose reflection, in a file of several ports: 1 unless said."),
]
Near = Annotated[
    str | None,
    typer.Option(
        metavar="FREQ", help="Which resonance is meant, where a sweep shows several: '7.1 MHz'."
    ),
]
_STANDARD = "A sweep of {}, at the coupling loop's terminals; takes line and analyzer error out."
ReferenceOpen = Annotated[
    str | None, typer.Option(metavar="FILE", help=_STANDARD.format("the line's end left open"))
]
ReferenceShort = Annotated[
    str | None, typer.Option(metavar="FILE", help=_STANDARD.format("a short"))
]
ReferenceLoad = Annotated[
    str | None,
    typer.Option(metavar="FILE", help=_STANDARD.format("a load of its ohms")),
]


def check_plot(plot: Path | None) -> None:
    """Refuse, before the work, what ``--plot`` cannot be written to.

    Raises
    ------
    OutputError
        Something else than such a figure is there, or nothing can be.
    """
    from sweeplab.errors import OutputError
    from sweeplab.output import PLOTS, check, is_standard_output

    if plot is None:
        return
    ending = plot.suffix.lower()
    if ending not in PLOTS:
        raise typer.BadParameter(f"--plot {plot}: end the name in {', '.join(PLOTS)}")
    if is_standard_output(plot):
        raise OutputError(str(plot), "the figures are printed there already", "name another file")
    check(plot, PLOTS[ending])


def column_names(columns: str | None) -> list[str] | None:
    """Return the names in the text of ``--columns``."""
    return None if columns is None else [name.strip() for name in columns.split(",")]


def frequency(text: str | None) -> float | None:
    """Return the frequency in the text of ``--near`` [Hz]."""
    if text is None:
        return None
    from sweeplab.errors import QuantityError
    from sweeplab.quantity import parse_quantity

    try:
        return parse_quantity(text, "frequency").value
    except QuantityError as error:
        raise typer.BadParameter(str(error)) from error


def reference_of(
    opened: str | None, shorted: str | None, loaded: str | None
) -> OnePortCalibration | None:
    """Return the reference that three files hold, or None where none is named.

    Raises
    ------
    ReadError
        A file could not be read.
    """
    standards = standards_of(opened, shorted, loaded)
    return None if standards is None else standards.reference()


def standards_of(opened: str | None, shorted: str | None, loaded: str | None) -> Standards | None:
    """Return the three files with their bytes, or None where none is named.

    Raises
    ------
    ReadError
        A file could not be read.
    """
    if opened is None and shorted is None and loaded is None:
        return None
    if opened is None or shorted is None or loaded is None:
        raise typer.BadParameter(
            "an open, a short and a load belong together: give all three --reference options"
        )
    from sweeplab.log import Standards

    return Standards(_standard(opened), _standard(shorted), _standard(loaded))


def _standard(file: str) -> Standard:
    from sweeplab.errors import ReadError
    from sweeplab.files import read_each, sweep_paths
    from sweeplab.log import Standard

    answers = list(read_each(sweep_paths([file])))
    for answer in answers:
        if answer.error is not None:
            raise answer.error
    if len(answers) != 1:
        raise ReadError(file, f"{len(answers)} sweeps, where one is meant", "name that one")
    return Standard(answers[0].name, answers[0].raw)
