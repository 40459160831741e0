"""An open log file: its connection, its transactions, and SQLite's errors as one line."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sweeplab.errors import LogError
from sweeplab.log import schema


class Database:
    """A log's SQLite file, open. Use it as a context manager.

    Errors of the disk or of the file come as `LogError`.
    """

    def __init__(self, connection: sqlite3.Connection, path: Path) -> None:
        self._connection = connection
        self.path = path

    @classmethod
    def open(cls, path: str | Path, *, create: bool = False) -> Self:
        """Open the log at `path`; with `create`, make it where there is none.

        An older log is brought up to date after a backup beside it.

        Raises
        ------
        LogError
            There is no log there, the file is something else, a newer sweeplab made it, or it
            could not be opened. The file is left as it was.
        """
        file = Path(path)
        with errors_of(file):
            return cls(schema.connect(file, create=create), file)

    def close(self) -> None:
        """Close the file."""
        self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _rows(self, sql: str, *values: Any) -> list[sqlite3.Row]:
        with errors_of(self.path):
            return self._connection.execute(sql, values).fetchall()

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        """Yield the connection within one transaction."""
        with errors_of(self.path), schema.transaction(self._connection) as connection:
            yield connection


@contextmanager
def errors_of(path: Path) -> Iterator[None]:
    """Turn SQLite's error into one line that names the log."""
    try:
        yield
    except sqlite3.Error as error:
        if "locked" in str(error):
            action = "another program holds it: close that and try again"
        else:
            action = "check the disk and the rights on the file and its folder"
        raise LogError(f"{path}: {error}; {action}") from None
