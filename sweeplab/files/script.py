"""A Touchstone file's lines sorted by what they are: options, keywords, comments, rows of data.

Version 1 has an option line and rows. Version 2 adds keywords in brackets, some with arguments on
the lines after them. Source: Touchstone File Format Specification 2.1 (2024).
"""

from __future__ import annotations

import re
from array import array
from dataclasses import dataclass, field

from sweeplab.errors import ReadError
from sweeplab.files.options import Options, parse_options
from sweeplab.files.show import show
from sweeplab.files.source import Source
from sweeplab.finding import Finding

_KEYWORD = re.compile(r"\[([^\]]*)\](.*)")
# Where rows of numbers belong to a keyword and not to the network's data.
_SPANNING = ("reference",)
_IGNORED = ("begin information", "noise data")
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
class Script:
    """A Touchstone file's lines, sorted.

    Parameters
    ----------
    options : Options or None
        What the first option line says; None where there is none.
    keywords : dict of str to (int, list of str)
        Of version 2: keyword in lower case to its line and its arguments.
    rows : list of str
        Of the network's data, without comments.
    row_lines : array of int
        The one-based line of each row.
    comments : list of str
        Verbatim.
    findings : list of Finding
        What was odd.
    """

    options: Options | None = None
    keywords: dict[str, tuple[int, list[str]]] = field(default_factory=dict)
    rows: list[str] = field(default_factory=list)
    row_lines: array[int] = field(default_factory=lambda: array("q"))
    comments: list[str] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)

    @property
    def is_version_2(self) -> bool:
        """The file carries the keyword that version 2 begins with."""
        return "version" in self.keywords


def sort_lines(source: Source) -> Script:
    """Return a Touchstone file's lines, sorted.

    Raises
    ------
    ReadError
        An option line or a keyword that the standard does not know.
    """
    script = Script()
    extra_options: list[int] = []
    semicolons: list[int] = []
    section = ""
    for number, raw in enumerate(source.lines, start=1):
        text = _without_comment(raw, number, script, semicolons)
        if not text:
            continue
        if text[0] == "#":
            if script.options is None:
                script.options = parse_options(text, source.name, number)
                if script.rows:
                    script.findings.append(_late_options(number))
            else:
                extra_options.append(number)
        elif text[0] == "[":
            section = _keyword(text, number, script, source.name)
        elif section == "end":
            script.findings.append(_after_end(number))
            break
        elif section in _SPANNING:
            script.keywords[section][1].extend(text.split())
        elif section not in _IGNORED:
            script.rows.append(text)
            script.row_lines.append(number)
    script.findings += _oddities(extra_options, semicolons)
    return script


def _without_comment(raw: str, number: int, script: Script, semicolons: list[int]) -> str:
    text, mark, comment = raw.partition("!")
    if mark:
        script.comments.append(mark + comment)
    if ";" in text:
        text, mark, comment = text.partition(";")
        script.comments.append(mark + comment)
        semicolons.append(number)
    return text.strip()


def _keyword(text: str, number: int, script: Script, path: str) -> str:
    match = _KEYWORD.fullmatch(text)
    name = " ".join(match[1].lower().split()) if match else ""
    if match is None or name not in KEYWORDS:
        raise ReadError(
            path,
            f"keyword {show(text)}",
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


def _oddities(extra_options: list[int], semicolons: list[int]) -> list[Finding]:
    findings = []
    if extra_options:
        findings.append(
            Finding(
                code="option-line-repeated",
                level="note",
                text="More than one option line: the first holds, as the standard has it.",
                evidence={"lines": len(extra_options), "first_line": extra_options[0]},
                action="Check that the first is the right one.",
            )
        )
    if semicolons:
        findings.append(
            Finding(
                code="semicolon-comment",
                level="note",
                text="Text after ';' was taken as a comment; the standard's mark is '!'.",
                evidence={"lines": len(semicolons), "first_line": semicolons[0]},
                action="Nothing to do.",
            )
        )
    return findings
