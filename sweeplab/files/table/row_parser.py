"""A table's lines as rows of numbers: many at once where they are plain, else one by one."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from sweeplab.files.table.dialect import Dialect, parse_fields, split_fields
from sweeplab.files.text.limits import ROW_LIMIT_CHARACTERS
from sweeplab.files.text.numbers import MINUS, Spelling
from sweeplab.sweep import FloatArray

# Of words of these, numpy takes what `parse_number` takes; digits of other scripts are none.
_PLAIN = re.compile(r"[0-9A-Za-z+\-.,; \t\n]*", re.ASCII)
_PLAIN_ROW = re.compile(r"[0-9eE+\-.,; \t]*", re.ASCII)


def plain_rows(piece: Sequence[str], layout: Dialect, spelling: Spelling) -> FloatArray | None:
    """Return the numbers of lines that are all whole rows, at numpy's speed; else None.

    Parameters
    ----------
    piece : sequence of str
        Some lines.
    layout : Layout
    spelling : Spelling
        Told what was met.

    Returns
    -------
    ndarray, shape (len(piece), layout.width), or None
    """
    text = "\n".join(piece)
    exact = _plain_text(text, layout)
    if exact is None:
        return None
    rows = exact.split("\n")
    if not rows[0].strip():
        return None
    try:
        values = np.loadtxt(rows, delimiter=layout.separator, comments=None, ndmin=2, quotechar='"')
    except ValueError:
        return None
    if values.shape != (len(piece), layout.width):
        return None
    spelling.look(text)
    return values


def _plain_text(text: str, layout: Dialect) -> str | None:
    """Return a text with every usual way of writing numbers turned to the plainest."""
    if layout.decimal == ",":
        if "." in text:
            return None
        text = text.replace(",", ".")
    text = text.replace(MINUS, "-")
    if "D" in text or "d" in text:
        text = text.replace("D", "e").replace("d", "e")
    bare = text.replace('"', "") if '"' in text else text
    if not _PLAIN.fullmatch(bare):
        return None
    if layout.separator is not None and text.rstrip(" ").endswith(layout.separator):
        end = layout.separator + " "
        text = "\n".join(line.rstrip(end) for line in text.split("\n"))
    return text


def plain_row(text: str, layout: Dialect) -> list[float] | None:
    """Return the numbers of one line that is a whole and plain row, else None."""
    if not _PLAIN_ROW.fullmatch(text):
        return None
    if layout.decimal == ",":
        if "." in text:
            return None
        text = text.replace(",", ".")
    fields = text.split(layout.separator)
    if len(fields) != layout.width:
        return None
    try:
        return [float(word) for word in fields]
    except ValueError:
        return None


def row_of(text: str, layout: Dialect) -> list[float] | None:
    """Return the numbers of a line that is a whole row, NaN for missing ones; else None."""
    plain = plain_row(text, layout)
    if plain is not None or len(text) > ROW_LIMIT_CHARACTERS:
        return plain
    fields = split_fields(text, layout.separator)
    if len(fields) != layout.width:
        return None
    values = parse_fields(fields, layout.decimal)
    numbers = [value for value in values if value is not None]
    return numbers if len(numbers) == len(values) else None
