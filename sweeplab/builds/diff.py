"""The difference of two builds."""

from __future__ import annotations

from dataclasses import dataclass

from sweeplab.builds.build import Build


@dataclass(frozen=True)
class Change:
    """One key that differs between two builds.

    Parameters
    ----------
    key : str
        Dotted key, such as 'feed.circumference'.
    before, after : str or None
        Plain text of the value; None where it is not given.
    """

    key: str
    before: str | None
    after: str | None

    def to_json(self) -> dict[str, str | None]:
        """Return the change as the JSON contract of ``compare`` has it."""
        return {"key": self.key, "before": self.before, "after": self.after}


def difference(before: Build, after: Build) -> list[Change]:
    """Return what differs between two builds, by key; names, notes and notation do not count."""
    old, new = before.describe(), after.describe()
    return [
        Change(key, old.get(key), new.get(key))
        for key in sorted(old.keys() | new.keys())
        if old.get(key) != new.get(key)
    ]
