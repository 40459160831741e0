"""Which reader reads a file, by the confidence and the reason that each reports."""

from __future__ import annotations

import pytest

from sweeplab.files import formats
from sweeplab.files.table import reader as table
from sweeplab.files.text.decode import RawFile, decode
from sweeplab.files.text.reader_protocol import Confidence, ReadOptions
from sweeplab.files.touchstone import reader as touchstone

ROWS = "7 0.5 0.25\n8 0.5 0.25\n"
CASES = [
    ("a.s1p", "# MHz S RI R 50\n" + ROWS, "touchstone", "has an option line"),
    ("a.txt", "! made up\n  # mhz s ri r 50\n" + ROWS, "touchstone", "has an option line"),
    ("a.dat", "[Version] 2.0\n# MHz\n" + ROWS, "touchstone", "begins with [Version]"),
    ("a.s1p", "#\n" + ROWS, "touchstone", "has an option line"),
    ("a.s1p", ROWS, "touchstone", "no option line, but named .s1p"),
    ("a.s1p", "# MHz S XY\n" + ROWS, "touchstone", "the '#' line is no option line"),
    ("a.s1p", "MHz re im\n" + ROWS, "table", "a header in line 1"),
    ("a.txt", "# MHz re im\n" + ROWS, "table", "a header in line 1"),
    ("a.txt", "#\n# f_mhz re im\n#\n" + ROWS, "table", "a header in line 2"),
    ("a.txt", ROWS, "table", "rows of numbers without a header"),
]


@pytest.mark.parametrize(("name", "text", "reader", "reason"), CASES)
def test_the_most_confident_reader_reads_and_gives_its_reason(
    name: str, text: str, reader: str, reason: str
) -> None:
    text_file = decode(RawFile(text.encode(), name))
    chosen = formats.choose_reader(text_file, ReadOptions())
    assert chosen.name == reader
    assert chosen.recognize(text_file, ReadOptions()).reason == reason


def test_named_columns_make_it_a_table() -> None:
    text_file = decode(RawFile(b"# MHz S RI R 50\n7 0.5 0.25\n", "a.s1p"))
    options = ReadOptions(columns=("f_mhz", "re", "im"))
    assert touchstone.recognize(text_file, options) == Confidence(0.0, "its columns were named")
    assert table.recognize(text_file, options) == Confidence(1.0, "its columns were named")
    assert formats.choose_reader(text_file, options).name == "table"


@pytest.mark.parametrize("reader", formats.READERS, ids=lambda reader: reader.name)
@pytest.mark.parametrize("text", ["prose\n", "# Heading\n\nprose\n", "1\n2\n", "[x]\n", "# 1\n"])
def test_no_reader_recognizes_other_text(reader: formats.Reader, text: str) -> None:
    confidence = reader.recognize(decode(RawFile(text.encode(), "a.txt")), ReadOptions())
    assert confidence.value == 0
    assert confidence.reason
