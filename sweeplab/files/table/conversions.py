"""Conversions from a table's columns to a reflection, and back to check a column against it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from sweeplab.files.table.columns import ROLE_SETS, Role
from sweeplab.finding import Threshold
from sweeplab.sweep import ComplexArray, Content, FloatArray

ColumnData = Mapping[Role, FloatArray]
Formula = Callable[[ColumnData, float], ComplexArray]

# A column agrees with a reading if their median distance is below this, on a scale where total
# reflection is 1; printed ohms and degrees are, in spite of rounding. Common practice, no source.
AGREEMENT_TOLERANCE: Threshold = 0.02


@dataclass(frozen=True)
class Conversion:
    """A conversion from columns to the reflection.

    Parameters
    ----------
    roles : tuple of str
        The columns needed.
    content : {'complex', 'unsigned', 'magnitude'}
    formula : callable
        From those columns and the reference [ohm] to the reflection.
    """

    roles: tuple[Role, ...]
    content: Content
    formula: Formula

    @property
    def role_names(self) -> str:
        """The columns, for a message."""
        return " and ".join(self.roles)


def _from_real_imaginary(data: ColumnData, z0_ohm: float) -> ComplexArray:
    gamma = np.empty(data["re"].shape, dtype=np.complex128)
    gamma.real, gamma.imag = data["re"], data["im"]
    return gamma


def _magnitude(role: Role) -> Formula:
    return lambda data, z0_ohm: magnitude_of(role, data[role]).astype(np.complex128)


def _magnitude_and_angle(role: Role) -> Formula:
    return lambda data, z0_ohm: magnitude_of(role, data[role]) * np.exp(1j * data["angle"])


def _from_resistance_reactance(x_role: Role) -> Formula:
    def formula(data: ColumnData, z0_ohm: float) -> ComplexArray:
        x_ohm = np.abs(data[x_role]) if x_role == "x_abs_ohm" else data[x_role]
        return _reflection_of_impedance(np.asarray(data["r_ohm"] + 1j * x_ohm), z0_ohm)

    return formula


def _from_polar_impedance(angle_role: Role) -> Formula:
    def formula(data: ColumnData, z0_ohm: float) -> ComplexArray:
        return _reflection_of_impedance(
            np.asarray(data["z_abs_ohm"] * np.exp(1j * data[angle_role])), z0_ohm
        )

    return formula


def _from_admittance(data: ColumnData, z0_ohm: float) -> ComplexArray:
    relative = z0_ohm * (data["g_s"] + 1j * data["b_s"])
    return np.asarray((1 - relative) / (1 + relative))


def _magnitude_and_unsigned_angle(magnitude_role: Role) -> Formula:
    def formula(data: ColumnData, z0_ohm: float) -> ComplexArray:
        phasor = np.exp(1j * np.abs(data["angle_abs"]))
        return np.asarray(magnitude_of(magnitude_role, data[magnitude_role]) * phasor)

    return formula


def _from_unsigned_polar_impedance(data: ColumnData, z0_ohm: float) -> ComplexArray:
    z_ohm = data["z_abs_ohm"] * np.exp(1j * np.abs(data["z_angle_abs"]))
    return _reflection_of_impedance(np.asarray(z_ohm), z0_ohm)


def _reflection_of_impedance(z_ohm: ComplexArray, z0_ohm: float) -> ComplexArray:
    gamma = z_ohm - z0_ohm
    gamma /= z_ohm + z0_ohm
    return gamma


def magnitude_of(role: Role, values: FloatArray) -> FloatArray:
    """Return the reflection's magnitude from a level, a return loss or an SWR."""
    if role == "db":
        return np.asarray(10.0 ** (values / 20.0))
    if role == "return_loss_db":
        # Some print the return loss as a negative number; the sign has no meaning.
        return np.asarray(10.0 ** (-np.abs(values) / 20.0))
    if role == "swr":
        magnitude = values - 1
        magnitude /= values + 1
        magnitude[values < 1] = np.nan
        return magnitude
    return values


_FORMULAS: dict[tuple[Role, ...], tuple[Content, Formula]] = {
    ("re", "im"): ("complex", _from_real_imaginary),
    ("magnitude", "angle"): ("complex", _magnitude_and_angle("magnitude")),
    ("db", "angle"): ("complex", _magnitude_and_angle("db")),
    ("return_loss_db", "angle"): ("complex", _magnitude_and_angle("return_loss_db")),
    ("r_ohm", "x_ohm"): ("complex", _from_resistance_reactance("x_ohm")),
    ("z_abs_ohm", "z_angle"): ("complex", _from_polar_impedance("z_angle")),
    ("z_abs_ohm", "angle"): ("complex", _from_polar_impedance("angle")),
    ("g_s", "b_s"): ("complex", _from_admittance),
    ("r_ohm", "x_abs_ohm"): ("unsigned", _from_resistance_reactance("x_abs_ohm")),
    ("z_abs_ohm", "z_angle_abs"): ("unsigned", _from_unsigned_polar_impedance),
    ("magnitude", "angle_abs"): ("unsigned", _magnitude_and_unsigned_angle("magnitude")),
    ("db", "angle_abs"): ("unsigned", _magnitude_and_unsigned_angle("db")),
    ("return_loss_db", "angle_abs"): ("unsigned", _magnitude_and_unsigned_angle("return_loss_db")),
    ("magnitude",): ("magnitude", _magnitude("magnitude")),
    ("db",): ("magnitude", _magnitude("db")),
    ("return_loss_db",): ("magnitude", _magnitude("return_loss_db")),
    ("swr",): ("magnitude", _magnitude("swr")),
}
CONVERSIONS = tuple(Conversion(roles, *_FORMULAS[roles]) for roles in ROLE_SETS)


def reproduces(gamma: ComplexArray, role: Role, values: FloatArray, z0_ohm: float) -> bool:
    """Whether a reflection reproduces a column, apart from rounding.

    Parameters
    ----------
    gamma : ndarray of complex, shape (n,)
    role : str
        The column's quantity.
    values : ndarray, shape (n,)
        The column's values; angles in radians, conductances in siemens.
    z0_ohm : float
        Reference impedance [ohm].
    """
    # All on a scale of about 1: magnitudes unchanged, angles as unit phasors, ohms by arctan.
    distance: FloatArray | ComplexArray
    if role in ("re", "im"):
        distance = (gamma.real if role == "re" else gamma.imag) - values
    elif role in ("angle", "z_angle"):
        phasor = gamma if role == "angle" else _impedance_of_reflection(gamma, z0_ohm)
        distance = phasor / np.abs(phasor) - np.exp(1j * values)
    elif role in ("angle_abs", "z_angle_abs"):
        phasor = gamma if role == "angle_abs" else _impedance_of_reflection(gamma, z0_ohm)
        distance = np.exp(1j * np.abs(np.angle(phasor))) - np.exp(1j * np.abs(values))
    elif role in ("g_s", "b_s"):
        y_s = (1 - gamma) / (1 + gamma) / z0_ohm
        expected = y_s.real if role == "g_s" else y_s.imag
        distance = np.arctan(expected * z0_ohm) - np.arctan(values * z0_ohm)
    elif role in ("magnitude", "db", "return_loss_db", "swr"):
        distance = np.abs(gamma) - magnitude_of(role, values)
    else:
        z_ohm = _impedance_of_reflection(gamma, z0_ohm)
        ohms = {"r_ohm": z_ohm.real, "x_ohm": z_ohm.imag, "x_abs_ohm": np.abs(z_ohm.imag)}
        expected = ohms.get(role, np.abs(z_ohm))
        distance = np.arctan(expected / z0_ohm) - np.arctan(values / z0_ohm)
    return agree(distance)


def _impedance_of_reflection(gamma: ComplexArray, z0_ohm: float) -> ComplexArray:
    z_ohm = 1 + gamma
    z_ohm /= 1 - gamma
    z_ohm *= z0_ohm
    return z_ohm


def agree(distance: FloatArray | ComplexArray) -> bool:
    """Whether distances are due to rounding; true if nothing can be compared."""
    known = np.abs(distance)
    known = known[np.isfinite(known)]
    return known.size == 0 or float(np.median(known)) <= AGREEMENT_TOLERANCE
