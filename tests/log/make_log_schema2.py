"""Write ``tests/data/logs/schema2-standards.db``, which every later version must open.

Run once, when schema 2 was made, by the program of that time; not again. All in it is invented:
the log of schema 1, its third sweep read with a frequency and three standards.
"""

from __future__ import annotations

from make_log_schema1 import BUILD, TARGET, touchstone

from sweeplab.builds import Build
from sweeplab.files import sweep_from_bytes
from sweeplab.log import Log, Standard, Standards
from sweeplab.reading import take_reading


def _standard(name: str, gamma: float) -> Standard:
    rows = "\n".join(f"{f:.0f} {gamma} 0" for f in (7.04e6, 7.16e6))
    return Standard(f"{name}.s1p", f"# HZ S RI R 50\n{rows}\n".encode())


def main() -> None:
    """Fill the log: two builds and a change, four sweeps, one set aside, one without resonance."""
    target = TARGET.with_name("schema2-standards.db")
    target.unlink(missing_ok=True)
    standards = Standards(_standard("open", 1), _standard("short", -1), _standard("load", 0))
    with Log.open(target, create=True) as log:
        log.add_build(Build.from_toml(BUILD))
        log.change("fen-1", "fen-2", {"conductor.diameter": "15 mm"}, "thicker tube")
        flat = b"# HZ S RI R 50\n" + b"".join(b"%d 0.9 0.1\n" % (7_000_000 + k) for k in range(9))
        plan = [
            ("first.s1p", touchstone(500, 0.8, 1), "fen-1", None, None, None),
            ("again.s1p", touchstone(505, 0.8, 2), "fen-1", None, None, None),
            ("thick.s1p", touchstone(560, 0.9, 3), "fen-2", "low", 7.1e6, standards),
            ("flat.s1p", flat, "fen-2", None, None, None),
        ]
        for name, raw, build, setting, near_hz, used in plan:
            sweep = sweep_from_bytes(raw, name)
            reading = take_reading(
                sweep, log.build(build), setting,
                near_hz=near_hz, calibration=used.calibration() if used else None,
            )  # fmt: skip
            log.add(sweep, raw, reading, build, setting, near_hz=near_hz, standards=used)
        log.set_aside(2, "the plug was loose")


if __name__ == "__main__":
    main()
