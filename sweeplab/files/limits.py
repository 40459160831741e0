"""How large a file may be."""

from __future__ import annotations

from sweeplab.errors import ReadError

SIZE_LIMIT_BYTES = 256_000_000
_MEGABYTE = 1_000_000


def too_large(name: str, size: int) -> ReadError:
    """Return the refusal of a file that is larger than the limit."""
    return ReadError(
        name,
        f"holds {size / _MEGABYTE:.0f} MB, over the limit of {SIZE_LIMIT_BYTES // _MEGABYTE} MB",
        "save one sweep a file",
    )
