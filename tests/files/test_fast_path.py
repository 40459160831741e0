"""The fast path gives what the full reader gives, or declines."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sweep_writing import Case, cases

from sweeplab.errors import ReadError
from sweeplab.files.text.decode import RawFile, decode
from sweeplab.files.text.normalize import make_sweep
from sweeplab.files.text.reader_protocol import ReadOptions
from sweeplab.files.touchstone import fast_path
from sweeplab.files.touchstone import reader as touchstone
from sweeplab.sweep import Sweep

CLEAN = "! 2026-05-03T10:12:00Z\r\n\r\n#  MHz S RI R 50\r\n! f re im\r\n7 0.5 .25\r\n8 5e-1 -1.\r\n"


def read_carefully(data: bytes, name: str) -> Sweep:
    """Read as if the fast path declined."""
    text_file = decode(RawFile(data, name))
    return make_sweep(touchstone.read(text_file, ReadOptions()), text_file, "touchstone")


def read_fast(data: bytes, name: str = "a.s1p") -> Sweep | None:
    (sweep,) = fast_path.read([RawFile(data, name)])
    return sweep


def assert_same(sweep: Sweep, other: Sweep) -> None:
    np.testing.assert_array_equal(sweep.f_hz, other.f_hz)
    # Two formulas for Z and Y of one port differ in the last digit.
    np.testing.assert_allclose(sweep.gamma, other.gamma, rtol=1e-12, atol=1e-15)
    assert sweep.z0_ohm == other.z0_ohm
    assert (sweep.origin, sweep.content) == (other.origin, other.content)
    assert sweep.findings == other.findings == ()


def test_a_clean_file_is_taken() -> None:
    data = CLEAN.encode()
    sweep = read_fast(data)
    assert sweep is not None
    assert sweep.gamma.tolist() == [0.5 + 0.25j, 0.5 - 1j]
    assert_same(sweep, read_carefully(data, "a.s1p"))


@given(cases())
def test_it_agrees_with_the_full_reader(case: Case) -> None:
    data = case.text().encode()
    sweep = read_fast(data)
    # Old line ends (CR alone) are left to the full reader.
    assert (sweep is None) == (case.line_end == "\r")
    if sweep is not None:
        assert_same(sweep, read_carefully(data, "a.s1p"))


@given(
    st.integers(0, len(CLEAN) - 1),
    st.sampled_from([*"\n\r\t !#;[,x0-.e", "", "nan", "\n7 1 1\n"]),
)
def test_one_wrong_character_never_makes_them_differ(place: int, slip: str) -> None:
    data = (CLEAN[:place] + slip + CLEAN[place + 1 :]).encode()
    sweep = read_fast(data)
    if sweep is not None:
        assert_same(sweep, read_carefully(data, "a.s1p"))


@pytest.mark.parametrize(
    "text",
    [
        "# MHz S RI R 50\n",
        "# MHz S RI R 50\n7 0.5\n",
        "# MHz S RI R 50\n7 0.5\r0.25\n",
        "# MHz S RI R 50\n7 0.5 0.25\n7 0.5 0.25\n",
        "# MHz S RI R 50\n8 0.5 0.25\n7 0.5 0.25\n",
        "# MHz S RI R 50\n0 0.5 0.25\n7 0.5 0.25\n",
        "# MHz S RI R 50\n7 0.5 0.25 ! odd\n",
        "# MHz S RI R 50\n7 0.5 2.5e400\n",
        "# MHz S MA R 50\n7 -3 25\n",
        "# MHz S RI R 50 75\n7 0.5 0.25\n",
        "# MHz S RI R 50\n7 0.5 0.25\n# again\n",
        "# MHz Z RI R 50\n7 -1 0\n",
        "# MHz X RI R 50\n7 0.5 0.25\n",
        "# MHz S RI R 50\n7 0.5 1_0\n",
        "# MHz S RI R 50\n7 0.5 1.2.3\n",
        "\ufeff# MHz S RI R 50\n7 0.5 0.25\n",
        "# S RI R 50\n7000000 0.5 0.25\n",
    ],
)
def test_doubtful_files_are_left_to_the_full_reader(text: str) -> None:
    assert read_fast(text.encode()) is None


def test_other_names_are_left_to_the_full_reader() -> None:
    assert read_fast(CLEAN.encode(), "a.s2p") is None
    assert read_fast(CLEAN.encode(), "a.txt") is not None


def test_comments_in_another_encoding_are_left_to_the_full_reader() -> None:
    data = "! dämmerung\n# MHz S RI R 50\n7 0.5 0.25\n".encode("latin-1")
    assert read_fast(data) is None
    with pytest.raises(ReadError):
        read_carefully(b"# MHz S RI R x\n7 0.5 0.25\n", "a.s1p")


BODIES = ["7000000 0.5 -0.25\n7000100 0.25 0.5\n", "7000000 0.5 1e-1\n", "7000000 0.5 1", "7 1\n",
          "7000000 -0.5 0.75\n", ""]  # fmt: skip


@given(st.lists(st.sampled_from(BODIES), min_size=1, max_size=6))
def test_files_read_in_a_batch_equal_each_read_alone(bodies: list[str]) -> None:
    raws = [
        RawFile(f"# HZ S RI R 50\n{body}".encode(), f"{i}.s1p") for i, body in enumerate(bodies)
    ]
    for raw, sweep in zip(raws, fast_path.read(raws), strict=True):
        (alone,) = fast_path.read([raw])
        assert (sweep is None) == (alone is None)
        if sweep is not None and alone is not None:
            assert sweep.f_hz.tobytes() == alone.f_hz.tobytes()
            assert sweep.gamma.tobytes() == alone.gamma.tobytes()
            assert sweep.origin == alone.origin


@pytest.mark.parametrize(("length", "is_read"), [(20_000, True), (20_001, False)])
def test_a_longer_option_line_is_left_to_the_full_reader(length: int, is_read: bool) -> None:
    option_line = "# MHz S RI R".ljust(length - 2) + "50"
    data = f"{option_line}\n7 0.5 0.25\n8 0.5 0.25\n".encode()
    sweep = read_fast(data)
    assert (sweep is not None) == is_read
    if sweep is not None:
        assert_same(sweep, read_carefully(data, "a.s1p"))
    else:
        with pytest.raises(ReadError, match="a line of 20001 characters"):
            read_carefully(data, "a.s1p")
