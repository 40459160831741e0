"""``sweeplab plan``: expected figures of a build not yet built."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sweeplab.cli.context import CliContext, print_json
from sweeplab.cli.options import AsJson, check_plot, flatten_options
from sweeplab.errors import QuantityError
from sweeplab.finding import Threshold
from sweeplab.workflows.sweeps import load_build

if TYPE_CHECKING:
    from rich.console import RenderableType

    from sweeplab.builds import Build
    from sweeplab.planning.cut_list import Allowance, Mast, Piece
    from sweeplab.planning.result import Plan
    from sweeplab.planning.stock import StockLoop
    from sweeplab.quantity import Dimension, Quantity

_MOST_POWER_W: Threshold = 5000.0
_MOST_SIZES: Threshold = 60


@dataclass(frozen=True)
class PlanOptions:
    """Options on what to plan, as they are given."""

    bands: Annotated[
        list[str] | None,
        typer.Option(
            "--band", metavar="B", help="A band such as 40m; all the capacitor reaches without."
        ),
    ] = None
    circumference: Annotated[
        str | None,
        typer.Option(metavar="A:B:STEP", help="Other sizes to try: '2m:5m:0.25m', or one."),
    ] = None
    stock: Annotated[
        list[str] | None,
        typer.Option(
            metavar="LENGTH", help="A length that can be had: planned in one piece, and joined."
        ),
    ] = None
    joint: Annotated[
        str | None,
        typer.Option(metavar="OHM", help="What a joint is assumed to cost: '2 mohm'."),
    ] = None
    allow: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=LENGTH",
            help="What fittings take of every turn ('connector=20mm') or one ('turn 2:box=11cm').",
        ),
    ] = None
    power: Annotated[
        str | None,
        typer.Option(metavar="W", help="Add volts, amperes and distances at that power: '100 W'."),
    ] = None
    mast: Annotated[
        str | None,
        typer.Option(metavar="LENGTH", help="Add what a mast of that length must bear."),
    ] = None


@dataclass(frozen=True)
class _Request:
    """The options' values, SI units; an empty list or None where nothing is requested."""

    bands: list[str] | None
    sizes_m: list[float]
    stock_m: list[float]
    joint: Quantity | None
    allowances: list[Allowance]
    power_w: float | None
    mast_m: float | None

    @classmethod
    def of(cls, options: PlanOptions) -> _Request:
        """Return the values of the options; BadParameter where a text has none."""
        power, joint, mast = options.power, options.joint, options.mast
        return cls(
            power_w=None if power is None else _power(power),
            sizes_m=_sizes(options.circumference),
            allowances=[_allowance(text) for text in options.allow or ()],
            stock_m=[_positive(text, "length", "--stock").value for text in options.stock or ()],
            joint=None if joint is None else _positive(joint, "resistance", "--joint"),
            mast_m=None if mast is None else _positive(mast, "length", "--mast").value,
            bands=[_band(text) for text in options.bands] if options.bands else None,
        )


@dataclass(frozen=True)
class _Result:
    """The plan of a build, and what else was requested."""

    plan: Plan
    sizes: list[Plan]
    stock: Sequence[StockLoop]
    cut_list: Sequence[Piece]
    mast: Mast | None

    @classmethod
    def of(cls, build: Build, request: _Request) -> _Result:
        """Plan the build as requested."""
        from sweeplab.planning.cut_list import cut_list, mast
        from sweeplab.planning.plan import plan, resized
        from sweeplab.planning.stock import stock_loops

        bands, sizes_m = request.bands, request.sizes_m
        return cls(
            plan=plan(build, bands, request.power_w),
            sizes=[plan(resized(build, size), bands, coupling=False) for size in sizes_m],
            stock=stock_loops(
                build,
                request.stock_m,
                bands=bands,
                joint=request.joint,
                allowances=request.allowances,
            ),
            cut_list=cut_list(build, request.allowances),
            mast=None if request.mast_m is None else mast(build, request.mast_m),
        )

    def to_json(self, setting: str | None) -> dict[str, Any]:
        """Return the plan as the contract of ``plan`` has it, with the rest."""
        return {
            **self.plan.to_json(),
            "setting": setting,
            "sizes": [size.to_json() for size in self.sizes],
            "stock": [loop.to_json() for loop in self.stock],
            "cut_list": [piece.to_json() for piece in self.cut_list],
            "mast": None if self.mast is None else self.mast.to_json(),
        }

    def page(self) -> RenderableType:
        """Return the plan for the terminal."""
        from sweeplab.present import plan as present

        tables = [present.sizes_table(self.sizes)] if self.sizes else []
        tables += [present.stock_table(self.stock)] if self.stock else []
        tables += [present.cut_table(self.cut_list)]
        tables += [present.mast_line(self.mast)] if self.mast is not None else []
        return present.plan_page(self.plan, tables)


@flatten_options
def plan(
    ctx: typer.Context,
    build_file: Annotated[
        Path, typer.Argument(metavar="FILE.toml", help="The build, as far as it is decided.")
    ],
    *,
    setting: Annotated[
        str | None, typer.Option(metavar="S", help="The build's setting to plan.")
    ] = None,
    options: PlanOptions,
    as_json: AsJson = False,
    plot: Annotated[
        Path | None,
        typer.Option(metavar="PNG", help="Write efficiency over frequency (png, svg, pdf)."),
    ] = None,
) -> None:
    """Say what to expect of a build before it is built."""
    check_plot(plot)
    request = _Request.of(options)
    result = _Result.of(load_build(build_file).in_setting(setting), request)
    if plot is not None:
        _write_plot(plot, result.sizes or [result.plan])
    if as_json:
        print_json(result.to_json(setting))
    else:
        CliContext.of(ctx).show(result.page())


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
    unitless = text.replace(".", "", 1).strip().isdecimal()
    power_w = float(text) if unitless else _positive(text, "power", "--power").value
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
