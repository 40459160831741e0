"""When a sweep was taken, from a file's comments."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta, timezone

_ISO_DATE = re.compile(
    r"(?<!\d)(\d{4})[-/](\d{1,2})[-/](\d{1,2})[T ]+(\d{1,2}):(\d{2})(?::(\d{2})(?:[.,]\d+)?)?"
    r"(?!\d) ?(Z|UTC|GMT|[+-]\d{2}:?\d{2})?(?![\d:])",
    re.IGNORECASE,
)
# The format of C's asctime(): "Sun Feb 03 12:06:23 2013".
_ASCTIME_DATE = re.compile(
    r"\b(Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)[a-z]* +(\d{1,2}),? +"
    r"(\d{1,2}):(\d{2}):(\d{2}) +(\d{4})\b",
    re.IGNORECASE,
)
_MONTHS = ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"]


def find_time(comments: Iterable[str]) -> str | None:
    """Return the first date with a time in the comments.

    Parameters
    ----------
    comments : iterable of str

    Returns
    -------
    str or None
        ISO 8601 in UTC, such as ``'2026-05-03T10:12:00Z'``. A time without a zone is taken as
        UTC, so that the result does not depend on the machine.
    """
    for comment in comments:
        for moment in _dates_in(comment):
            return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    return None


def _dates_in(comment: str) -> Iterable[datetime]:
    if ":" not in comment:
        return
    for match in _ISO_DATE.finditer(comment):
        year, month, day, hour, minute = (int(part) for part in match.groups()[:5])
        moment = _utc_moment(year, month, day, hour, minute, int(match[6] or 0), match[7])
        if moment is not None:
            yield moment
    for match in _ASCTIME_DATE.finditer(comment):
        day, hour, minute, second, year = (int(part) for part in match.groups()[1:])
        month = _MONTHS.index(match[1].lower()) + 1
        moment = _utc_moment(year, month, day, hour, minute, second, None)
        if moment is not None:
            yield moment


def _utc_moment(
    year: int, month: int, day: int, hour: int, minute: int, second: int, zone: str | None
) -> datetime | None:
    """Return the moment in UTC, None if the digits are not a date."""
    offset = timedelta(0)
    if zone and zone[0] in "+-":
        digits = zone[1:].replace(":", "")
        offset = timedelta(hours=int(digits[:2]), minutes=int(digits[2:]))
        offset = -offset if zone[0] == "-" else offset
    try:
        moment = datetime(year, month, day, hour, minute, second, tzinfo=timezone(offset))
        return moment.astimezone(UTC)
    except (ValueError, OverflowError):
        return None
