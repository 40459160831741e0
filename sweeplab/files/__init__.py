"""Reading: the bytes of a file become a Sweep, or one line says why not.

    disk -> load -> source (text) -> registry -> touchstone or table -> mend -> Sweep

`load` is the only module here that touches the disk. Each format is one module that answers how
sure it is that a text is its own, and why; the registry takes the surest. Whatever was mended on
the way is a Finding on the Sweep; whatever could not be read is a ReadError.
"""

from sweeplab.files.load import read_sweep, read_sweeps
from sweeplab.files.registry import sweep_from_bytes

__all__ = ["read_sweep", "read_sweeps", "sweep_from_bytes"]
