"""Reading: the bytes of a file become a Sweep, or one line says why not.

    disk -> places -> load -> source (text) -> registry -> touchstone or table -> mend -> Sweep

`places`, `load` and `archive` are the only modules here that touch the disk. Each format is one
module that answers how sure it is that a text is its own, and why; the registry takes the surest.
Whatever was mended on the way is a Finding on the Sweep; whatever could not be read is a ReadError.
"""

from sweeplab.files.formats import sweep_from_bytes
from sweeplab.files.paths import SweepPath, sweep_paths
from sweeplab.files.read import ReadResult, read_each, read_sweep, read_sweeps

__all__ = [
    "ReadResult",
    "SweepPath",
    "read_each",
    "read_sweep",
    "read_sweeps",
    "sweep_from_bytes",
    "sweep_paths",
]
