"""A table's lines as rows of numbers: plain ones many at once, others one by one."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from sweeplab.files.table.dialect import Dialect, parse_fields, split_fields
from sweeplab.files.text.limits import ROW_LENGTH_LIMIT
from sweeplab.files.text.numbers import MINUS, NumberStyles
from sweeplab.sweep import FloatArray

# Words of these characters numpy parses as `parse_number` does; digits of other scripts not.
_PLAIN = re.compile(r"[0-9A-Za-z+\-.,; \t\n]*", re.ASCII)
_PLAIN_ROW = re.compile(r"[0-9eE+\-.,; \t]*", re.ASCII)


def parse_plain_rows(
    chunk: Sequence[str], dialect: Dialect, styles: NumberStyles
) -> FloatArray | None:
    """Return the numbers of lines that are all complete rows, at numpy's speed; else None.

    Parameters
    ----------
    chunk : sequence of str
        Some lines.
    dialect : Dialect
    styles : NumberStyles
        Records the notations found.

    Returns
    -------
    ndarray, shape (len(chunk), dialect.width), or None
    """
    text = "\n".join(chunk)
    plain_text = _plain_text(text, dialect)
    if plain_text is None:
        return None
    rows = plain_text.split("\n")
    if not rows[0].strip():
        return None
    try:
        values = np.loadtxt(
            rows, delimiter=dialect.separator, comments=None, ndmin=2, quotechar='"'
        )
    except ValueError:
        return None
    if values.shape != (len(chunk), dialect.width):
        return None
    styles.scan(text)
    return values


def _plain_text(text: str, dialect: Dialect) -> str | None:
    """Return a text with its numbers in the notation of float(), None if that is not certain."""
    if dialect.decimal == ",":
        if "." in text:
            return None
        text = text.replace(",", ".")
    text = text.replace(MINUS, "-")
    if "D" in text or "d" in text:
        text = text.replace("D", "e").replace("d", "e")
    unquoted = text.replace('"', "") if '"' in text else text
    if not _PLAIN.fullmatch(unquoted):
        return None
    if dialect.separator is not None and text.rstrip(" ").endswith(dialect.separator):
        end = dialect.separator + " "
        text = "\n".join(line.rstrip(end) for line in text.split("\n"))
    return text


def parse_plain_row(text: str, dialect: Dialect) -> list[float] | None:
    """Return the numbers of a line that is a complete and plain row, else None."""
    if not _PLAIN_ROW.fullmatch(text):
        return None
    if dialect.decimal == ",":
        if "." in text:
            return None
        text = text.replace(",", ".")
    fields = text.split(dialect.separator)
    if len(fields) != dialect.width:
        return None
    try:
        return [float(word) for word in fields]
    except ValueError:
        return None


def parse_row(text: str, dialect: Dialect) -> list[float] | None:
    """Return the numbers of a line that is a complete row, NaN for missing ones; else None."""
    plain = parse_plain_row(text, dialect)
    if plain is not None or len(text) > ROW_LENGTH_LIMIT:
        return plain
    fields = split_fields(text, dialect.separator)
    if len(fields) != dialect.width:
        return None
    values = parse_fields(fields, dialect.decimal)
    numbers = [value for value in values if value is not None]
    return numbers if len(numbers) == len(values) else None
