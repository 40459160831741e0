"""A Touchstone file's lines by kind: option line, keywords, comments, data rows.

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
from sweeplab.files.text.limits import ROW_LENGTH_LIMIT
from sweeplab.files.touchstone.option_line import OptionLine, parse_option_line
from sweeplab.finding import Finding, Threshold

_KEYWORD = re.compile(r"\[([^\]]*)\](.*)")
_COMMENT = re.compile("[!;]")
_MARKS = re.compile(r"[!;#\[]")
# Rows of numbers below these belong to the keyword, not to the network data.
_MULTILINE_KEYWORDS = ("reference",)
_IGNORED_SECTIONS = ("begin information", "noise data")
# In these a line without a mark is a row of network data.
_DATA_SECTIONS = ("", "network data")
# Not a keyword: there was text below [End].
_AFTER_END = "past the end"
_CHUNK_ROWS = 512
_MAX_PORTS: Threshold = 999
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
    """A Touchstone file's lines by kind.

    Parameters
    ----------
    option_line : OptionLine or None
        The first option line, None if the file has none.
    keywords : dict of str to (int, list of str)
        Version 2: from the keyword in lower case to its line number and arguments.
    row_lines : array of int
        One-based line number of each row of network data.
    comments : Comments
        Verbatim.
    findings : list of Finding
        Deviations from the standard.
    """

    option_line: OptionLine | None = None
    keywords: dict[str, tuple[int, list[str]]] = field(default_factory=dict)
    row_lines: array[int] = field(default_factory=lambda: array("I"))
    comments: Comments = field(default_factory=Comments)
    findings: list[Finding] = field(default_factory=list)

    @property
    def is_version_2(self) -> bool:
        """Whether the file has the keyword that begins version 2."""
        return "version" in self.keywords


def classify_lines(text_file: TextFile) -> ClassifiedLines:
    """Return a Touchstone file's lines by kind.

    Raises
    ------
    ReadError
        An option line or a keyword is not in the standard.
    """
    classified = ClassifiedLines()
    state = _LexerState()
    for begin, chunk in text_file.lines.chunks():
        if state.section in _DATA_SECTIONS and not _MARKS.search("\n".join(chunk)):
            classified.row_lines.extend(
                number for number, text in enumerate(chunk, start=begin + 1) if text.strip()
            )
            continue
        for number, line in enumerate(chunk, start=begin + 1):
            if state.section != _AFTER_END:
                _classify(line, number, classified, state, text_file.name)
        if state.section == _AFTER_END:
            break
    classified.findings += [*_state_findings(state), *classified.comments.findings()]
    return classified


def data_row_chunks(text_file: TextFile, classified: ClassifiedLines) -> Iterator[list[str]]:
    """Yield the rows of network data without comments, in chunks."""
    for begin in range(0, len(classified.row_lines), _CHUNK_ROWS):
        numbers = classified.row_lines[begin : begin + _CHUNK_ROWS]
        first, last = numbers[0], numbers[-1]
        if last - first + 1 == len(numbers):
            rows = text_file.lines.between(first - 1, last)
        else:
            rows = [text_file.lines[number - 1] for number in numbers]
        yield [row.partition("!")[0].partition(";")[0] for row in rows]


@dataclass
class _LexerState:
    """The current section, and the deviations found so far."""

    section: str = ""
    option_lines: int = 0
    second_option_line: int = 0
    semicolons: int = 0
    first_semicolon: int = 0


def _classify(
    line: str, number: int, classified: ClassifiedLines, state: _LexerState, path: str
) -> None:
    text, comment, by_semicolon = _split_comment(line)
    if comment:
        classified.comments.add([comment])
    if by_semicolon:
        state.semicolons += 1
        state.first_semicolon = state.first_semicolon or number
    if not text:
        return
    if text[0] in "#[" and len(text) > ROW_LENGTH_LIMIT:
        raise ReadError(path, f"a line of {len(text)} characters", "write it shorter", number)
    if text[0] == "#":
        _read_option_line(text, number, classified, state, path)
    elif text[0] == "[":
        state.section = _read_keyword(text, number, classified, path)
    elif state.section == "end":
        classified.findings.append(_text_after_end(number))
        state.section = _AFTER_END
    elif state.section in _MULTILINE_KEYWORDS:
        words = classified.keywords[state.section][1]
        words += text[: int(ROW_LENGTH_LIMIT)].split()
        if len(words) > _MAX_PORTS:
            raise ReadError(
                path, f"over {_MAX_PORTS} references", "give one, or one a port", number
            )
    elif state.section not in _IGNORED_SECTIONS:
        classified.row_lines.append(number)


def _split_comment(line: str) -> tuple[str, str, bool]:
    """Return a line's text, its comment with the mark, and whether the mark is a semicolon."""
    match = _COMMENT.search(line)
    if match is None:
        return line.strip(), "", False
    begin = match.start()
    return line[:begin].strip(), line[begin:], line[begin] == ";"


def _read_option_line(
    text: str, number: int, classified: ClassifiedLines, state: _LexerState, path: str
) -> None:
    state.option_lines += 1
    if classified.option_line is not None:
        state.second_option_line = state.second_option_line or number
        return
    classified.option_line = parse_option_line(text, path, number)
    if classified.row_lines:
        classified.findings.append(_late_option_line(number))


def _read_keyword(text: str, number: int, classified: ClassifiedLines, path: str) -> str:
    match = _KEYWORD.fullmatch(text)
    name = " ".join(match[1].lower().split()) if match else ""
    if match is None or name not in KEYWORDS:
        raise ReadError(
            path,
            f"keyword {quoted(text)}",
            "use one of Touchstone 2.1 or delete the line",
            number,
        )
    classified.keywords[name] = (number, match[2].split())
    return name


def _late_option_line(number: int) -> Finding:
    return Finding(
        code="option-line-late",
        level="warning",
        text=f"The option line stands below the data (line {number}); it was taken for all of "
        "them.",
        evidence={"line": number},
        action="Check that it is theirs.",
    )


def _text_after_end(number: int) -> Finding:
    return Finding(
        code="text-after-end",
        level="warning",
        text=f"Line {number} stands after [End]; it and what follows were left out.",
        evidence={"line": number},
        action="Keep one sweep a file.",
    )


def _state_findings(state: _LexerState) -> list[Finding]:
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
