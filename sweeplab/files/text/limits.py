"""How large a file may be, in bytes, lines and characters a line."""

from __future__ import annotations

from sweeplab.errors import ReadError
from sweeplab.finding import Threshold

SIZE_LIMIT_BYTES: Threshold = 256_000_000
# A million points and one with a preamble; no analyzer sweeps over more.
LINE_LIMIT: Threshold = 1_200_000
# A frequency of a network of 64 ports fits on one.
LINE_LIMIT_CHARACTERS: Threshold = 200_000
# A table's row, an option line, a keyword are never as long as this.
ROW_LIMIT_CHARACTERS: Threshold = 20_000
# So many lines of comments are kept verbatim.
COMMENT_LIMIT: Threshold = 10_000
# So many rows are mended one by one, which takes some ten times as long as reading plain ones.
MENDED_LIMIT: Threshold = 200_000
_MEGABYTE = 1_000_000


def too_large(name: str, size: int | None) -> ReadError:
    """Return the refusal of a file that is larger than the limit; size None where not known."""
    holds = "more than" if size is None else f"{size / _MEGABYTE:.0f} MB, over"
    return ReadError(
        name,
        f"holds {holds} the limit of {SIZE_LIMIT_BYTES // _MEGABYTE} MB",
        "save one sweep a file",
    )


def too_many_lines(name: str, count: int) -> ReadError:
    """Return the refusal of a file of more lines than the limit."""
    return ReadError(
        name,
        f"holds {count} lines, over the limit of {LINE_LIMIT}",
        "save one sweep a file, with fewer points",
    )


def too_long_line(name: str, line: int, length: int) -> ReadError:
    """Return the refusal of a line of more characters than the limit."""
    return ReadError(
        name,
        f"a line of {length} characters, over the limit of {LINE_LIMIT_CHARACTERS}",
        "save the sweep with one row a line",
        line,
    )


def too_many_mended(name: str, line: int) -> ReadError:
    """Return the refusal of a file of which more rows than the limit must be mended."""
    return ReadError(
        name,
        f"over {MENDED_LIMIT} rows spelled in a way that must be mended, until here",
        "save the sweep again as plain numbers",
        line,
    )
