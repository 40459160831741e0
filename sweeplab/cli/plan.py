"""``sweeplab plan``: expected figures of a build not yet built."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sweeplab.cli.context import CliContext, print_json
from sweeplab.cli.options import AsJson, check_plot
from sweeplab.errors import QuantityError
from sweeplab.finding import Threshold
from sweeplab.workflows.sweeps import load_build

if TYPE_CHECKING:
    from sweeplab.planning.cut_list import Allowance
    from sweeplab.planning.result import Plan
    from sweeplab.quantity import Dimension, Quantity

_MOST_POWER_W: Threshold = 5000.0
_MOST_SIZES: Threshold = 60


def plan(
    ctx: typer.Context,
    build_file: Annotated[
        Path, typer.Argument(metavar="FILE.toml", help="The build, as far as it is decided.")
    ],
    setting: Annotated[
        str | None, typer.Option(metavar="S", help="The build's setting to plan.")
    ] = None,
    bands: Annotated[
        list[str] | None,
        typer.Option(
            "--band", metavar="B", help="A band such as 40m; all the capacitor reaches without."
        ),
    ] = None,
    circumference: Annotated[
        str | None,
        typer.Option(metavar="A:B:STEP", help="Other sizes to try: '2m:5m:0.25m', or one."),
    ] = None,
    stock: Annotated[
        list[str] | None,
        typer.Option(
            metavar="LENGTH", help="A length that can be had: planned in one piece, and joined."
        ),
    ] = None,
    joint: Annotated[
        str | None,
        typer.Option(metavar="OHM", help="What a joint is assumed to cost: '2 mohm'."),
    ] = None,
    allow: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=LENGTH",
            help="What fittings take of every turn ('connector=20mm') or one ('turn 2:box=11cm').",
        ),
    ] = None,
    power: Annotated[
        str | None,
        typer.Option(metavar="W", help="Add volts, amperes and distances at that power: '100 W'."),
    ] = None,
    mast: Annotated[
        str | None,
        typer.Option(metavar="LENGTH", help="Add what a mast of that length must bear."),
    ] = None,
    as_json: AsJson = False,
    plot: Annotated[
        Path | None,
        typer.Option(metavar="PNG", help="Write efficiency over frequency (png, svg, pdf)."),
    ] = None,
) -> None:
    """Say what to expect of a build before it is built."""
    check_plot(plot)
    power_w = None if power is None else _power(power)
    sizes_m = _sizes(circumference)
    allowances = [_allowance(text) for text in allow or ()]
    stock_m = [_positive(text, "length", "--stock").value for text in stock or ()]
    joint_r = None if joint is None else _positive(joint, "resistance", "--joint")
    mast_m = None if mast is None else _positive(mast, "length", "--mast").value
    wanted = None if not bands else [_band(text) for text in bands]

    from sweeplab.planning.cut_list import cut_list
    from sweeplab.planning.cut_list import mast as mast_of
    from sweeplab.planning.plan import plan as make_plan
    from sweeplab.planning.plan import resized
    from sweeplab.planning.stock import stock_loops

    build = load_build(build_file).in_setting(setting)
    planned = make_plan(build, wanted, power_w)
    sizes = [make_plan(resized(build, size), wanted, coupling=False) for size in sizes_m]
    loops = stock_loops(build, stock_m, bands=wanted, joint=joint_r, allowances=allowances)
    pieces = cut_list(build, allowances)
    asked = None if mast_m is None else mast_of(build, mast_m)
    if plot is not None:
        _write_plot(plot, sizes or [planned])
    if as_json:
        more: dict[str, Any] = {
            "setting": setting,
            "sizes": [size.to_json() for size in sizes],
            "stock": [loop.to_json() for loop in loops],
            "cut_list": [piece.to_json() for piece in pieces],
            "mast": None if asked is None else asked.to_json(),
        }
        print_json({**planned.to_json(), **more})
        return
    from sweeplab.present import plan as page

    tables = [page.sizes_table(sizes)] if sizes else []
    tables += [page.stock_table(loops)] if loops else []
    tables += [page.cut_table(pieces)]
    tables += [page.mast_line(asked)] if asked is not None else []
    CliContext.of(ctx).show(page.plan_page(planned, tables))


def _positive(text: str, dimension: Dimension, option: str) -> Quantity:
    from sweeplab.quantity import parse_quantity

    try:
        quantity = parse_quantity(text, dimension)
    except QuantityError as error:
        raise typer.BadParameter(str(error), param_hint=option) from None
    if quantity.value <= 0:
        raise typer.BadParameter(f"'{text}' is not above zero", param_hint=option)
    return quantity


def _power(text: str) -> float:
    """Return the watts in a text; a number alone is watts."""
    bare = text.replace(".", "", 1).strip().isdecimal()
    power_w = float(text) if bare else _positive(text, "power", "--power").value
    if not 0 < power_w <= _MOST_POWER_W:
        raise typer.BadParameter(
            f"{power_w:g} W is not between 0 and {_MOST_POWER_W:g} W", param_hint="--power"
        )
    return power_w


def _sizes(text: str | None) -> list[float]:
    """Return the circumferences in ``A:B:STEP``, both ends in."""
    if text is None:
        return []
    option = "--circumference"
    parts = [_positive(part, "length", option).value for part in text.split(":")]
    if len(parts) == 1:
        return parts
    if len(parts) != 3 or parts[1] < parts[0]:
        raise typer.BadParameter(
            f"'{text}' is no A:B:STEP; write it like 2m:5m:0.25m", param_hint=option
        )
    start, stop, step = parts
    count = int((stop - start) / step + 1e-9) + 1
    if count > _MOST_SIZES:
        raise typer.BadParameter(
            f"'{text}' is {count} sizes; at most {_MOST_SIZES}", param_hint=option
        )
    return [start + i * step for i in range(count)]


def _allowance(text: str) -> Allowance:
    from sweeplab.planning.cut_list import Allowance

    name, equals, length = text.partition("=")
    piece, colon, rest = name.partition(":")
    if not equals or not name.strip():
        raise typer.BadParameter(f"'{text}' is no name=length", param_hint="--allow")
    size = _positive(length, "length", "--allow").value
    return Allowance((rest if colon else name).strip(), size, piece.strip() if colon else "")


def _band(text: str) -> str:
    from sweeplab.bands import BANDS_HZ

    name = text.replace(" ", "").lower()
    name = name if name.endswith("m") else f"{name}m"
    if name not in BANDS_HZ:
        raise typer.BadParameter(
            f"'{text}' is no band; known: {', '.join(BANDS_HZ)}", param_hint="--band"
        )
    return name


def _write_plot(path: Path, plans: list[Plan]) -> None:
    from sweeplab.present.plan import plan_sheet
    from sweeplab.present.plots import save

    save(plan_sheet(plans), path)
