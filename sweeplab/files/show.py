"""A piece of a file, fit to stand in a message of one line."""

from __future__ import annotations

_LONGEST = 40


def show(text: str) -> str:
    """Return a text in single quotes, cut to 40 characters, odd characters as escapes.

    Parameters
    ----------
    text : str
        What stands in a file, or what a person said.
    """
    short = text if len(text) <= _LONGEST else text[: _LONGEST - 3] + "..."
    if short.isprintable():
        return f"'{short}'"
    return f"'{short.encode('unicode_escape').decode('ascii')}'"
