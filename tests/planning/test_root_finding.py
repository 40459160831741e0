"""Roots of known functions, and functions whose root is not reached."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from sweeplab.errors import SweeplabError
from sweeplab.planning.root_finding import (
    ConvergenceError,
    bracketed_root,
    first_rising_root,
)


class TestBracketedRoot:
    @pytest.mark.parametrize(
        ("function", "bracket", "root"),
        [
            (lambda x: x - 0.3, (0.0, 1.0), 0.3),
            (lambda x: 0.3 - x, (0.0, 1.0), 0.3),
            (lambda x: x**9 - 1e-3, (0.0, 2.0), 1e-3 ** (1 / 9)),
            (lambda x: math.exp(x) - 2, (-30.0, 30.0), math.log(2)),
            (lambda x: math.cos(x) - x, (0.0, 1.0), 0.7390851332151607),
            (lambda x: math.atan(50 * (x - 0.2)), (-1.0, 1.0), 0.2),
        ],
    )
    def test_is_found(
        self, function: Callable[[float], float], bracket: tuple[float, float], root: float
    ) -> None:
        start, stop = ((x, function(x)) for x in bracket)
        assert bracketed_root(function, start, stop, 1e-12) == pytest.approx(root, rel=1e-9)
        assert bracketed_root(function, stop, start, 1e-12) == pytest.approx(root, rel=1e-9)

    @pytest.mark.parametrize("zero", [0.0, 1.0])
    def test_at_an_end_of_the_bracket_is_that_end(self, zero: float) -> None:
        def function(x: float) -> float:
            return x - zero

        assert bracketed_root(function, (0.0, -zero), (1.0, 1.0 - zero), 1e-9) == zero

    def test_of_a_convex_function_takes_few_evaluations(self) -> None:
        # Plain regula falsi keeps one end and takes over a hundred.
        calls = []

        def function(x: float) -> float:
            calls.append(x)
            return x**9 - 1e-3

        bracketed_root(function, (0.0, -1e-3), (1.0, 0.999), 1e-9)
        assert len(calls) < 25

    def test_a_jump_over_zero_is_no_root(self) -> None:
        with pytest.raises(ConvergenceError, match="no convergence between 0 and 1") as caught:
            bracketed_root(lambda x: math.copysign(1.0, x - 0.4), (0.0, -1.0), (1.0, 1.0), 1e-6)
        assert isinstance(caught.value, SweeplabError)

    def test_a_function_that_is_not_a_number_does_not_converge(self) -> None:
        with pytest.raises(ConvergenceError):
            bracketed_root(lambda x: math.nan, (0.0, -1.0), (1.0, 1.0), 1e-6)

    def test_no_change_of_sign_is_refused(self) -> None:
        with pytest.raises(ValueError, match="same sign"):
            bracketed_root(lambda x: x, (1.0, 1.0), (2.0, 2.0), 1e-6)


class TestFirstRisingRoot:
    def test_is_the_first_of_two(self) -> None:
        # Rises at pi/6, falls at 5 pi/6.
        found = first_rising_root(lambda x: math.sin(x) - 0.5, (0.0, 1.0, 2.0, 3.0), 1e-12)
        assert found == pytest.approx(math.pi / 6)

    def test_evaluates_the_grid_only_as_far_as_the_root(self) -> None:
        calls: list[float] = []

        def function(x: float) -> float:
            calls.append(x)
            return x - 0.5

        first_rising_root(function, (0.0, 1.0, 2.0, 3.0), 1e-12)
        assert max(calls) == 1.0

    @pytest.mark.parametrize("level", [-1.0, 4.0])
    def test_none_where_it_is_above_zero_from_the_start_or_never(self, level: float) -> None:
        assert first_rising_root(lambda x: x - level, (0.0, 1.0, 2.0, 3.0), 1e-12) is None
