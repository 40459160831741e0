"""Rows of integers leave the decimal sign open; the other rows of the table decide."""

from __future__ import annotations

import pytest
from sweep_writing import read_text

from sweeplab.files.table.dialect import Dialect, detect_dialect

COMMAS = "7;1,5;0,2"
POINTS = "7;1.5;0.2"
INTEGERS = "7;15;2"


@pytest.mark.parametrize("integers", [1, 19, 20, 21, 39, 50, 60, 200])
@pytest.mark.parametrize(
    ("row", "separator"), [(COMMAS, ";"), ("7\t1,5\t0,2", "\t"), ("7 1,5 0,2", None)]
)
def test_commas_after_any_number_of_integer_rows(
    row: str, separator: str | None, integers: int
) -> None:
    above = [row.replace(",", "")] * integers
    assert detect_dialect([*above, row]) == Dialect(separator, ",", 0, 3)
    assert detect_dialect([*above, *[row] * 19]) == Dialect(separator, ",", 0, 3)


@pytest.mark.parametrize("integers", [8, 60])
def test_rows_with_commas_above_integer_rows_belong_to_the_table(integers: int) -> None:
    lines = ["MHz;re;im", *[COMMAS] * 5, *[INTEGERS] * integers]
    assert detect_dialect(lines) == Dialect(";", ",", 1, 3)


@pytest.mark.parametrize("integers", [1, 21, 60])
def test_points_after_integer_rows(integers: int) -> None:
    lines = [*[INTEGERS] * integers, *[POINTS] * 19]
    assert detect_dialect(lines) == Dialect(";", ".", 0, 3)


def test_integer_rows_alone_are_read_with_a_point() -> None:
    assert detect_dialect([INTEGERS] * 10) == Dialect(";", ".", 0, 3)


def test_the_longer_of_two_runs_decides() -> None:
    lines = [*[COMMAS] * 5, *[INTEGERS] * 3, *[POINTS] * 30]
    assert detect_dialect(lines) == Dialect(";", ".", 5, 3)


def test_a_run_of_another_width_does_not_decide() -> None:
    lines = [*[INTEGERS] * 50, *["7;1,5;0,2;1"] * 60]
    assert detect_dialect(lines) == Dialect(";", ".", 0, 3)


def test_a_table_that_begins_with_integers_is_read() -> None:
    head = "MHz;re;im\n" + "".join(f"{k};0;1\n" for k in range(1, 22))
    sweep = read_text(head + "".join(f"{k};0,5;0,2\n" for k in range(22, 41)), "a.csv")
    assert sweep.f_hz.tolist() == [1e6 * k for k in range(1, 41)]
    assert sweep.gamma[-1] == 0.5 + 0.2j
