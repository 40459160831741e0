"""A build's file to start from, with every key and what it says."""

from __future__ import annotations

from sweeplab.builds.schema import TABLES, Key, Table


def template() -> str:
    """Return a build's file with every key; those that few need are commented out."""
    return "\n".join(_block(table) for table in TABLES)


def _block(table: Table) -> str:
    lines = [_entry(key) for key in table.keys]
    if table.name:
        header = f"[[{table.name}]]" if table.identity else f"[{table.name}]"
        lines.insert(0, f"{header:<33} # {table.help}" if table.help else header)
    return "\n".join(lines) + "\n"


def _entry(key: Key) -> str:
    setting = f"{'' if key.shown else '# '}{key.name} = {key.example}"
    return f"{setting:<33} # {key.help}"
