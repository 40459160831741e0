"""A table's frequencies: which column, and in what unit."""

from __future__ import annotations

import numpy as np

from sweeplab.errors import ReadError, quoted
from sweeplab.files.table.columns import UNITS_HZ, Column, columns_advice, quoted_labels
from sweeplab.finding import Finding, Threshold
from sweeplab.sweep import FloatArray

# From here on any unit but Hz would mean 1 GHz or more, where no small loop works.
_MIN_CERTAIN_HZ: Threshold = 1e6
# A unit that puts the frequencies between these is named as possible.
_MIN_POSSIBLE_HZ: Threshold = 1e4
_MAX_POSSIBLE_HZ: Threshold = 1e11
# Relative difference of two frequency columns that is due to rounding.
_SAME_FREQUENCY_TOLERANCE: Threshold = 1e-4
_UNIT_NAMES = {"hz": "Hz", "khz": "kHz", "mhz": "MHz", "ghz": "GHz"}


def frequency(
    columns: tuple[Column, ...], values: FloatArray, preamble_scale_hz: float | None, path: str
) -> tuple[FloatArray, list[Finding]]:
    """Return a table's frequencies, and findings.

    Parameters
    ----------
    columns : tuple of Column
    values : ndarray, shape (n, columns)
    preamble_scale_hz : float or None
        The only unit named above the table [Hz].
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
        No column holds the frequency, several disagree, or its unit is not known.
    """
    column, data = _frequency_column(columns, values, path)
    if column.scale is not None:
        return data * column.scale, []
    scale, why = _infer_unit(column, data, preamble_scale_hz, path, columns)
    return data * scale, [_unit_inferred(scale, why)]


def _frequency_column(
    columns: tuple[Column, ...], values: FloatArray, path: str
) -> tuple[Column, FloatArray]:
    """Return the frequency column, of several that agree the first with a unit."""
    f_columns = [(column, values[:, i]) for i, column in enumerate(columns) if column.role == "f"]
    if not f_columns:
        raise ReadError(
            path,
            f"no frequency among {quoted_labels(columns)}",
            columns_advice(columns, len(columns)),
        )
    with_unit = [(column, data) for column, data in f_columns if column.scale is not None]
    (column, data), *others = with_unit or f_columns
    for other, other_data in others:
        if not _same_frequencies(data, column.scale, other_data, other.scale):
            raise ReadError(
                path,
                f"frequency columns that disagree, {quoted(column.label)} "
                f"and {quoted(other.label)}",
                columns_advice(columns, len(columns)),
            )
    return column, data


def _same_frequencies(
    a: FloatArray, a_scale: float | None, b: FloatArray, b_scale: float | None
) -> bool:
    a_hz, b_hz = a * (a_scale or 1), b * (b_scale or 1)
    return np.allclose(a_hz, b_hz, rtol=_SAME_FREQUENCY_TOLERANCE, atol=0, equal_nan=True)


def _infer_unit(
    column: Column,
    data: FloatArray,
    preamble_scale_hz: float | None,
    path: str,
    columns: tuple[Column, ...],
) -> tuple[float, str]:
    """Return the unit [Hz] of a column whose header names none, and the reason."""
    known = data[np.isfinite(data)]
    low, high = (float(known.min()), float(known.max())) if known.size else (0.0, 0.0)
    if preamble_scale_hz is not None and low * preamble_scale_hz >= _MIN_POSSIBLE_HZ:
        return preamble_scale_hz, "the one unit named above the table"
    if low >= _MIN_CERTAIN_HZ:
        return 1.0, "since any other would put it beyond 1 GHz"
    fitting = [
        _UNIT_NAMES[unit]
        for unit, scale in UNITS_HZ.items()
        if low * scale >= _MIN_POSSIBLE_HZ and high * scale <= _MAX_POSSIBLE_HZ
    ]
    raise ReadError(
        path,
        f"frequency column {quoted(column.label)} names no unit: {low:g} to {high:g} could be "
        f"{' or '.join(fitting or _UNIT_NAMES.values())}",
        columns_advice(columns, len(columns)),
    )


def _unit_inferred(scale: float, why: str) -> Finding:
    unit = next(_UNIT_NAMES[unit] for unit, factor in UNITS_HZ.items() if factor == scale)
    return Finding(
        code="unit-inferred",
        level="note",
        text=f"The frequency column names no unit; {unit} was taken, {why}.",
        evidence={"unit": unit},
        action="Check the frequencies.",
    )
