"""Several sweeps in one table: where each begins, and each as a text of its own.

A second sweep begins where rows of numbers follow other text, or where the frequency jumps back and
the same span is swept again. Two separate spans, such as two bands, are one sweep with a gap.
"""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from sweeplab.errors import ReadError
from sweeplab.files.table.conversions import CONVERSIONS
from sweeplab.files.table.dialect import Dialect, is_comment
from sweeplab.files.table.header import find_header
from sweeplab.files.table.row_parser import parse_plain_rows, parse_row
from sweeplab.files.text.lines import Lines
from sweeplab.files.text.numbers import NumberStyles
from sweeplab.finding import Threshold
from sweeplab.sweep import FloatArray

# Fewer rows than these are part of a comment, not a sweep.
_MIN_ROWS: Threshold = 3
_MAX_SWEEPS: Threshold = 1000
# The preamble is read again with each sweep: this many lines in all, in addition to the file's.
_MAX_REPEATED_LINES: Threshold = 20_000
# Overlap of two spans from which on one repeats the other, as a share of the narrower.
_SHARED_SPAN: Threshold = 0.5
_MAX_LINES_SHOWN = 4


@dataclass(frozen=True)
class SweepSlice:
    """One of several sweeps in a file.

    Parameters
    ----------
    preamble_lines : int
        Number of lines at the top that belong to every sweep.
    begin, stop : int
        Its own lines, ``range(begin, stop)``, counted from zero.
    first_row : int
        Its first row of numbers, counted from zero.
    """

    preamble_lines: int
    begin: int
    stop: int
    first_row: int

    def text_of(self, lines: Sequence[str]) -> str:
        """Return the sweep as a file of its own."""
        own = lines[max(self.begin, self.preamble_lines) : self.stop]
        return "\n".join([*lines[: self.preamble_lines], *own, ""])

    def with_file_line(self, error: ReadError) -> ReadError:
        """Return an error in the sweep's own text with the line number in the file."""
        if error.line is None or error.line <= self.preamble_lines:
            return error
        return replace(error, line=error.line + max(self.begin - self.preamble_lines, 0))


@dataclass
class MultipleSweepsError(ReadError):
    """A file that holds several sweeps where one was asked for.

    Parameters
    ----------
    slices : tuple of SweepSlice
    """

    slices: tuple[SweepSlice, ...] = ()


def multiple_sweeps_error(path: str, slices: Sequence[SweepSlice]) -> MultipleSweepsError:
    """Return the error for a file with several sweeps."""
    lines = [str(sweep_slice.first_row + 1) for sweep_slice in slices[:_MAX_LINES_SHOWN]]
    line_list = ", ".join([*lines, "..."] if len(slices) > _MAX_LINES_SHOWN else lines)
    return MultipleSweepsError(
        path,
        f"{len(slices)} sweeps in it, from lines {line_list}",
        f"name one, such as {path}#{len(slices)}",
        slices=tuple(slices),
    )


def find_restarts(f: FloatArray) -> list[int]:
    """Return the rows, from zero, where the frequency axis restarts; empty for one sweep.

    Parameters
    ----------
    f : ndarray, shape (n,)
        In any unit.
    """
    with np.errstate(all="ignore"):  # infinity minus infinity
        steps = np.diff(f)
    rising = int((steps > 0).sum()) >= int((steps < 0).sum())
    jumps = np.flatnonzero(steps < 0 if rising else steps > 0) + 1
    bounds = [0, *jumps.tolist(), f.size]
    runs = [f[a:b] for a, b in pairwise(bounds)]
    if len(runs) < 2 or min(run.size for run in runs) < _MIN_ROWS:
        return []
    all_overlap = all(_overlap(a, b) for a, b in pairwise(runs))
    return bounds[1:-1] if all_overlap else []


def _overlap(a: FloatArray, b: FloatArray) -> bool:
    a, b = a[np.isfinite(a)], b[np.isfinite(b)]
    if not (a.size and b.size):
        return False
    shared = min(a.max(), b.max()) - max(a.min(), b.min())
    return bool(shared >= _SHARED_SPAN * min(np.ptp(a), np.ptp(b)))


def find_slices(lines: Lines, dialect: Dialect, f_index: int, path: str) -> list[SweepSlice]:
    """Return a table's sweeps.

    Parameters
    ----------
    lines : Lines
    dialect : Dialect
        Of the first rows.
    f_index : int
        Index of the frequency column.
    path : str
        The file, for errors.

    Raises
    ------
    ReadError
        There are more than a thousand, or many under a long preamble repeated for each.
    """
    slices: list[SweepSlice] = []
    begin = dialect.first
    for rows, f in _runs(lines, dialect, f_index):
        bounds = [0, *find_restarts(np.frombuffer(f)), len(rows)]
        for first, after in pairwise(bounds):
            sweep_slice = SweepSlice(dialect.first, begin, rows[after - 1] + 1, rows[first])
            begin = sweep_slice.stop
            if after - first >= _MIN_ROWS and _describes_reflection(sweep_slice, lines, dialect):
                slices.append(sweep_slice)
        if len(slices) > _MAX_SWEEPS:
            raise ReadError(path, f"over {_MAX_SWEEPS} sweeps in it", "split the file")
    if len(slices) * dialect.first > len(lines) + _MAX_REPEATED_LINES:
        raise ReadError(
            path, f"{len(slices)} sweeps under {dialect.first} lines of text", "split the file"
        )
    return slices


def _runs(lines: Lines, dialect: Dialect, f_index: int) -> list[tuple[array[int], array[float]]]:
    """Return each run of rows: their line indices and frequencies."""
    runs = [(array("I"), array("d"))]
    for begin, chunk in lines[dialect.first :].chunks():
        first = dialect.first + begin
        values = parse_plain_rows(chunk, dialect, NumberStyles())
        if values is not None:
            runs[-1][0].extend(range(first, first + len(chunk)))
            runs[-1][1].frombytes(values[:, f_index].tobytes())
            continue
        for index, text in enumerate(chunk, start=first):
            if not text.strip() or is_comment(text, dialect.separator):
                continue
            row = parse_row(text, dialect)
            if row is not None:
                runs[-1][0].append(index)
                runs[-1][1].append(row[f_index])
            elif runs[-1][0]:
                runs.append((array("I"), array("d")))
    return [run for run in runs if run[0]]


def _describes_reflection(sweep_slice: SweepSlice, lines: Sequence[str], dialect: Dialect) -> bool:
    """Whether a sweep's own header, if it has one, describes a reflection."""
    own = lines[max(sweep_slice.begin, sweep_slice.preamble_lines) : sweep_slice.first_row]
    header = find_header(own, replace(dialect, first=len(own)))
    roles = {column.role for column in header.columns}
    is_complete = "f" in roles and any(set(conversion.roles) <= roles for conversion in CONVERSIONS)
    return not header.other_quantity and (is_complete or not roles)
