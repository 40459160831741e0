"""Add sweeps to a log without end, or as many as asked, and say each once it is committed.

Run by the tests as a process of its own: ``python writer.py LOG FIRST COUNT``.
"""

from __future__ import annotations

import sys

from log_samples import a_reading, a_sweep, new_log, raw_bytes


def main(path: str, first: int, count: int) -> None:
    with new_log(path) as log:
        for number in range(first, first + count):
            added = log.add(a_sweep(number), raw_bytes(number), a_reading(), "quay-1")
            print(added.sha256, int(added.new), flush=True)


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
