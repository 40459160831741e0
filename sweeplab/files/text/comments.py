"""A file's comments, kept verbatim up to a limit."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from sweeplab.files.text.limits import COMMENT_LIMIT
from sweeplab.finding import Finding


@dataclass
class Comments:
    """Comments of a file, the first ten thousand of them.

    Parameters
    ----------
    lines : list of str
    omitted : int
        Number of further comments.
    """

    lines: list[str] = field(default_factory=list)
    omitted: int = 0

    @classmethod
    def from_lines(cls, lines: Iterable[str]) -> Comments:
        """Return the lines that are not blank."""
        comments = cls()
        comments.add(lines)
        return comments

    def add(self, lines: Iterable[str]) -> None:
        """Add lines, except blank ones."""
        for line in lines:
            if not line or line.isspace():
                continue
            if len(self.lines) < COMMENT_LIMIT:
                self.lines.append(line)
            else:
                self.omitted += 1

    def findings(self) -> list[Finding]:
        """Return a note if not all comments are kept."""
        if not self.omitted:
            return []
        return [
            Finding(
                code="comments-cut",
                level="note",
                text=f"The first {len(self.lines)} lines of comments are kept, {self.omitted} "
                "are not.",
                evidence={"left_out": self.omitted},
                action="Nothing to do.",
            )
        ]
