"""A table's block of numbers, row by row, with what interrupts and what ends it."""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from dataclasses import dataclass, field
from string import whitespace

import numpy as np

from sweeplab.errors import ReadError, quoted
from sweeplab.files.table.complex_cells import MARK
from sweeplab.files.table.dialect import Dialect, is_comment, parse_fields, split_fields
from sweeplab.files.table.row_parser import plain_row, plain_rows, row_of
from sweeplab.files.text.comments import Comments
from sweeplab.files.text.decode import TextFile
from sweeplab.files.text.limits import MENDED_LIMIT, ROW_LIMIT_CHARACTERS, too_many_mended
from sweeplab.files.text.normalize import row_cut
from sweeplab.files.text.numbers import Spelling, has_groups, parse_number
from sweeplab.finding import Finding
from sweeplab.sweep import FloatArray


@dataclass(frozen=True, eq=False)
class DataBlock:
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


def read_block(source: TextFile, layout: Dialect) -> DataBlock:
    """Return a table's numbers, from the first row on, up to a line that holds none.

    Raises
    ------
    ReadError
        A row holds a word that is no number, or too few or too many; or more rows than the limit
        must be mended.
    """
    rows = _Gathered(comments=Comments.of(source.lines[: layout.first]))
    below = source.lines[layout.first :]
    for begin, piece in below.pieces():
        first = layout.first + begin
        plain = plain_rows(piece, layout, rows.spelling)
        if plain is not None:
            rows.values.frombytes(plain.data.cast("B"))
            rows.lines.extend(range(first + 1, first + 1 + len(piece)))
        elif not _one_by_one(source, layout, rows, first, piece):
            break
    if rows.ended:
        rows.comments.add(source.lines[rows.ended - 1 :])
    return DataBlock(
        np.frombuffer(rows.values).reshape(-1, layout.width),
        rows.lines,
        tuple(rows.comments.lines),
        (*rows.findings, *rows.spelling.findings(), *rows.comments.findings()),
        rows.ended,
    )


@dataclass
class _Gathered:
    """What of a table was read so far."""

    comments: Comments
    values: array[float] = field(default_factory=lambda: array("d"))
    lines: array[int] = field(default_factory=lambda: array("I"))
    spelling: Spelling = field(default_factory=Spelling)
    findings: list[Finding] = field(default_factory=list)
    mended: int = 0
    ended: int = 0


def _one_by_one(
    source: TextFile, layout: Dialect, rows: _Gathered, first: int, piece: Sequence[str]
) -> bool:
    """Read lines that are not all plain rows; say whether the table goes on below them."""
    blank = f"{layout.separator or ''}{whitespace}"
    for index, text in enumerate(piece, start=first):
        if not text.strip(blank):
            continue
        if is_comment(text, layout.separator):
            rows.comments.add([text])
            continue
        row = plain_row(text, layout)
        if row is None:
            rows.mended += 1
            if rows.mended > MENDED_LIMIT:
                raise too_many_mended(source.name, index + 1)
            row = _row(source, layout, index, rows.spelling)
        if row is None:
            rows.ended = index + 1
            return False
        if len(row) == layout.width:
            rows.values.extend(row)
            rows.lines.append(index + 1)
        else:
            rows.findings.append(row_cut(index + 1))
    return True


def _row(source: TextFile, layout: Dialect, index: int, spelling: Spelling) -> list[float] | None:
    """Return a row's values, fewer for a last row cut off, None for a line without numbers."""
    text = source.lines[index]
    if len(text) > ROW_LIMIT_CHARACTERS:
        raise ReadError(
            source.name, f"a row of {len(text)} characters", "save one row a line", index + 1
        )
    fields = split_fields(text, layout.separator)
    values = parse_fields(fields, layout.decimal)
    # A separator at the end of a row whose last value is missing opens no field of its own.
    if layout.separator is not None and len(values) < layout.width:
        blanks = text.count(layout.separator) + 1 - len(values)
        values += [float("nan")] * min(blanks, layout.width - len(values))
    numbers = [value for value in values if value is not None]
    if len(numbers) == len(values) == layout.width:
        spelling.look(text)
        if not spelling.grouped:
            spelling.grouped = any(has_groups(field, layout.decimal) for field in fields)
        return numbers
    if not any(value == value for value in numbers):
        return None
    if len(values) <= layout.width and _is_last(source, index):
        return numbers[: layout.width - 1]
    raise _broken(source, fields, values, layout, index)


def _is_last(source: TextFile, index: int) -> bool:
    return not any(line.strip() for line in source.lines[index + 1 :])


def _broken(
    source: TextFile, fields: list[str], values: list[float | None], layout: Dialect, index: int
) -> ReadError:
    wrong = [field for field, value in zip(fields, values, strict=False) if value is None]
    found = (
        f"{quoted(wrong[0])} where a number should stand"
        if wrong
        else f"{len(values)} values where {layout.width} should stand"
    )
    return ReadError(source.name, found, "correct or delete the line", index + 1)


def read_rows(lines: Sequence[str], layout: Dialect, numbers: Sequence[int]) -> FloatArray:
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
        for place, cell in enumerate(fields[: layout.width]):
            if cell.startswith(MARK):
                value = parse_number(cell[len(MARK) :], layout.decimal)
                values[row, place] = np.nan if value is None else value
    return values


def rows_below(source: TextFile, layout: Dialect, block: DataBlock) -> int:
    """Return the one-based line of the first row of numbers below a block; 0 for none."""
    if not block.ended:
        return 0
    for number, text in enumerate(source.lines[block.ended :], start=block.ended + 1):
        if row_of(text, layout) is not None:
            return number
    return 0
