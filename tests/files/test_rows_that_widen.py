"""A table whose rows change width far below the top is refused at the line where they do."""

from __future__ import annotations

import pytest
from sweep_writing import read_text

from sweeplab.errors import ReadError

# Rows are read many at a time: the change falls on the edge of such a piece, or within one.
NARROW = [500, 512, 513, 1024]


def table(widths: list[tuple[int, int]]) -> str:
    rows, f_hz = ["frequency (Hz),re,im"], 7_000_000
    for count, columns in widths:
        for _ in range(count):
            f_hz += 100
            rows.append(",".join([str(f_hz), "0.5", "0.25", "0.1", "0.2", "0.3"][:columns]))
    return "\n".join([*rows, ""])


@pytest.mark.parametrize("narrow", NARROW)
@pytest.mark.parametrize("columns", [2, 6])
def test_is_refused_if_rows_change_width(narrow: int, columns: int) -> None:
    with pytest.raises(ReadError) as refused:
        read_text(table([(narrow, 3), (1536, columns)]), "a.csv")
    assert refused.value.line == narrow + 2
    assert f"{columns} values" in refused.value.found


@pytest.mark.parametrize("narrow", NARROW)
def test_is_read_if_they_do_not(narrow: int) -> None:
    sweep = read_text(table([(narrow + 1536, 3)]), "a.csv")
    assert len(sweep) == narrow + 1536
    assert set(sweep.gamma.tolist()) == {0.5 + 0.25j}
