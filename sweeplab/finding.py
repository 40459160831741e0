"""One thing the tool noticed, with its evidence and what to do about it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, TypeAlias

Level = Literal["note", "warning", "problem"]
# Of a sweep's figures: reliable, given with a warning, or not given.
Status = Literal["ok", "doubtful", "refused"]

# The type of a constant that decides a status, a verdict or a finding. Those, and no others, are
# written `NAME: Threshold = 0.15`, so that a script can find them; each has a test on either side
# of its value.
Threshold: TypeAlias = float
_RANK: dict[Level, int] = {"problem": 0, "warning": 1, "note": 2}


@dataclass(frozen=True)
class Finding:
    """One thing the program noticed about a sweep, a fit, a build or a log.

    Parameters
    ----------
    code : str
        Stable word for programs, such as ``span-too-narrow``.
    level : {'note', 'warning', 'problem'}
        How much it matters to the figures: a problem removes figures, a warning widens or
        shifts them, a note explains.
    text : str
        What was noticed, in a sentence.
    evidence : mapping of str to float or str
        The figures it is based on, SI units, unit in the key.
    action : str
        What to do about it.
    """

    code: str
    level: Level
    text: str
    evidence: Mapping[str, float | str] = field(default_factory=dict)
    action: str = ""

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Finding:
        """Return the finding that `to_json` wrote."""
        return cls(**data)

    def to_json(self) -> dict[str, Any]:
        """Return the finding under the keys of the JSON output."""
        return {
            "code": self.code,
            "level": self.level,
            "text": self.text,
            "evidence": dict(self.evidence),
            "action": self.action,
        }


def ranked(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return findings with problems first, in the order given within a level."""
    unranked = tuple(findings)
    # Most sweeps have none or one, and a batch has thousands of sweeps.
    if len(unranked) < 2:
        return unranked
    return tuple(sorted(unranked, key=lambda finding: _RANK[finding.level]))
