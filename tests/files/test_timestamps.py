"""When a sweep was taken, by its comments: ISO 8601 (2004) and C's asctime (ISO 9899)."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sweeplab.files.text.timestamps import find_time


@pytest.mark.parametrize(
    ("comment", "taken"),
    [
        ("! 2026-05-03T10:12:00Z", "2026-05-03T10:12:00Z"),
        ("! 2026-05-03 10:12:00", "2026-05-03T10:12:00Z"),
        ("! Date: 2026-05-03 10:12", "2026-05-03T10:12:00Z"),
        ("!2026/5/3 9:12:30.250", "2026-05-03T09:12:30Z"),
        ("! 2026-05-03T10:12:00+02:00", "2026-05-03T08:12:00Z"),
        ("! 2026-05-03T23:12:00 -0330", "2026-05-04T02:42:00Z"),
        ("% TIME: Sun May 03 10:12:00 2026", "2026-05-03T10:12:00Z"),
        ("! Created Sun May  3 10:12:00 2026", "2026-05-03T10:12:00Z"),
        ("! 2026-13-45 10:12:00", None),
        ("! 2026-05-03 25:12:00", None),
        ("! 2026-05-03T10:12:00+99:99", None),
        ("! 0001-01-01T00:00:00+23:59", None),
        ("! 2026-05-03", None),
        ("! 10:12:00", None),
        ("! serial 12026-05-03 10:12:00", None),
        ("! Sun Foo 03 10:12:00 2026", None),
    ],
)
def test_a_date_with_a_time(comment: str, taken: str | None) -> None:
    assert find_time(["! made up", comment, "! 1999-01-01 00:00:00"][:2]) == taken


def test_the_first_that_is_a_date_counts() -> None:
    comments = ["! 2026-13-45 10:12:00", "! 2026-05-03 10:12:00", "! 2027-05-03 10:12:00"]
    assert find_time(comments) == "2026-05-03T10:12:00Z"


@given(
    st.datetimes(datetime(1000, 1, 2), datetime(9999, 12, 30)),
    st.integers(-14 * 60, 14 * 60),
)
def test_any_iso_time_in_any_zone(moment: datetime, minutes: int) -> None:
    there = moment.replace(microsecond=0, tzinfo=timezone(timedelta(minutes=minutes)))
    expected = there.astimezone(UTC).isoformat().replace("+00:00", "Z")
    assert find_time([there.isoformat()]) == expected
