"""What a sweep was fitted with: the frequency near its resonance, and its calibration's files."""

from __future__ import annotations

import hashlib
import sqlite3
from dataclasses import dataclass
from typing import TYPE_CHECKING

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
    """The files of open, short and load, swept at the feed point."""

    open: Standard
    short: Standard
    load: Standard

    def calibration(self) -> OnePortCalibration:
        """Return the calibration that their sweeps define.

        Raises
        ------
        ReadError
            A file holds no sweep that can be read.
        """
        from sweeplab.calibration import OnePortCalibration
        from sweeplab.files import sweep_from_bytes

        return OnePortCalibration(*(sweep_from_bytes(one.raw, one.file) for one in self.in_order()))

    def in_order(self) -> tuple[Standard, Standard, Standard]:
        """Return open, short, load."""
        return self.open, self.short, self.load


def store(
    connection: sqlite3.Connection,
    sweep_id: int,
    near_hz: float | None,
    standards: Standards | None,
) -> None:
    """Store what a sweep was fitted with; the same standard is stored once."""
    connection.execute("UPDATE sweeps SET near_hz = ? WHERE id = ?", (near_hz, sweep_id))
    if standards is None:
        return
    ids = [_store_standard(connection, standard) for standard in standards.in_order()]
    connection.execute(
        "UPDATE sweeps SET open_id = ?, short_id = ?, load_id = ? WHERE id = ?", (*ids, sweep_id)
    )


def _store_standard(connection: sqlite3.Connection, standard: Standard) -> int:
    # The name counts too: its suffix may say how many ports the bytes are of.
    key = hashlib.sha256(standard.raw).hexdigest(), serialize.clean(standard.file)
    connection.execute(
        "INSERT OR IGNORE INTO standards (sha256, file, raw) VALUES (?, ?, ?)", (*key, standard.raw)
    )
    row = connection.execute(
        "SELECT id FROM standards WHERE sha256 = ? AND file = ?", key
    ).fetchone()
    return int(row["id"])


def load(connection: sqlite3.Connection, sweep_id: int) -> tuple[float | None, Standards | None]:
    """Return the frequency near the resonance [Hz] and the standards a sweep was fitted with."""
    row = connection.execute(
        "SELECT near_hz, open_id, short_id, load_id FROM sweeps WHERE id = ?", (sweep_id,)
    ).fetchone()
    standards = []
    for name in NAMES:
        stored = connection.execute(
            "SELECT file, raw FROM standards WHERE id = ?", (row[f"{name}_id"],)
        ).fetchone()
        if stored is not None:
            standards.append(Standard(stored["file"], bytes(stored["raw"])))
    return row["near_hz"], Standards(*standards) if len(standards) == len(NAMES) else None


def check_same(
    connection: sqlite3.Connection,
    stored: StoredSweep,
    file: str,
    near_hz: float | None,
    standards: Standards | None,
) -> None:
    """Refuse bytes that are in the log already but were fitted with other options.

    Parameters
    ----------
    connection : sqlite3.Connection
    stored : StoredSweep
        The sweep of the same bytes.
    file : str
        Its name as given now.
    near_hz, standards : optional
        As given now; None agrees with anything.

    Raises
    ------
    LogError
    """
    stored_near_hz, stored_standards = load(connection, stored.id)
    other_near = near_hz is not None and near_hz != stored_near_hz
    if other_near or (standards is not None and standards != stored_standards):
        raise LogError(
            f"{file}: these bytes are already sweep {stored.id} ({stored.file}), read with another "
            f"--near or other standards; that sweep was left as it is"
        )
