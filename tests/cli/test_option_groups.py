"""Options declared once for several commands: a dataclass among a command's parameters."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

import pytest
import typer
from typer.testing import CliRunner

from sweeplab.cli.options import FileOptions, FitOptions, flatten_options, reading_options
from sweeplab.workflows.sweeps import ReadingOptions


@dataclass(frozen=True)
class Size:
    """Two options."""

    width: Annotated[float, typer.Option(metavar="M", help="Across.")] = 1.0
    height: Annotated[float | None, typer.Option("--tall", help="Upwards.")] = None


SEEN: list[tuple[object, ...]] = []
app = typer.Typer()


@app.command()
@flatten_options
def draw(name: str, *, first: bool = False, size: Size, last: bool = False) -> None:
    """Draw it."""
    SEEN.append((name, first, size, last))


def invoked(*args: str) -> tuple[object, ...]:
    SEEN.clear()
    result = CliRunner().invoke(app, args)
    assert result.exit_code == 0, result.output
    return SEEN[0]


def test_a_command_gets_the_group_as_one_value() -> None:
    given = invoked("it", "--width", "2", "--tall", "3", "--last")
    assert given == ("it", False, Size(2.0, 3.0), True)


def test_options_left_out_have_the_groups_defaults() -> None:
    assert invoked("it", "--first") == ("it", True, Size(), False)


def test_the_groups_options_stand_where_the_group_does() -> None:
    names = [param.name for param in typer.main.get_command(app).params]
    assert names[:5] == ["name", "first", "width", "height", "last"]


def test_the_help_is_the_commands_own() -> None:
    assert typer.main.get_command(app).help == "Draw it."


def test_read_and_add_share_their_reading_options() -> None:
    from sweeplab.cli.app import app as sweeplab

    commands = typer.main.get_command(sweeplab).commands  # type: ignore[attr-defined]
    shared = [*FileOptions.__dataclass_fields__, *FitOptions.__dataclass_fields__]
    for name in ("read", "add"):
        names = [param.name for param in commands[name].params]
        assert [param for param in names if param in shared] == shared


def test_texts_become_values() -> None:
    options = reading_options(FileOptions("f_mhz, r_ohm", 75.0, 2), FitOptions("7.1 MHz"))
    assert options == ReadingOptions(["f_mhz", "r_ohm"], 75.0, 2, 7.1e6, None)
    assert reading_options(FileOptions(), FitOptions()) == ReadingOptions()


@pytest.mark.parametrize("given", [("o", None, None), (None, "s", "l"), ("o", "s", None)])
def test_one_standard_alone_is_wrong_usage(given: tuple[str | None, ...]) -> None:
    with pytest.raises(typer.BadParameter, match="belong together"):
        reading_options(FileOptions(), FitOptions(None, *given))
