"""Several sweeps in one table: never averaged, never the first in silence, each by its number."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sweep_writing import codes, read_text, table_text

from sweeplab.errors import ReadError
from sweeplab.files import read_each, read_sweep, read_sweeps, sweep_from_bytes, sweep_paths
from sweeplab.files.table.multi_sweep import find_restarts

F_MHZ = [7.0, 7.1, 7.2, 7.3]
FIRST, SECOND = [0.5, 0.4, 0.3, 0.2], [-0.5, -0.4, -0.3, -0.2]
HEADER = "MHz,S11 re,S11 im"
ROWS = [table_text("", [F_MHZ, re, [0.1] * 4]).strip() for re in (FIRST, SECOND)]
FORMS = {
    "blank line": f"{HEADER}\n{ROWS[0]}\n\n{ROWS[1]}\n",
    "nothing between": f"{HEADER}\n{ROWS[0]}\n{ROWS[1]}\n",
    "comment": f"{HEADER}\n{ROWS[0]}\n# run 2\n{ROWS[1]}\n",
    "remark": f"{HEADER}\n{ROWS[0]}\nrun 2\n{ROWS[1]}\n",
    "header again": f"made up\n{HEADER}\n{ROWS[0]}\n\n{HEADER}\n{ROWS[1]}\n",
    "begin and end": f"BEGIN\n{HEADER}\n{ROWS[0]}\nEND\n\nBEGIN\n{HEADER}\n{ROWS[1]}\nEND\n",
    "old line ends": f"{HEADER}\r\n{ROWS[0]}\r\n{ROWS[1]}\r\n".replace("\n\r\n", "\r\n"),
}


@pytest.mark.parametrize("text", FORMS.values(), ids=FORMS)
class TestTwo:
    def test_one_column_is_not_enough(self, text: str) -> None:
        with pytest.raises(ReadError, match=r"2 sweeps in it, from lines \d+, \d+; name one, such"):
            read_text(text, "a.csv")

    def test_each_is_read_by_its_number(self, text: str, tmp_path: Path) -> None:
        path = tmp_path / "a.csv"
        path.write_text(text, newline="")
        for number, re in ((1, FIRST), (2, SECOND)):
            sweep = read_sweep(f"{path}#{number}")
            np.testing.assert_array_equal(sweep.gamma.real, re)
            assert sweep.origin.file == f"{path}#{number}"

    def test_all_are_read_together(self, text: str, tmp_path: Path) -> None:
        path = tmp_path / "a.csv"
        path.write_text(text, newline="")
        sweeps = read_sweeps([path])
        assert [sweep.origin.file for sweep in sweeps] == [f"{path}#1", f"{path}#2"]
        assert [sweep.gamma.real.tolist() for sweep in sweeps] == [FIRST, SECOND]

    def test_the_bytes_of_each_read_again_give_it_again(self, text: str, tmp_path: Path) -> None:
        path = tmp_path / "a.csv"
        path.write_text(text, newline="")
        answers = list(read_each(sweep_paths([path])))
        assert len({answer.raw for answer in answers}) == 2
        for answer in answers:
            assert answer.sweep is not None
            again = sweep_from_bytes(answer.raw, answer.name)
            np.testing.assert_array_equal(again.gamma, answer.sweep.gamma)
            assert again.origin.sha256 == answer.sweep.origin.sha256


class TestOne:
    def test_two_separate_bands_are_one_sweep_with_a_gap(self) -> None:
        text = table_text(HEADER, [[14.0, 14.1, 14.2, 7.0, 7.1, 7.2], [0.5] * 6, [0.1] * 6])
        assert codes(read_text(text, "a.csv")) == ["reference-assumed", "frequencies-sorted"]

    def test_up_and_down_again_is_one_sweep(self) -> None:
        text = table_text(HEADER, [[7.0, 7.1, 7.2, 7.1, 7.0], [0.5] * 5, [0.1] * 5])
        assert "frequencies-repeated" in codes(read_text(text, "a.csv"))

    def test_each_point_twice_is_one_sweep(self) -> None:
        text = table_text(HEADER, [[7.0, 7.0, 7.1, 7.1, 7.2, 7.2], [0.5] * 6, [0.1] * 6])
        assert len(read_text(text, "a.csv")) == 3

    def test_a_number_of_a_single_sweep_is_refused(self, tmp_path: Path) -> None:
        path = tmp_path / "a.csv"
        path.write_text(f"{HEADER}\n{ROWS[0]}\n")
        with pytest.raises(ReadError, match="no sweep 1 in a file of 1; check the number"):
            read_sweep(f"{path}#1")

    def test_a_file_may_be_named_with_a_number(self, tmp_path: Path) -> None:
        path = tmp_path / "loop#2"
        path.write_text(f"{HEADER}\n{ROWS[0]}\n")
        assert read_sweep(path).gamma.real.tolist() == FIRST


def test_a_number_beyond_the_last_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text(FORMS["blank line"])
    with pytest.raises(ReadError) as caught:
        read_sweep(f"{path}#3")
    assert str(caught.value) == f"{path}#3: no sweep 3 in a file of 2; check the number"


def test_a_fault_in_one_stops_no_other_and_names_the_line_of_the_file(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    # A transmission row would be another width; here a size beyond any reflection.
    wild = "\n".join(f"{f},-1e3,{k}" for k, f in enumerate(F_MHZ))
    header = HEADER.replace("S11 ", "")
    path.write_text(f"{header}\n{ROWS[0]}\nagain\n{wild}\nagain\n{ROWS[1]}\n")
    first, second, third = read_each(sweep_paths([path]))
    assert first.sweep is not None
    assert third.sweep is not None
    assert third.sweep.gamma.real.tolist() == SECOND
    assert second.sweep is None
    assert str(second.error).startswith(f"{path}#2: 're' is no part of a reflection")


def test_over_a_thousand_are_refused() -> None:
    text = f"{HEADER}\n" + f"{ROWS[0]}\nagain\n" * 1001
    with pytest.raises(ReadError, match="over 1000 sweeps in it; split the file"):
        read_text(text, "a.csv")


@given(
    st.lists(st.floats(1, 9), min_size=3, max_size=6, unique=True).map(sorted),
    st.integers(1, 5),
    st.booleans(),
)
def test_as_many_as_the_axis_is_passed_over(f: list[float], times: int, falling: bool) -> None:
    axis = np.array((f[::-1] if falling else f) * times)
    assert find_restarts(axis) == [len(f) * k for k in range(1, times)]


@pytest.mark.parametrize("word", ["inf", "-inf", "nan"])
def test_frequencies_that_are_none_begin_no_sweep(word: str) -> None:
    f = np.array([float(word)] * 4 + [8.0, 7.0] + [float(word)] * 4)
    assert find_restarts(f) == []
