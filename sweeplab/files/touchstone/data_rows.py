"""A Touchstone file's rows of numbers, grouped by frequency.

By the standard each frequency begins on a new line and a pair is never split, so a line with an odd
number of values begins a frequency and one with an even number continues it. In version 1 the data
themselves thus give the number of ports; the suffix only confirms it.
"""

from __future__ import annotations

import math
import re
from array import array
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice

import numpy as np

from sweeplab.errors import ReadError, quoted
from sweeplab.files.text.decode import TextFile
from sweeplab.files.text.limits import REPAIRED_ROW_LIMIT, ROW_LENGTH_LIMIT, too_many_repaired_rows
from sweeplab.files.text.normalize import truncated_row
from sweeplab.files.text.numbers import (
    NumberStyles,
    iter_words,
    parse_number,
    parse_numbers,
    parse_table,
)
from sweeplab.files.touchstone.lexer import ClassifiedLines, data_row_chunks
from sweeplab.finding import Finding
from sweeplab.sweep import FloatArray

_NOISE_VALUES = 5
# A missing value on their own, but at a truncated end the start of a number.
_SIGNS = ("-", "+")
# What may be left of a truncated number.
_NUMBER_PREFIX = re.compile(r"[+-]?(?:[0-9.]+(?:[ed][+-]?)?|n|na|i|in)?\ufffd?", re.IGNORECASE)
_PORT_COUNT = re.compile(r"[1-9][0-9]{0,2}")
_DECIMAL_COMMAS = re.compile(
    r"(?:\s*+[+-]?\d++(?:,\d++)?+(?:[eEdD][+-]?\d++)?+(?!\S))*+\s*+", re.ASCII
)


@dataclass(frozen=True, eq=False)
class DataRows:
    """Values grouped by frequency.

    Parameters
    ----------
    values : ndarray, shape (m, k)
        Frequency in the file's unit, then pairs.
    lines : sequence of int, length m
        One-based line number where each frequency begins.
    ports : int
    findings : tuple of Finding
    """

    values: FloatArray
    lines: Sequence[int]
    ports: int
    findings: tuple[Finding, ...]


@dataclass(frozen=True, eq=False)
class _RaggedRows:
    """The values of all rows in one array, with each row's count and line number."""

    values: array[float]
    counts: array[int]
    lines: array[int]


def group_rows(classified: ClassifiedLines, text_file: TextFile) -> DataRows:
    """Return a file's values, grouped by frequency.

    Raises
    ------
    ReadError
        A word is not a number, a row has too few or too many numbers, or more rows than the limit
        need repair.
    """
    comma, findings = _comma_replacement(classified, text_file)
    styles = NumberStyles()
    numbers = _parse_rows(classified, text_file, comma, styles)
    findings += styles.findings()
    ports, width, port_findings = _shape(classified, numbers, text_file)
    lines, group_findings = _frequency_lines(
        numbers, width, _may_have_noise(classified, ports), text_file.name
    )
    findings += [*port_findings, *group_findings]
    if classified.is_version_2:
        findings += _points_finding(classified, len(lines))
    values = np.frombuffer(numbers.values)[: len(lines) * width].reshape(-1, width)
    return DataRows(values, lines, ports, tuple(findings))


def _comma_replacement(
    classified: ClassifiedLines, text_file: TextFile
) -> tuple[str, list[Finding]]:
    """Return what replaces a comma in the rows: a point, a space, or the comma itself."""
    if not any("," in row for rows in data_row_chunks(text_file, classified) for row in rows):
        return ",", []
    if all(
        _DECIMAL_COMMAS.fullmatch("\n".join(rows))
        for rows in data_row_chunks(text_file, classified)
    ):
        finding = Finding(
            code="decimal-comma",
            level="warning",
            text="The data use decimal commas; they were read as points.",
            action="Check a value or two.",
        )
        return ".", [finding]
    finding = Finding(
        code="comma-separated",
        level="warning",
        text="The data are separated by commas; they were read as white space.",
        action="Check a value or two.",
    )
    return " ", [finding]


def _parse_rows(
    classified: ClassifiedLines, text_file: TextFile, comma: str, styles: NumberStyles
) -> _RaggedRows:
    values, counts = array("d"), array("I")
    repaired = 0
    for rows in data_row_chunks(text_file, classified):
        text = "\n".join(rows).replace(",", comma)
        rows = text.split("\n")
        styles.scan(text)
        table = parse_table(rows)
        if table is not None:
            values.frombytes(table.data.cast("B"))
            counts.extend([table.shape[1]] * len(rows))
            continue
        numbers = parse_numbers(text)
        if numbers is not None:
            values.extend(numbers)
            counts.extend(_word_count(row) for row in rows)
            continue
        for row in rows:
            line = classified.row_lines[len(counts)]
            row_values = parse_numbers(row)
            if row_values is None:
                repaired += 1
                if repaired > REPAIRED_ROW_LIMIT:
                    raise too_many_repaired_rows(text_file.name, line)
                is_last = len(counts) == len(classified.row_lines) - 1
                row_values = _parse_words(
                    row, line, text_file, may_be_cut=text_file.unterminated and is_last
                )
            values.extend(row_values)
            counts.append(len(row_values))
    return _RaggedRows(values, counts, classified.row_lines)


def _word_count(row: str) -> int:
    return len(row.split()) if len(row) < ROW_LENGTH_LIMIT else sum(1 for _ in iter_words(row))


def _parse_words(row: str, line: int, text_file: TextFile, *, may_be_cut: bool) -> array[float]:
    """Return a row's numbers, parsed word by word; complete ones only if it may be truncated."""
    values = array("d")
    for word in iter_words(row):
        value = parse_number(word)
        if may_be_cut and (word in _SIGNS or (value is None and _NUMBER_PREFIX.fullmatch(word))):
            break
        if value is None:
            raise ReadError(
                text_file.name,
                f"{quoted(word)} where a number should stand",
                "correct or delete the line",
                line,
            )
        values.append(value)
    return values


def _shape(
    classified: ClassifiedLines, numbers: _RaggedRows, text_file: TextFile
) -> tuple[int, int, list[Finding]]:
    """Return the number of ports, the number of values per frequency, and findings."""
    if classified.is_version_2:
        ports = _stated_ports(classified, text_file.name)
        _, words = classified.keywords.get("matrix format", (0, ["full"]))
        triangle = " ".join(words).lower() != "full"
        return ports, 1 + (ports * (ports + 1) if triangle else 2 * ports**2), []
    count = numbers.counts[0]
    for following in islice(numbers.counts, 1, None):
        if following % 2:
            break
        count += following
    ports = math.isqrt(max(count - 1, 0) // 2)
    fits = ports > 0 and count == 1 + 2 * ports**2
    suffix_ports = text_file.ports
    if fits and suffix_ports not in (None, ports):
        return ports, count, [_ports_finding(text_file.suffix, ports)]
    if fits:
        return ports, count, []
    ports = suffix_ports or 1
    return ports, 1 + 2 * ports**2, []


def _stated_ports(classified: ClassifiedLines, path: str) -> int:
    line, words = classified.keywords.get("number of ports", (None, []))
    if len(words) == 1 and _PORT_COUNT.fullmatch(words[0]):
        return int(words[0])
    raise ReadError(path, "no [Number of Ports]", "give it a whole number", line)


def _may_have_noise(classified: ClassifiedLines, ports: int) -> bool:
    return ports == 2 and not classified.is_version_2


def _frequency_lines(
    numbers: _RaggedRows, width: int, may_have_noise: bool, path: str
) -> tuple[array[int], list[Finding]]:
    """Return the line number where each frequency begins."""
    if (np.frombuffer(numbers.counts, dtype=np.uintc) == width).all():
        return numbers.lines, []
    starts = array("I")
    filled = first_line = 0
    last = len(numbers.counts) - 1
    for index, (line, count) in enumerate(zip(numbers.lines, numbers.counts, strict=True)):
        begins = not filled
        if begins and may_have_noise and starts and _is_noise(numbers, len(starts), width, count):
            return starts, [_noise_finding(line)]
        too_many = filled + count > width
        if too_many or (not begins and count % 2):
            raise _count_error(path, line if too_many else first_line, filled, count, width)
        if begins:
            first_line = line
            if count % 2 == 0 and index != last:
                raise _count_error(path, line, 0, count, width)
        filled += count
        if filled == width:
            starts.append(first_line)
            filled = 0
    if not starts:
        raise _count_error(path, first_line, filled, 0, width)
    return starts, [truncated_row(first_line)] if first_line != starts[-1] else []


def _is_noise(numbers: _RaggedRows, groups: int, width: int, count: int) -> bool:
    # In version 1 only a falling frequency marks the beginning of noise data.
    current, previous = groups * width, (groups - 1) * width
    return count == _NOISE_VALUES and numbers.values[current] <= numbers.values[previous]


def _count_error(path: str, line: int, filled: int, following: int, width: int) -> ReadError:
    count = filled + following if filled + following > width else filled or following
    plural = "value" if count == 1 else "values"
    return ReadError(
        path, f"{count} {plural} where {width} should stand", "correct or delete the line", line
    )


def _noise_finding(line: int) -> Finding:
    return Finding(
        code="noise-left-out",
        level="note",
        text=f"Noise data from line {line} on were left out.",
        evidence={"line": line},
        action="Nothing to do.",
    )


def _ports_finding(suffix: str, ports: int) -> Finding:
    return Finding(
        code="ports-differ",
        level="warning",
        text=f"The name ends in {suffix}, the rows are those of {ports} port(s); port 1 was read.",
        evidence={"ports": ports},
        action="Check that the file is the one meant.",
    )


def _points_finding(classified: ClassifiedLines, found: int) -> list[Finding]:
    _, words = classified.keywords.get("number of frequencies", (0, []))
    if words and words[0].lstrip("0") == str(found):
        return []
    stated = quoted(words[0]) if words else "none"
    return [
        Finding(
            code="points-differ",
            level="warning",
            text=f"[Number of Frequencies] says {stated}, the file holds {found}.",
            evidence={"points": found},
            action="Save the sweep again if it is not whole.",
        )
    ]
