"""Where a function of one variable is zero, inside a bracket."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from itertools import pairwise

from sweeplab.errors import ModelError

_MAX_ITERATIONS = 60

Point = tuple[float, float]


class ConvergenceError(ModelError):
    """A root inside a bracket that the iteration did not reach."""


def bracketed_root(
    function: Callable[[float], float], start: Point, stop: Point, tolerance: float
) -> float:
    """Return where a function is zero between two points at which its signs differ.

    Regula falsi, the value at an end that stays twice halved (the Illinois algorithm: M. Dowell &
    P. Jarratt, BIT 11, 168, 1971).

    Parameters
    ----------
    function : callable
        Continuous between the two points.
    start, stop : (float, float)
        The bracket, as ``(x, function(x))``.
    tolerance : float
        Largest absolute value of the function that counts as zero.

    Raises
    ------
    ConvergenceError
        Not within the tolerance after 60 iterations, or the function is not finite.
    """
    (a, at_a), (b, at_b) = start, stop
    low, high = min(a, b), max(a, b)
    if at_a * at_b > 0:
        raise ValueError("the function has the same sign at both ends of the bracket")
    for _ in range(_MAX_ITERATIONS):
        x = a if at_a == at_b else min(max(b - at_b * (b - a) / (at_b - at_a), low), high)
        at_x = function(x)
        if abs(at_x) < tolerance:
            return x
        if at_x * at_b < 0:
            a, at_a = b, at_b
        else:
            at_a /= 2
        b, at_b = x, at_x
    raise ConvergenceError(
        f"no convergence between {low:.6g} and {high:.6g}: still {at_b:.3g} off at {b:.6g}"
    )


def first_rising_root(
    function: Callable[[float], float], grid: Iterable[float], tolerance: float
) -> float | None:
    """Return where a function first rises through zero on an ascending grid.

    Parameters
    ----------
    function : callable
    grid : iterable of float
        Evaluated one after the other, only as far as needed.
    tolerance : float
        See `bracketed_root`.

    Returns
    -------
    float or None
        None where the function is positive at the first point, or negative at all of them.
    """
    points = ((x, function(x)) for x in grid)
    for start, stop in pairwise(points):
        if start[1] > 0:
            return None
        if stop[1] >= 0:
            return bracketed_root(function, start, stop, tolerance)
    return None
