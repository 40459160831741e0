"""Long runs of spaces take time in proportion to their length."""

from __future__ import annotations

import time
from contextlib import suppress

import pytest
from sweep_writing import read_text

from sweeplab.errors import ReadError

SPACES = " " * 19_000
ROWS = "7,0.5,0.25\n8,0.5,0.25\n9,0.5,0.25\n"
TEXTS = {
    "before a complex number": f"i{SPACES}x\nMHz,re,im\n{ROWS}",
    "after a complex number": f"0.5+0.25j{SPACES}x\nMHz,re,im\n{ROWS}",
    "inside parentheses": f"i({SPACES}x\nMHz,re,im\n{ROWS}",
    "before a unit": f"MHz{SPACES}x re\nMHz,re,im\n{ROWS}",
    "before a reference": f"z0{SPACES}x\nMHz,re,im\n{ROWS}",
    "inside a label": f"MHz,re,im,s{SPACES}x\n" + ROWS.replace("\n", ",0\n"),
}


# By the square of the length each takes more than 5 s.
@pytest.mark.parametrize("text", TEXTS.values(), ids=TEXTS.keys())
def test_a_run_of_spaces_takes_less_than_a_second(text: str) -> None:
    start = time.process_time()
    with suppress(ReadError):
        read_text(text, "a.csv")
    assert time.process_time() - start < 1


@pytest.mark.parametrize("separator", [" ", "  ", "\t", ";"])
def test_a_column_may_follow_complex_cells(separator: str) -> None:
    rows = [("MHz", "S11", "swr"), ("7", "(1+1j)", "2"), ("8", "0.5-1j", "3")]
    rows.append(("9", "( 0.5 + j0.25 )" if separator in "\t;" else "0.5+j0.25", "4"))
    text = "".join(separator.join(row) + "\n" for row in rows)
    sweep = read_text(text, "a.csv", columns=("f_mhz", "gamma", "skip"))
    assert sweep.gamma.tolist() == [1 + 1j, 0.5 - 1j, 0.5 + 0.25j]


@pytest.mark.parametrize(
    "line", ["Z0 = 75 ohm", "z0 [ohm]: 75", "reference impedance (ohms) = 75", "zref,75", "Zo ([75"]
)
def test_a_reference_in_the_preamble(line: str) -> None:
    assert read_text(f"{line}\nMHz,re,im\n{ROWS}", "a.csv").z0_ohm == 75
