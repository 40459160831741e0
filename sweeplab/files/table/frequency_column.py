"""A table's frequencies: which column, and in what unit."""

from __future__ import annotations

import numpy as np

from sweeplab.errors import ReadError, quoted
from sweeplab.files.table.columns import UNITS_HZ, Column, how_to_say, labels
from sweeplab.finding import Finding, Threshold
from sweeplab.sweep import FloatArray

# No unit but Hz puts numbers from here on below 1 GHz, where no small loop works.
_SURELY_HZ: Threshold = 1e6
# Between these a unit is worth naming to the person as one that fits.
_LEAST_THINKABLE_HZ: Threshold = 1e4
_MOST_THINKABLE_HZ: Threshold = 1e11
# Two columns whose frequencies differ by less, relative, say the same: they are rounded.
_SAME_FREQUENCY: Threshold = 1e-4
_NAMES = {"hz": "Hz", "khz": "kHz", "mhz": "MHz", "ghz": "GHz"}


def frequency(
    columns: tuple[Column, ...], values: FloatArray, preamble_scale_hz: float | None, path: str
) -> tuple[FloatArray, list[Finding]]:
    """Return a table's frequencies and what was noticed.

    Parameters
    ----------
    columns : tuple of Column
    values : ndarray, shape (n, columns)
    preamble_scale_hz : float or None
        The one unit that is named above the table [Hz].
    path : str
        The file, for errors.

    Returns
    -------
    ndarray, shape (n,)
        [Hz]
    list of Finding

    Raises
    ------
    ReadError
        No column holds the frequency, several disagree, or its unit cannot be told.
    """
    found = [(column, values[:, i]) for i, column in enumerate(columns) if column.role == "f"]
    if not found:
        raise ReadError(
            path, f"no frequency among {labels(columns)}", how_to_say(columns, len(columns))
        )
    found = [(column, data) for column, data in found if column.scale is not None] or found
    column, data = found[0]
    for other, other_data in found[1:]:
        if not _alike(data, column.scale, other_data, other.scale):
            raise ReadError(
                path,
                f"frequency columns that disagree, {quoted(column.label)} "
                f"and {quoted(other.label)}",
                how_to_say(columns, len(columns)),
            )
    if column.scale is not None:
        return data * column.scale, []
    scale, why = _unit(column, data, preamble_scale_hz, path, columns)
    return data * scale, [_inferred(scale, why)]


def _alike(a: FloatArray, a_scale: float | None, b: FloatArray, b_scale: float | None) -> bool:
    a_hz, b_hz = a * (a_scale or 1), b * (b_scale or 1)
    return np.allclose(a_hz, b_hz, rtol=_SAME_FREQUENCY, atol=0, equal_nan=True)


def _unit(
    column: Column,
    data: FloatArray,
    preamble_scale_hz: float | None,
    path: str,
    columns: tuple[Column, ...],
) -> tuple[float, str]:
    """Return the unit [Hz] of a column whose header names none, and why."""
    known = data[np.isfinite(data)]
    low, high = (float(known.min()), float(known.max())) if known.size else (0.0, 0.0)
    if preamble_scale_hz is not None and low * preamble_scale_hz >= _LEAST_THINKABLE_HZ:
        return preamble_scale_hz, "the one unit named above the table"
    if low >= _SURELY_HZ:
        return 1.0, "since any other would put it beyond 1 GHz"
    fitting = [
        _NAMES[unit]
        for unit, scale in UNITS_HZ.items()
        if low * scale >= _LEAST_THINKABLE_HZ and high * scale <= _MOST_THINKABLE_HZ
    ]
    raise ReadError(
        path,
        f"frequency column {quoted(column.label)} names no unit: {low:g} to {high:g} could be "
        f"{' or '.join(fitting or _NAMES.values())}",
        how_to_say(columns, len(columns)),
    )


def _inferred(scale: float, why: str) -> Finding:
    unit = next(_NAMES[unit] for unit, factor in UNITS_HZ.items() if factor == scale)
    return Finding(
        code="unit-inferred",
        level="note",
        text=f"The frequency column names no unit; {unit} was taken, {why}.",
        evidence={"unit": unit},
        action="Check the frequencies.",
    )
