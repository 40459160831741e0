"""A description as dotted keys and plain texts, the same for equal builds."""

from __future__ import annotations

from typing import Any

from sweeplab.builds.parse import Values
from sweeplab.builds.schema import TABLES, Key
from sweeplab.quantity import BASE_UNIT, Quantity, exact_text


def labels(names: list[str]) -> list[str]:
    """Return names that tell every entry apart: repeated ones are counted, ``joint#2``."""
    repeated = {name for name in names if names.count(name) > 1}
    return [
        f"{name}#{names[: i + 1].count(name)}" if name in repeated else name
        for i, name in enumerate(names)
    ]


def plain_texts(values: Values) -> dict[str, str]:
    """Return values as dotted keys and plain texts, name and note left out."""
    texts: dict[str, str] = {}
    for table in TABLES:
        if not table.name:
            continue
        held = values.lists[table.name] if table.identity else []
        heads = labels([f"{table.name}.{entry[table.identity]}" for entry in held])
        if table.name in values.tables:
            heads, held = [table.name], [values.tables[table.name]]
        for head, entry in zip(heads, held, strict=True):
            if table.identity and all(key.default is None for key in table.keys):
                # It may say nothing but its name.
                texts[head] = "yes"
            for name, value in entry.items():
                if name != table.identity:
                    texts[f"{head}.{name}"] = _plain(value, table.key(name))
    return texts


def _plain(value: Any, key: Key | None) -> str:
    if isinstance(value, Quantity):
        return exact_text(value, BASE_UNIT[key.dimension if key else "number"])
    if key is not None and key.kind == "losses":
        return ", ".join(f"{_exact(f, 'Hz')} {_exact(db, 'dB')}" for f, db in value)
    if key is not None and key.kind == "ground" and isinstance(value, tuple):
        return f"eps_r {_exact(value[0], '')}, {_exact(value[1], 'S/m')}"
    if isinstance(value, tuple):
        return ", ".join(_plain(item, key) for item in value)
    if isinstance(value, float):
        return _exact(value, "")
    return str(value)


def _exact(value: float, unit: str) -> str:
    return exact_text(Quantity(value), unit)
