"""What a sweep was read with beside its own bytes: the resonance meant, and three standards."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sweeplab.errors import LogError
from sweeplab.log import serialize

if TYPE_CHECKING:
    from sweeplab.calibration import OnePortCalibration
    from sweeplab.log.rows import StoredSweep

NAMES = ("open", "short", "load")


@dataclass(frozen=True)
class Standard:
    """A standard's file: its name as it was given, and its bytes."""

    file: str
    raw: bytes


@dataclass(frozen=True)
class Standards:
    """Open, short and load at the feed point, as their files have them."""

    open: Standard
    short: Standard
    load: Standard

    def calibration(self) -> OnePortCalibration:
        """Return the calibration that their sweeps define.

        Raises
        ------
        ReadError
            One holds no sweep that can be read.
        """
        from sweeplab.calibration import OnePortCalibration
        from sweeplab.files import sweep_from_bytes

        return OnePortCalibration(*(sweep_from_bytes(one.raw, one.file) for one in self.in_order()))

    def in_order(self) -> tuple[Standard, Standard, Standard]:
        """Return open, short, load."""
        return self.open, self.short, self.load


def keep(
    connection: sqlite3.Connection,
    sweep_id: int,
    near_hz: float | None,
    standards: Standards | None,
) -> None:
    """Write down what a sweep was read with; the same standard is kept once."""
    connection.execute("UPDATE sweeps SET near_hz = ? WHERE id = ?", (near_hz, sweep_id))
    if standards is None:
        return
    ids = [_keep_one(connection, standard) for standard in standards.in_order()]
    connection.execute(
        "UPDATE sweeps SET open_id = ?, short_id = ?, load_id = ? WHERE id = ?", (*ids, sweep_id)
    )


def _keep_one(connection: sqlite3.Connection, standard: Standard) -> int:
    # The name counts too: its suffix may say how many ports the bytes are of.
    key = hashlib.sha256(standard.raw).hexdigest(), serialize.clean(standard.file)
    connection.execute(
        "INSERT OR IGNORE INTO standards (sha256, file, raw) VALUES (?, ?, ?)", (*key, standard.raw)
    )
    row = connection.execute(
        "SELECT id FROM standards WHERE sha256 = ? AND file = ?", key
    ).fetchone()
    return int(row["id"])


def kept(connection: sqlite3.Connection, sweep_id: int) -> tuple[float | None, Standards | None]:
    """Return the frequency that was named [Hz] and the standards a sweep was read with."""
    row = connection.execute(
        "SELECT near_hz, open_id, short_id, load_id FROM sweeps WHERE id = ?", (sweep_id,)
    ).fetchone()
    found = []
    for name in NAMES:
        standard = connection.execute(
            "SELECT file, raw FROM standards WHERE id = ?", (row[f"{name}_id"],)
        ).fetchone()
        if standard is not None:
            found.append(Standard(standard["file"], bytes(standard["raw"])))
    return row["near_hz"], Standards(*found) if len(found) == len(NAMES) else None


def check_same(
    connection: sqlite3.Connection,
    there: StoredSweep,
    file: str,
    said: Mapping[str, Any],
) -> None:
    """Refuse bytes that are in the log already but were read with another near or standards.

    Parameters
    ----------
    connection : sqlite3.Connection
    there : StoredSweep
        The sweep of the same bytes.
    file : str
        As it is given now.
    said : mapping
        ``near_hz`` and ``standards`` as they are given now; None where nothing is said.

    Raises
    ------
    LogError
    """
    near_hz, standards = kept(connection, there.id)
    before = {"near_hz": near_hz, "standards": standards}
    if any(value is not None and value != before[name] for name, value in said.items()):
        raise LogError(
            f"{file}: these bytes are already sweep {there.id} ({there.file}), read with another "
            f"--near or other standards; that sweep was left as it is"
        )
