"""From a table's columns to the reflection, by the conversion consistent with all of them.

A table may hold the same data several times: real and imaginary part, magnitude and angle,
resistance and reactance, SWR. A conversion is consistent if its result reproduces every column
whose meaning is certain. This also decides whether an angle is the reflection's or the impedance's
if its header does not say.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import pi

import numpy as np

from sweeplab.errors import ReadError, quoted
from sweeplab.files.table.columns import Column, Role, columns_advice, quoted_labels
from sweeplab.files.table.conversions import CONVERSIONS, Conversion, agree, reproduces
from sweeplab.finding import Finding, Threshold
from sweeplab.sweep import ComplexArray, Content, FloatArray

# No passive load reflects more; it is another quantity. Common practice, no source.
_MAX_MEDIAN_MAGNITUDE: Threshold = 1.5
# An angle column with values beyond a full circle in radians is in degrees.
_MAX_RADIANS: Threshold = 2 * pi
_DEGREE = pi / 180
# A reactance that falls to this fraction of its values on both sides, over at least so many points,
# and never changes sign has probably lost it. Common practice, no source.
_NEAR_ZERO_RATIO: Threshold = 0.05
_MIN_POINTS_FOR_SIGN: Threshold = 10
_ANGLES: tuple[Role, ...] = ("angle", "z_angle", "angle_abs", "z_angle_abs")
_CONDUCTANCES: tuple[Role, ...] = ("g_s", "b_s")
ColumnsByRole = dict[Role, tuple[Column, FloatArray]]
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
    """Return a table's reflection by the most complete conversion that is consistent.

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
        No conversion is possible, or two that are possible disagree.
    """
    by_role = _one_per_role(columns, values, path)
    unknown = _convert_units(by_role)
    findings = _negate_positive_level(by_role)
    data = {role: column_values for role, (_, column_values) in by_role.items()}
    conversions = [conversion for conversion in CONVERSIONS if _is_possible(conversion, by_role)]
    if unknown and not any(conversion.content == "complex" for conversion in conversions):
        raise _unit_unknown(unknown[0], columns, path)
    if not conversions:
        raise ReadError(
            path,
            f"no reflection, impedance or SWR among {quoted_labels(columns)}",
            columns_advice(columns, len(columns)),
        )
    with np.errstate(all="ignore"):
        readings = [(conversion, conversion.formula(data, z0_ohm)) for conversion in conversions]
        (conversion, gamma), choice_findings = _choose(readings, by_role, z0_ohm, path, columns)
        _check_magnitude(conversion, gamma, by_role, path, columns)
    if conversion.roles == ("r_ohm", "x_ohm"):
        choice_findings += _lost_sign_findings(data["x_ohm"])
    findings += choice_findings + _content_findings(conversion.content)
    gamma = np.asarray(gamma, dtype=np.complex128)
    return TableReflection(gamma, conversion.content, tuple(findings))


def _one_per_role(columns: tuple[Column, ...], values: FloatArray, path: str) -> ColumnsByRole:
    """Return one column for each role; of several, the one that names the reflection explicitly."""
    by_role: ColumnsByRole = {}
    for index, column in enumerate(columns):
        data = values[:, index]
        if column.role in ("f", "skip"):
            continue
        if column.role in by_role:
            other, other_data = by_role[column.role]
            if np.array_equal(data, other_data, equal_nan=True) or (
                other.is_reflection and not column.is_reflection
            ):
                continue
            if column.is_reflection == other.is_reflection:
                raise ReadError(
                    path,
                    f"two columns fit as {column.role}, "
                    f"{quoted(other.label)} and {quoted(column.label)}",
                    columns_advice(columns, len(columns)),
                )
        by_role[column.role] = (column, data)
    return by_role


def _convert_units(by_role: ColumnsByRole) -> list[tuple[Column, FloatArray]]:
    """Convert angles to radians and conductances to siemens in place.

    Removes and returns the columns whose unit is not known.
    """
    unknown = []
    for role in [role for role in by_role if role in (*_ANGLES, *_CONDUCTANCES)]:
        column, data = by_role[role]
        known = np.abs(data[np.isfinite(data)])
        if column.scale is not None:
            by_role[role] = (column, data * column.scale)
        elif role in _ANGLES and known.size and known.max() > _MAX_RADIANS:
            by_role[role] = (column, data * _DEGREE)
        else:
            unknown.append(by_role.pop(role))
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
        columns_advice(columns, len(columns)),
    )


def _negate_positive_level(by_role: ColumnsByRole) -> list[Finding]:
    """Negate a level in dB given as a positive number: a passive load has no gain."""
    if "db" not in by_role:
        return []
    column, level = by_role["db"]
    known = level[np.isfinite(level)]
    if known.size == 0 or np.median(known) <= 0:
        return []
    by_role["db"] = (column, -level)
    return [
        Finding(
            code="positive-level",
            level="warning",
            text="The level in dB is positive; it was read as return loss.",
            evidence={"median_db": float(np.median(known))},
            action="Check that the column is a reflection.",
        )
    ]


def _is_possible(conversion: Conversion, by_role: ColumnsByRole) -> bool:
    """Whether a conversion has its columns, and uses no reflection's angle as an impedance's."""
    if not set(conversion.roles) <= set(by_role):
        return False
    return conversion.roles != ("z_abs_ohm", "angle") or not by_role["angle"][0].is_reflection


def _choose(
    readings: list[Reading],
    by_role: ColumnsByRole,
    z0_ohm: float,
    path: str,
    columns: tuple[Column, ...],
) -> tuple[Reading, list[Finding]]:
    """Return the first reading consistent with every column, and findings."""
    complex_readings = [reading for reading in readings if reading[0].content == "complex"]
    if not complex_readings:
        return readings[0], []
    certain = [
        (role, values)
        for role, (column, values) in by_role.items()
        if role != "angle" or column.is_reflection
    ]
    consistent = [
        reading
        for reading in complex_readings
        if all(reproduces(reading[1], role, values, z0_ohm) for role, values in certain)
    ]
    candidates = consistent or complex_readings
    for other in candidates[1:]:
        if not agree(other[1] - candidates[0][1]):
            raise _disagreement(candidates[0], other, path, columns)
    if consistent:
        return candidates[0], []
    return candidates[0], [_columns_disagree(candidates[0], certain, z0_ohm)]


def _disagreement(
    first: Reading, second: Reading, path: str, columns: tuple[Column, ...]
) -> ReadError:
    index = int(np.argmax(np.isfinite(first[1]) & np.isfinite(second[1])))
    shown = " but ".join(
        f"{conversion.role_names} give {gamma[index].real:.3f}{gamma[index].imag:+.3f}j"
        for conversion, gamma in (first, second)
    )
    return ReadError(
        path, f"two readings that disagree: {shown}", columns_advice(columns, len(columns))
    )


def _columns_disagree(
    reading: Reading, certain: list[tuple[Role, FloatArray]], z0_ohm: float
) -> Finding:
    conversion, gamma = reading
    disagreeing = [role for role, values in certain if not reproduces(gamma, role, values, z0_ohm)]
    return Finding(
        code="columns-disagree",
        level="warning",
        text=f"{conversion.role_names} were read; {' and '.join(disagreeing)} say otherwise.",
        evidence={"z0_ohm": z0_ohm},
        action="Check the reference impedance and what the columns are.",
    )


def _check_magnitude(
    conversion: Conversion,
    gamma: ComplexArray,
    by_role: ColumnsByRole,
    path: str,
    columns: tuple[Column, ...],
) -> None:
    """Raise ReadError if columns named like a reflection's are too large to be one."""
    column = by_role[conversion.roles[0]][0]
    if conversion.roles[0] not in ("re", "magnitude") or column.is_reflection:
        return
    magnitude = np.abs(gamma)
    magnitude = magnitude[np.isfinite(magnitude)]
    if magnitude.size == 0 or np.median(magnitude) <= _MAX_MEDIAN_MAGNITUDE:
        return
    ohm_roles: dict[Role, Role] = {"re": "r_ohm", "im": "x_ohm", "magnitude": "z_abs_ohm"}
    as_ohms = tuple(replace(c, role=ohm_roles.get(c.role, c.role)) for c in columns)
    raise ReadError(
        path,
        f"{quoted(column.label)} is no part of a reflection, "
        f"whose size would be {np.median(magnitude):.3g}",
        columns_advice(as_ohms, len(columns)),
    )


def _lost_sign_findings(x_ohm: FloatArray) -> list[Finding]:
    """Return a warning if a reactance touches zero without crossing it, as if it had no sign."""
    known = x_ohm[np.isfinite(x_ohm)]
    if known.size < _MIN_POINTS_FOR_SIGN or known.min() < 0:
        return []
    lowest = int(np.argmin(known))
    if not 0 < lowest < known.size - 1:
        return []
    if known[lowest] > _NEAR_ZERO_RATIO * min(known[:lowest].max(), known[lowest:].max()):
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
