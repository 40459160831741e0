"""Options that several commands share."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from dataclasses import dataclass, is_dataclass
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from sweeplab.log import Standard, Standards
    from sweeplab.workflows.sweeps import ReadingOptions

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


@dataclass(frozen=True)
class FileOptions:
    """Options on how a file is read, where it does not say so itself."""

    columns: Annotated[
        str | None,
        typer.Option(
            metavar="NAMES",
            help="A table's columns, by commas, where the file does not say: 'f_mhz,r_ohm,x_ohm'.",
        ),
    ] = None
    z0: Annotated[
        float | None,
        typer.Option("--z0", metavar="OHM", help="Reference impedance, where the file has none."),
    ] = None
    port: Annotated[
        int | None,
        typer.Option(
            metavar="N", help="Whose reflection, in a file of several ports: 1 unless said."
        ),
    ] = None


_STANDARD = "A sweep of {}, at the coupling loop's terminals; takes line and analyzer error out."


@dataclass(frozen=True)
class FitOptions:
    """Options on how a sweep is corrected and fitted."""

    near: Annotated[
        str | None,
        typer.Option(
            metavar="FREQ", help="Which resonance is meant, where a sweep shows several: '7.1 MHz'."
        ),
    ] = None
    reference_open: Annotated[
        str | None, typer.Option(metavar="FILE", help=_STANDARD.format("the line's end left open"))
    ] = None
    reference_short: Annotated[
        str | None, typer.Option(metavar="FILE", help=_STANDARD.format("a short"))
    ] = None
    reference_load: Annotated[
        str | None, typer.Option(metavar="FILE", help=_STANDARD.format("a load of its ohms"))
    ] = None


def flatten_options(command: Callable[..., None]) -> Callable[..., None]:
    """Let a command take groups of options: each dataclass among its parameters is a group.

    On the command line the group's fields stand in its place, in their order; the command gets
    the dataclass.
    """
    parameters = inspect.signature(command, eval_str=True).parameters
    groups: dict[str, Callable[..., Any]] = {
        name: parameter.annotation
        for name, parameter in parameters.items()
        if isinstance(parameter.annotation, type) and is_dataclass(parameter.annotation)
    }
    members = {name: inspect.signature(group, eval_str=True) for name, group in groups.items()}
    flat = [
        member
        for name, parameter in parameters.items()
        for member in (members[name].parameters.values() if name in members else [parameter])
    ]

    @wraps(command)
    def run(**given: Any) -> None:
        for name, group in groups.items():
            given[name] = group(**{field: given.pop(field) for field in members[name].parameters})
        command(**given)

    keyword_only = [p.replace(kind=inspect.Parameter.KEYWORD_ONLY) for p in flat]
    run.__signature__ = inspect.Signature(keyword_only)  # type: ignore[attr-defined]
    run.__annotations__ = {p.name: p.annotation for p in flat}
    return run


def reading_options(file: FileOptions, fit: FitOptions) -> ReadingOptions:
    """Return what the two groups say on reading and fitting.

    Raises
    ------
    ReadError
        A file of a standard could not be read.
    """
    from sweeplab.workflows.sweeps import ReadingOptions

    return ReadingOptions(
        columns=_column_names(file.columns),
        z0_ohm=file.z0,
        port=file.port,
        near_hz=_frequency(fit.near),
        standards=_standards(fit.reference_open, fit.reference_short, fit.reference_load),
    )


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


def _column_names(columns: str | None) -> list[str] | None:
    """Return the names in the text of ``--columns``."""
    return None if columns is None else [name.strip() for name in columns.split(",")]


def _frequency(text: str | None) -> float | None:
    """Return the frequency in the text of ``--near`` [Hz]."""
    if text is None:
        return None
    from sweeplab.errors import QuantityError
    from sweeplab.quantity import parse_quantity

    try:
        return parse_quantity(text, "frequency").value
    except QuantityError as error:
        raise typer.BadParameter(str(error)) from error


def _standards(opened: str | None, shorted: str | None, loaded: str | None) -> Standards | None:
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

    results = list(read_each(sweep_paths([file])))
    for result in results:
        if result.error is not None:
            raise result.error
    if len(results) != 1:
        raise ReadError(file, f"{len(results)} sweeps, where one is meant", "name that one")
    return Standard(results[0].name, results[0].raw)
