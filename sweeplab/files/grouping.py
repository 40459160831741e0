"""A Touchstone file's rows of numbers, gathered frequency by frequency.

The standard begins each frequency on a new line and never parts a pair, so a line with an odd
number of values begins a frequency and one with an even number goes on with it. In version 1 that
tells the number of ports from the data themselves; the suffix only confirms it.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np

from sweeplab.errors import ReadError
from sweeplab.files.mend import row_cut
from sweeplab.files.numbers import parse_number, spelling_findings
from sweeplab.files.script import Row, Script
from sweeplab.files.show import show
from sweeplab.files.source import Source
from sweeplab.finding import Finding
from sweeplab.sweep import FloatArray

_NOISE_VALUES = 5
# Alone they stand for a missing value, at a file's cut end for the start of a number.
_SIGNS = ("-", "+")
_PORTS = re.compile(r"[1-9][0-9]{0,2}")
_DECIMAL_COMMA = re.compile(r"[+-]?\d+(?:,\d+)?(?:[eEdD][+-]?\d+)?", re.ASCII)


@dataclass(frozen=True, eq=False)
class Groups:
    """Values gathered by frequency.

    Parameters
    ----------
    values : ndarray, shape (m, k)
        Frequency in the file's unit, then pairs.
    lines : list of int, length m
        One-based line each frequency begins on.
    ports : int
    findings : tuple of Finding
    """

    values: FloatArray
    lines: list[int]
    ports: int
    findings: tuple[Finding, ...]


def group_rows(script: Script, source: Source) -> Groups:
    """Return a file's values, gathered by frequency.

    Raises
    ------
    ReadError
        A word is no number, or a row holds too few or too many.
    """
    rows, comma = _plain_commas(script.rows)
    findings = [*comma, *spelling_findings(row.text for row in rows)]
    last_may_be_cut = source.ends_open
    parsed: list[tuple[int, list[float]]] = []
    for row in rows:
        values = _values(row, source, may_be_cut=last_may_be_cut and row is rows[-1])
        parsed.append((row.line, values))
    ports, size, port_findings = _shape(script, parsed, source)
    groups, lines, group_findings = _gather(parsed, size, _may_have_noise(script, ports), source)
    findings += [*port_findings, *group_findings]
    if script.is_version_2:
        findings += _count_finding(script, len(groups))
    return Groups(np.array(groups, dtype=np.float64), lines, ports, tuple(findings))


def _plain_commas(rows: list[Row]) -> tuple[list[Row], list[Finding]]:
    """Return rows without commas, where commas can only be meant one way."""
    if not any("," in row.text for row in rows):
        return rows, []
    tokens = [token for row in rows for token in row.text.split()]
    if all(_DECIMAL_COMMA.fullmatch(token) for token in tokens):
        finding = Finding(
            code="decimal-comma",
            level="warning",
            text="The data use decimal commas; they were read as points.",
            action="Check a value or two.",
        )
        return [Row(row.line, row.text.replace(",", ".")) for row in rows], [finding]
    finding = Finding(
        code="comma-separated",
        level="warning",
        text="The data are separated by commas; they were read as white space.",
        action="Check a value or two.",
    )
    return [Row(row.line, row.text.replace(",", " ")) for row in rows], [finding]


def _values(row: Row, source: Source, *, may_be_cut: bool) -> list[float]:
    values = []
    for token in row.text.split():
        value = parse_number(token)
        if may_be_cut and (value is None or token in _SIGNS):
            break
        if value is None:
            raise ReadError(
                source.name,
                f"{show(token)} where a number should stand",
                "correct or delete the line",
                row.line,
            )
        values.append(value)
    return values


def _shape(
    script: Script, parsed: list[tuple[int, list[float]]], source: Source
) -> tuple[int, int, list[Finding]]:
    """Return the number of ports and of values a frequency."""
    if script.is_version_2:
        ports = _stated_ports(script, source.name)
        _, words = script.keywords.get("matrix format", (0, ["full"]))
        triangle = " ".join(words).lower() != "full"
        return ports, 1 + (ports * (ports + 1) if triangle else 2 * ports**2), []
    count = len(parsed[0][1])
    for _, values in parsed[1:]:
        if len(values) % 2:
            break
        count += len(values)
    ports = math.isqrt(max(count - 1, 0) // 2)
    fits = ports > 0 and count == 1 + 2 * ports**2
    named = source.ports
    if fits and named not in (None, ports):
        return ports, count, [_ports_finding(source.suffix, ports)]
    if fits:
        return ports, count, []
    ports = named or 1
    return ports, 1 + 2 * ports**2, []


def _stated_ports(script: Script, path: str) -> int:
    line, words = script.keywords.get("number of ports", (None, []))
    if len(words) == 1 and _PORTS.fullmatch(words[0]):
        return int(words[0])
    raise ReadError(path, "no [Number of Ports]", "give it a whole number", line)


def _may_have_noise(script: Script, ports: int) -> bool:
    return ports == 2 and not script.is_version_2


def _gather(
    parsed: list[tuple[int, list[float]]], size: int, may_have_noise: bool, source: Source
) -> tuple[list[list[float]], list[int], list[Finding]]:
    groups: list[list[float]] = []
    lines: list[int] = []
    group: list[float] = []
    begun = 0
    for index, (line, values) in enumerate(parsed):
        begins = not group
        if begins and may_have_noise and groups and _is_noise(values, groups[-1][0]):
            return groups, lines, [_noise_finding(line)]
        last = index == len(parsed) - 1
        too_many = len(group) + len(values) > size
        if too_many or (not begins and len(values) % 2):
            raise _wrong_count(source.name, line if too_many else begun, group, values, size)
        if begins:
            begun = line
            if len(values) % 2 == 0 and not last:
                raise _wrong_count(source.name, line, [], values, size)
        group = group + values
        if len(group) == size:
            groups.append(group)
            lines.append(begun)
            group = []
    if not groups:
        raise _wrong_count(source.name, begun, group, [], size)
    return groups, lines, [row_cut(begun)] if begun != lines[-1] else []


def _is_noise(values: list[float], last_frequency: float) -> bool:
    # Version 1 has no other mark for noise than a frequency that goes down.
    return len(values) == _NOISE_VALUES and values[0] <= last_frequency


def _wrong_count(
    path: str, line: int, group: list[float], values: list[float], size: int
) -> ReadError:
    count = len(group) + len(values) if len(group) + len(values) > size else len(group or values)
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


def _count_finding(script: Script, found: int) -> list[Finding]:
    _, words = script.keywords.get("number of frequencies", (0, []))
    if words and words[0].lstrip("0") == str(found):
        return []
    stated = show(words[0]) if words else "none"
    return [
        Finding(
            code="points-differ",
            level="warning",
            text=f"[Number of Frequencies] says {stated}, the file holds {found}.",
            evidence={"points": found},
            action="Save the sweep again if it is not whole.",
        )
    ]
