"""From a table's columns to the reflection, by every way that fits.

A reflection may stand as real and imaginary part, as size (plain or in dB) and angle, or follow
from resistance and reactance. Where a table offers more than one way, they must agree.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import pi

import numpy as np

from sweeplab.errors import ReadError
from sweeplab.files.columns import READINGS, Column, Role, how_to_say, labels
from sweeplab.finding import Finding
from sweeplab.sweep import ComplexArray, Content, FloatArray

# Two ways agree when the median of their distances stays below this: the rounding of printed
# ohms and degrees does. Common practice, no source.
_AGREEMENT = 0.02
_DEGREE = pi / 180
Data = Mapping[Role, FloatArray]


@dataclass(frozen=True, eq=False)
class Seen:
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


@dataclass(frozen=True)
class Way:
    """One way to the reflection.

    Parameters
    ----------
    roles : tuple of str
        The columns it needs.
    content : {'complex', 'unsigned', 'magnitude'}
    formula : callable
        From those columns and the reference [ohm] to the reflection.
    """

    roles: tuple[Role, ...]
    content: Content
    formula: Callable[[Data, float], ComplexArray]


def _from_parts(data: Data, z0_ohm: float) -> ComplexArray:
    return np.asarray(data["re"] + 1j * data["im"])


def _size(data: Data, z0_ohm: float) -> ComplexArray:
    return data["magnitude"].astype(np.complex128)


def _level(data: Data, z0_ohm: float) -> ComplexArray:
    return np.asarray(10.0 ** (data["db"] / 20.0), dtype=np.complex128)


def _return_loss(data: Data, z0_ohm: float) -> ComplexArray:
    # Some print the loss as a negative number; its size is what is meant.
    return np.asarray(10.0 ** (-np.abs(data["return_loss_db"]) / 20.0), dtype=np.complex128)


def _swr(data: Data, z0_ohm: float) -> ComplexArray:
    swr = np.where(data["swr"] >= 1, data["swr"], np.nan)
    return np.asarray((swr - 1) / (swr + 1), dtype=np.complex128)


def _impedance(data: Data, z0_ohm: float) -> ComplexArray:
    z_ohm = data["r_ohm"] + 1j * data["x_ohm"]
    return np.asarray((z_ohm - z0_ohm) / (z_ohm + z0_ohm))


def _unsigned(data: Data, z0_ohm: float) -> ComplexArray:
    return _impedance({"r_ohm": data["r_ohm"], "x_ohm": np.abs(data["x_abs_ohm"])}, z0_ohm)


def _turned(size: Callable[[Data, float], ComplexArray]) -> Callable[[Data, float], ComplexArray]:
    return lambda data, z0_ohm: size(data, z0_ohm) * np.exp(1j * data["angle"])


_FORMULAS: dict[tuple[Role, ...], tuple[Content, Callable[[Data, float], ComplexArray]]] = {
    ("re", "im"): ("complex", _from_parts),
    ("magnitude", "angle"): ("complex", _turned(_size)),
    ("db", "angle"): ("complex", _turned(_level)),
    ("return_loss_db", "angle"): ("complex", _turned(_return_loss)),
    ("r_ohm", "x_ohm"): ("complex", _impedance),
    ("r_ohm", "x_abs_ohm"): ("unsigned", _unsigned),
    ("magnitude",): ("magnitude", _size),
    ("db",): ("magnitude", _level),
    ("return_loss_db",): ("magnitude", _return_loss),
    ("swr",): ("magnitude", _swr),
}
_WAYS = tuple(Way(roles, *_FORMULAS[roles]) for roles in READINGS)


def reflection(columns: tuple[Column, ...], values: FloatArray, z0_ohm: float, path: str) -> Seen:
    """Return a table's reflection by the way that says most.

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
    angle = named.get("angle")
    if angle is not None:
        turned = _in_radians(*angle)
        if turned is None:
            del named["angle"]
        else:
            named["angle"] = (angle[0], turned)
    data = {role: column_values for role, (_, column_values) in named.items()}
    findings = _mend_level(data)
    ways = [way for way in _WAYS if all(role in data for role in way.roles)]
    if angle is not None and "angle" not in named:
        _must_not_need(angle, ways, path, columns)
    if not ways:
        raise ReadError(
            path,
            f"no reflection, impedance or SWR among {labels(columns)}",
            how_to_say(columns, len(columns)),
        )
    with np.errstate(all="ignore"):
        answers = [way.formula(data, z0_ohm) for way in ways]
    _must_agree(ways, answers, path, columns)
    content = ways[0].content
    return Seen(answers[0], content, (*findings, *_content_findings(content)))


def _one_each(
    columns: tuple[Column, ...], values: FloatArray, path: str
) -> dict[Role, tuple[Column, FloatArray]]:
    """Return one column for each role; of several, the one that names the reflection."""
    named: dict[Role, tuple[Column, FloatArray]] = {}
    for index, column in enumerate(columns):
        data = values[:, index]
        if column.role in ("f", "skip"):
            continue
        if column.role in named:
            rival, rival_data = named[column.role]
            if np.array_equal(data, rival_data, equal_nan=True):
                continue
            if column.names_reflection == rival.names_reflection:
                raise ReadError(
                    path,
                    f"two columns fit as {column.role}, '{rival.label}' and '{column.label}'",
                    how_to_say(columns, len(columns)),
                )
            if rival.names_reflection:
                continue
        named[column.role] = (column, data)
    return named


def _in_radians(column: Column, angle: FloatArray) -> FloatArray | None:
    """Return the angles [rad], or None where their unit cannot be told."""
    if column.scale is not None:
        return angle * column.scale
    size = np.abs(angle[np.isfinite(angle)])
    return angle * _DEGREE if size.size and size.max() > 2 * pi else None


def _must_not_need(
    angle: tuple[Column, FloatArray], ways: list[Way], path: str, columns: tuple[Column, ...]
) -> None:
    """Refuse where the reflection's phase hangs on an angle of unknown unit."""
    if any(way.content == "complex" for way in ways) or not ways:
        return
    column, data = angle
    raise ReadError(
        path,
        f"angle column '{column.label}' names no unit: values up to "
        f"{np.nanmax(np.abs(data)):g} could be degrees or radians",
        how_to_say(columns, len(columns)),
    )


def _mend_level(data: dict[Role, FloatArray]) -> list[Finding]:
    """Turn a level printed as a positive number; a passive load reflects less than all."""
    level = data.get("db")
    if level is None or not np.isfinite(level).any() or np.nanmedian(level) <= 0:
        return []
    data["db"] = -level
    return [
        Finding(
            code="positive-level",
            level="warning",
            text="The level in dB is positive; it was read as return loss.",
            evidence={"median_db": float(np.nanmedian(level))},
            action="Check that the column is a reflection.",
        )
    ]


def _must_agree(
    ways: list[Way], answers: list[ComplexArray], path: str, columns: tuple[Column, ...]
) -> None:
    pairs = zip(ways, answers, strict=True)
    whole = [(way, gamma) for way, gamma in pairs if way.content == "complex"]
    for way, gamma in whole[1:]:
        first_way, first = whole[0]
        known = np.isfinite(gamma) & np.isfinite(first)
        if not known.any() or np.median(np.abs(gamma - first)[known]) <= _AGREEMENT:
            continue
        at = int(np.argmax(known))
        raise ReadError(
            path,
            f"two readings that disagree: {_words(first_way)} give {_show(first[at])}, "
            f"{_words(way)} give {_show(gamma[at])} in the first row",
            how_to_say(columns, len(columns)),
        )


def _words(way: Way) -> str:
    return " and ".join(way.roles)


def _show(gamma: np.complex128) -> str:
    return f"{gamma.real:.3f}{gamma.imag:+.3f}j"


def _content_findings(content: Content) -> list[Finding]:
    if content == "complex":
        return []
    text = {
        "unsigned": "The sign of the reactance is not in the file.",
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
