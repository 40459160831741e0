"""Limits of a file's size, in bytes, lines and characters per line."""

from __future__ import annotations

from sweeplab.errors import ReadError
from sweeplab.finding import Threshold

SIZE_LIMIT_BYTES: Threshold = 256_000_000
# A million points and one with a preamble; no analyzer sweeps over more.
LINE_COUNT_LIMIT: Threshold = 1_200_000
# One frequency of a 64-port network fits on a line.
LINE_LENGTH_LIMIT: Threshold = 200_000
# Of a table's row, an option line or a keyword.
ROW_LENGTH_LIMIT: Threshold = 20_000
# Lines of comments kept verbatim.
COMMENT_LIMIT: Threshold = 10_000
# Rows repaired one by one, which takes ten times as long as parsing plain rows.
REPAIRED_ROW_LIMIT: Threshold = 200_000
_MEGABYTE = 1_000_000


def file_too_large(name: str, size: int | None) -> ReadError:
    """Return the error for a file larger than the limit; size None if not known."""
    holds = "more than" if size is None else f"{size / _MEGABYTE:.0f} MB, over"
    return ReadError(
        name,
        f"holds {holds} the limit of {SIZE_LIMIT_BYTES // _MEGABYTE} MB",
        "save one sweep a file",
    )


def too_many_lines(name: str, count: int) -> ReadError:
    """Return the error for a file of more lines than the limit."""
    return ReadError(
        name,
        f"holds {count} lines, over the limit of {LINE_COUNT_LIMIT}",
        "save one sweep a file, with fewer points",
    )


def line_too_long(name: str, line: int, length: int) -> ReadError:
    """Return the error for a line of more characters than the limit."""
    return ReadError(
        name,
        f"a line of {length} characters, over the limit of {LINE_LENGTH_LIMIT}",
        "save the sweep with one row a line",
        line,
    )


def too_many_repaired_rows(name: str, line: int) -> ReadError:
    """Return the error for a file with more rows to repair than the limit."""
    return ReadError(
        name,
        f"over {REPAIRED_ROW_LIMIT} rows spelled in a way that must be mended, until here",
        "save the sweep again as plain numbers",
        line,
    )
