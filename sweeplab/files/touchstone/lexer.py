"""A Touchstone file's lines sorted by what they are: options, keywords, comments, rows of data.

Version 1 has an option line and rows. Version 2 adds keywords in brackets, some with arguments on
the lines after them. Source: Touchstone File Format Specification 2.1 (2024).
"""

from __future__ import annotations

import re
from array import array
from collections.abc import Iterator
from dataclasses import dataclass, field

from sweeplab.errors import ReadError, quoted
from sweeplab.files.text.comments import Comments
from sweeplab.files.text.decode import TextFile
from sweeplab.files.text.limits import ROW_LIMIT_CHARACTERS
from sweeplab.files.touchstone.option_line import OptionLine, parse_option_line
from sweeplab.finding import Finding, Threshold

_KEYWORD = re.compile(r"\[([^\]]*)\](.*)")
_COMMENT = re.compile("[!;]")
_SPECIAL = re.compile(r"[!;#\[]")
# Where rows of numbers belong to a keyword and not to the network's data.
_SPANNING = ("reference",)
_IGNORED = ("begin information", "noise data")
# Where a line without a mark is a row of the network's data.
_NUMBERS_ONLY = ("", "network data")
# No keyword: text stood below [End].
_PAST = "past the end"
_ROWS_AT_A_TIME = 512
_MOST_PORTS: Threshold = 999
KEYWORDS = (
    "version",
    "number of ports",
    "two-port data order",
    "number of frequencies",
    "number of noise frequencies",
    "reference",
    "matrix format",
    "mixed-mode order",
    "begin information",
    "end information",
    "network data",
    "noise data",
    "end",
)


@dataclass
class ClassifiedLines:
    """A Touchstone file's lines, sorted.

    Parameters
    ----------
    options : Options or None
        What the first option line says; None where there is none.
    keywords : dict of str to (int, list of str)
        Of version 2: keyword in lower case to its line and its arguments.
    row_lines : array of int
        The one-based line of each row of the network's data.
    comments : Remarks
        Verbatim.
    findings : list of Finding
        What was odd.
    """

    options: OptionLine | None = None
    keywords: dict[str, tuple[int, list[str]]] = field(default_factory=dict)
    row_lines: array[int] = field(default_factory=lambda: array("I"))
    comments: Comments = field(default_factory=Comments)
    findings: list[Finding] = field(default_factory=list)

    @property
    def is_version_2(self) -> bool:
        """The file carries the keyword that version 2 begins with."""
        return "version" in self.keywords


def classify_lines(source: TextFile) -> ClassifiedLines:
    """Return a Touchstone file's lines, sorted.

    Raises
    ------
    ReadError
        An option line or a keyword that the standard does not know.
    """
    script = ClassifiedLines()
    state = _State()
    for begin, piece in source.lines.pieces():
        if state.section in _NUMBERS_ONLY and not _SPECIAL.search("\n".join(piece)):
            script.row_lines.extend(
                number for number, text in enumerate(piece, start=begin + 1) if text.strip()
            )
            continue
        for number, raw in enumerate(piece, start=begin + 1):
            if state.section != _PAST:
                _sort(raw, number, script, state, source.name)
        if state.section == _PAST:
            break
    script.findings += [*_oddities(state), *script.comments.findings()]
    return script


def row_texts(source: TextFile, script: ClassifiedLines) -> Iterator[list[str]]:
    """Yield the rows of the network's data without comments, some at a time."""
    for begin in range(0, len(script.row_lines), _ROWS_AT_A_TIME):
        numbers = script.row_lines[begin : begin + _ROWS_AT_A_TIME]
        first, last = numbers[0], numbers[-1]
        if last - first + 1 == len(numbers):
            rows = source.lines.between(first - 1, last)
        else:
            rows = [source.lines[number - 1] for number in numbers]
        yield [row.partition("!")[0].partition(";")[0] for row in rows]


@dataclass
class _State:
    """Where in a file the sorting is, and what was met on the way."""

    section: str = ""
    option_lines: int = 0
    second_option_line: int = 0
    semicolons: int = 0
    first_semicolon: int = 0


def _sort(raw: str, number: int, script: ClassifiedLines, state: _State, path: str) -> None:
    text, comment, by_semicolon = _parted(raw)
    if comment:
        script.comments.add([comment])
    if by_semicolon:
        state.semicolons += 1
        state.first_semicolon = state.first_semicolon or number
    if not text:
        return
    if text[0] in "#[" and len(text) > ROW_LIMIT_CHARACTERS:
        raise ReadError(path, f"a line of {len(text)} characters", "write it shorter", number)
    if text[0] == "#":
        _options(text, number, script, state, path)
    elif text[0] == "[":
        state.section = _keyword(text, number, script, path)
    elif state.section == "end":
        script.findings.append(_after_end(number))
        state.section = _PAST
    elif state.section in _SPANNING:
        words = script.keywords[state.section][1]
        words += text[: int(ROW_LIMIT_CHARACTERS)].split()
        if len(words) > _MOST_PORTS:
            raise ReadError(
                path, f"over {_MOST_PORTS} references", "give one, or one a port", number
            )
    elif state.section not in _IGNORED:
        script.row_lines.append(number)


def _parted(raw: str) -> tuple[str, str, bool]:
    """Return a line's text, its comment with its mark, and whether a semicolon begins it."""
    match = _COMMENT.search(raw)
    if match is None:
        return raw.strip(), "", False
    begin = match.start()
    return raw[:begin].strip(), raw[begin:], raw[begin] == ";"


def _options(text: str, number: int, script: ClassifiedLines, state: _State, path: str) -> None:
    state.option_lines += 1
    if script.options is not None:
        state.second_option_line = state.second_option_line or number
        return
    script.options = parse_option_line(text, path, number)
    if script.row_lines:
        script.findings.append(_late_options(number))


def _keyword(text: str, number: int, script: ClassifiedLines, path: str) -> str:
    match = _KEYWORD.fullmatch(text)
    name = " ".join(match[1].lower().split()) if match else ""
    if match is None or name not in KEYWORDS:
        raise ReadError(
            path,
            f"keyword {quoted(text)}",
            "use one of Touchstone 2.1 or delete the line",
            number,
        )
    script.keywords[name] = (number, match[2].split())
    return name


def _late_options(number: int) -> Finding:
    return Finding(
        code="option-line-late",
        level="warning",
        text=f"The option line stands below the data (line {number}); it was taken for all of "
        "them.",
        evidence={"line": number},
        action="Check that it is theirs.",
    )


def _after_end(number: int) -> Finding:
    return Finding(
        code="text-after-end",
        level="warning",
        text=f"Line {number} stands after [End]; it and what follows were left out.",
        evidence={"line": number},
        action="Keep one sweep a file.",
    )


def _oddities(state: _State) -> list[Finding]:
    findings = []
    if state.second_option_line:
        findings.append(
            Finding(
                code="option-line-repeated",
                level="note",
                text="More than one option line: the first holds, as the standard has it.",
                evidence={
                    "lines": state.option_lines - 1,
                    "first_line": state.second_option_line,
                },
                action="Check that the first is the right one.",
            )
        )
    if state.semicolons:
        findings.append(
            Finding(
                code="semicolon-comment",
                level="note",
                text="Text after ';' was taken as a comment; the standard's mark is '!'.",
                evidence={"lines": state.semicolons, "first_line": state.first_semicolon},
                action="Nothing to do.",
            )
        )
    return findings
