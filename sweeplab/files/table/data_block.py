"""A table's block of numbers: rows, the comments between them, the line that ends it."""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from dataclasses import dataclass, field
from string import whitespace

import numpy as np

from sweeplab.errors import ReadError, quoted
from sweeplab.files.table.complex_cells import MARK
from sweeplab.files.table.dialect import Dialect, is_comment, parse_fields, split_fields
from sweeplab.files.table.row_parser import parse_plain_row, parse_plain_rows, parse_row
from sweeplab.files.text.comments import Comments
from sweeplab.files.text.decode import TextFile
from sweeplab.files.text.limits import REPAIRED_ROW_LIMIT, ROW_LENGTH_LIMIT, too_many_repaired_rows
from sweeplab.files.text.normalize import truncated_row
from sweeplab.files.text.numbers import NumberStyles, has_grouped_digits, parse_number
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
        Verbatim, from above, between and below the rows.
    findings : tuple of Finding
    end_line : int
        One-based line without numbers that ends the block; 0 if it extends to the end of the file.
    """

    values: FloatArray
    lines: Sequence[int]
    comments: tuple[str, ...]
    findings: tuple[Finding, ...]
    end_line: int = 0


def read_block(text_file: TextFile, dialect: Dialect) -> DataBlock:
    """Return a table's numbers, from the first row up to a line without numbers.

    Raises
    ------
    ReadError
        A word is not a number, a row has too few or too many numbers, or more rows than the limit
        need repair.
    """
    rows = _BlockBuilder(comments=Comments.from_lines(text_file.lines[: dialect.first]))
    below = text_file.lines[dialect.first :]
    for begin, chunk in below.chunks():
        first = dialect.first + begin
        numbers = parse_plain_rows(chunk, dialect, rows.styles)
        if numbers is not None:
            rows.values.frombytes(numbers.data.cast("B"))
            rows.lines.extend(range(first + 1, first + 1 + len(chunk)))
        elif not _read_lines(text_file, dialect, rows, first, chunk):
            break
    if rows.end_line:
        rows.comments.add(text_file.lines[rows.end_line - 1 :])
    return DataBlock(
        np.frombuffer(rows.values).reshape(-1, dialect.width),
        rows.lines,
        tuple(rows.comments.lines),
        (*rows.findings, *rows.styles.findings(), *rows.comments.findings()),
        rows.end_line,
    )


@dataclass
class _BlockBuilder:
    """The rows read so far."""

    comments: Comments
    values: array[float] = field(default_factory=lambda: array("d"))
    lines: array[int] = field(default_factory=lambda: array("I"))
    styles: NumberStyles = field(default_factory=NumberStyles)
    findings: list[Finding] = field(default_factory=list)
    repaired: int = 0
    end_line: int = 0


def _read_lines(
    text_file: TextFile, dialect: Dialect, rows: _BlockBuilder, first: int, chunk: Sequence[str]
) -> bool:
    """Read lines that are not all plain rows; return whether the block continues below them."""
    blank = f"{dialect.separator or ''}{whitespace}"
    for index, text in enumerate(chunk, start=first):
        if not text.strip(blank):
            continue
        if is_comment(text, dialect.separator):
            rows.comments.add([text])
            continue
        row = parse_plain_row(text, dialect)
        if row is None:
            rows.repaired += 1
            if rows.repaired > REPAIRED_ROW_LIMIT:
                raise too_many_repaired_rows(text_file.name, index + 1)
            row = _parse_row(text_file, dialect, index, rows.styles)
        if row is None:
            rows.end_line = index + 1
            return False
        if len(row) == dialect.width:
            rows.values.extend(row)
            rows.lines.append(index + 1)
        else:
            rows.findings.append(truncated_row(index + 1))
    return True


def _parse_row(
    text_file: TextFile, dialect: Dialect, index: int, styles: NumberStyles
) -> list[float] | None:
    """Return a row's values, fewer for a truncated last row, None for a line without numbers."""
    text = text_file.lines[index]
    if len(text) > ROW_LENGTH_LIMIT:
        raise ReadError(
            text_file.name, f"a row of {len(text)} characters", "save one row a line", index + 1
        )
    fields = split_fields(text, dialect.separator)
    values = parse_fields(fields, dialect.decimal)
    # Missing values at the end of a row: a final separator does not begin a field.
    if dialect.separator is not None and len(values) < dialect.width:
        empty_fields = text.count(dialect.separator) + 1 - len(values)
        values += [float("nan")] * min(empty_fields, dialect.width - len(values))
    numbers = [value for value in values if value is not None]
    if len(numbers) == len(values) == dialect.width:
        styles.scan(text)
        if not styles.grouped:
            styles.grouped = any(has_grouped_digits(field, dialect.decimal) for field in fields)
        return numbers
    if not any(value == value for value in numbers):
        return None
    if len(values) <= dialect.width and _is_last(text_file, index):
        return numbers[: dialect.width - 1]
    raise _row_error(text_file, fields, values, dialect, index)


def _is_last(text_file: TextFile, index: int) -> bool:
    return not any(line.strip() for line in text_file.lines[index + 1 :])


def _row_error(
    text_file: TextFile, fields: list[str], values: list[float | None], dialect: Dialect, index: int
) -> ReadError:
    not_numbers = [field for field, value in zip(fields, values, strict=False) if value is None]
    found = (
        f"{quoted(not_numbers[0])} where a number should stand"
        if not_numbers
        else f"{len(values)} values where {dialect.width} should stand"
    )
    return ReadError(text_file.name, found, "correct or delete the line", index + 1)


def read_imaginary(lines: Sequence[str], dialect: Dialect, numbers: Sequence[int]) -> FloatArray:
    """Return the imaginary parts in some lines, zero for a cell that has none.

    Parameters
    ----------
    lines : sequence of str
        With `MARK` before each imaginary part.
    dialect : Dialect
    numbers : sequence of int
        One-based line numbers.

    Returns
    -------
    ndarray, shape (len(numbers), dialect.width)
    """
    values = np.zeros((len(numbers), dialect.width))
    for row, number in enumerate(numbers):
        fields = split_fields(lines[number - 1], dialect.separator)
        for index, cell in enumerate(fields[: dialect.width]):
            if cell.startswith(MARK):
                value = parse_number(cell[len(MARK) :], dialect.decimal)
                values[row, index] = np.nan if value is None else value
    return values


def first_row_below(text_file: TextFile, dialect: Dialect, block: DataBlock) -> int:
    """Return the one-based line number of the first row of numbers below a block, 0 if none."""
    if not block.end_line:
        return 0
    for number, text in enumerate(text_file.lines[block.end_line :], start=block.end_line + 1):
        if parse_row(text, dialect) is not None:
            return number
    return 0
