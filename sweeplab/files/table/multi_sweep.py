"""Several sweeps in one table: where each begins, and each as a text of its own.

A second sweep begins where rows of numbers begin again under other text, or where the frequency
falls back to pass once more over what it passed before. Two spans that stand apart, as of two
bands, are one sweep with a gap.
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
from sweeplab.files.table.row_parser import plain_rows, row_of
from sweeplab.files.text.lines import Lines
from sweeplab.files.text.numbers import Spelling
from sweeplab.finding import Threshold
from sweeplab.sweep import FloatArray

# Fewer rows than these are a remark, not a sweep.
_LEAST_ROWS: Threshold = 3
_MOST_PARTS: Threshold = 1000
# What stands above them is read again with each; so many lines in all, beside the file's own.
_MOST_REPEATED: Threshold = 20_000
# Of the narrower of two spans: what they share at least where one is swept again.
_SHARED_SPAN: Threshold = 0.5
_SHOWN = 4


@dataclass(frozen=True)
class SweepSlice:
    """One of several sweeps in a file.

    Parameters
    ----------
    above : int
        So many lines at the file's top belong to every sweep.
    begin, stop : int
        Its own lines, from zero, `stop` not among them.
    row : int
        Where its numbers begin, from zero.
    """

    above: int
    begin: int
    stop: int
    row: int

    def text_of(self, lines: Sequence[str]) -> str:
        """Return the part as a file of its own."""
        own = lines[max(self.begin, self.above) : self.stop]
        return "\n".join([*lines[: self.above], *own, ""])

    def placed(self, error: ReadError) -> ReadError:
        """Return an error about the part's text as one about the file."""
        if error.line is None or error.line <= self.above:
            return error
        return replace(error, line=error.line + max(self.begin - self.above, 0))


@dataclass
class SeveralSweepsError(ReadError):
    """A file that holds several sweeps where one was asked for.

    Parameters
    ----------
    parts : tuple of Part
    """

    parts: tuple[SweepSlice, ...] = ()


def several(path: str, parts: Sequence[SweepSlice]) -> SeveralSweepsError:
    """Return the refusal to choose among a file's sweeps."""
    lines = [str(part.row + 1) for part in parts[:_SHOWN]]
    where = ", ".join([*lines, "..."] if len(parts) > _SHOWN else lines)
    return SeveralSweepsError(
        path,
        f"{len(parts)} sweeps in it, from lines {where}",
        f"name one, such as {path}#{len(parts)}",
        parts=tuple(parts),
    )


def begin_again(f: FloatArray) -> list[int]:
    """Return the rows, from zero, where a frequency axis begins anew; empty for one sweep.

    Parameters
    ----------
    f : ndarray, shape (n,)
        In any unit.
    """
    with np.errstate(all="ignore"):  # infinity less infinity
        steps = np.diff(f)
    rising = int((steps > 0).sum()) >= int((steps < 0).sum())
    back = np.flatnonzero(steps < 0 if rising else steps > 0) + 1
    bounds = [0, *back.tolist(), f.size]
    runs = [f[a:b] for a, b in pairwise(bounds)]
    if len(runs) < 2 or min(run.size for run in runs) < _LEAST_ROWS:
        return []
    together = all(_overlap(a, b) for a, b in pairwise(runs))
    return bounds[1:-1] if together else []


def _overlap(a: FloatArray, b: FloatArray) -> bool:
    a, b = a[np.isfinite(a)], b[np.isfinite(b)]
    if not (a.size and b.size):
        return False
    shared = min(a.max(), b.max()) - max(a.min(), b.min())
    return bool(shared >= _SHARED_SPAN * min(np.ptp(a), np.ptp(b)))


def find_slices(lines: Lines, layout: Dialect, f_place: int, path: str) -> list[SweepSlice]:
    """Return a table's sweeps.

    Parameters
    ----------
    lines : Lines
    layout : Layout
        Of its first rows.
    f_place : int
        Which column holds the frequency.
    path : str
        The file, for errors.

    Raises
    ------
    ReadError
        There are more than a thousand, or many under a long preamble that each would repeat.
    """
    parts: list[SweepSlice] = []
    begin = layout.first
    for rows, f in _runs(lines, layout, f_place):
        bounds = [0, *begin_again(np.frombuffer(f)), len(rows)]
        for first, after in pairwise(bounds):
            part = SweepSlice(layout.first, begin, rows[after - 1] + 1, rows[first])
            begin = part.stop
            if after - first >= _LEAST_ROWS and _is_reflection(part, lines, layout):
                parts.append(part)
        if len(parts) > _MOST_PARTS:
            raise ReadError(path, f"over {_MOST_PARTS} sweeps in it", "split the file")
    if len(parts) * layout.first > len(lines) + _MOST_REPEATED:
        raise ReadError(
            path, f"{len(parts)} sweeps under {layout.first} lines of text", "split the file"
        )
    return parts


def _runs(lines: Lines, layout: Dialect, f_place: int) -> list[tuple[array[int], array[float]]]:
    """Return each run of rows: their places and frequencies."""
    runs = [(array("I"), array("d"))]
    for begin, piece in lines[layout.first :].pieces():
        first = layout.first + begin
        plain = plain_rows(piece, layout, Spelling())
        if plain is not None:
            runs[-1][0].extend(range(first, first + len(piece)))
            runs[-1][1].frombytes(plain[:, f_place].tobytes())
            continue
        for index, text in enumerate(piece, start=first):
            if not text.strip() or is_comment(text, layout.separator):
                continue
            row = row_of(text, layout)
            if row is not None:
                runs[-1][0].append(index)
                runs[-1][1].append(row[f_place])
            elif runs[-1][0]:
                runs.append((array("I"), array("d")))
    return [run for run in runs if run[0]]


def _is_reflection(part: SweepSlice, lines: Sequence[str], layout: Dialect) -> bool:
    """Whether a part's own header, if it has one, names a reflection."""
    own = lines[max(part.begin, part.above) : part.row]
    header = find_header(own, replace(layout, first=len(own)))
    roles = {column.role for column in header.columns}
    names_one = "f" in roles and any(set(way.roles) <= roles for way in CONVERSIONS)
    return not header.other and (names_one or not roles)
