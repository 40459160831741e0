"""Changing a description: on its TOML data, key by dotted key."""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Mapping
from typing import Any

from sweeplab.builds.parse import PLAIN_NUMBERS
from sweeplab.builds.plain_text import labels
from sweeplab.builds.schema import BY_NAME, nearest
from sweeplab.builds.schema_tables import TABLES
from sweeplab.builds.schema_types import Key, Table
from sweeplab.builds.toml_text import TomlText
from sweeplab.errors import BuildError


def data_in_setting(data: Mapping[str, Any], name: str | None) -> dict[str, Any]:
    """Return the data of a build in one setting: its values merged, no settings left."""
    state = copy.deepcopy(dict(data))
    settings = state.pop("settings", [])
    chosen: dict[str, Any] = next((entry for entry in settings if entry["name"] == name), {})
    for key, value in chosen.items():
        if key == "turns":
            state["loop"]["turns"] = value
        elif key not in ("name", "parts"):
            state.setdefault("capacitor", {})[key] = value
    switched = {kind for entry in settings for kind in entry.get("parts", ())}
    out = switched - set(chosen.get("parts", ()))
    if "parts" in state:
        state["parts"] = [part for part in state["parts"] if part["kind"] not in out]
    return state


def changed_data(data: Mapping[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    """Return the data with some dotted keys set, or removed where the value is None or empty."""
    new = copy.deepcopy(dict(data))
    if "name" in changes:
        # The note was about the build of the old name.
        new.pop("note", None)
    # A part or setting comes to be by its kind or name, whatever the order of the changes.
    for dotted, value in sorted(changes.items(), key=lambda change: not _is_identity(change[0])):
        _change(new, dotted, None if value == "" else value)
    return new


def _is_identity(dotted: str) -> bool:
    prefix, _, last = dotted.rpartition(".")
    table = BY_NAME.get(prefix.partition(".")[0])
    return table is not None and table.identity == last != ""


def _change(data: dict[str, Any], dotted: str, value: Any) -> None:
    first, _, rest = dotted.partition(".")
    table = BY_NAME.get(first)
    if table is not None and table.identity:
        _change_listed(data, table, rest, dotted, value)
        return
    if value is None and dotted in BY_NAME and dotted:
        _remove(data, dotted)
        return
    prefix, _, name = dotted.rpartition(".")
    key = BY_NAME[prefix].key(name) if prefix in BY_NAME else None
    if key is None or BY_NAME[prefix].identity:
        raise _unknown(data, dotted)
    if value is None:
        _remove(data, dotted)
        return
    content = data
    for step in prefix.split(".") if prefix else ():
        content = content.setdefault(step, {})
    content[key.name] = _toml_value(value, key)


def _remove(data: dict[str, Any], dotted: str) -> None:
    """Take a key or a table away, where it is there."""
    *outer, name = dotted.split(".")
    content = data
    for step in outer:
        content = content.get(step, {})
    content.pop(name, None)


def _change_listed(data: dict[str, Any], table: Table, rest: str, dotted: str, value: Any) -> None:
    """Change one key of a part or setting, add one, or take one away."""
    entries: list[dict[str, Any]] = data.setdefault(table.name, [])
    if value is None and not rest:
        entries.clear()
        return
    if value is None and (removed := _entries(entries, table, rest)):
        data[table.name] = [entry for entry in entries if not any(entry is g for g in removed)]
        return
    name, _, last = rest.rpartition(".")
    key = table.key(last)
    if key is None or not name:
        raise _unknown(data, dotted)
    found = _entries(entries, table, name)
    if not found and last == table.identity and value == name:
        entries.append({last: value})
        return
    if not found:
        raise _unknown(data, dotted)
    if len(found) > 1 and last not in ("r", "kind"):
        which = ", ".join(f"{table.name}.{name}#{i + 1}.{last}" for i in range(len(found)))
        several = f"{len(found)} entries of that kind"
        raise TomlText().error((), several, f"say which: {which}", key=dotted)
    for entry in found:
        entry.pop(last, None)
        if value is not None:
            entry[last] = _toml_value(value, key)


def _entries(entries: list[dict[str, Any]], table: Table, name: str) -> list[dict[str, Any]]:
    """Return the entries a name stands for: all of a kind, or ``kind#2`` the second of them."""
    unique_labels = labels([entry[table.identity] for entry in entries])
    return [
        entry
        for entry, label in zip(entries, unique_labels, strict=True)
        if name in (label, entry[table.identity])
    ]


def _toml_value(value: Any, key: Key) -> Any:
    """Return a value's text as TOML data; what cannot be is left for the reader to refuse."""
    if isinstance(value, tuple):
        return list(value)
    if not isinstance(value, str) or key.kind in ("text", "choice"):
        return value
    text = value.strip()
    if key.kind in ("texts", "quantities") and not text.startswith("["):
        return [item.strip() for item in text.split(", ")]
    measured = key.kind == "quantity" and key.dimension not in PLAIN_NUMBERS
    if measured or (key.kind == "ground" and not text.startswith("[")):
        return text
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except (ValueError, RecursionError):
        return text


def _unknown(data: Mapping[str, Any], dotted: str) -> BuildError:
    known = _known_keys(data)
    action = f"did you mean {nearest(dotted, known)}?"
    return TomlText().error((), "unknown key", action, key=dotted)


def _known_keys(data: Mapping[str, Any]) -> list[str]:
    """Return every dotted key that could be changed in this build."""
    known = []
    for table in TABLES:
        prefixes = [table.name]
        if table.identity:
            names = [entry[table.identity] for entry in data.get(table.name, ())]
            prefixes = [
                f"{table.name}.{label}" for label in dict.fromkeys([*names, *labels(names)])
            ]
        known += [
            f"{prefix}.{key.name}" if prefix else key.name
            for prefix in prefixes
            for key in table.keys
        ]
    return known
