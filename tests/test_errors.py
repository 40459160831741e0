"""Errors are one line, one tree, and survive the way out of a worker process."""

from __future__ import annotations

import inspect
import pickle

import pytest

from sweeplab import (
    BuildError,
    LogError,
    ModelError,
    OutputError,
    QuantityError,
    ReadError,
    SweepError,
    SweeplabError,
    errors,
)

RAISED: list[SweeplabError] = [
    ReadError("a.s1p", "no option line", "add '# Hz S RI R 50'", line=3),
    ReadError(path="a.s1p", found="nothing", action="save it again"),
    BuildError("loop.circumference", "'3.2'", "write a unit", path="b.toml", line=4),
    BuildError(key="", found="no loop", action="describe it"),
    SweepError("no frequencies"),
    QuantityError("'3 parsecs' is no length"),
    ModelError("too large"),
    LogError("newer than this program"),
    OutputError("out.html", "is a folder", "name a file in it"),
]


class TestTheTree:
    def test_every_error_descends_from_one_root(self) -> None:
        kinds = [kind for _, kind in inspect.getmembers(errors, inspect.isclass)]
        raised = [kind for kind in kinds if issubclass(kind, Exception)]
        assert len(raised) == 8
        assert all(issubclass(kind, SweeplabError) for kind in raised)

    def test_the_tree_drawn_in_the_docstring_is_whole(self) -> None:
        assert errors.__doc__ is not None
        for name, kind in inspect.getmembers(errors, inspect.isclass):
            if issubclass(kind, Exception):
                assert name in errors.__doc__

    @pytest.mark.parametrize("error", RAISED, ids=lambda error: type(error).__name__)
    def test_can_be_caught_by_the_root(self, error: SweeplabError) -> None:
        with pytest.raises(SweeplabError) as caught:
            raise error
        assert caught.value is error


class TestWhatIsPrinted:
    @pytest.mark.parametrize("error", RAISED, ids=lambda error: type(error).__name__)
    def test_is_one_line(self, error: SweeplabError) -> None:
        assert str(error)
        assert "\n" not in str(error)

    def test_names_file_line_finding_and_action(self) -> None:
        assert str(RAISED[0]) == "a.s1p:3: no option line; add '# Hz S RI R 50'"
        assert str(RAISED[1]) == "a.s1p: nothing; save it again"
        assert str(RAISED[2]) == "b.toml:4: loop.circumference: '3.2'; write a unit"
        assert str(RAISED[3]) == "no loop; describe it"


class TestWorkerProcesses:
    @pytest.mark.parametrize(
        "error",
        RAISED,
        ids=lambda error: type(error).__name__,
    )
    def test_an_error_comes_back_as_it_was(self, error: SweeplabError) -> None:
        # concurrent.futures carries exceptions between processes by pickle.
        back = pickle.loads(pickle.dumps(error))
        assert type(back) is type(error)
        assert str(back) == str(error)
