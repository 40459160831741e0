"""From parsed rows to a Sweep: unusable rows dropped, sorted, repeats averaged, all reported."""

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

# Outside these the frequency unit is probably wrong. Common practice, no source.
MIN_PLAUSIBLE_HZ: Threshold = 1e3
MAX_PLAUSIBLE_HZ: Threshold = 1e12
# No instrument gives a reflection of this magnitude; sums of several stay finite.
MAX_MAGNITUDE: Threshold = 1e6
# Repeats of a point that differ by more than this are not the noise of one measurement. Common
# practice, no source.
_REPEAT_TOLERANCE: Threshold = 0.02


@dataclass(frozen=True, eq=False)
class ParsedSweep:
    """A sweep as parsed by a reader, before it is normalized.

    Parameters
    ----------
    f_hz : ndarray, shape (n,)
        In the file's order [Hz].
    gamma : ndarray of complex, shape (n,)
        Reflection against `z0_ohm`.
    lines : sequence of int, length n
        One-based line number where each row begins.
    z0_ohm : float
        Reference impedance [ohm].
    comments : tuple of str
        Verbatim.
    findings : tuple of Finding
        From the reader.
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


def truncated_row(line: int) -> Finding:
    """Return the warning for an incomplete last row that was left out."""
    return Finding(
        code="last-row-cut",
        level="warning",
        text=f"The last row (line {line}) is cut off; it was left out.",
        evidence={"line": line},
        action="Save the sweep again if its upper end matters.",
    )


def make_sweep(
    parsed: ParsedSweep, text_file: TextFile, reader: str, modified: str | None = None
) -> Sweep:
    """Return the sweep of parsed rows: finite, in rising order, each frequency once.

    `modified` is the file's modification time, used if no comment says when the sweep was taken.

    Raises
    ------
    ReadError
        A frequency is negative, or no row is left.
    """
    findings = [*text_file.findings, *parsed.findings]
    f_hz, gamma = _without_unusable(parsed, text_file, findings)
    f_hz, gamma = _sorted(f_hz, gamma, findings)
    f_hz, gamma = _average_repeats(f_hz, gamma, findings)
    findings += _plausibility_findings(f_hz)
    origin = Origin(
        file=text_file.name,
        sha256=text_file.sha256,
        taken=find_time(parsed.comments) or modified,
        comments=parsed.comments,
        reader=reader,
    )
    return Sweep(f_hz, gamma, parsed.z0_ohm, parsed.content, origin, ranked(findings))


def _without_unusable(
    parsed: ParsedSweep, text_file: TextFile, findings: list[Finding]
) -> tuple[FloatArray, ComplexArray]:
    lines = np.asarray(parsed.lines)
    negative = parsed.f_hz < 0
    if negative.any():
        raise ReadError(
            text_file.name,
            "a negative frequency",
            "correct or delete the line",
            _first_line(lines, negative),
        )
    missing = ~(np.isfinite(parsed.f_hz) & (np.abs(parsed.gamma) <= MAX_MAGNITUDE))
    at_zero = ~missing & (parsed.f_hz == 0)
    if missing.any():
        findings.append(
            Finding(
                code="missing-values",
                level="warning",
                text=f"{_row_count(missing)} held no usable number and were left out.",
                evidence={"rows": int(missing.sum()), "first_line": _first_line(lines, missing)},
                action="Measure again if the gap lies near the resonance.",
            )
        )
    if at_zero.any():
        findings.append(
            Finding(
                code="zero-frequency",
                level="note",
                text="The point at 0 Hz was left out.",
                evidence={"rows": int(at_zero.sum())},
                action="Nothing to do.",
            )
        )
    usable = ~(missing | at_zero)
    if not usable.any():
        raise ReadError(text_file.name, "no row holds usable numbers", "save the sweep again")
    if usable.all():
        return parsed.f_hz, parsed.gamma
    return parsed.f_hz[usable], parsed.gamma[usable]


def _first_line(lines: NDArray[np.int_], which: NDArray[np.bool_]) -> int:
    return int(lines[np.argmax(which)])


def _row_count(which: NDArray[np.bool_]) -> str:
    count = int(which.sum())
    return "1 row" if count == 1 else f"{count} rows"


def _sorted(
    f_hz: FloatArray, gamma: ComplexArray, findings: list[Finding]
) -> tuple[FloatArray, ComplexArray]:
    steps = np.diff(f_hz)
    falling_steps = int((steps < 0).sum())
    if not falling_steps:
        return f_hz, gamma
    direction = "fall" if falling_steps == steps.size else "do not rise throughout"
    findings.append(
        Finding(
            code="frequencies-sorted",
            level="note",
            text=f"The frequencies {direction}; the rows were sorted.",
            evidence={"falling_steps": falling_steps},
            action="Nothing to do.",
        )
    )
    order = np.argsort(f_hz, kind="stable")
    return f_hz[order], gamma[order]


def _average_repeats(
    f_hz: FloatArray, gamma: ComplexArray, findings: list[Finding]
) -> tuple[FloatArray, ComplexArray]:
    starts = np.flatnonzero(np.diff(f_hz, prepend=-1.0) > 0)
    if starts.size == f_hz.size:
        return f_hz, gamma
    counts = np.diff(starts, append=f_hz.size)
    mean = np.asarray(np.add.reduceat(gamma, starts), dtype=np.complex128) / counts
    deviation = np.repeat(mean, counts)
    deviation -= gamma
    spread = float(np.abs(deviation).max())
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


def _plausibility_findings(f_hz: FloatArray) -> list[Finding]:
    low, high = float(f_hz[0]), float(f_hz[-1])
    if low >= MIN_PLAUSIBLE_HZ and high <= MAX_PLAUSIBLE_HZ:
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
