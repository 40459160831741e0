"""What ``sweeplab plan`` takes, and what it turns down as a slip of the finger."""

from __future__ import annotations

import pytest
import typer

from sweeplab.cli.plan import _power, _sizes


def test_nearly_five_kilowatts_are_taken() -> None:
    assert _power("4900") == 4900


@pytest.mark.parametrize("text", ["5100", "5.1 kW"])
def test_more_power_is_turned_down(text: str) -> None:
    with pytest.raises(typer.BadParameter, match="not between 0 and 5000 W"):
        _power(text)


def test_sixty_sizes_are_taken() -> None:
    assert len(_sizes("1m:6.9m:0.1m")) == 60


def test_sixty_one_sizes_are_turned_down() -> None:
    with pytest.raises(typer.BadParameter, match="is 61 sizes; at most 60"):
        _sizes("1m:7m:0.1m")
