"""One change to a module: where, the text before and the text after."""

from __future__ import annotations

import ast
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Change:
    """A module with one place changed.

    Parameters
    ----------
    module : Path
        Relative to the repository.
    line : int
    name : str
        What is changed, for reports and lists.
    before, after : str
        The text of that place.
    source : str
        The whole module as changed.
    """

    module: Path
    line: int
    name: str
    before: str
    after: str
    source: str

    def __str__(self) -> str:
        before, after = (" ".join(text.split()) for text in (self.before, self.after))
        return f"{self.module}:{self.line}: {self.name}: {before}  ->  {after}"


class Source:
    """A module's text, by the positions that `ast` gives (columns in bytes)."""

    def __init__(self, module: Path, text: str) -> None:
        self.module = module
        self.tree = ast.parse(text)
        self._bytes = text.encode()
        starts = [0]
        for line in self._bytes.splitlines(keepends=True):
            starts.append(starts[-1] + len(line))
        self._starts = starts

    def span(self, node: ast.expr | ast.stmt) -> tuple[int, int]:
        """Return where a node begins and ends [bytes]."""
        assert node.end_lineno is not None
        assert node.end_col_offset is not None
        return (
            self._starts[node.lineno - 1] + node.col_offset,
            self._starts[node.end_lineno - 1] + node.end_col_offset,
        )

    def text(self, begin: int, end: int) -> str:
        """Return the text there."""
        return self._bytes[begin:end].decode()

    def change(self, name: str, begin: int, end: int, after: str) -> Change:
        """Return the module with `after` in place of the text from `begin` to `end`."""
        changed = self._bytes[:begin] + after.encode() + self._bytes[end:]
        line = self._bytes.count(b"\n", 0, begin) + 1
        before = self.text(begin, end)
        return Change(self.module, line, name, before, after, changed.decode())

    def instead(self, name: str, node: ast.expr | ast.stmt, after: str) -> Change:
        """Return the module with `after` in the place of a node."""
        return self.change(name, *self.span(node), after)
