"""Plain decimals of the fast path: each the float nearest to it, or left to the full reader."""

from __future__ import annotations

import numpy as np
import pytest

from sweeplab.files.touchstone.fast_path import parse_decimal_batch, parse_decimals


@pytest.mark.parametrize(
    "word",
    [
        "9.007199254740991", "-9.00719925474099", "0.1", "-0.30000000000004", "123456789012345.6",
        "-12345678901234.5", "0.000000000000001", "7", "-7", "00.50", "5.", ".5",
    ],
)  # fmt: skip
def test_is_the_nearest_float(word: str) -> None:
    table = parse_decimals(f"7 {word} 0.5\n8 0.25 {word}\n".encode(), 3)
    assert table is not None
    np.testing.assert_array_equal(table, [[7, float(word), 0.5], [8, 0.25, float(word)]])


@pytest.mark.parametrize(
    "word",
    [
        "9.007199254740993",  # 2^53 + 1 in digits: no float holds it
        "9007199254740992",  # 2^53 itself
        "-9.00719925474099325",  # too long
        "0.12345678901234567",
        "-0", "-0.0", "--1", "1-", "-", "1-2", "1.2.3", ".", "-.5", "1e3", "+1", "", " 1", "1\t",
    ],
)  # fmt: skip
def test_is_left_alone(word: str) -> None:
    table = parse_decimals(f"7 {word} 0.5\n".encode(), 3)
    # A lone point and a sign before one are read or left alone, but never misread.
    if table is not None:
        assert word == "-.5"
        assert table.tolist() == [[7, -0.5, 0.5]]


@pytest.mark.parametrize(
    "body", [b"1 2 3", b"1 2\n3 4\n", b"1 2 3\n4 5\n", b"1 2 3 4\n", b"\n", b""]
)
def test_other_shapes_are_left_alone(body: bytes) -> None:
    if body:
        assert parse_decimals(body, 3) is None
    else:
        assert parse_decimal_batch([body, body], 3) == [None, None]


def test_a_batch_gives_each_body_its_rows() -> None:
    bodies = [b"1 2 3\n", b"4 5 6\n7 8 9.5\n", b"-1 0.5 2\n"]
    tables = parse_decimal_batch(bodies, 3)
    for table, rows in zip(
        tables, ([[1, 2, 3]], [[4, 5, 6], [7, 8, 9.5]], [[-1, 0.5, 2]]), strict=True
    ):
        assert table is not None
        assert table.tolist() == rows


def test_one_odd_body_leaves_the_others_theirs() -> None:
    tables = parse_decimal_batch([b"1 2 3\n", b"4 5 x\n", b"7 8 9\n"], 3)
    assert [None if table is None else table.tolist() for table in tables] == [
        [[1, 2, 3]],
        None,
        [[7, 8, 9]],
    ]


def test_rows_too_short_for_the_memory_of_a_large_body_are_left_alone() -> None:
    short, long = b"1 2 3\n" * 12_000, b"1.5 2.5 3\n" * 12_000
    assert parse_decimals(short, 3) is None
    assert parse_decimals(short[: 6 * 10_000], 3) is not None
    assert parse_decimals(long, 3) is not None
