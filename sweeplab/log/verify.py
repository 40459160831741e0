"""Is a log whole? The file, its references, and every sweep's bytes against their hash."""

from __future__ import annotations

import hashlib
import sqlite3

from sweeplab.finding import Finding, ranked
from sweeplab.version import __version__

_RESTORE = "stop adding to this log, and take the newest backup that verifies"


def verify(connection: sqlite3.Connection) -> list[Finding]:
    """Return what is wrong with a log, worst first; nothing where all is well.

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
            "log-damaged", "problem", f"the file is damaged: {lines[0]}",
            {"lines": len(lines)}, _RESTORE,
        )
    ]  # fmt: skip


def _references(connection: sqlite3.Connection) -> list[Finding]:
    findings = [
        Finding(
            "log-reference", "problem",
            f"row {row[1]} of table {row[0]} points to a row of {row[2]} that is not there",
            {"table": str(row[0])}, _RESTORE,
        )
        for row in connection.execute("PRAGMA foreign_key_check")
    ]  # fmt: skip
    bare = connection.execute(
        "SELECT id FROM sweeps WHERE id NOT IN (SELECT sweep_id FROM readings) ORDER BY id"
    )
    return findings + [
        Finding(
            "log-reference", "problem", f"sweep {row[0]} has no reading",
            {"sweep": int(row[0])}, _RESTORE,
        )
        for row in bare
    ]  # fmt: skip


def _bytes(connection: sqlite3.Connection) -> list[Finding]:
    findings = []
    for row in connection.execute("SELECT id, file, sha256, raw FROM sweeps ORDER BY id"):
        found = hashlib.sha256(row["raw"]).hexdigest()
        if found != row["sha256"]:
            text = f"sweep {row['id']} ({row['file']}): its bytes are not those that were added"
            evidence = {"sha256": str(row["sha256"]), "found": found}
            findings.append(Finding("log-bytes", "problem", text, evidence, _RESTORE))
    for row in connection.execute("SELECT file, sha256, raw FROM standards ORDER BY id"):
        found = hashlib.sha256(row["raw"]).hexdigest()
        if found != row["sha256"]:
            text = f"standard {row['file']}: its bytes are not those that were added"
            evidence = {"sha256": str(row["sha256"]), "found": found}
            findings.append(Finding("log-bytes", "problem", text, evidence, _RESTORE))
    return findings


def _versions(connection: sqlite3.Connection) -> list[Finding]:
    (count,) = connection.execute(
        "SELECT count(*) FROM readings WHERE program_version <> ?", (__version__,)
    ).fetchone()
    if not count:
        return []
    text = f"{count} readings were made by another version of sweeplab"
    return [
        Finding("log-stale", "note", text, {"readings": int(count), "version": __version__},
                "make them anew before comparing them with new ones")
    ]  # fmt: skip
