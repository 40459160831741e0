"""Large and odd texts: memory under twenty times the file, time linear, nothing executed.

Of any size from 100 kB on, measured up to 50 MB; see docs/validation-files.md.
"""

from __future__ import annotations

import time
import tracemalloc
from contextlib import suppress

import pytest

from sweeplab.builds import Build
from sweeplab.errors import BuildError, ReadError
from sweeplab.files import sweep_from_bytes

SIZE = 100_000


def rows(head: str, form: str) -> bytes:
    count = SIZE // len(form.format(7_000_000))
    if "{" not in form:
        return (head + form * count).encode()
    return (head + "".join(form.format(7_000_000 + k) for k in range(count))).encode()


TEXTS = {
    "clean": (rows("# Hz S RI R 50\n", "{} 0.5 0.25\n"), "a.s1p"),
    "comments in rows": (rows("# Hz S RI R 50\n", "{} 0.5 0.25 ! x\n"), "a.s1p"),
    "comments only": (rows("# Hz S RI R 50\n", "!\n"), "a.s1p"),
    "one long line": (rows("# Hz S RI R 50\n", "{} "), "a.s1p"),
    "version 2": (
        rows("[Version] 2.0\n# Hz S RI\n[Number of Ports] 1\n[Network Data]\n", "{} 0.5 0.25\n"),
        "a.ts",
    ),
    "table": (rows("Hz,re,im\n", "{},0.5,0.25\n"), "a.csv"),
    "decimal commas": (rows("Hz;re;im\n", "{};0,5;0,25\n"), "a.csv"),
    "complex cells": (rows("Hz,S11\n", "{},0.5+0.25j\n"), "a.csv"),
    "short rows": (rows("# MHz S RI R 50\n", "7 0 0\n"), "a.s1p"),
    "short rows, version 2": (
        rows("[Version] 2.0\n# MHz S RI\n[Number of Ports] 1\n[Network Data]\n", "7 0 0\n"),
        "a.ts",
    ),
    "short rows of a table": (rows("MHz,swr\n", "7,1\n"), "a.csv"),
    "short decimal commas": (rows("MHz;swr\n", "7;1,5\n"), "a.csv"),
    "short complex cells": (rows("MHz,S11\n", "7,0+1j\n"), "a.csv"),
    "short rows below an odd letter": (rows("😀\nMHz;re;im\n", "7;0;0\n"), "a.csv"),
    "short rows, a remark on each": (rows("# MHz S RI R 50\n", "7 0 0!a\n"), "a.s1p"),
    "values missing": (rows("Hz,re,im\n", "{},n/a,0.25\n"), "a.csv"),
    "one number a line": (rows("# MHz S RI R 50\n", "7\n"), "a.s1p"),
    "option lines": (rows("# MHz S RI R 50\n7 0 0\n", "#\n"), "a.s1p"),
    "semicolons": (rows("# MHz S RI R 50\n7 0 0\n", ";a\n"), "a.s1p"),
    "quotes": (rows("Hz,re,im\n", '"{}","0.5","0.25"\n'), "a.csv"),
    "blank lines": (rows("Hz,re,im\n7,0,0\n", "\n"), "a.csv"),
    "one quote": (b'"' * SIZE + b"\n1,2,3\n", "a.csv"),
    "prose": (b"a sweep is not in here\n" * (SIZE // 23), "a.csv"),
    "zeros": (b"0" * SIZE, "a.s1p"),
    "UTF-16": (
        "Hz,re,im\n7,0,0\n".encode("utf-16") + "8,0,0\n".encode("utf-16-le") * 9999,
        "a.csv",
    ),
}


def read(data: bytes, name: str) -> None:
    with suppress(ReadError):
        sweep_from_bytes(data, name)


def test_many_sweeps_under_one_preamble_cost_no_more_than_the_file() -> None:
    """The text above is read again with each sweep; too much of it is refused."""
    preamble = "# a remark of some length\n" * 1_900 + "MHz,re,im\n"
    data = (preamble + "7,0,0\n8,0,0\n9,0,0\n" * 900).encode()
    begun = time.process_time()
    with pytest.raises(ReadError, match="900 sweeps under 1901 lines of text"):
        sweep_from_bytes(data, "a.csv")
    assert time.process_time() - begun < 2


@pytest.mark.parametrize(("data", "name"), TEXTS.values(), ids=TEXTS)
def test_memory_stays_under_twenty_times_the_file(data: bytes, name: str) -> None:
    read(data, name)  # imports and caches are not the file's
    tracemalloc.start()
    try:
        read(data, name)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 20 * len(data)


@pytest.mark.parametrize(("data", "name"), TEXTS.values(), ids=TEXTS)
def test_no_text_of_this_size_takes_two_seconds(data: bytes, name: str) -> None:
    begun = time.process_time()
    read(data, name)
    assert time.process_time() - begun < 2


@pytest.mark.parametrize(
    "text",
    [
        "[" * 20_000,
        "a=" + "[" * 20_000,
        "a=" + "{b=" * 20_000,
        "a." * 20_000 + "b=1",
        'name = "' + "x" * 200_000 + '"',
        "[loop]\n" + "".join(f"k{n} = 1\n" for n in range(9_000)),
        "[[parts]]\nkind = 'a'\n" * 9_000,
        '[loop]\ncircumference = "' + "9" * 50_000 + ' m"',
        '[loop]\ncircumference = "1e' + "9" * 50_000 + ' m"',
        "[loop]\nturns = " + "9" * 3_000,
    ],
    ids=lambda text: text[:24].strip(),
)
def test_no_description_takes_two_seconds_or_a_trace(text: str) -> None:
    begun = time.process_time()
    with pytest.raises(BuildError) as caught:
        Build.from_toml(text, path="a.toml")
    assert time.process_time() - begun < 2
    assert len(str(caught.value).splitlines()) == 1
