"""Files to sweeps: the bytes of a file become a Sweep, or a one-line error says why not.

    paths -> disk, archive -> text/ (decode) -> touchstone/ or table/ -> text/ (normalize) -> Sweep

`paths`, `disk` and `archive` are at the edge: only they touch the file system. `formats` lists the
readers, one per format; each reports its confidence that a text is in its format, and the most
confident one reads it. `read` ties these together, for one file and for many.

Imports go one way: text <- touchstone, table <- formats <- read. Every repair is a Finding on the
Sweep; whatever could not be read is a ReadError.
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
