"""The log: builds, changes, sweeps and readings in one file."""

from sweeplab.log.calibration_files import Standard, Standards
from sweeplab.log.refit import refit_readings
from sweeplab.log.rows import Added, Event, RefitResult, StoredBuild, StoredChange, StoredSweep
from sweeplab.log.store import Log

__all__ = [
    "Added",
    "Event",
    "Log",
    "RefitResult",
    "Standard",
    "Standards",
    "StoredBuild",
    "StoredChange",
    "StoredSweep",
    "refit_readings",
]
