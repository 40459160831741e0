"""Integrity of a log: the file, its references, and every sweep's bytes against their hash."""

from __future__ import annotations

import hashlib
import sqlite3

from sweeplab.finding import Finding, ranked
from sweeplab.version import __version__

_RESTORE = "stop adding to this log, and take the newest backup that verifies"


def verify(connection: sqlite3.Connection) -> list[Finding]:
    """Return what is wrong with a log, problems first; empty where all is well.

    Parameters
    ----------
    connection : sqlite3.Connection
        Of an open log, rows by name.
    """
    findings = _file(connection) + _references(connection)
    findings += _bytes(connection) + _versions(connection)
    return list(ranked(findings))


def _file(connection: sqlite3.Connection) -> list[Finding]:
    lines = [str(row[0]) for row in connection.execute("PRAGMA integrity_check")]
    if lines == ["ok"]:
        return []
    return [
        Finding(
            code="log-damaged",
            level="problem",
            text=f"the file is damaged: {lines[0]}",
            evidence={"lines": len(lines)},
            action=_RESTORE,
        )
    ]


def _references(connection: sqlite3.Connection) -> list[Finding]:
    findings = [
        Finding(
            code="log-reference",
            level="problem",
            text=f"row {row[1]} of table {row[0]} points to a row of {row[2]} that is not there",
            evidence={"table": str(row[0])},
            action=_RESTORE,
        )
        for row in connection.execute("PRAGMA foreign_key_check")
    ]
    unread = connection.execute(
        "SELECT id FROM sweeps WHERE id NOT IN (SELECT sweep_id FROM readings) ORDER BY id"
    )
    return findings + [
        Finding(
            code="log-reference",
            level="problem",
            text=f"sweep {row[0]} has no reading",
            evidence={"sweep": int(row[0])},
            action=_RESTORE,
        )
        for row in unread
    ]


def _bytes(connection: sqlite3.Connection) -> list[Finding]:
    findings = []
    for row in connection.execute("SELECT id, file, sha256, raw FROM sweeps ORDER BY id"):
        found = hashlib.sha256(row["raw"]).hexdigest()
        if found != row["sha256"]:
            text = f"sweep {row['id']} ({row['file']}): its bytes are not those that were added"
            evidence = {"sha256": str(row["sha256"]), "found": found}
            findings.append(
                Finding(
                    code="log-bytes", level="problem", text=text, evidence=evidence, action=_RESTORE
                )
            )
    for row in connection.execute("SELECT file, sha256, raw FROM standards ORDER BY id"):
        found = hashlib.sha256(row["raw"]).hexdigest()
        if found != row["sha256"]:
            text = f"standard {row['file']}: its bytes are not those that were added"
            evidence = {"sha256": str(row["sha256"]), "found": found}
            findings.append(
                Finding(
                    code="log-bytes", level="problem", text=text, evidence=evidence, action=_RESTORE
                )
            )
    return findings


def _versions(connection: sqlite3.Connection) -> list[Finding]:
    (count,) = connection.execute(
        "SELECT count(*) FROM readings WHERE program_version <> ?", (__version__,)
    ).fetchone()
    if not count:
        return []
    text = f"{count} readings were made by another version of sweeplab"
    return [
        Finding(
            code="log-stale",
            level="note",
            text=text,
            evidence={"readings": int(count), "version": __version__},
            action="make them anew before comparing them with new ones",
        )
    ]
