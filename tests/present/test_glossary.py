"""Every word that names a figure or a verdict is in docs/glossary.md."""

from __future__ import annotations

import pytest
from simulated import REPOSITORY

from sweeplab.present.labels import COUPLINGS, FIGURES, VERDICTS


def terms() -> set[str]:
    """Return the glossary's first column: whole cells, and their pieces between commas."""
    text = (REPOSITORY / "docs" / "glossary.md").read_text(encoding="utf-8")
    cells = {line.split("|")[1].strip() for line in text.splitlines() if line.startswith("| ")}
    return cells | {piece.strip() for cell in cells for piece in cell.split(",")}


WORDS = [
    *(figure.label for figure in FIGURES.values()),
    *VERDICTS.values(),
    *(words for side, words in COUPLINGS.items() if side != "unknown"),
]


@pytest.mark.parametrize("word", WORDS)
def test_the_glossary_explains(word: str) -> None:
    assert word in terms()


def test_it_explains_no_word_twice() -> None:
    text = (REPOSITORY / "docs" / "glossary.md").read_text(encoding="utf-8")
    cells = [line.split("|")[1].strip() for line in text.splitlines() if line.startswith("| ")]
    terms = [cell for cell in cells if cell != "word"]
    assert len(terms) == len(set(terms))
