"""From bytes to lines of text: encodings, line ends, and refusal of binary data."""

from __future__ import annotations

import codecs
import hashlib
import re
from dataclasses import dataclass
from pathlib import PurePath

from sweeplab.errors import ReadError
from sweeplab.files.text.limits import (
    LINE_COUNT_LIMIT,
    LINE_LENGTH_LIMIT,
    line_too_long,
    too_many_lines,
)
from sweeplab.files.text.lines import Lines
from sweeplab.finding import Finding, Threshold

# UTF-32's mark begins with UTF-16's, so it is tested first.
_BYTE_ORDER_MARKS = (
    (codecs.BOM_UTF8, "utf-8", "UTF-8 with a byte-order mark"),
    (codecs.BOM_UTF32_LE, "utf-32-le", "UTF-32"),
    (codecs.BOM_UTF32_BE, "utf-32-be", "UTF-32"),
    (codecs.BOM_UTF16_LE, "utf-16-le", "UTF-16"),
    (codecs.BOM_UTF16_BE, "utf-16-be", "UTF-16"),
)
_SIGNATURES = (
    (b"PK\x03\x04", "a zip archive or a spreadsheet's workbook"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"%PDF", "a PDF document"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"SQLite format 3\0", "a database"),
)
# Text and binary data are distinguished by the first bytes or characters.
_SAMPLE_SIZE: Threshold = 65536
# Tab, line ends, form feed and the old end-of-file mark are part of text.
_CONTROL_CHARACTERS = re.compile(r"[\x00-\x08\x0e-\x19\x1b-\x1f]")
_MAX_CONTROL_SHARE: Threshold = 0.002
# An ASCII character in UTF-16 has a zero as its high byte, and nearly only there.
_MIN_ZEROS_IN_HIGH_BYTES: Threshold = 0.7
_MAX_ZEROS_IN_LOW_BYTES: Threshold = 0.05
_TOO_LONG_LINE = re.compile(rf"^[^\n]{{{LINE_LENGTH_LIMIT + 1},}}", re.MULTILINE)
_PORTS_SUFFIX = re.compile(r"\.s([1-9]\d{0,2})p", re.IGNORECASE)


@dataclass(frozen=True, eq=False)
class RawFile:
    """A file's bytes and metadata.

    Parameters
    ----------
    data : bytes
        The whole file.
    name : str
        The file as the person named it.
    modified : str or None
        Modification time, ISO 8601 in UTC: used if no comment says when the sweep was taken.
    """

    data: bytes
    name: str
    modified: str | None = None

    @property
    def sha256(self) -> str:
        """SHA-256 of the bytes, in hexadecimal."""
        return hashlib.sha256(self.data).hexdigest()


@dataclass(frozen=True)
class TextFile:
    """A decoded file, as the readers take it.

    Parameters
    ----------
    name : str
        Path or name as given.
    sha256 : str
        SHA-256 of the file's bytes.
    lines : Lines
        Without line ends; line n of the file is ``lines[n - 1]``.
    unterminated : bool
        The last line has no line end, so that it may have been cut off.
    findings : tuple of Finding
        From decoding.
    """

    name: str
    sha256: str
    lines: Lines
    unterminated: bool
    findings: tuple[Finding, ...]

    @property
    def suffix(self) -> str:
        """The name's last suffix in lower case, such as ``'.s1p'``."""
        return PurePath(self.name).suffix.lower()

    @property
    def ports(self) -> int | None:
        """The number of ports in the suffix, such as 2 in ``.s2p``."""
        return ports_in_suffix(self.suffix)


def ports_in_suffix(suffix: str) -> int | None:
    """Return N of the suffix ``.sNp``, in any case, else None."""
    match = _PORTS_SUFFIX.fullmatch(suffix)
    return int(match[1]) if match else None


def decode(raw_file: RawFile) -> TextFile:
    """Return a file's text.

    Raises
    ------
    ReadError
        The file is empty, is not text, or exceeds a limit.
    """
    data, name = raw_file.data, raw_file.name
    for signature, kind in _SIGNATURES:
        if data.startswith(signature):
            raise _binary_error(name, kind)
    text, encoding = _decode_text(data, name)
    if not text.strip():
        raise ReadError(name, "the file is empty", "save the sweep again")
    sample = text[: int(_SAMPLE_SIZE)]
    if len(_CONTROL_CHARACTERS.findall(sample)) > _MAX_CONTROL_SHARE * len(sample):
        raise _binary_error(name, "binary data")
    # CR LF, CR and LF each end a line (Touchstone 2.1 allows all three).
    text = text.replace("\r\n", "\n").replace("\r", "\n").rstrip("\x1a")
    count = text.count("\n") + 1
    if count > LINE_COUNT_LIMIT:
        raise too_many_lines(name, count)
    match = _TOO_LONG_LINE.search(text) if len(text) > LINE_LENGTH_LIMIT else None
    if match is not None:
        raise line_too_long(name, text.count("\n", 0, match.start()) + 1, len(match[0]))
    findings = () if encoding is None else (_encoding_finding(encoding),)
    return TextFile(name, raw_file.sha256, Lines(text), not text.endswith("\n"), findings)


def _decode_text(data: bytes, name: str) -> tuple[str, str | None]:
    """Return the text, and the encoding's name unless it is plain UTF-8."""
    for mark, codec, title in _BYTE_ORDER_MARKS:
        if data.startswith(mark):
            return data[len(mark) :].decode(codec, "replace"), title
    if b"\0" in data[: int(_SAMPLE_SIZE)]:
        return _decode_utf16_without_mark(data, name), "UTF-16 without a byte-order mark"
    try:
        return data.decode("utf-8"), None
    except UnicodeDecodeError:
        return data.decode("latin-1"), "Latin-1"


def _decode_utf16_without_mark(data: bytes, name: str) -> str:
    sample = data[: int(_SAMPLE_SIZE)]
    even, odd = sample[0::2].count(0), sample[1::2].count(0)
    half = len(sample) / 2
    many, few = _MIN_ZEROS_IN_HIGH_BYTES * half, _MAX_ZEROS_IN_LOW_BYTES * half
    if odd > many and even < few:
        return data.decode("utf-16-le", "replace")
    if even > many and odd < few:
        return data.decode("utf-16-be", "replace")
    raise _binary_error(name, "binary data")


def _binary_error(name: str, kind: str) -> ReadError:
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
