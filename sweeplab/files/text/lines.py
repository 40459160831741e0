"""A text's lines without a string for each: cut out as they are asked for."""

from __future__ import annotations

import re
from array import array
from collections.abc import Callable, Iterator, Sequence
from io import StringIO
from typing import overload

# Few enough that a piece's strings weigh nothing beside a file of any size.
_PIECE = 512
_END = re.compile("\n")


class Lines(Sequence[str]):
    """Lines of a text.

    A string of its own for every line would take ten times the room of short ones; this takes four
    bytes a line beside the text. Slices share the text and are no lists.

    Parameters
    ----------
    text : str
        Lines end with ``\\n``; the last may be without.
    """

    __slots__ = ("_ends", "_first", "_stop", "_text")

    def __init__(self, text: str) -> None:
        ends = array("I", (match.start() for match in _END.finditer(text)))
        if not text.endswith("\n"):
            ends.append(len(text))
        self._text, self._ends, self._first, self._stop = text, ends, 0, len(ends)

    def __len__(self) -> int:
        return self._stop - self._first

    @overload
    def __getitem__(self, index: int) -> str: ...
    @overload
    def __getitem__(self, index: slice) -> Lines: ...
    def __getitem__(self, index: int | slice) -> str | Lines:
        places = range(self._first, self._stop)[index]
        if isinstance(places, range):
            if places.step != 1:
                raise ValueError("lines are sliced one after another")
            part = Lines.__new__(Lines)
            part._text, part._ends = self._text, self._ends
            part._first, part._stop = places.start, max(places.start, places.stop)
            return part
        return self._text[self._begin(places) : self._ends[places]]

    def __iter__(self) -> Iterator[str]:
        for _, piece in self.pieces():
            yield from piece

    def pieces(self) -> Iterator[tuple[int, list[str]]]:
        """Yield some lines at a time, after the index of their first."""
        for first in range(0, len(self), _PIECE):
            yield first, self.between(first, min(first + _PIECE, len(self)))

    def between(self, first: int, stop: int) -> list[str]:
        """Return the lines from one index to before another, at least one."""
        first, stop = self._first + first, self._first + stop
        return self._text[self._begin(first) : self._ends[stop - 1]].split("\n")

    def mapped(self, change: Callable[[str], str]) -> Lines:
        """Return each line changed; none may gain a line end."""
        text = StringIO()
        for line in self:
            text.write(change(line))
            text.write("\n")
        return Lines(text.getvalue())

    def _begin(self, place: int) -> int:
        return self._ends[place - 1] + 1 if place else 0
