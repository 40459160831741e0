"""Plain decimals by whole numbers: bit for bit what Python's own reading of a number gives."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sweeplab.files.touchstone.fast_path import parse_decimal_batch, parse_decimals

# At most 15 digits, as instruments write; leading zeros and a bare point at the end are allowed.
whole = st.integers(0, 10**7).map(str)
decimals = st.builds(
    lambda sign, before, point, after: sign + str(before) + point + after,
    st.sampled_from(["", "-"]),
    st.integers(0, 99_999),
    st.just("."),
    st.text("0123456789", max_size=10),
)
numbers = st.one_of(whole, decimals)
rows = st.lists(st.tuples(numbers, numbers, numbers), min_size=1, max_size=20)


def is_short(body: bytes) -> bool:
    """Of rows as short as this the arrays would take too much room."""
    return len(body) < 9 * body.count(b"\n")


def text_of(table: list[tuple[str, ...]]) -> bytes:
    return "".join(" ".join(row) + "\n" for row in table).encode()


@given(rows)
def test_every_number_equals_float_of_its_digits(table: list[tuple[str, ...]]) -> None:
    found = parse_decimals(text_of(table), 3)
    expected = np.array([[float(cell) for cell in row] for row in table])
    if found is None:
        # Nothing but negative zero and short rows is declined here.
        assert (np.signbit(expected) & (expected == 0)).any() or is_short(text_of(table))
    else:
        assert found.tobytes() == expected.tobytes()


@given(st.text("0123456789.- \n", max_size=60))
def test_anything_but_a_table_of_numbers_is_declined(text: str) -> None:
    found = parse_decimals(text.encode(), 3)
    if found is not None:
        expected = [[float(cell) for cell in line.split()] for line in text.splitlines()]
        assert found.tolist() == expected


@pytest.mark.parametrize(
    "body",
    [
        b"", b"\n", b"1 2 3", b"1 2 3\n4 5\n", b"1 2\n3 4 5 6\n", b"1  2 3\n", b" 1 2 3\n",
        b"1 2 3\r\n", b"1\t2 3\n", b"1 2 3e4\n", b"1 +2 3\n", b"1 2-3 4\n", b"1 -. 3\n",
        b"1 . 3\n", b"1 2.3.4 5\n", b"1 --2 3\n", b"1 2 -\n", b"1 -0.0 2\n",
        b"1 2 12345678901234567.8\n", b"1 2 99999999999999999999999\n", b"1 2 nan\n",
    ],
)  # fmt: skip
def test_anything_less_plain_is_declined(body: bytes) -> None:
    assert parse_decimals(body, 3) is None


@given(
    st.lists(st.one_of(rows.map(text_of), st.sampled_from([b"1 2\n", b"1 2 3", b""])), max_size=5)
)
def test_tables_parsed_in_a_batch_equal_each_parsed_alone(bodies: list[bytes]) -> None:
    for body, table in zip(bodies, parse_decimal_batch(bodies, 3), strict=True):
        alone = parse_decimals(body, 3)
        # Among longer rows short ones take no more room than they may.
        assert (alone is None) == (table is None) or is_short(body)
        if alone is not None and table is not None:
            assert table.tobytes() == alone.tobytes()
