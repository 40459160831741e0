"""The log: builds, changes, sweeps and readings in one file."""

from sweeplab.log.calibration_files import Standard, Standards
from sweeplab.log.refit import reread
from sweeplab.log.rows import Added, Event, Reread, StoredBuild, StoredChange, StoredSweep
from sweeplab.log.store import Log

__all__ = [
    "Added",
    "Event",
    "Log",
    "Reread",
    "Standard",
    "Standards",
    "StoredBuild",
    "StoredChange",
    "StoredSweep",
    "reread",
]
