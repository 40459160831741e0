"""From the rows a reader found to a Sweep: what is dropped, sorted, merged, and said."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sweeplab.errors import ReadError
from sweeplab.files.text.decode import TextFile
from sweeplab.files.text.timestamps import find_time
from sweeplab.finding import Finding, Threshold, ranked
from sweeplab.sweep import ComplexArray, Content, FloatArray, Origin, Sweep

# Beyond these a sweep of an antenna is likelier to carry the wrong unit. Common practice, no
# source.
LEAST_PLAUSIBLE_HZ: Threshold = 1e3
MOST_PLAUSIBLE_HZ: Threshold = 1e12
# No instrument gives a reflection of this size; sums of several stay finite.
LARGEST_MAGNITUDE: Threshold = 1e6
# Repeats of a point that differ by more than this are not the noise of one analyzer at rest.
# Common practice, no source.
_REPEAT_TOLERANCE: Threshold = 0.02


@dataclass(frozen=True, eq=False)
class ParsedSweep:
    """What a reader found, before mending.

    Parameters
    ----------
    f_hz : ndarray, shape (n,)
        In the file's order [Hz].
    gamma : ndarray of complex, shape (n,)
        Reflection against `z0_ohm`.
    lines : sequence of int, length n
        One-based line each row begins on.
    z0_ohm : float
        Reference impedance [ohm].
    comments : tuple of str
        Verbatim.
    findings : tuple of Finding
        What the reader noticed.
    content : {'complex', 'unsigned', 'magnitude'}
        As `Sweep.content`.
    """

    f_hz: FloatArray
    gamma: ComplexArray
    lines: Sequence[int]
    z0_ohm: float
    comments: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    content: Content = "complex"


def row_cut(line: int) -> Finding:
    """Return the warning for a last row that is not whole and was left out."""
    return Finding(
        code="last-row-cut",
        level="warning",
        text=f"The last row (line {line}) is cut off; it was left out.",
        evidence={"line": line},
        action="Save the sweep again if its upper end matters.",
    )


def make_sweep(
    rows: ParsedSweep, source: TextFile, reader: str, written: str | None = None
) -> Sweep:
    """Return the sweep of a file's rows: complete, rising, each frequency once.

    `written` is when the file was last written, for where no comment says when it was measured.

    Raises
    ------
    ReadError
        A frequency is negative, or no row is left.
    """
    findings = [*source.findings, *rows.findings]
    f_hz, gamma = _usable(rows, source, findings)
    f_hz, gamma = _in_order(f_hz, gamma, findings)
    f_hz, gamma = _each_once(f_hz, gamma, findings)
    findings += _plausibility(f_hz)
    origin = Origin(
        file=source.name,
        sha256=source.sha256,
        taken=find_time(rows.comments) or written,
        comments=rows.comments,
        reader=reader,
    )
    return Sweep(f_hz, gamma, rows.z0_ohm, rows.content, origin, ranked(findings))


def _usable(
    rows: ParsedSweep, source: TextFile, findings: list[Finding]
) -> tuple[FloatArray, ComplexArray]:
    lines = np.asarray(rows.lines)
    negative = rows.f_hz < 0
    if negative.any():
        raise ReadError(
            source.name,
            "a negative frequency",
            "correct or delete the line",
            _first(lines, negative),
        )
    missing = ~(np.isfinite(rows.f_hz) & (np.abs(rows.gamma) <= LARGEST_MAGNITUDE))
    still = ~missing & (rows.f_hz == 0)
    if missing.any():
        findings.append(
            Finding(
                code="missing-values",
                level="warning",
                text=f"{_rows(missing)} held no usable number and were left out.",
                evidence={"rows": int(missing.sum()), "first_line": _first(lines, missing)},
                action="Measure again if the gap lies near the resonance.",
            )
        )
    if still.any():
        findings.append(
            Finding(
                code="zero-frequency",
                level="note",
                text="The point at 0 Hz was left out.",
                evidence={"rows": int(still.sum())},
                action="Nothing to do.",
            )
        )
    keep = ~(missing | still)
    if not keep.any():
        raise ReadError(source.name, "no row holds usable numbers", "save the sweep again")
    if keep.all():
        return rows.f_hz, rows.gamma
    return rows.f_hz[keep], rows.gamma[keep]


def _first(lines: NDArray[np.int_], which: NDArray[np.bool_]) -> int:
    return int(lines[np.argmax(which)])


def _rows(which: NDArray[np.bool_]) -> str:
    count = int(which.sum())
    return "1 row" if count == 1 else f"{count} rows"


def _in_order(
    f_hz: FloatArray, gamma: ComplexArray, findings: list[Finding]
) -> tuple[FloatArray, ComplexArray]:
    steps = np.diff(f_hz)
    falls = int((steps < 0).sum())
    if not falls:
        return f_hz, gamma
    direction = "fall" if falls == steps.size else "do not rise throughout"
    findings.append(
        Finding(
            code="frequencies-sorted",
            level="note",
            text=f"The frequencies {direction}; the rows were sorted.",
            evidence={"falling_steps": falls},
            action="Nothing to do.",
        )
    )
    order = np.argsort(f_hz, kind="stable")
    return f_hz[order], gamma[order]


def _each_once(
    f_hz: FloatArray, gamma: ComplexArray, findings: list[Finding]
) -> tuple[FloatArray, ComplexArray]:
    starts = np.flatnonzero(np.diff(f_hz, prepend=-1.0) > 0)
    if starts.size == f_hz.size:
        return f_hz, gamma
    counts = np.diff(starts, append=f_hz.size)
    mean = np.asarray(np.add.reduceat(gamma, starts), dtype=np.complex128) / counts
    apart = np.repeat(mean, counts)
    apart -= gamma
    spread = float(np.abs(apart).max())
    repeats = f_hz.size - starts.size
    findings.append(
        Finding(
            code="frequencies-repeated",
            level="warning" if spread > _REPEAT_TOLERANCE else "note",
            text=f"{repeats} of {f_hz.size} rows repeat a frequency; repeats were averaged.",
            evidence={"rows": repeats, "largest_deviation": spread},
            action="Keep one sweep a file if the antenna changed in between.",
        )
    )
    return f_hz[starts], mean


def _plausibility(f_hz: FloatArray) -> list[Finding]:
    low, high = float(f_hz[0]), float(f_hz[-1])
    if low >= LEAST_PLAUSIBLE_HZ and high <= MOST_PLAUSIBLE_HZ:
        return []
    return [
        Finding(
            code="frequency-implausible",
            level="warning",
            text=f"The frequencies run from {low:.4g} to {high:.4g} Hz: is their unit right?",
            evidence={"f_start_hz": low, "f_stop_hz": high},
            action="Check the frequency unit in the option line or the header.",
        )
    ]
