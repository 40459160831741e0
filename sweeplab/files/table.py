"""Tables: separated by commas, semicolons, tabs or white space, with a header that names columns.

The separator and the decimal sign come from the rows themselves, what the columns are from the
header's quantities and units, or from ``columns=``. Where two readings fit, both are shown and
neither is taken.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sweeplab.errors import ReadError
from sweeplab.files.axis import frequency
from sweeplab.files.claim import Claim, Request
from sweeplab.files.columns import WORDS, Column, how_to_say
from sweeplab.files.header import Header, find_header
from sweeplab.files.layout import Layout, find_layout, is_comment, parse_fields, split_fields
from sweeplab.files.mend import Rows
from sweeplab.files.numbers import spelling_findings
from sweeplab.files.quantities import reflection
from sweeplab.files.source import Source
from sweeplab.finding import Finding
from sweeplab.sweep import FloatArray

DEFAULT_Z0_OHM = 50.0


@dataclass(frozen=True, eq=False)
class Block:
    """A table's numbers.

    Parameters
    ----------
    values : ndarray, shape (n, width)
    lines : list of int, length n
        One-based.
    comments : tuple of str
        What stands around and between the numbers, verbatim.
    findings : tuple of Finding
    """

    values: FloatArray
    lines: list[int]
    comments: tuple[str, ...]
    findings: tuple[Finding, ...]


def claim(source: Source, request: Request) -> Claim:
    """Return how sure it is that a text is a table."""
    if request.columns is not None:
        return Claim(1.0, "its columns were named")
    layout = find_layout(source.lines)
    if layout is None:
        return Claim(0.0, "no rows of numbers")
    header = find_header(source.lines, layout)
    if not header.columns:
        return Claim(0.3, "rows of numbers without a header")
    return Claim(0.7, f"a header in line {header.line}")


def read(source: Source, request: Request) -> Rows:
    """Return the rows of a table.

    Raises
    ------
    ReadError
        No header names the columns, more than one reading fits, or a row breaks the pattern.
    """
    layout = find_layout(source.lines)
    if layout is None:
        raise ReadError(source.name, "no rows of numbers", "save the sweep again as a table")
    header = find_header(source.lines, layout)
    columns = _columns(source, request, layout, header)
    block = _block(source, layout)
    z0_ohm, z0_findings = _reference(request, header)
    with np.errstate(all="ignore"):
        f_hz, f_findings = frequency(columns, block.values, header.f_scale_hz, source.name)
    seen = reflection(columns, block.values, z0_ohm, source.name)
    findings = (*block.findings, *z0_findings, *f_findings, *seen.findings)
    return Rows(f_hz, seen.gamma, block.lines, z0_ohm, block.comments, findings, seen.content)


def _columns(
    source: Source, request: Request, layout: Layout, header: Header
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
        row = " | ".join(split_fields(source.lines[layout.first], layout.separator)[:6])
        raise ReadError(
            source.name,
            f"no header names the {layout.width} columns, whose first row is {row}",
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
            raise ReadError(path, f"unknown column word '{word}'", f"use {', '.join(WORDS)}")
    if len(words) != width:
        raise ReadError(
            path,
            f"{len(words)} columns named, {width} in the file",
            "name each, with skip for those not used",
        )
    return tuple(WORDS[word] for word in words)


def _reference(request: Request, header: Header) -> tuple[float, list[Finding]]:
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


def _block(source: Source, layout: Layout) -> Block:
    """Return the numbers from the first row on, up to a line that holds none."""
    values: list[list[float]] = []
    lines: list[int] = []
    texts: list[str] = []
    comments = [line for line in source.lines[: layout.first] if line.strip()]
    findings: list[Finding] = []
    last = max(index for index, line in enumerate(source.lines) if line.strip())
    for index in range(layout.first, last + 1):
        text = source.lines[index]
        if not text.strip():
            continue
        if is_comment(text):
            comments.append(text)
            continue
        row = _row(source, layout, index, is_last=index == last)
        if row is None:
            comments += [line for line in source.lines[index:] if line.strip()]
            findings += _trailer(source, layout, index, last)
            break
        if len(row) == layout.width:
            values.append(row)
            lines.append(index + 1)
            texts.append(text)
        else:
            findings.append(_cut(index + 1))
    findings += spelling_findings(texts)
    return Block(np.array(values), lines, tuple(comments), tuple(findings))


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


def _broken(
    source: Source, fields: list[str], values: list[float | None], layout: Layout, index: int
) -> ReadError:
    wrong = [field for field, value in zip(fields, values, strict=False) if value is None]
    found = (
        f"'{wrong[0]}' where a number should stand"
        if wrong
        else f"{len(values)} values where {layout.width} should stand"
    )
    return ReadError(source.name, found, "correct or delete the line", index + 1)


def _trailer(source: Source, layout: Layout, index: int, last: int) -> list[Finding]:
    """Return a warning where rows of numbers follow the end of the first block."""
    for later in range(index + 1, last + 1):
        values = parse_fields(split_fields(source.lines[later], layout.separator), layout.decimal)
        if len(values) == layout.width and None not in values:
            return [
                Finding(
                    code="second-block",
                    level="warning",
                    text=f"More rows follow from line {later + 1} on; only the first block was "
                    "read.",
                    evidence={"line": later + 1},
                    action="Keep one sweep a file.",
                )
            ]
    return []


def _cut(line: int) -> Finding:
    return Finding(
        code="last-row-cut",
        level="warning",
        text=f"The last row (line {line}) is cut off; it was left out.",
        evidence={"line": line},
        action="Save the sweep again if its upper end matters.",
    )
