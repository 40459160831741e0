"""One sweep's accident stays its own: what nobody foresaw becomes a refusal.

Every computation on a sweep goes through here, alone or in a batch. What raises all the same, from
a singular matrix to a mistake of ours, is found, refused with a finding, and left out of its
batch; the others get the figures that they would have had without it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from pathlib import PurePath
from typing import TypeVar

from sweeplab.errors import one_line
from sweeplab.finding import Finding
from sweeplab.sweep import Sweep
from sweeplab.version import __version__

UNFORESEEN = "unforeseen"

_Given = TypeVar("_Given")
_Answer = TypeVar("_Answer")


def isolated(
    given: Sequence[_Given],
    together: Callable[[Sequence[_Given]], Sequence[_Answer]],
    refused: Callable[[_Given, Exception], _Answer],
) -> list[_Answer]:
    """Work on many pieces at once; one that raises takes none of the others with it.

    Parameters
    ----------
    given : sequence
    together : callable
        Does the work on any choice of the pieces, one answer each, in order.
    refused : callable
        What to answer for a piece whose work raised, given the piece and the error.

    Returns
    -------
    list
        One answer a piece, in the order given. Lack of memory and an interrupt pass through.
    """
    halves = _halved(given, together)
    raised = [isinstance(answer, _Raised) for answer in halves]
    if any(raised) and not all(raised):
        # Once more without them, so that no figure depends on a neighbour that failed.
        good = [piece for piece, bad in zip(given, raised, strict=True) if not bad]
        again = iter(_halved(good, together))
        halves = [
            answer if bad else next(again) for answer, bad in zip(halves, raised, strict=True)
        ]
    return [
        refused(piece, answer.error) if isinstance(answer, _Raised) else answer
        for piece, answer in zip(given, halves, strict=True)
    ]


class _Raised:
    """What stands in an answer's place where the work on one piece alone raised."""

    def __init__(self, error: Exception) -> None:
        self.error = error


def _halved(
    given: Sequence[_Given], together: Callable[[Sequence[_Given]], Sequence[_Answer]]
) -> list[_Answer | _Raised]:
    """Work on all at once; where that raises on each half, down to single pieces."""
    try:
        return list(together(given))
    except MemoryError:
        raise
    except Exception as error:
        if len(given) <= 1:
            return [_Raised(error) for _ in given]
    middle = len(given) // 2
    return [*_halved(given[:middle], together), *_halved(given[middle:], together)]


def unforeseen_finding(sweep: Sweep, error: Exception) -> Finding:
    """Return the finding for a sweep on which a computation raised."""
    # A folder's name may be private, and findings are shared.
    name = one_line(PurePath(sweep.origin.file).name) or f"a sweep of {len(sweep)} points"
    return Finding(
        code=UNFORESEEN,
        level="problem",
        text=f"A computation broke off on {name}, which it never should: a fault of the program, "
        "not of the measurement.",
        evidence={"error": type(error).__name__, "version": __version__},
        action="Keep the file, and send it with the version to those who maintain the program.",
    )


def find_unforeseen(findings: Iterable[Finding]) -> Finding | None:
    """Return the finding of an unforeseen error among others, or None."""
    return next((finding for finding in findings if finding.code == UNFORESEEN), None)
