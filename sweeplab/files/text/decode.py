"""Bytes become lines of text: encodings, line ends, and what is no text at all."""

from __future__ import annotations

import codecs
import hashlib
import re
from dataclasses import dataclass
from pathlib import PurePath

from sweeplab.errors import ReadError
from sweeplab.files.text.limits import (
    LINE_LIMIT,
    LINE_LIMIT_CHARACTERS,
    too_long_line,
    too_many_lines,
)
from sweeplab.files.text.lines import Lines
from sweeplab.finding import Finding, Threshold

# UTF-32's mark begins with UTF-16's, so it is looked for first.
_MARKS = (
    (codecs.BOM_UTF8, "utf-8", "UTF-8 with a byte-order mark"),
    (codecs.BOM_UTF32_LE, "utf-32-le", "UTF-32"),
    (codecs.BOM_UTF32_BE, "utf-32-be", "UTF-32"),
    (codecs.BOM_UTF16_LE, "utf-16-le", "UTF-16"),
    (codecs.BOM_UTF16_BE, "utf-16-be", "UTF-16"),
)
_BINARY_KINDS = (
    (b"PK\x03\x04", "a zip archive or a spreadsheet's workbook"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"%PDF", "a PDF document"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"SQLite format 3\0", "a database"),
)
# Text is told from binary data by so many bytes or characters at the top.
_SAMPLE: Threshold = 65536
# Tab, line ends, form feed and the old end-of-file mark are part of text.
_CONTROL = re.compile(r"[\x00-\x08\x0e-\x19\x1b-\x1f]")
_CONTROL_SHARE: Threshold = 0.002
# Plain characters in UTF-16 have a zero in one half of each pair, and nearly only there.
_ZEROS_IN_ONE_HALF: Threshold = 0.7
_ZEROS_IN_THE_OTHER: Threshold = 0.05
_LONG_LINE = re.compile(rf"^[^\n]{{{LINE_LIMIT_CHARACTERS + 1},}}", re.MULTILINE)
_PORTS = re.compile(r"\.s([1-9]\d{0,2})p", re.IGNORECASE)


@dataclass(frozen=True, eq=False)
class RawFile:
    """A file's bytes, and what is known of it beside them.

    Parameters
    ----------
    data : bytes
        The whole file.
    name : str
        The file as the person named it.
    written : str or None
        When the file was last written, ISO 8601 in UTC: stands in where no comment says when the
        sweep was taken.
    """

    data: bytes
    name: str
    written: str | None = None

    @property
    def sha256(self) -> str:
        """SHA-256 of the bytes, in hexadecimal."""
        return hashlib.sha256(self.data).hexdigest()


@dataclass(frozen=True)
class TextFile:
    """A file's text, as the readers see it.

    Parameters
    ----------
    name : str
        Path or name as given.
    sha256 : str
        SHA-256 of the file's bytes.
    lines : Lines
        Without line ends; line n of the file is ``lines[n - 1]``.
    ends_open : bool
        The last line has no line end, so that it may have been cut off.
    findings : tuple of Finding
        What decoding noticed.
    """

    name: str
    sha256: str
    lines: Lines
    ends_open: bool
    findings: tuple[Finding, ...]

    @property
    def suffix(self) -> str:
        """The name's last suffix in lower case, such as ``'.s1p'``."""
        return PurePath(self.name).suffix.lower()

    @property
    def ports(self) -> int | None:
        """The number of ports the suffix names, as ``.s2p`` does."""
        return ports_named(self.suffix)


def ports_named(suffix: str) -> int | None:
    """Return N of the suffix ``.sNp``, in any case, else None."""
    match = _PORTS.fullmatch(suffix)
    return int(match[1]) if match else None


def decode(raw: RawFile) -> TextFile:
    """Return a file's text.

    Raises
    ------
    ReadError
        The file is empty, holds no text, or more of it than a sweep does.
    """
    data, name = raw.data, raw.name
    for magic, kind in _BINARY_KINDS:
        if data.startswith(magic):
            raise _binary(name, kind)
    text, encoding = _text(data, name)
    if not text.strip():
        raise ReadError(name, "the file is empty", "save the sweep again")
    sample = text[: int(_SAMPLE)]
    if len(_CONTROL.findall(sample)) > _CONTROL_SHARE * len(sample):
        raise _binary(name, "binary data")
    # CR LF, CR and LF each end a line (Touchstone 2.1 allows all three).
    text = text.replace("\r\n", "\n").replace("\r", "\n").rstrip("\x1a")
    count = text.count("\n") + 1
    if count > LINE_LIMIT:
        raise too_many_lines(name, count)
    long = _LONG_LINE.search(text) if len(text) > LINE_LIMIT_CHARACTERS else None
    if long is not None:
        raise too_long_line(name, text.count("\n", 0, long.start()) + 1, len(long[0]))
    found = () if encoding is None else (_encoding_finding(encoding),)
    return TextFile(name, raw.sha256, Lines(text), not text.endswith("\n"), found)


def _text(data: bytes, name: str) -> tuple[str, str | None]:
    """Return the text, and the encoding's name where it is not plain UTF-8."""
    for mark, codec, title in _MARKS:
        if data.startswith(mark):
            return data[len(mark) :].decode(codec, "replace"), title
    if b"\0" in data[: int(_SAMPLE)]:
        return _unmarked_utf16(data, name), "UTF-16 without a byte-order mark"
    try:
        return data.decode("utf-8"), None
    except UnicodeDecodeError:
        return data.decode("latin-1"), "Latin-1"


def _unmarked_utf16(data: bytes, name: str) -> str:
    sample = data[: int(_SAMPLE)]
    high, low = sample[0::2].count(0), sample[1::2].count(0)
    half = len(sample) / 2
    many, few = _ZEROS_IN_ONE_HALF * half, _ZEROS_IN_THE_OTHER * half
    if low > many and high < few:
        return data.decode("utf-16-le", "replace")
    if high > many and low < few:
        return data.decode("utf-16-be", "replace")
    raise _binary(name, "binary data")


def _binary(name: str, kind: str) -> ReadError:
    return ReadError(
        name, f"holds {kind}, no text", "export the sweep as Touchstone (.s1p) or as a table"
    )


def _encoding_finding(encoding: str) -> Finding:
    return Finding(
        code="encoding",
        level="note",
        text=f"The file is written in {encoding}; it was read as that.",
        evidence={"encoding": encoding},
        action="Nothing to do.",
    )
