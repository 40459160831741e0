"""Rows of a log as plain values."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sweeplab.finding import Finding, Status


@dataclass(frozen=True)
class Added:
    """The result of adding a sweep.

    Parameters
    ----------
    id : int
        The sweep's number in the log.
    sha256 : str
        Of its raw bytes.
    new : bool
        False where the same bytes were in the log already.
    """

    id: int
    sha256: str
    new: bool


@dataclass(frozen=True)
class StoredBuild:
    """A build in the log: its name, its description as TOML, and when it was added."""

    name: str
    toml: str
    added_at: str


@dataclass(frozen=True)
class StoredChange:
    """The change from one build to the next, and its reason."""

    id: int
    before: str
    after: str
    why: str
    at: str


@dataclass(frozen=True)
class StoredSweep:
    """A sweep in the log, without its raw bytes.

    Parameters
    ----------
    id : int
    file, sha256 : str
        Name as it was given, SHA-256 of the raw bytes.
    taken : str or None
        When it was measured, ISO 8601 in UTC, where known.
    added_at : str
    build : str
        Name of the build it was taken on.
    setting : str or None
        The build's setting.
    band : str
    status : {'ok', 'doubtful', 'refused'}
    set_aside : str or None
        Why the sweep does not count; None where it does.
    program_version : str
        The version of sweeplab that made its reading.
    """

    id: int
    file: str
    sha256: str
    taken: str | None
    added_at: str
    build: str
    setting: str | None
    band: str
    status: Status
    set_aside: str | None
    program_version: str

    def to_json(self) -> dict[str, Any]:
        """Return one entry of ``sweeps`` in the contract of ``list``."""
        keys = ("id", "file", "sha256", "taken", "build", "setting", "band", "status", "set_aside")
        return {key: getattr(self, key) for key in keys}


@dataclass(frozen=True)
class Event:
    """A correction of a sweep's entry after it was added."""

    sweep_id: int
    at: str
    what: str
    why: str


@dataclass(frozen=True)
class RefitResult:
    """The result of recomputing readings: sweeps done, and a finding for each that failed."""

    done: tuple[int, ...]
    failed: tuple[Finding, ...]
