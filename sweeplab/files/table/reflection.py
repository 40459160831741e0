"""From a table's columns to the reflection, by the way that fits all of them.

A table may say the same thing several times: real and imaginary part, size and angle, resistance
and reactance, SWR. A way to read it fits when it reproduces every column whose meaning is sure.
An angle that does not say whether it is the reflection's or the impedance's is settled so too.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import pi

import numpy as np

from sweeplab.errors import ReadError, quoted
from sweeplab.files.table.columns import Column, Role, how_to_say, labels
from sweeplab.files.table.conversions import CONVERSIONS, Conversion, agree, reproduces
from sweeplab.finding import Finding, Threshold
from sweeplab.sweep import ComplexArray, Content, FloatArray

# No passive load reflects so much; it is another quantity. Common practice, no source.
_LARGEST_SIZE: Threshold = 1.5
# An angle column that goes beyond a whole turn of radians is in degrees.
_MOST_RADIANS: Threshold = 2 * pi
_DEGREE = pi / 180
# A reactance that falls to this part of what it is on either side, over so many points, and never
# changes sign, has likely lost it. Common practice, no source.
_NEAR_ZERO: Threshold = 0.05
_POINTS_TO_DOUBT: Threshold = 10
_ANGLES: tuple[Role, ...] = ("angle", "z_angle", "angle_abs", "z_angle_abs")
_CONDUCTANCES: tuple[Role, ...] = ("g_s", "b_s")
Named = dict[Role, tuple[Column, FloatArray]]
Reading = tuple[Conversion, ComplexArray]


@dataclass(frozen=True, eq=False)
class TableReflection:
    """A table's reflection.

    Parameters
    ----------
    gamma : ndarray of complex, shape (n,)
    content : {'complex', 'unsigned', 'magnitude'}
    findings : tuple of Finding
    """

    gamma: ComplexArray
    content: Content
    findings: tuple[Finding, ...]


def reflection(
    columns: tuple[Column, ...], values: FloatArray, z0_ohm: float, path: str
) -> TableReflection:
    """Return a table's reflection by the way that says most and fits.

    Parameters
    ----------
    columns : tuple of Column
    values : ndarray, shape (n, columns)
    z0_ohm : float
        Reference impedance [ohm].
    path : str
        The file, for errors.

    Raises
    ------
    ReadError
        No way is open, or two that are open disagree.
    """
    named = _one_each(columns, values, path)
    unknown = _settle_units(named)
    findings = _mend_level(named)
    data = {role: column_values for role, (_, column_values) in named.items()}
    ways = [way for way in CONVERSIONS if set(way.roles) <= set(data) and _may_use(way, named)]
    if unknown and not any(way.content == "complex" for way in ways):
        raise _unit_unknown(unknown[0], columns, path)
    if not ways:
        raise ReadError(
            path,
            f"no reflection, impedance or SWR among {labels(columns)}",
            how_to_say(columns, len(columns)),
        )
    with np.errstate(all="ignore"):
        readings = [(way, way.formula(data, z0_ohm)) for way in ways]
        (way, gamma), doubts = _choose(readings, named, z0_ohm, path, columns)
        _must_be_reflection(way, gamma, named, path, columns)
    if way.roles == ("r_ohm", "x_ohm"):
        doubts += _sign_doubt(data["x_ohm"])
    findings += doubts + _content_findings(way.content)
    return TableReflection(np.asarray(gamma, dtype=np.complex128), way.content, tuple(findings))


def _one_each(columns: tuple[Column, ...], values: FloatArray, path: str) -> Named:
    """Return one column for each role; of several, the one that names the reflection."""
    named: Named = {}
    for index, column in enumerate(columns):
        data = values[:, index]
        if column.role in ("f", "skip"):
            continue
        if column.role in named:
            rival, rival_data = named[column.role]
            if np.array_equal(data, rival_data, equal_nan=True) or (
                rival.names_reflection and not column.names_reflection
            ):
                continue
            if column.names_reflection == rival.names_reflection:
                raise ReadError(
                    path,
                    f"two columns fit as {column.role}, "
                    f"{quoted(rival.label)} and {quoted(column.label)}",
                    how_to_say(columns, len(columns)),
                )
        named[column.role] = (column, data)
    return named


def _settle_units(named: Named) -> list[tuple[Column, FloatArray]]:
    """Turn angles to radians and conductances to siemens in place.

    Takes out and returns the columns whose unit cannot be told.
    """
    unknown = []
    for role in [role for role in named if role in (*_ANGLES, *_CONDUCTANCES)]:
        column, data = named[role]
        known = np.abs(data[np.isfinite(data)])
        if column.scale is not None:
            named[role] = (column, data * column.scale)
        elif role in _ANGLES and known.size and known.max() > _MOST_RADIANS:
            named[role] = (column, data * _DEGREE)
        else:
            unknown.append(named.pop(role))
    return unknown


def _unit_unknown(
    unknown: tuple[Column, FloatArray], columns: tuple[Column, ...], path: str
) -> ReadError:
    column, data = unknown
    kind, units = (
        ("angle", "degrees or radians")
        if column.role in _ANGLES
        else ("admittance", "siemens or millisiemens")
    )
    known = np.abs(data[np.isfinite(data)])
    return ReadError(
        path,
        f"{kind} column {quoted(column.label)} names no unit: values up to "
        f"{known.max() if known.size else 0:g} could be {units}",
        how_to_say(columns, len(columns)),
    )


def _mend_level(named: Named) -> list[Finding]:
    """Turn a level printed as a positive number; a passive load reflects less than all."""
    if "db" not in named:
        return []
    column, level = named["db"]
    known = level[np.isfinite(level)]
    if known.size == 0 or np.median(known) <= 0:
        return []
    named["db"] = (column, -level)
    return [
        Finding(
            code="positive-level",
            level="warning",
            text="The level in dB is positive; it was read as return loss.",
            evidence={"median_db": float(np.median(known))},
            action="Check that the column is a reflection.",
        )
    ]


def _may_use(way: Conversion, named: Named) -> bool:
    """Whether a way takes an angle for what its header does not deny."""
    return way.roles != ("z_abs_ohm", "angle") or not named["angle"][0].names_reflection


def _choose(
    readings: list[Reading], named: Named, z0_ohm: float, path: str, columns: tuple[Column, ...]
) -> tuple[Reading, list[Finding]]:
    """Return the first reading that fits every column, and what does not fit."""
    whole = [reading for reading in readings if reading[0].content == "complex"]
    if not whole:
        return readings[0], []
    sure = [
        (role, values)
        for role, (column, values) in named.items()
        if role != "angle" or column.names_reflection
    ]
    fitting = [
        reading
        for reading in whole
        if all(reproduces(reading[1], role, values, z0_ohm) for role, values in sure)
    ]
    candidates = fitting or whole
    for rival in candidates[1:]:
        if not agree(rival[1] - candidates[0][1]):
            raise _disagreement(candidates[0], rival, path, columns)
    if fitting:
        return candidates[0], []
    return candidates[0], [_misfit(candidates[0], sure, z0_ohm)]


def _disagreement(
    first: Reading, second: Reading, path: str, columns: tuple[Column, ...]
) -> ReadError:
    at = int(np.argmax(np.isfinite(first[1]) & np.isfinite(second[1])))
    shown = " but ".join(
        f"{way.words} give {gamma[at].real:.3f}{gamma[at].imag:+.3f}j"
        for way, gamma in (first, second)
    )
    return ReadError(
        path, f"two readings that disagree: {shown}", how_to_say(columns, len(columns))
    )


def _misfit(reading: Reading, sure: list[tuple[Role, FloatArray]], z0_ohm: float) -> Finding:
    way, gamma = reading
    odd = [role for role, values in sure if not reproduces(gamma, role, values, z0_ohm)]
    return Finding(
        code="columns-disagree",
        level="warning",
        text=f"{way.words} were read; {' and '.join(odd)} say otherwise.",
        evidence={"z0_ohm": z0_ohm},
        action="Check the reference impedance and what the columns are.",
    )


def _must_be_reflection(
    way: Conversion, gamma: ComplexArray, named: Named, path: str, columns: tuple[Column, ...]
) -> None:
    """Refuse columns that could be a reflection's by their names, but not by their size."""
    column = named[way.roles[0]][0]
    if way.roles[0] not in ("re", "magnitude") or column.names_reflection:
        return
    size = np.abs(gamma)
    size = size[np.isfinite(size)]
    if size.size == 0 or np.median(size) <= _LARGEST_SIZE:
        return
    other: dict[Role, Role] = {"re": "r_ohm", "im": "x_ohm", "magnitude": "z_abs_ohm"}
    as_ohms = tuple(replace(c, role=other.get(c.role, c.role)) for c in columns)
    raise ReadError(
        path,
        f"{quoted(column.label)} is no part of a reflection, "
        f"whose size would be {np.median(size):.3g}",
        how_to_say(as_ohms, len(columns)),
    )


def _sign_doubt(x_ohm: FloatArray) -> list[Finding]:
    """Return a warning where a reactance turns back at zero, as one without its sign does."""
    known = x_ohm[np.isfinite(x_ohm)]
    if known.size < _POINTS_TO_DOUBT or known.min() < 0:
        return []
    lowest = int(np.argmin(known))
    inside = 0 < lowest < known.size - 1
    if not inside or known[lowest] > _NEAR_ZERO * min(known[:lowest].max(), known[lowest:].max()):
        return []
    return [
        Finding(
            code="sign-doubtful",
            level="warning",
            text="The reactance comes close to zero and never goes below: has it lost its sign?",
            evidence={"lowest_ohm": float(known[lowest])},
            action="If so, name its column x_abs_ohm.",
        )
    ]


def _content_findings(content: Content) -> list[Finding]:
    if content == "complex":
        return []
    text = {
        "unsigned": "The sign of the reactance or of the angle is not in the file.",
        "magnitude": "Only the size of the reflection is in the file, not its phase.",
    }[content]
    return [
        Finding(
            code=f"content-{content}",
            level="warning",
            text=text,
            action="Export real and imaginary part, or size and angle, if the analyzer can.",
        )
    ]
