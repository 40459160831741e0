"""Whatever a file contains, the result is a Sweep or one line of refusal."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sweep_writing import Case, cases, table_text

from sweeplab.errors import ReadError
from sweeplab.files import sweep_from_bytes

NAMES = st.sampled_from(["a.s1p", "a.s2p", "a.s3p", "a.ts", "a.csv", "a", "a.S1P", "a.s0p"])
_PLAIN_WORDS = """
# [Version] 2.0 [Reference] [Number of Ports] [End] Lower MHz GHz S Z Y RI MA DB R 50 75
! ; , . 7 8 9 0.5 -0.25 nan -inf 1e999 1D3 0 -1 Freq re im swr x |X| dB deg % BEGIN ( ) 1_0
angle r return loss S21 MHz,re,im 7,0.5,0.25 Port Impedance
"""
_WHOLE = ["[Network Data]", "[Number of Frequencies]", "[Matrix Format]", "\r\n", *["\n"] * 3]
_ODD = ["\t", "\0", "\ufeff", "\u2212", "\u0663", "\u2028", "\x85", "\x1a"]
V2 = "[Version] 2.0\n#\n[Number of Ports] "
WORDS = st.sampled_from([*_PLAIN_WORDS.split(), *_WHOLE, *_ODD])


def answer(data: bytes, name: str) -> None:
    """Read; a sweep must hold finite numbers, a refusal must be one line that says what to do."""
    sweep = refused = None
    try:
        sweep = sweep_from_bytes(data, name)
    except ReadError as error:
        refused = str(error)
    if sweep is not None:
        assert np.isfinite(sweep.f_hz).all()
        assert np.isfinite(sweep.gamma).all()
        assert all(finding.text and finding.action for finding in sweep.findings)
    else:
        assert refused is not None
        assert refused.startswith(f"{name}:")
        assert "; " in refused
        assert len(refused.splitlines()) == 1


@pytest.mark.parametrize(
    "text",
    [
        '"' * 200_000 + "\n1,2,3\n",
        "1," * 100_000,
        "#" + " " * 100_000,
        "! " + "Jan " * 50_000,
        ";" * 100_000 + "\n1;2;3\n",
        "1" * 100_000 + " 2 3\n1 2 3\n",
        "# MHz S RI R " + "9" * 10_000 + "\n7 0 0\n",
        V2 + "9" * 10_000 + "\n7 0 0\n",
        V2 + "1\n[Number of Frequencies] " + "9" * 9_000 + "\n7 0 0\n",
        V2 + "999\n[Network Data]\n7 0 0\n",
    ],
    ids=lambda text: text[:20].strip(),
)
def test_long_lines_and_numbers(text: str) -> None:
    for name in ("a.s1p", "a.csv"):
        answer(text.encode(), name)


@given(st.binary(max_size=400), NAMES)
def test_bytes(data: bytes, name: str) -> None:
    answer(data, name)


@settings(max_examples=400)
@given(st.lists(WORDS, max_size=60).map(" ".join), NAMES)
def test_words_of_the_formats_in_any_order(text: str, name: str) -> None:
    answer(text.encode(), name)


@given(cases(), st.data(), NAMES)
def test_a_good_file_with_a_piece_cut_out(case: Case, data: st.DataObject, name: str) -> None:
    text = case.text()
    start = data.draw(st.integers(0, len(text)))
    stop = data.draw(st.integers(start, len(text)))
    answer((text[:start] + text[stop:]).encode(), name)


@given(
    st.text(max_size=40),
    st.lists(st.lists(st.floats(width=32), min_size=3, max_size=3), min_size=1, max_size=5),
    st.sampled_from([",", ";", "\t", " "]),
)
def test_tables_under_any_header(header: str, rows: list[list[float]], separator: str) -> None:
    columns = list(zip(*rows, strict=True))
    for names in (header, separator.join(["f_MHz", "re", "im"]), separator.join(["Hz", "swr", ""])):
        answer(table_text(names, columns, separator).encode("utf-8", "replace"), "a.csv")


# Whatever the size: warnings are errors here, and a sweep holds nothing infinite.
SIZES = st.sampled_from(
    [
        "0",
        "7",
        "7",
        "7.1",
        "8",
        "-0.5",
        "1",
        "1e154",
        "1e308",
        "-1e308",
        "1e-320",
        "1e999",
        "nan",
        "90",
    ]
)


@given(
    st.lists(st.lists(SIZES, min_size=3, max_size=3), min_size=1, max_size=8),
    st.sampled_from(["re,im", "mag,deg", "db,deg", "R,X", "swr,rl", "G (mS),B (mS)", "R,|X|"]),
    st.sampled_from(["Hz", "MHz"]),
)
def test_numbers_of_any_size_in_a_table(rows: list[list[str]], names: str, unit: str) -> None:
    answer("\n".join([f"{unit},{names}", *map(",".join, rows), ""]).encode(), "a.csv")


@given(
    st.lists(st.lists(SIZES, min_size=9, max_size=9), min_size=1, max_size=3),
    st.sampled_from("SZYGH"),
    st.sampled_from(["RI", "MA", "DB"]),
    st.sampled_from(["1e-300", "50", "50 75", "1e300 1e-300"]),
)
def test_numbers_of_any_size_of_two_ports(
    rows: list[list[str]], parameter: str, form: str, references: str
) -> None:
    options = f"# MHz {parameter} {form} R {references}"
    answer("\n".join([options, *map(" ".join, rows), ""]).encode(), "a.s2p")
