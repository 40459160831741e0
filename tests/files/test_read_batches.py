"""Rows parsed many at once give what rows parsed one by one give, whatever is between them."""

from __future__ import annotations

from unittest.mock import patch

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sweeplab.errors import ReadError
from sweeplab.files import sweep_from_bytes
from sweeplab.files.text.lines import Lines

_WORDS = """
0 7 -0.5 .25 1. +3 1e-1 2D0 1d+1 \u22120.5 nan n/a - 7,5 7'000 1_0 \u0667 inf 0x1 1e999 '7' x "0.5"
1,5 0.5-0.25j
"""
NUMBERS = st.sampled_from([*_WORDS.split(), "", " 7", "7 ", "1 000"])
ROWS = st.lists(st.lists(NUMBERS, min_size=1, max_size=4), min_size=1, max_size=8)
GOOD = ["7", "0.5", "0.25"]
COMMENTS = st.sampled_from(["", "! x", "; x", "# x", "  ", "prose", "[End]"])


def answer(data: bytes, name: str) -> object:
    try:
        sweep = sweep_from_bytes(data, name)
    except ReadError as error:
        return str(error)
    return (sweep.f_hz.tolist(), sweep.gamma.tolist(), sweep.findings, sweep.origin.comments)


def one_by_one(data: bytes, name: str) -> object:
    with (
        patch("sweeplab.files.table.data_block.parse_plain_rows", lambda *_: None),
        patch("sweeplab.files.table.data_block.parse_plain_row", lambda *_: None),
        patch("sweeplab.files.table.row_parser.parse_plain_row", lambda *_: None),
        patch("sweeplab.files.table.multi_sweep.parse_plain_rows", lambda *_: None),
        patch("sweeplab.files.touchstone.data_rows.parse_table", lambda *_: None),
        patch("sweeplab.files.touchstone.data_rows.parse_numbers", lambda *_: None),
        patch("sweeplab.files.touchstone.fast_path.read", lambda raws: [None] * len(raws)),
        patch("sweeplab.files.text.lines._CHUNK_LINES", 1),
        patch("sweeplab.files.touchstone.lexer._CHUNK_ROWS", 1),
    ):
        return answer(data, name)


@given(ROWS, st.sampled_from([",", ";", "\t", " "]), COMMENTS, st.integers(0, 9), st.booleans())
def test_of_a_table(
    rows: list[list[str]], separator: str, comment: str, place: int, plain: bool
) -> None:
    lines = [separator.join(row) for row in ([GOOD] * 3 + rows if plain else rows)]
    lines.insert(place, comment)
    text = "\n".join([separator.join(["MHz", "re", "im"]), *lines, ""])
    assert answer(text.encode(), "a.csv") == one_by_one(text.encode(), "a.csv")


@given(ROWS, COMMENTS, st.integers(0, 9), st.booleans())
def test_of_a_touchstone_file(rows: list[list[str]], comment: str, place: int, plain: bool) -> None:
    lines = [" ".join(row) for row in ([GOOD] * 3 + rows if plain else rows)]
    lines.insert(place, comment)
    text = "\n".join(["# MHz S RI R 50", *lines, ""])
    assert answer(text.encode(), "a.s1p") == one_by_one(text.encode(), "a.s1p")


@pytest.mark.parametrize("text", ["", "a", "a\n", "\n", "a\nb", "a\n\nb\n", "\n\n"])
@pytest.mark.parametrize("piece", [1, 2, 512])
def test_lines_are_those_of_a_list(text: str, piece: int) -> None:
    expected = text.removesuffix("\n").split("\n")
    with patch("sweeplab.files.text.lines._CHUNK_LINES", piece):
        lines = Lines(text)
        assert list(lines) == expected
        assert [lines[k] for k in range(len(lines))] == expected
        for first in range(3):
            for stop in range(4):
                assert list(lines[first:stop]) == expected[first:stop]
                assert list(lines[first:][: stop - 1]) == expected[first:][: stop - 1]
