"""Tables: separated by commas, semicolons, tabs or white space, with a header that names columns.

The separator and the decimal sign come from the rows themselves, what the columns are from the
header's quantities and units, or from ``columns=``. If two readings are possible, both are shown
and neither is used.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from sweeplab.errors import ReadError, quoted
from sweeplab.files.table.columns import WORDS, Column, columns_advice
from sweeplab.files.table.complex_cells import (
    MARK,
    ComplexCells,
    check_complex_columns,
    has_complex_cells,
    split_cells,
    split_complex,
)
from sweeplab.files.table.data_block import DataBlock, first_row_below, read_block, read_imaginary
from sweeplab.files.table.dialect import SEARCHED_LINES, Dialect, detect_dialect, split_fields
from sweeplab.files.table.frequency_column import frequency
from sweeplab.files.table.header import Header, find_header
from sweeplab.files.table.multi_sweep import find_restarts, find_slices, multiple_sweeps_error
from sweeplab.files.table.reflection import reflection
from sweeplab.files.text.decode import TextFile
from sweeplab.files.text.limits import REPAIRED_ROW_LIMIT, too_many_repaired_rows
from sweeplab.files.text.lines import Lines
from sweeplab.files.text.normalize import ParsedSweep
from sweeplab.files.text.reader_protocol import Confidence, ReadOptions
from sweeplab.finding import Finding

DEFAULT_Z0_OHM = 50.0


@dataclass(frozen=True)
class _TableText:
    """A table's dialect, and its text with the real and the imaginary parts of complex cells."""

    dialect: Dialect
    real: TextFile
    imaginary: Lines | None


def recognize(text_file: TextFile, options: ReadOptions) -> Confidence:
    """Return how confident the reader is that a text is a table."""
    if options.columns is not None:
        return Confidence(1.0, "its columns were named")
    # The first lines determine the dialect; those below take time and are read only once.
    table_text = _table_text(replace(text_file, lines=text_file.lines[: int(SEARCHED_LINES)]))
    if table_text is None:
        return Confidence(0.0, "no rows of numbers")
    header = find_header(text_file.lines, table_text.dialect)
    if not header.columns:
        return Confidence(0.3, "rows of numbers without a header")
    return Confidence(0.7, f"a header in line {header.line}")


def read(text_file: TextFile, options: ReadOptions) -> ParsedSweep:
    """Return the sweep of a table.

    Raises
    ------
    ReadError
        No header names the columns, several readings are possible, or a row is malformed.
    MultipleSweepsError
        The table holds several sweeps.
    """
    if options.port is not None:
        raise ReadError(
            text_file.name,
            f"port {options.port} asked of a table",
            "say instead what its columns are, with skip for other ports'",
        )
    table_text = _table_text(text_file)
    if table_text is None:
        raise ReadError(text_file.name, "no rows of numbers", "save the sweep again as a table")
    dialect = table_text.dialect
    header = find_header(text_file.lines, dialect)
    columns = _columns(text_file, options, dialect, header)
    check_complex_columns(columns, dialect.complex_columns, text_file.name)
    block = read_block(table_text.real, dialect)
    findings = [*block.findings, *_check_single_sweep(table_text.real, dialect, columns, block)]
    lines, comments, values = block.lines, block.comments, block.values
    if table_text.imaginary is not None:
        imaginary = read_imaginary(table_text.imaginary, dialect, lines)
        columns, values = split_complex(columns, dialect.complex_columns, values, imaginary)
        del imaginary
    # The texts and values in these would take too much memory during what follows.
    del table_text, block
    z0_ohm, z0_findings = _reference(options, header)
    with np.errstate(all="ignore"):
        f_hz, f_findings = frequency(columns, values, header.f_scale_hz, text_file.name)
    result = reflection(columns, values, z0_ohm, text_file.name)
    findings += [*z0_findings, *f_findings, *result.findings]
    return ParsedSweep(f_hz, result.gamma, lines, z0_ohm, comments, tuple(findings), result.content)


def _table_text(text_file: TextFile) -> _TableText | None:
    top = text_file.lines[: int(SEARCHED_LINES)]
    cells = split_cells(top) if has_complex_cells(top) else None
    dialect = None if cells is None else _complex_dialect(cells)
    if cells is not None and dialect is not None:
        if len(text_file.lines) > REPAIRED_ROW_LIMIT:
            raise too_many_repaired_rows(text_file.name, int(REPAIRED_ROW_LIMIT) + 1)
        if len(text_file.lines) > len(top):
            cells = split_cells(text_file.lines)
        return _TableText(dialect, replace(text_file, lines=cells.real), cells.imaginary)
    dialect = detect_dialect(text_file.lines)
    return None if dialect is None else _TableText(dialect, text_file, None)


def _complex_dialect(cells: ComplexCells) -> Dialect | None:
    """Return the dialect of a table whose first row has complex cells, else None."""
    dialect = detect_dialect(cells.real)
    if dialect is None:
        return None
    fields = split_fields(cells.imaginary[dialect.first], dialect.separator)
    complex_columns = tuple(index for index, field in enumerate(fields) if field.startswith(MARK))
    return replace(dialect, complex_columns=complex_columns) if complex_columns else None


def _check_single_sweep(
    text_file: TextFile, dialect: Dialect, columns: tuple[Column, ...], block: DataBlock
) -> list[Finding]:
    """Raise if a table holds several sweeps; warn of other rows below a single one."""
    row_below = first_row_below(text_file, dialect, block)
    f_indices = [index for index, column in enumerate(columns) if column.role == "f"]
    if not f_indices or not (row_below or find_restarts(block.values[:, f_indices[0]])):
        return []
    slices = find_slices(text_file.lines, dialect, f_indices[0], text_file.name)
    if len(slices) > 1:
        raise multiple_sweeps_error(text_file.name, slices)
    return [_second_block(row_below)] if row_below else []


def _second_block(line: int) -> Finding:
    return Finding(
        code="second-block",
        level="warning",
        text=f"More rows follow from line {line} on, of something else; they were left out.",
        evidence={"line": line},
        action="Check that the first rows are the sweep.",
    )


def _columns(
    text_file: TextFile, options: ReadOptions, dialect: Dialect, header: Header
) -> tuple[Column, ...]:
    if options.columns is not None:
        return _columns_from_words(text_file.name, options.columns, dialect.width)
    if header.mismatched_fields:
        raise ReadError(
            text_file.name,
            f"a header of {header.mismatched_fields} columns over rows of {dialect.width}",
            "put ';' between the columns where ',' is the decimal sign, or "
            + columns_advice((), dialect.width),
            dialect.first + 1,
        )
    if not header.columns:
        row = " | ".join(split_fields(text_file.lines[dialect.first], dialect.separator))
        raise ReadError(
            text_file.name,
            f"no header names the {dialect.width} columns, whose first row is {quoted(row)}",
            columns_advice((), dialect.width),
            dialect.first + 1,
        )
    if header.other_quantity:
        raise ReadError(
            text_file.name,
            f"columns of {header.other_quantity}, not of a reflection at port 1",
            "export S11",
            header.line,
        )
    return header.columns


def _columns_from_words(path: str, words: Sequence[str], width: int) -> tuple[Column, ...]:
    for word in words:
        if word not in WORDS:
            raise ReadError(path, f"unknown column word {quoted(word)}", f"use {', '.join(WORDS)}")
    if len(words) != width:
        raise ReadError(
            path,
            f"{len(words)} columns named, {width} in the file",
            "name each, with skip for those not used",
        )
    return tuple(WORDS[word] for word in words)


def _reference(options: ReadOptions, header: Header) -> tuple[float, list[Finding]]:
    if options.z0_ohm is not None:
        return options.z0_ohm, []
    if header.z0_ohm is not None:
        return header.z0_ohm, []
    finding = Finding(
        code="reference-assumed",
        level="note",
        text="The table names no reference impedance; 50 ohm was taken.",
        evidence={"z0_ohm": DEFAULT_Z0_OHM},
        action="Give the reference if it is another.",
    )
    return DEFAULT_Z0_OHM, [finding]
