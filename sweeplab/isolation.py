"""Errors kept to the sweep that raises them: an unforeseen exception becomes a refusal.

Every computation on sweeps, alone or in a batch, runs through `isolated`. A sweep that raises, be
it a singular matrix or a fault of the program, is found by bisection, refused with a finding, and
taken out of its batch; the others get the figures that they have without it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from pathlib import PurePath
from typing import TypeVar

import numpy as np

from sweeplab.errors import one_line
from sweeplab.finding import Finding
from sweeplab.sweep import Sweep
from sweeplab.version import __version__

UNFORESEEN = "unforeseen"

_Item = TypeVar("_Item")
_Result = TypeVar("_Result")


def isolated(
    items: Sequence[_Item],
    compute: Callable[[Sequence[_Item]], Sequence[_Result]],
    refused: Callable[[_Item, Exception], _Result],
) -> list[_Result]:
    """Compute on a batch; an item that raises affects no other.

    Parameters
    ----------
    items : sequence
    compute : callable
        Takes any subset of the items, in order, and returns one result each.
    refused : callable
        Returns the result of an item whose computation raised, given the item and the error.

    Returns
    -------
    list
        One result an item, in the order given. Lack of memory and an interrupt pass through.
    """
    results = _bisected(items, compute)
    raised = [isinstance(result, _Raised) for result in results]
    if any(raised) and not all(raised):
        # Once more as one batch without them, so that no figure depends on where it was divided.
        good = [item for item, bad in zip(items, raised, strict=True) if not bad]
        again = iter(_bisected(good, compute))
        results = [
            result if bad else next(again) for result, bad in zip(results, raised, strict=True)
        ]
    return [
        refused(item, result.error) if isinstance(result, _Raised) else result
        for item, result in zip(items, results, strict=True)
    ]


class _Raised:
    """In place of the result of an item whose computation raised."""

    def __init__(self, error: Exception) -> None:
        self.error = error


def _bisected(
    items: Sequence[_Item], compute: Callable[[Sequence[_Item]], Sequence[_Result]]
) -> list[_Result | _Raised]:
    """Compute on all items; where that raises on each half, down to single items."""
    try:
        # On absurd data numbers overflow; what is not finite then is refused for that.
        with np.errstate(all="ignore"):
            return list(compute(items))
    except MemoryError:
        raise
    except Exception as error:
        if len(items) <= 1:
            return [_Raised(error) for _ in items]
    middle = len(items) // 2
    return [*_bisected(items[:middle], compute), *_bisected(items[middle:], compute)]


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
