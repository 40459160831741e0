"""A table's block of numbers, row by row, with what interrupts and what ends it."""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sweeplab.errors import ReadError
from sweeplab.files.cells import MARK
from sweeplab.files.layout import Layout, is_comment, parse_fields, split_fields
from sweeplab.files.mend import row_cut
from sweeplab.files.numbers import has_groups, parse_number, spelling_findings
from sweeplab.files.show import show
from sweeplab.files.source import Source
from sweeplab.finding import Finding
from sweeplab.sweep import FloatArray


@dataclass(frozen=True, eq=False)
class Block:
    """A table's numbers.

    Parameters
    ----------
    values : ndarray, shape (n, width)
    lines : sequence of int, length n
        One-based.
    comments : tuple of str
        What stands around and between the numbers, verbatim.
    findings : tuple of Finding
    ended : int
        One-based line that holds no numbers and ends the block; 0 where the file does.
    """

    values: FloatArray
    lines: Sequence[int]
    comments: tuple[str, ...]
    findings: tuple[Finding, ...]
    ended: int = 0


def read_block(source: Source, layout: Layout) -> Block:
    """Return a table's numbers, from the first row on, up to a line that holds none.

    Raises
    ------
    ReadError
        A row holds a word that is no number, or too few or too many.
    """
    return _clean_block(source, layout) or _careful_block(source, layout)


def _clean_block(source: Source, layout: Layout) -> Block | None:
    """Return the numbers of a table that ends with its rows, at numpy's speed, else None."""
    rows = source.lines[layout.first :]
    if layout.decimal != "." or any(is_comment(row, layout.separator) for row in rows):
        return None
    try:
        values = np.loadtxt(rows, delimiter=layout.separator, comments=None, ndmin=2)
    except ValueError:
        return None
    lines = array("q", (layout.first + k for k, row in enumerate(rows, start=1) if row.strip()))
    comments = tuple(line for line in source.lines[: layout.first] if line.strip())
    return Block(values, lines, comments, ())


def _careful_block(source: Source, layout: Layout) -> Block:
    values, lines = array("d"), array("q")
    comments = [line for line in source.lines[: layout.first] if line.strip()]
    findings: list[Finding] = []
    ended = 0
    last = max(index for index, line in enumerate(source.lines) if line.strip())
    for index in range(layout.first, last + 1):
        text = source.lines[index]
        if not text.strip():
            continue
        if is_comment(text, layout.separator):
            comments.append(text)
            continue
        row = _row(source, layout, index, is_last=index == last)
        if row is None:
            comments += [line for line in source.lines[index:] if line.strip()]
            ended = index + 1
            break
        if len(row) == layout.width:
            values.extend(row)
            lines.append(index + 1)
        else:
            findings.append(row_cut(index + 1))
    findings += spelling_findings(source.lines[number - 1] for number in lines)
    if any(_is_grouped(source.lines[number - 1], layout) for number in lines):
        findings.append(_grouped())
    return Block(
        np.array(values).reshape(-1, layout.width), lines, tuple(comments), tuple(findings), ended
    )


def _row(source: Source, layout: Layout, index: int, *, is_last: bool) -> list[float] | None:
    """Return a row's values, fewer for a last row cut off, None for a line without numbers."""
    fields = split_fields(source.lines[index], layout.separator)
    values = parse_fields(fields, layout.decimal)
    # A separator at the end of a row whose last value is missing opens no field of its own.
    if layout.separator is not None and len(values) < layout.width:
        blanks = source.lines[index].count(layout.separator) + 1 - len(values)
        values += [float("nan")] * min(blanks, layout.width - len(values))
    numbers = [value for value in values if value is not None]
    if len(numbers) == len(values) == layout.width:
        return numbers
    if not any(value == value for value in numbers):
        return None
    if is_last and len(values) <= layout.width:
        return numbers[: layout.width - 1]
    raise _broken(source, fields, values, layout, index)


def _is_grouped(text: str, layout: Layout) -> bool:
    fields = split_fields(text, layout.separator)
    return any(has_groups(field, layout.decimal) for field in fields)


def _grouped() -> Finding:
    return Finding(
        code="thousands-separators",
        level="note",
        text="Digits stand in groups of three; the signs between them were left out.",
        action="Check a frequency or two.",
    )


def _broken(
    source: Source, fields: list[str], values: list[float | None], layout: Layout, index: int
) -> ReadError:
    wrong = [field for field, value in zip(fields, values, strict=False) if value is None]
    found = (
        f"{show(wrong[0])} where a number should stand"
        if wrong
        else f"{len(values)} values where {layout.width} should stand"
    )
    return ReadError(source.name, found, "correct or delete the line", index + 1)


def read_rows(lines: Sequence[str], layout: Layout, numbers: Sequence[int]) -> FloatArray:
    """Return the imaginary parts in some lines, zero for a cell that has none.

    Parameters
    ----------
    lines : sequence of str
        With `MARK` before each imaginary part.
    layout : Layout
    numbers : sequence of int
        One-based lines.

    Returns
    -------
    ndarray, shape (len(numbers), layout.width)
    """
    values = np.zeros((len(numbers), layout.width))
    for row, number in enumerate(numbers):
        fields = split_fields(lines[number - 1], layout.separator)
        for place, field in enumerate(fields[: layout.width]):
            if field.startswith(MARK):
                value = parse_number(field[len(MARK) :], layout.decimal)
                values[row, place] = np.nan if value is None else value
    return values


def rows_below(source: Source, layout: Layout, block: Block) -> int:
    """Return the one-based line of the first row of numbers below a block; 0 for none."""
    if not block.ended:
        return 0
    for index in range(block.ended, len(source.lines)):
        fields = split_fields(source.lines[index], layout.separator)
        if len(fields) == layout.width and None not in parse_fields(fields, layout.decimal):
            return index + 1
    return 0
