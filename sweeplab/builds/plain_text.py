"""A description as dotted keys and plain texts, the same for equal builds."""

from __future__ import annotations

from typing import Any

from sweeplab.builds.parse import ParsedBuild
from sweeplab.builds.schema_tables import TABLES
from sweeplab.builds.schema_types import Key
from sweeplab.quantity import BASE_UNIT, Quantity, exact_text


def labels(names: list[str]) -> list[str]:
    """Return a unique label for every entry: repeated names are numbered, ``joint#2``."""
    repeated = {name for name in names if names.count(name) > 1}
    return [
        f"{name}#{names[: i + 1].count(name)}" if name in repeated else name
        for i, name in enumerate(names)
    ]


def plain_texts(values: ParsedBuild) -> dict[str, str]:
    """Return values as dotted keys and plain texts, name and note left out."""
    texts: dict[str, str] = {}
    for table in TABLES:
        if not table.name:
            continue
        entries = values.lists[table.name] if table.identity else []
        prefixes = labels([f"{table.name}.{entry[table.identity]}" for entry in entries])
        if table.name in values.tables:
            prefixes, entries = [table.name], [values.tables[table.name]]
        for prefix, entry in zip(prefixes, entries, strict=True):
            if table.identity and all(key.default is None for key in table.keys):
                # It may hold nothing but its name.
                texts[prefix] = "yes"
            for name, value in entry.items():
                if name != table.identity:
                    texts[f"{prefix}.{name}"] = _plain_text(value, table.key(name))
    return texts


def _plain_text(value: Any, key: Key | None) -> str:
    if isinstance(value, Quantity):
        return exact_text(value, BASE_UNIT[key.dimension if key else "number"])
    if key is not None and key.kind == "losses":
        return ", ".join(f"{_exact_text(f, 'Hz')} {_exact_text(db, 'dB')}" for f, db in value)
    if key is not None and key.kind == "ground" and isinstance(value, tuple):
        return f"eps_r {_exact_text(value[0], '')}, {_exact_text(value[1], 'S/m')}"
    if isinstance(value, tuple):
        return ", ".join(_plain_text(item, key) for item in value)
    if isinstance(value, float):
        return _exact_text(value, "")
    return str(value)


def _exact_text(value: float, unit: str) -> str:
    return exact_text(Quantity(value), unit)
