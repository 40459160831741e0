"""Tables: separated by commas, semicolons, tabs or white space, with a header that names columns.

The separator and the decimal sign come from the rows themselves, what the columns are from the
header's quantities and units, or from ``columns=``. Where two readings fit, both are shown and
neither is taken.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from sweeplab.errors import ReadError, quoted
from sweeplab.files.table.columns import WORDS, Column, how_to_say
from sweeplab.files.table.complex_cells import (
    MARK,
    ComplexCells,
    check_complex,
    may_hold_cells,
    parted,
    unfold,
)
from sweeplab.files.table.data_block import DataBlock, read_block, read_rows, rows_below
from sweeplab.files.table.dialect import SEARCHED_LINES, Dialect, detect_dialect, split_fields
from sweeplab.files.table.frequency_column import frequency
from sweeplab.files.table.header import Header, find_header
from sweeplab.files.table.multi_sweep import begin_again, find_slices, several
from sweeplab.files.table.reflection import reflection
from sweeplab.files.text.decode import TextFile
from sweeplab.files.text.limits import MENDED_LIMIT, too_many_mended
from sweeplab.files.text.lines import Lines
from sweeplab.files.text.normalize import ParsedSweep
from sweeplab.files.text.reader_protocol import Confidence, ReadOptions
from sweeplab.finding import Finding

DEFAULT_Z0_OHM = 50.0


@dataclass(frozen=True)
class _Shape:
    """A table's layout, its text with real parts for complex cells, its lines with imaginary."""

    layout: Dialect
    real: TextFile
    imaginary: Lines | None


def claim(source: TextFile, request: ReadOptions) -> Confidence:
    """Return how sure it is that a text is a table."""
    if request.columns is not None:
        return Confidence(1.0, "its columns were named")
    # The layout is told by the first lines; those below cost time and are read once only.
    shape = _shape(replace(source, lines=source.lines[: int(SEARCHED_LINES)]))
    if shape is None:
        return Confidence(0.0, "no rows of numbers")
    header = find_header(source.lines, shape.layout)
    if not header.columns:
        return Confidence(0.3, "rows of numbers without a header")
    return Confidence(0.7, f"a header in line {header.line}")


def read(source: TextFile, request: ReadOptions) -> ParsedSweep:
    """Return the rows of a table.

    Raises
    ------
    ReadError
        No header names the columns, more than one reading fits, or a row breaks the pattern.
    SeveralSweepsError
        The table holds several sweeps.
    """
    if request.port is not None:
        raise ReadError(
            source.name,
            f"port {request.port} asked of a table",
            "say instead what its columns are, with skip for other ports'",
        )
    shape = _shape(source)
    if shape is None:
        raise ReadError(source.name, "no rows of numbers", "save the sweep again as a table")
    layout = shape.layout
    header = find_header(source.lines, layout)
    columns = _columns(source, request, layout, header)
    check_complex(columns, layout.pairs, source.name)
    block = read_block(shape.real, layout)
    findings = [*block.findings, *_one_sweep(shape.real, layout, columns, block)]
    lines, comments, values = block.lines, block.comments, block.values
    if shape.imaginary is not None:
        imaginary = read_rows(shape.imaginary, layout, lines)
        columns, values = parted(columns, layout.pairs, values, imaginary)
        del imaginary
    # Beside what follows, the texts and values these hold would take too much room.
    del shape, block
    z0_ohm, z0_findings = _reference(request, header)
    with np.errstate(all="ignore"):
        f_hz, f_findings = frequency(columns, values, header.f_scale_hz, source.name)
    seen = reflection(columns, values, z0_ohm, source.name)
    findings += [*z0_findings, *f_findings, *seen.findings]
    return ParsedSweep(f_hz, seen.gamma, lines, z0_ohm, comments, tuple(findings), seen.content)


def _shape(source: TextFile) -> _Shape | None:
    top = source.lines[: int(SEARCHED_LINES)]
    cells = unfold(top) if may_hold_cells(top) else None
    layout = None if cells is None else _complex_layout(cells)
    if cells is not None and layout is not None:
        if len(source.lines) > MENDED_LIMIT:
            raise too_many_mended(source.name, int(MENDED_LIMIT) + 1)
        if len(source.lines) > len(top):
            cells = unfold(source.lines)
        return _Shape(layout, replace(source, lines=cells.real), cells.imaginary)
    layout = detect_dialect(source.lines)
    return None if layout is None else _Shape(layout, source, None)


def _complex_layout(cells: ComplexCells) -> Dialect | None:
    """Return the layout of a table whose first row has complex cells, else None."""
    layout = detect_dialect(cells.real)
    if layout is None:
        return None
    fields = split_fields(cells.imaginary[layout.first], layout.separator)
    pairs = tuple(place for place, field in enumerate(fields) if field.startswith(MARK))
    return replace(layout, pairs=pairs) if pairs else None


def _one_sweep(
    source: TextFile, layout: Dialect, columns: tuple[Column, ...], block: DataBlock
) -> list[Finding]:
    """Raise where a table holds several sweeps; warn of other rows below the one."""
    below = rows_below(source, layout, block)
    places = [place for place, column in enumerate(columns) if column.role == "f"]
    if not places or not (below or begin_again(block.values[:, places[0]])):
        return []
    parts = find_slices(source.lines, layout, places[0], source.name)
    if len(parts) > 1:
        raise several(source.name, parts)
    return [_other_rows(below)] if below else []


def _other_rows(line: int) -> Finding:
    return Finding(
        code="second-block",
        level="warning",
        text=f"More rows follow from line {line} on, of something else; they were left out.",
        evidence={"line": line},
        action="Check that the first rows are the sweep.",
    )


def _columns(
    source: TextFile, request: ReadOptions, layout: Dialect, header: Header
) -> tuple[Column, ...]:
    if request.columns is not None:
        return _columns_said(source.name, request.columns, layout.width)
    if header.fields_named:
        raise ReadError(
            source.name,
            f"a header of {header.fields_named} columns over rows of {layout.width}",
            "put ';' between the columns where ',' is the decimal sign, or "
            + how_to_say((), layout.width),
            layout.first + 1,
        )
    if not header.columns:
        row = " | ".join(split_fields(source.lines[layout.first], layout.separator))
        raise ReadError(
            source.name,
            f"no header names the {layout.width} columns, whose first row is {quoted(row)}",
            how_to_say((), layout.width),
            layout.first + 1,
        )
    if header.other:
        raise ReadError(
            source.name,
            f"columns of {header.other}, not of a reflection at port 1",
            "export S11",
            header.line,
        )
    return header.columns


def _columns_said(path: str, words: Sequence[str], width: int) -> tuple[Column, ...]:
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


def _reference(request: ReadOptions, header: Header) -> tuple[float, list[Finding]]:
    if request.z0_ohm is not None:
        return request.z0_ohm, []
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
