"""docs/validation.md, a part at a time."""

from __future__ import annotations

from pathlib import Path

DOCS = Path(__file__).parents[2] / "docs"


def write(name: str, part: str) -> None:
    """Put a part between its marks."""
    begin, end = f"<!-- {name}: begin -->", f"<!-- {name}: end -->"
    page = DOCS / "validation.md"
    before, _, rest = page.read_text(encoding="utf-8").partition(begin)
    _, _, after = rest.partition(end)
    page.write_text(f"{before}{begin}\n\n{part}\n\n{end}{after}", encoding="utf-8")
