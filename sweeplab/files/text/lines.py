"""A text's lines, sliced from it on access instead of stored as strings."""

from __future__ import annotations

import re
from array import array
from collections.abc import Callable, Iterator, Sequence
from io import StringIO
from typing import overload

# Few enough that a chunk's strings take negligible memory.
_CHUNK_LINES = 512
_LINE_END = re.compile("\n")


class Lines(Sequence[str]):
    """Lines of a text.

    A string object for every line would take ten times the memory of a short line; this takes four
    bytes a line in addition to the text. Slices share the text and are not lists.

    Parameters
    ----------
    text : str
        Lines end with ``\\n``; the last may be without.
    """

    __slots__ = ("_ends", "_first", "_stop", "_text")

    def __init__(self, text: str) -> None:
        ends = array("I", (match.start() for match in _LINE_END.finditer(text)))
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
        selected = range(self._first, self._stop)[index]
        if isinstance(selected, range):
            if selected.step != 1:
                raise ValueError("lines are sliced one after another")
            lines = Lines.__new__(Lines)
            lines._text, lines._ends = self._text, self._ends
            lines._first, lines._stop = selected.start, max(selected.start, selected.stop)
            return lines
        return self._text[self._start_of(selected) : self._ends[selected]]

    def __iter__(self) -> Iterator[str]:
        for _, chunk in self.chunks():
            yield from chunk

    def chunks(self) -> Iterator[tuple[int, list[str]]]:
        """Yield the lines in chunks, each after the index of its first line."""
        for first in range(0, len(self), _CHUNK_LINES):
            yield first, self.between(first, min(first + _CHUNK_LINES, len(self)))

    def between(self, first: int, stop: int) -> list[str]:
        """Return the lines in ``range(first, stop)`` as a list; at least one."""
        first, stop = self._first + first, self._first + stop
        return self._text[self._start_of(first) : self._ends[stop - 1]].split("\n")

    def map_lines(self, function: Callable[[str], str]) -> Lines:
        """Return the lines with a function applied, which must not add line ends."""
        text = StringIO()
        for line in self:
            text.write(function(line))
            text.write("\n")
        return Lines(text.getvalue())

    def _start_of(self, index: int) -> int:
        return self._ends[index - 1] + 1 if index else 0
