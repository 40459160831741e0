"""Measured data from elsewhere.

`MAT58` is stored with the tests. Sweeps whose licences do not allow that are looked for in
`shared/corpus`, next to the repository; tests that need them take their paths from `measured`, and
are skipped where that folder is missing.
"""

from __future__ import annotations

from pathlib import Path

import pytest

REPOSITORY = Path(__file__).parents[1]
# See the README there: reflection and transmission of resonators, public domain.
MAT58 = Path(__file__).parent / "data" / "mat58"
CORPUS = REPOSITORY.parent / "shared" / "corpus"
NEEDS_CORPUS = pytest.mark.skipif(
    not CORPUS.is_dir(),
    reason="needs measured sweeps under other licences, in ../shared/corpus from the repository",
)


def measured(*patterns: str) -> list[object]:
    """Return a parameter for each file of the corpus that matches a pattern.

    Raises
    ------
    FileNotFoundError
        The corpus is present but contains no such file: the test would check nothing.
    """
    paths = sorted(path for pattern in patterns for path in CORPUS.glob(pattern) if path.is_file())
    if CORPUS.is_dir() and not paths:
        raise FileNotFoundError(f"{CORPUS} holds none of {', '.join(patterns)}")
    found = paths or [CORPUS / "absent"]
    return [pytest.param(path, id=path.name, marks=NEEDS_CORPUS) for path in found]
