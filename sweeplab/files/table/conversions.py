"""The ways from a table's columns to a reflection, and back to check a column against it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from sweeplab.files.table.columns import READINGS, Role
from sweeplab.finding import Threshold
from sweeplab.sweep import ComplexArray, Content, FloatArray

Data = Mapping[Role, FloatArray]
Formula = Callable[[Data, float], ComplexArray]

# A column agrees with a reading when the median of their distances stays below this, on a scale
# where a whole reflection is 1: the rounding of printed ohms and degrees does. Common practice,
# no source.
AGREEMENT: Threshold = 0.02


@dataclass(frozen=True)
class Conversion:
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
    formula: Formula

    @property
    def words(self) -> str:
        """The columns, for a message."""
        return " and ".join(self.roles)


def _from_parts(data: Data, z0_ohm: float) -> ComplexArray:
    gamma = np.empty(data["re"].shape, dtype=np.complex128)
    gamma.real, gamma.imag = data["re"], data["im"]
    return gamma


def _size(role: Role) -> Formula:
    return lambda data, z0_ohm: size_of(role, data[role]).astype(np.complex128)


def _turned(role: Role) -> Formula:
    return lambda data, z0_ohm: size_of(role, data[role]) * np.exp(1j * data["angle"])


def _rectangular(x_role: Role) -> Formula:
    def formula(data: Data, z0_ohm: float) -> ComplexArray:
        x_ohm = np.abs(data[x_role]) if x_role == "x_abs_ohm" else data[x_role]
        return _gamma(np.asarray(data["r_ohm"] + 1j * x_ohm), z0_ohm)

    return formula


def _polar(angle_role: Role) -> Formula:
    def formula(data: Data, z0_ohm: float) -> ComplexArray:
        return _gamma(np.asarray(data["z_abs_ohm"] * np.exp(1j * data[angle_role])), z0_ohm)

    return formula


def _admitted(data: Data, z0_ohm: float) -> ComplexArray:
    relative = z0_ohm * (data["g_s"] + 1j * data["b_s"])
    return np.asarray((1 - relative) / (1 + relative))


def _unsigned(size_role: Role) -> Formula:
    def formula(data: Data, z0_ohm: float) -> ComplexArray:
        turn = np.exp(1j * np.abs(data["angle_abs"]))
        return np.asarray(size_of(size_role, data[size_role]) * turn)

    return formula


def _unsigned_polar(data: Data, z0_ohm: float) -> ComplexArray:
    z_ohm = data["z_abs_ohm"] * np.exp(1j * np.abs(data["z_angle_abs"]))
    return _gamma(np.asarray(z_ohm), z0_ohm)


def _gamma(z_ohm: ComplexArray, z0_ohm: float) -> ComplexArray:
    gamma = z_ohm - z0_ohm
    gamma /= z_ohm + z0_ohm
    return gamma


def size_of(role: Role, values: FloatArray) -> FloatArray:
    """Return the size of the reflection that a level, a loss or an SWR stands for."""
    if role == "db":
        return np.asarray(10.0 ** (values / 20.0))
    if role == "return_loss_db":
        # Some print the loss as a negative number; its size is what is meant.
        return np.asarray(10.0 ** (-np.abs(values) / 20.0))
    if role == "swr":
        size = values - 1
        size /= values + 1
        size[values < 1] = np.nan
        return size
    return values


_FORMULAS: dict[tuple[Role, ...], tuple[Content, Formula]] = {
    ("re", "im"): ("complex", _from_parts),
    ("magnitude", "angle"): ("complex", _turned("magnitude")),
    ("db", "angle"): ("complex", _turned("db")),
    ("return_loss_db", "angle"): ("complex", _turned("return_loss_db")),
    ("r_ohm", "x_ohm"): ("complex", _rectangular("x_ohm")),
    ("z_abs_ohm", "z_angle"): ("complex", _polar("z_angle")),
    ("z_abs_ohm", "angle"): ("complex", _polar("angle")),
    ("g_s", "b_s"): ("complex", _admitted),
    ("r_ohm", "x_abs_ohm"): ("unsigned", _rectangular("x_abs_ohm")),
    ("z_abs_ohm", "z_angle_abs"): ("unsigned", _unsigned_polar),
    ("magnitude", "angle_abs"): ("unsigned", _unsigned("magnitude")),
    ("db", "angle_abs"): ("unsigned", _unsigned("db")),
    ("return_loss_db", "angle_abs"): ("unsigned", _unsigned("return_loss_db")),
    ("magnitude",): ("magnitude", _size("magnitude")),
    ("db",): ("magnitude", _size("db")),
    ("return_loss_db",): ("magnitude", _size("return_loss_db")),
    ("swr",): ("magnitude", _size("swr")),
}
CONVERSIONS = tuple(Conversion(roles, *_FORMULAS[roles]) for roles in READINGS)


def reproduces(gamma: ComplexArray, role: Role, values: FloatArray, z0_ohm: float) -> bool:
    """Whether a reflection would print as a column stands.

    Parameters
    ----------
    gamma : ndarray of complex, shape (n,)
    role : str
        What the column is.
    values : ndarray, shape (n,)
        What stands in it; angles in radians, conductances in siemens.
    z0_ohm : float
        Reference impedance [ohm].
    """
    # Everything on a scale of about 1: sizes as they are, angles as directions, ohms by arctan.
    distance: FloatArray | ComplexArray
    if role in ("re", "im"):
        distance = (gamma.real if role == "re" else gamma.imag) - values
    elif role in ("angle", "z_angle"):
        turned = gamma if role == "angle" else _ohms(gamma, z0_ohm)
        distance = turned / np.abs(turned) - np.exp(1j * values)
    elif role in ("angle_abs", "z_angle_abs"):
        turned = gamma if role == "angle_abs" else _ohms(gamma, z0_ohm)
        distance = np.exp(1j * np.abs(np.angle(turned))) - np.exp(1j * np.abs(values))
    elif role in ("g_s", "b_s"):
        y_s = (1 - gamma) / (1 + gamma) / z0_ohm
        printed = y_s.real if role == "g_s" else y_s.imag
        distance = np.arctan(printed * z0_ohm) - np.arctan(values * z0_ohm)
    elif role in ("magnitude", "db", "return_loss_db", "swr"):
        distance = np.abs(gamma) - size_of(role, values)
    else:
        z_ohm = _ohms(gamma, z0_ohm)
        ohms = {"r_ohm": z_ohm.real, "x_ohm": z_ohm.imag, "x_abs_ohm": np.abs(z_ohm.imag)}
        printed = ohms.get(role, np.abs(z_ohm))
        distance = np.arctan(printed / z0_ohm) - np.arctan(values / z0_ohm)
    return agree(distance)


def _ohms(gamma: ComplexArray, z0_ohm: float) -> ComplexArray:
    z_ohm = 1 + gamma
    z_ohm /= 1 - gamma
    z_ohm *= z0_ohm
    return z_ohm


def agree(distance: FloatArray | ComplexArray) -> bool:
    """Whether distances are those of rounding; where nothing can be compared they are."""
    known = np.abs(distance)
    known = known[np.isfinite(known)]
    return known.size == 0 or float(np.median(known)) <= AGREEMENT
