"""Write ``tests/data/logs/schema1.db``, the log that every later version must open.

Run once, when schema 1 was made, by the program of that time; not again. All in it is invented.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from sweeplab.builds import Build
from sweeplab.files import sweep_from_bytes
from sweeplab.log import Log
from sweeplab.reading import take_reading

TARGET = Path(__file__).parents[1] / "data" / "logs" / "schema1.db"
BUILD = """name = "fen-1"

[loop]
shape = "octagon"
circumference = "3.20 m ± 1 cm"
gap = "30 mm"

[conductor]
form = "tube"
diameter = "12 mm"
material = "copper"

[[settings]]
name = "low"
"""


def touchstone(q0: float, beta: float, seed: int) -> bytes:
    """Return a resonance at 7.1 MHz, 61 points with noise, as a Touchstone file."""
    f_hz = np.linspace(7.05e6, 7.15e6, 61)
    t = f_hz / 7.1e6 - 7.1e6 / f_hz
    gamma = -1 + 2 * beta / (1 + beta) / (1 + 1j * q0 / (1 + beta) * t)
    rng = np.random.default_rng(seed)
    gamma = gamma + rng.normal(0, 1e-3, (2, f_hz.size)).T @ [1, 1j]
    lines = [f"{f:.0f} {g.real:.6f} {g.imag:.6f}" for f, g in zip(f_hz, gamma, strict=True)]
    return "\n".join(["! invented", "# HZ S RI R 50", *lines, ""]).encode()


def main() -> None:
    """Fill the log: two builds and a change, four sweeps, one set aside, one without resonance."""
    TARGET.unlink(missing_ok=True)
    with Log.open(TARGET, create=True) as log:
        log.add_build(Build.from_toml(BUILD))
        log.change("fen-1", "fen-2", {"conductor.diameter": "15 mm"}, "thicker tube")
        flat = b"# HZ S RI R 50\n" + b"".join(b"%d 0.9 0.1\n" % (7_000_000 + k) for k in range(9))
        plan = [
            ("first.s1p", touchstone(500, 0.8, 1), "fen-1", None),
            ("again.s1p", touchstone(505, 0.8, 2), "fen-1", None),
            ("thick.s1p", touchstone(560, 0.9, 3), "fen-2", "low"),
            ("flat.s1p", flat, "fen-2", None),
        ]
        for name, raw, build, setting in plan:
            sweep = sweep_from_bytes(raw, name)
            reading = take_reading(sweep, log.build(build), setting)
            print(log.add(sweep, raw, reading, build, setting), reading.status)
        log.set_aside(2, "the plug was loose")


if __name__ == "__main__":
    main()
