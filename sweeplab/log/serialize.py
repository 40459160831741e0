"""Readings as the log stores them: strict JSON in, records out."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from sqlite3 import Row
from typing import TYPE_CHECKING, Any

from sweeplab.estimate import Estimate
from sweeplab.record import Record

if TYPE_CHECKING:
    from sweeplab.reading import Reading


def pack(value: Any) -> str:
    """Return a value as JSON text; what is not finite becomes null."""
    return json.dumps(_plain(value), allow_nan=False, separators=(",", ":"))


def clean(text: str) -> str:
    """Return a text that UTF-8 can encode: a file's name on disk may be any bytes."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def _plain(value: Any) -> Any:
    if isinstance(value, float):
        # A numpy float is a float too; its repr is not JSON.
        return float(value) if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {key: _plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(inner) for inner in value]
    return value


def pack_reading(reading: Reading) -> tuple[str, str, str, str, str]:
    """Return band, status, reading, figures and shares, as the table's columns have them.

    A figure with an end that is not finite is left out: it is not known.
    """
    figures = {
        name: estimate for name, estimate in reading.figures().items() if estimate.is_finite()
    }
    shares = {name: by for name, by in reading.shares().items() if name in figures}
    return (
        reading.band,
        reading.status,
        pack(reading.to_json()),
        pack({name: estimate.to_json() for name, estimate in figures.items()}),
        pack(shares),
    )


def unpack(text: str) -> dict[str, Any]:
    """Return an object from its JSON text."""
    value: dict[str, Any] = json.loads(text)
    return value


def unpack_record(row: Row) -> Record:
    """Return the record of a row: a sweep joined with its reading."""
    figures = {name: Estimate(**ends) for name, ends in unpack(row["figures"]).items()}
    return Record(
        sweep_id=row["id"],
        file=row["file"],
        build=row["build"],
        setting=row["setting"],
        band=row["band"],
        taken=row["taken"],
        status=row["status"],
        figures=figures,
        shares=unpack(row["shares"]),
        program_version=row["program_version"],
        set_aside=row["set_aside"],
    )
