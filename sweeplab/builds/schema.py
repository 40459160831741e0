"""The schema of a build's file: its tables by name, the nearest known key, the template.

Parsing, the template, changes and differences all follow it.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable

from sweeplab.builds.schema_tables import TABLES
from sweeplab.builds.schema_types import Key, Table

BY_NAME: dict[str, Table] = {table.name: table for table in TABLES}


def children(name: str) -> tuple[str, ...]:
    """Return the names of the tables directly inside the table `name`."""
    depth = name.count(".") + 1 if name else 0
    inside = (table.name for table in TABLES if table.name and table.name.count(".") == depth)
    return tuple(child.rpartition(".")[2] for child in inside if child.rpartition(".")[0] == name)


def nearest(word: str, known: Iterable[str]) -> str:
    """Return the known word that looks most like `word`."""
    folded = word.casefold()
    return max(known, key=lambda k: difflib.SequenceMatcher(None, folded, k.casefold()).ratio())


def suggestion(word: str, table: str) -> str:
    """Return what to do about the unknown key `word` of a table: name the nearest known one."""
    here = [key.name for key in BY_NAME[table].keys] + list(children(table))
    elsewhere = [other.name for other in TABLES if other.key(word) and other.name != table]
    if elsewhere:
        return f"{word} stands in [{elsewhere[0]}]" if elsewhere[0] else f"{word} stands on top"
    return f"did you mean {nearest(word, here)}?"


def template() -> str:
    """Return a build's file with every key; those that few need are commented out."""
    return "\n".join(_table_lines(table) for table in TABLES)


def _table_lines(table: Table) -> str:
    lines = [_key_line(key) for key in table.keys]
    if table.name:
        header = f"[[{table.name}]]" if table.identity else f"[{table.name}]"
        lines.insert(0, f"{header:<33} # {table.help}" if table.help else header)
    return "\n".join(lines) + "\n"


def _key_line(key: Key) -> str:
    setting = f"{'' if key.shown else '# '}{key.name} = {key.example}"
    return f"{setting:<33} # {key.help}"
