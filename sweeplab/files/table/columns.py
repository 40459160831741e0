"""What a table's columns hold: by the words and units of a header, or as the user states.

A closed vocabulary for ``columns=`` (``--columns``), left to right, such as ``f_mhz,re,im``:

=================  ===========================================================
word               the column holds
=================  ===========================================================
f_hz ... f_ghz     frequency in Hz; f_khz, f_mhz, f_ghz alike
re, im             real and imaginary part of the reflection coefficient
magnitude          magnitude of the reflection coefficient, 0 to 1
db                 20 log10 of that magnitude, negative where power is absorbed
angle_deg          angle of the reflection coefficient in degrees
angle_rad          the same in radians
r_ohm, x_ohm       resistance and reactance, in series
x_abs_ohm          magnitude of the reactance, its sign not known
z_abs_ohm          magnitude of the impedance
z_angle_deg        angle of the impedance in degrees; z_angle_rad in radians
angle_abs_deg      magnitude of the reflection's angle, its sign not known
z_angle_abs_deg    magnitude of the impedance's angle, its sign not known
g_s, b_s           conductance and susceptance in siemens; g_ms, b_ms in millisiemens
swr                standing-wave ratio
return_loss_db     return loss, of either sign
gamma              complex reflection coefficient in one cell, such as 0.5-0.25j
z_ohm, y_s         complex impedance or admittance in one cell
skip               anything else
=================  ===========================================================

Headers are read by quantity and unit, in the field's own terms, whatever program wrote them.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from math import pi
from typing import Literal

from sweeplab.errors import quoted

Role = Literal[
    "f",
    "re",
    "im",
    "magnitude",
    "db",
    "angle",
    "r_ohm",
    "x_ohm",
    "x_abs_ohm",
    "z_abs_ohm",
    "z_angle",
    "angle_abs",
    "z_angle_abs",
    "g_s",
    "b_s",
    "swr",
    "return_loss_db",
    "gamma",
    "z_ohm",
    "y_s",
    "skip",
]
_DEGREE = pi / 180
_MAX_WORDS_SHOWN = 8
_ANGLE_CONCEPTS = {"angle", "degree", "radian"}


@dataclass(frozen=True)
class Column:
    """The quantity and unit of a column.

    Parameters
    ----------
    role : str
        Quantity.
    scale : float or None
        Factor to Hz, radians or siemens; None where the header names no unit.
    label : str
        The header's words.
    is_reflection : bool
        The header names the reflection at port 1 explicitly.
    """

    role: Role
    scale: float | None = 1.0
    label: str = ""
    is_reflection: bool = False


UNITS_HZ = {"hz": 1.0, "khz": 1e3, "mhz": 1e6, "ghz": 1e9}
WORDS: dict[str, Column] = {
    **{f"f_{unit}": Column("f", scale, f"f_{unit}") for unit, scale in UNITS_HZ.items()},
    "re": Column("re", 1.0, "re", True),
    "im": Column("im", 1.0, "im", True),
    "magnitude": Column("magnitude", 1.0, "magnitude", True),
    "db": Column("db", 1.0, "db", True),
    "angle_deg": Column("angle", _DEGREE, "angle_deg", True),
    "angle_rad": Column("angle", 1.0, "angle_rad", True),
    "r_ohm": Column("r_ohm", 1.0, "r_ohm"),
    "x_ohm": Column("x_ohm", 1.0, "x_ohm"),
    "x_abs_ohm": Column("x_abs_ohm", 1.0, "x_abs_ohm"),
    "z_abs_ohm": Column("z_abs_ohm", 1.0, "z_abs_ohm"),
    "z_angle_deg": Column("z_angle", _DEGREE, "z_angle_deg"),
    "z_angle_rad": Column("z_angle", 1.0, "z_angle_rad"),
    "angle_abs_deg": Column("angle_abs", _DEGREE, "angle_abs_deg", True),
    "z_angle_abs_deg": Column("z_angle_abs", _DEGREE, "z_angle_abs_deg"),
    "g_s": Column("g_s", 1.0, "g_s"),
    "b_s": Column("b_s", 1.0, "b_s"),
    "g_ms": Column("g_s", 1e-3, "g_ms"),
    "b_ms": Column("b_s", 1e-3, "b_ms"),
    "swr": Column("swr", 1.0, "swr"),
    "return_loss_db": Column("return_loss_db", 1.0, "return_loss_db"),
    "gamma": Column("gamma", 1.0, "gamma", True),
    "z_ohm": Column("z_ohm", 1.0, "z_ohm"),
    "y_s": Column("y_s", 1.0, "y_s"),
    "skip": Column("skip", 1.0, "skip"),
}

# Columns that give a reflection: the most complete first, then the shortest conversion.
ROLE_SETS: tuple[tuple[Role, ...], ...] = (
    ("re", "im"),
    ("magnitude", "angle"),
    ("db", "angle"),
    ("return_loss_db", "angle"),
    ("r_ohm", "x_ohm"),
    ("z_abs_ohm", "z_angle"),
    ("z_abs_ohm", "angle"),
    ("g_s", "b_s"),
    ("r_ohm", "x_abs_ohm"),
    ("z_abs_ohm", "z_angle_abs"),
    ("magnitude", "angle_abs"),
    ("db", "angle_abs"),
    ("return_loss_db", "angle_abs"),
    ("magnitude",),
    ("db",),
    ("return_loss_db",),
    ("swr",),
)

_CONCEPTS = {
    "frequency": "f freq frequency frequencies frequenz fréquence frequence frecuencia frequenza "
    "stimulus",
    "real": "re real rez zre rere rey yre",
    "imaginary": "im imag imaginary img imz zim imy yim",
    "size": "mag magnitude mg abs absolute mod modulus lin linear",
    "log": "log",
    "angle": "phase angle ang arg argument ph pha phi theta",
    "degree": "deg degs degree degrees",
    "radian": "rad rads radian radians",
    "decibel": "db dbs decibel decibels",
    "reflection": "s11 gamma rho reflection refl",
    "impedance": "z zin zs z11 impedance rez imz zre zim",
    "ohm": "ohm ohms",
    "resistance": "r rs rin resistance",
    "reactance": "x xs xin reactance",
    "unsigned": "absx unsigned",
    "admittance": "y y11 yin admittance rey yre imy yim",
    "conductance": "conductance gp",
    "susceptance": "susceptance bp",
    "siemens": "s siemens mho mhos",
    "millisiemens": "ms msiemens millisiemens mmho mmhos",
    "microsiemens": "us usiemens microsiemens umho umhos",
    "swr": "swr vswr",
    "return": "return",
    "loss": "loss",
    "return loss": "rl returnloss",
    "other": "s21 s12 s22 s31 s33 rp xp zp parallel "
    "par kohm mohm transmission insertion gain power noise attenuation temperature",
}
_CONCEPT_OF = {
    word: tuple(name for name, words in _CONCEPTS.items() if word in words.split())
    for words in _CONCEPTS.values()
    for word in words.split()
}
_SIEMENS = {"siemens": 1.0, "millisiemens": 1e-3, "microsiemens": 1e-6}
# A single letter is a quantity only alone with its unit.
_SINGLE_LETTERS = {"g": "conductance", "b": "susceptance"}
_REWRITES = (
    (re.compile("[µμ]"), "u"),
    (re.compile(r"[ωΩ]|Ω"), " ohm "),
    (re.compile("°"), " deg "),
    (re.compile("γ"), " gamma "),
    (re.compile("ρ"), " rho "),
    (re.compile(r"\|\s*xs?\s*\||\babs\s*\(\s*xs?\s*\)"), " absx "),
    (re.compile(r"\|([^|]+)\|"), r" \1 mag "),
    (re.compile(r"s\s*[(\[]?\s*(\d)\s*[,.]?\s*(\d)\b\s*[)\]]?"), r" s\1\2 "),
    (re.compile(r"(s\d\d|gamma|vswr)"), r" \1 "),
    (re.compile(r"([kmg]?hz)\b"), r" \1 "),
)
_WORD = re.compile(r"[a-zà-ÿ]+\d*")


def quoted_labels(columns: tuple[Column, ...]) -> str:
    """Return the columns' labels, quoted, for a message."""
    shown = [quoted(column.label) for column in columns[:_MAX_WORDS_SHOWN]]
    return ", ".join([*shown, "..."] if len(columns) > _MAX_WORDS_SHOWN else shown)


def columns_advice(columns: tuple[Column, ...], width: int) -> str:
    """Return what to do if a header does not determine what a table's columns hold.

    Parameters
    ----------
    columns : tuple of Column
        As far as known; may be empty.
    width : int
        Number of columns.
    """
    words = _words_for_roles(columns)
    if not words:
        words = ["f_mhz", "swr"] if width == 2 else ["f_mhz", "re", "im", *["skip"] * (width - 3)]
    shown = ",".join(words[:_MAX_WORDS_SHOWN]) + (",..." if len(words) > _MAX_WORDS_SHOWN else "")
    return f'say what the {width} columns are, for example --columns "{shown}"'


def _words_for_roles(columns: tuple[Column, ...]) -> list[str]:
    """Return words for the frequency and one set of columns for the reflection, none if unknown."""
    roles = [column.role for column in columns]
    role_set = next((needed for needed in ROLE_SETS if set(needed) <= set(roles)), ())
    if "f" not in roles or not role_set:
        return []
    words = ["skip"] * len(columns)
    for role in ("f", *role_set):
        index = roles.index(role)
        words[index] = _word(columns[index])
    return words


def _word(column: Column) -> str:
    """Return the word for a column, with a likely unit if the column names none."""
    fallback = {
        "f": "f_mhz",
        "angle": "angle_deg",
        "z_angle": "z_angle_deg",
        "angle_abs": "angle_abs_deg",
        "z_angle_abs": "z_angle_abs_deg",
    }.get(column.role, column.role)
    named = (w for w, known in WORDS.items() if known.role == column.role)
    return next((w for w in named if WORDS[w].scale == column.scale), fallback)


def classify(label: str) -> Column:
    """Return the column that a header's field describes; 'skip' if it is not recognised.

    Parameters
    ----------
    label : str
        One field of a header, such as ``'Freq. (MHz)'`` or ``'Re(S11)'``.
    """
    words = _words(label)
    concepts = {concept for word in words for concept in _CONCEPT_OF.get(word, ())}
    unit = next((UNITS_HZ[word] for word in words if word in UNITS_HZ), None)
    label = " ".join(label.split())
    explicit = "reflection" in concepts
    if "frequency" in concepts or (unit is not None and len(words) == 1):
        return Column("f", unit, label)
    if concepts & _ANGLE_CONCEPTS and not concepts & {"other", "admittance"}:
        return Column(_angle_role(concepts), _angle_unit(concepts), label, explicit)
    alone = [word for word in words if not set(_CONCEPT_OF.get(word, ())) & _SIEMENS.keys()]
    if len(alone) == 1 < len(words) and alone[0] in _SINGLE_LETTERS:
        concepts.add(_SINGLE_LETTERS[alone[0]])
    if concepts & {"admittance", "conductance", "susceptance"}:
        scale = next((_SIEMENS[name] for name in _SIEMENS if name in concepts), None)
        return Column(_admittance_role(concepts), scale, label)
    return Column(_role(concepts), 1.0, label, explicit)


def _words(label: str) -> list[str]:
    # Some patterns take time by the square of a run of spaces.
    text = " ".join(label.lower().split())
    for pattern, replacement in _REWRITES:
        text = pattern.sub(replacement, text)
    return _WORD.findall(text)


def _angle_unit(concepts: set[str]) -> float | None:
    if "degree" in concepts:
        return _DEGREE
    return 1.0 if "radian" in concepts else None


def _angle_role(concepts: set[str]) -> Role:
    unsigned = bool(concepts & {"size", "unsigned"})
    if "impedance" in concepts:
        return "z_angle_abs" if unsigned else "z_angle"
    return "angle_abs" if unsigned else "angle"


def _admittance_role(concepts: set[str]) -> Role:
    if concepts & {"other", "decibel", "log", "size"}:
        return "skip"
    if "conductance" in concepts or "real" in concepts:
        return "g_s"
    return "b_s" if concepts & {"susceptance", "imaginary"} else "skip"


def _role(concepts: set[str]) -> Role:
    in_ohms = bool(concepts & {"impedance", "ohm"})
    if "other" in concepts:
        return "skip"
    if "swr" in concepts:
        return "swr"
    if "return loss" in concepts or {"return", "loss"} <= concepts:
        return "return_loss_db"
    if "unsigned" in concepts or {"reactance", "size"} <= concepts:
        return "x_abs_ohm"
    if "reactance" in concepts or ("imaginary" in concepts and in_ohms):
        return "x_ohm"
    if "resistance" in concepts or ("real" in concepts and in_ohms):
        return "r_ohm"
    if in_ohms:
        return "skip" if concepts & {"decibel", "log"} else "z_abs_ohm"
    return _reflection_role(concepts)


def _reflection_role(concepts: set[str]) -> Role:
    if "real" in concepts:
        return "re"
    if "imaginary" in concepts:
        return "im"
    if "decibel" in concepts or {"log", "size"} <= concepts:
        return "db"
    return "magnitude" if "size" in concepts else "skip"
