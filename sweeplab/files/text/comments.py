"""The lines of a file that are no numbers, kept verbatim as far as there is room."""

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
    left_out : int
        How many more there are.
    """

    lines: list[str] = field(default_factory=list)
    left_out: int = 0

    @classmethod
    def of(cls, lines: Iterable[str]) -> Comments:
        """Return the lines that are not blank."""
        remarks = cls()
        remarks.add(lines)
        return remarks

    def add(self, lines: Iterable[str]) -> None:
        """Keep more lines, blank ones left out."""
        for line in lines:
            if not line or line.isspace():
                continue
            if len(self.lines) < COMMENT_LIMIT:
                self.lines.append(line)
            else:
                self.left_out += 1

    def findings(self) -> list[Finding]:
        """Return a note where not all are kept."""
        if not self.left_out:
            return []
        return [
            Finding(
                code="comments-cut",
                level="note",
                text=f"The first {len(self.lines)} lines of comments are kept, {self.left_out} "
                "are not.",
                evidence={"left_out": self.left_out},
                action="Nothing to do.",
            )
        ]
