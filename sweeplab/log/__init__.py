"""The log: builds, changes, sweeps and readings in one file."""

from sweeplab.log.anew import reread
from sweeplab.log.standards import Standard, Standards
from sweeplab.log.store import Log
from sweeplab.log.stored import Added, Event, Reread, StoredBuild, StoredChange, StoredSweep

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
