"""A Touchstone file's rows of numbers, gathered frequency by frequency.

The standard begins each frequency on a new line and never parts a pair, so a line with an odd
number of values begins a frequency and one with an even number goes on with it. In version 1 that
tells the number of ports from the data themselves; the suffix only confirms it.
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
from sweeplab.files.text.limits import MENDED_LIMIT, ROW_LIMIT_CHARACTERS, too_many_mended
from sweeplab.files.text.normalize import row_cut
from sweeplab.files.text.numbers import Spelling, parse_even, parse_number, parse_plain, words_of
from sweeplab.files.touchstone.lexer import ClassifiedLines, row_texts
from sweeplab.finding import Finding
from sweeplab.sweep import FloatArray

_NOISE_VALUES = 5
# Alone they stand for a missing value, at a file's cut end for the start of a number.
_SIGNS = ("-", "+")
# What a number may be cut off to.
_MAY_GO_ON = re.compile(r"[+-]?(?:[0-9.]+(?:[ed][+-]?)?|n|na|i|in)?\ufffd?", re.IGNORECASE)
_PORTS = re.compile(r"[1-9][0-9]{0,2}")
_DECIMAL_COMMAS = re.compile(
    r"(?:\s*+[+-]?\d++(?:,\d++)?+(?:[eEdD][+-]?\d++)?+(?!\S))*+\s*+", re.ASCII
)


@dataclass(frozen=True, eq=False)
class DataRows:
    """Values gathered by frequency.

    Parameters
    ----------
    values : ndarray, shape (m, k)
        Frequency in the file's unit, then pairs.
    lines : sequence of int, length m
        One-based line each frequency begins on.
    ports : int
    findings : tuple of Finding
    """

    values: FloatArray
    lines: Sequence[int]
    ports: int
    findings: tuple[Finding, ...]


@dataclass(frozen=True, eq=False)
class _Numbers:
    """All rows' values one after another, each row's count and line: eight bytes a number."""

    values: array[float]
    counts: array[int]
    lines: array[int]


def group_rows(script: ClassifiedLines, source: TextFile) -> DataRows:
    """Return a file's values, gathered by frequency.

    Raises
    ------
    ReadError
        A word is no number, or a row holds too few or too many; or more rows than the limit must
        be mended.
    """
    comma, findings = _meaning_of_commas(script, source)
    spelling = Spelling()
    numbers = _numbers(script, source, comma, spelling)
    findings += spelling.findings()
    ports, size, port_findings = _shape(script, numbers, source)
    lines, group_findings = _gather(numbers, size, _may_have_noise(script, ports), source.name)
    findings += [*port_findings, *group_findings]
    if script.is_version_2:
        findings += _count_finding(script, len(lines))
    values = np.frombuffer(numbers.values)[: len(lines) * size].reshape(-1, size)
    return DataRows(values, lines, ports, tuple(findings))


def _meaning_of_commas(script: ClassifiedLines, source: TextFile) -> tuple[str, list[Finding]]:
    """Return what a comma in the rows is to be read as, where it can only be meant one way."""
    if not any("," in row for rows in row_texts(source, script) for row in rows):
        return ",", []
    if all(_DECIMAL_COMMAS.fullmatch("\n".join(rows)) for rows in row_texts(source, script)):
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


def _numbers(script: ClassifiedLines, source: TextFile, comma: str, spelling: Spelling) -> _Numbers:
    values, counts = array("d"), array("I")
    mended = 0
    for rows in row_texts(source, script):
        text = "\n".join(rows).replace(",", comma)
        rows = text.split("\n")
        spelling.look(text)
        even = parse_even(rows)
        if even is not None:
            values.frombytes(even.data.cast("B"))
            counts.extend([even.shape[1]] * len(rows))
            continue
        plain = parse_plain(text)
        if plain is not None:
            values.extend(plain)
            counts.extend(_count(row) for row in rows)
            continue
        for row in rows:
            line = script.row_lines[len(counts)]
            found = parse_plain(row)
            if found is None:
                mended += 1
                if mended > MENDED_LIMIT:
                    raise too_many_mended(source.name, line)
                is_last = len(counts) == len(script.row_lines) - 1
                found = _mended(row, line, source, may_be_cut=source.ends_open and is_last)
            values.extend(found)
            counts.append(len(found))
    return _Numbers(values, counts, script.row_lines)


def _count(row: str) -> int:
    return len(row.split()) if len(row) < ROW_LIMIT_CHARACTERS else sum(1 for _ in words_of(row))


def _mended(row: str, line: int, source: TextFile, *, may_be_cut: bool) -> array[float]:
    """Return a row's numbers, word by word; of a row that may be cut those that are whole."""
    values = array("d")
    for word in words_of(row):
        value = parse_number(word)
        if may_be_cut and (word in _SIGNS or (value is None and _MAY_GO_ON.fullmatch(word))):
            break
        if value is None:
            raise ReadError(
                source.name,
                f"{quoted(word)} where a number should stand",
                "correct or delete the line",
                line,
            )
        values.append(value)
    return values


def _shape(
    script: ClassifiedLines, numbers: _Numbers, source: TextFile
) -> tuple[int, int, list[Finding]]:
    """Return the number of ports and of values a frequency."""
    if script.is_version_2:
        ports = _stated_ports(script, source.name)
        _, words = script.keywords.get("matrix format", (0, ["full"]))
        triangle = " ".join(words).lower() != "full"
        return ports, 1 + (ports * (ports + 1) if triangle else 2 * ports**2), []
    count = numbers.counts[0]
    for more in islice(numbers.counts, 1, None):
        if more % 2:
            break
        count += more
    ports = math.isqrt(max(count - 1, 0) // 2)
    fits = ports > 0 and count == 1 + 2 * ports**2
    named = source.ports
    if fits and named not in (None, ports):
        return ports, count, [_ports_finding(source.suffix, ports)]
    if fits:
        return ports, count, []
    ports = named or 1
    return ports, 1 + 2 * ports**2, []


def _stated_ports(script: ClassifiedLines, path: str) -> int:
    line, words = script.keywords.get("number of ports", (None, []))
    if len(words) == 1 and _PORTS.fullmatch(words[0]):
        return int(words[0])
    raise ReadError(path, "no [Number of Ports]", "give it a whole number", line)


def _may_have_noise(script: ClassifiedLines, ports: int) -> bool:
    return ports == 2 and not script.is_version_2


def _gather(
    numbers: _Numbers, size: int, may_have_noise: bool, path: str
) -> tuple[array[int], list[Finding]]:
    """Return the line each frequency begins on; their values stand one after another."""
    if (np.frombuffer(numbers.counts, dtype=np.uintc) == size).all():
        return numbers.lines, []
    starts = array("I")
    held = begun = 0
    last = len(numbers.counts) - 1
    for place, (line, count) in enumerate(zip(numbers.lines, numbers.counts, strict=True)):
        begins = not held
        if begins and may_have_noise and starts and _is_noise(numbers, len(starts), size, count):
            return starts, [_noise_finding(line)]
        too_many = held + count > size
        if too_many or (not begins and count % 2):
            raise _wrong_count(path, line if too_many else begun, held, count, size)
        if begins:
            begun = line
            if count % 2 == 0 and place != last:
                raise _wrong_count(path, line, 0, count, size)
        held += count
        if held == size:
            starts.append(begun)
            held = 0
    if not starts:
        raise _wrong_count(path, begun, held, 0, size)
    return starts, [row_cut(begun)] if begun != starts[-1] else []


def _is_noise(numbers: _Numbers, groups: int, size: int, count: int) -> bool:
    # Version 1 has no other mark for noise than a frequency that goes down.
    here, before = groups * size, (groups - 1) * size
    return count == _NOISE_VALUES and numbers.values[here] <= numbers.values[before]


def _wrong_count(path: str, line: int, held: int, more: int, size: int) -> ReadError:
    count = held + more if held + more > size else held or more
    plural = "value" if count == 1 else "values"
    return ReadError(
        path, f"{count} {plural} where {size} should stand", "correct or delete the line", line
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


def _count_finding(script: ClassifiedLines, found: int) -> list[Finding]:
    _, words = script.keywords.get("number of frequencies", (0, []))
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
