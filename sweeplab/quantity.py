"""Quantities with units: parsed from text, and formatted for people to read."""

from __future__ import annotations

import itertools
import math
import re
from dataclasses import dataclass
from decimal import Context, Decimal
from typing import Literal

from sweeplab.errors import QuantityError

Dimension = Literal[
    "length",
    "area",
    "mass",
    "resistance",
    "capacitance",
    "inductance",
    "conductivity",
    "voltage",
    "current",
    "power",
    "frequency",
    "time",
    "number",
]


@dataclass(frozen=True)
class Quantity:
    """A value in SI units with its standard uncertainty.

    Parameters
    ----------
    value : float
    u : float
        Standard uncertainty, same unit; 0 where none is given.
    u_given : bool
        Whether the uncertainty was stated. Not stated differs from stated to be zero.
    """

    value: float
    u: float = 0.0
    u_given: bool = False


# Symbol and the SI prefixes a person may put before it.
_PREFIXED: dict[Dimension, tuple[str, str]] = {
    "length": ("m", "n u m c k"),
    "mass": ("g", "m k"),
    "resistance": ("ohm", "n u m k M"),
    "capacitance": ("F", "f p n u m"),
    "inductance": ("H", "p n u m"),
    "conductivity": ("S/m", "k M"),
    "voltage": ("V", "n u m k M"),
    "current": ("A", "n u m k"),
    "power": ("W", "n u m k M"),
    "frequency": ("Hz", "m k M G"),
    "time": ("s", "p n u m"),
}
_EXPONENT = {"f": -15, "p": -12, "n": -9, "u": -6, "m": -3, "c": -2, "k": 3, "M": 6, "G": 9}
# The inch, foot and pound are exact by definition (International yard and pound agreement, 1959).
_UNPREFIXED: dict[Dimension, dict[str, str]] = {
    "length": {"in": "0.0254", "ft": "0.3048"},
    "area": {"m2": "1", "cm2": "1e-4", "mm2": "1e-6", "in2": "0.00064516", "ft2": "0.09290304"},
    "mass": {"lb": "0.45359237", "oz": "0.028349523125"},
}
_SPELLINGS = {
    "in": ("inch", "inches", '"'),
    "ft": ("foot", "feet", "'"),
    "m": ("metre", "metres", "meter", "meters"),
    "ohm": ("ohms", "Ohm", "Ohms"),
}
_EXAMPLES: dict[Dimension, str] = {
    "length": '"3.20 m", "12 mm ± 0.5 mm" or "10 ft 6 in"',
    "area": '"0.8 m2" or "20 mm2"',
    "mass": '"1.2 kg"',
    "resistance": '"20 mohm" or "2 mohm ± 1 mohm"',
    "capacitance": '"12 pF" or "0.26 nF"',
    "inductance": '"2.4 uH"',
    "conductivity": '"58 MS/m"',
    "voltage": '"2 kV"',
    "current": '"10 A"',
    "power": '"100 W"',
    "frequency": '"7.1 MHz"',
    "time": '"15 ns"',
    "number": '1.5 or "1.5 ± 0.2"',
}
BASE_UNIT: dict[Dimension, str] = {
    **{dimension: symbol for dimension, (symbol, _) in _PREFIXED.items()},
    "area": "m2",
    "mass": "kg",
    "number": "",
}


def _units() -> dict[str, tuple[Dimension, Decimal]]:
    """Return every unit's spelling with its dimension and its factor to the SI base unit."""
    table: dict[str, tuple[Dimension, Decimal]] = {}
    for dimension, (symbol, prefixes) in _PREFIXED.items():
        base = Decimal("1e-3") if dimension == "mass" else Decimal(1)
        table[symbol] = (dimension, base)
        for prefix in prefixes.split():
            table[prefix + symbol] = (dimension, base.scaleb(_EXPONENT[prefix]))
    for dimension, factors in _UNPREFIXED.items():
        table |= {symbol: (dimension, Decimal(factor)) for symbol, factor in factors.items()}
    for symbol, spellings in _SPELLINGS.items():
        table |= dict.fromkeys(spellings, table[symbol])
    return table


_UNITS = _units()
# Micro sign, Greek mu and omega, ohm sign, superscript two, minus, primes, non-breaking spaces.
_CHARACTERS = str.maketrans(
    {
        "\u00b5": "u",
        "\u03bc": "u",
        "\u03a9": "ohm",
        "\u2126": "ohm",
        "\u00b2": "2",
        "\u2212": "-",
        "\u2032": "'",
        "\u2033": '"',
        "\u00a0": " ",
        "\u2009": " ",
        "\u202f": " ",
    }
)
_DECIMAL = r"(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?"
_NUMBER = rf"[+-]?(?:\d+\s+\d+/\d+|\d+/\d+|{_DECIMAL})"
_UNIT = r"[A-Za-z]+2?(?:/[A-Za-z]+)?|'|\"|%"
_TERM = re.compile(rf"\s*({_NUMBER})(?![\d.])(?:\((\d+)\))?\s*({_UNIT})?\s*")
# Enough digits to add any two floats exactly.
_EXACT = Context(prec=700)


def parse_quantity(text: str, dimension: Dimension) -> Quantity:
    """Parse a quantity such as ``3.20 m``, ``3.20 m ± 1 cm``, ``320 ± 1 cm`` or ``10 ft 6 in``.

    Parameters
    ----------
    text : str
        What follows ± (or +-, +/-) is a standard uncertainty, in the value's unit, a unit of its
        own, or percent of the value. ``3.20(1) m``, the uncertainty in the last digits, is
        accepted too. A single comma is a decimal comma wherever it cannot separate thousands.
    dimension : str
        What the quantity must be; 'number' takes no unit.

    Returns
    -------
    Quantity
        In SI units, correctly rounded: ``320 cm`` and ``3.20 m`` are equal.

    Raises
    ------
    QuantityError
        The text is not a quantity, or has another dimension.
    """
    normalized = _decimal_points(text.translate(_CHARACTERS), text)
    normalized = re.sub(r"\+\s*/?\s*-", "±", normalized).strip()
    bracketed = re.fullmatch(r"\(([^()]*±[^()]*)\)\s*(\S*)", normalized)
    if bracketed:
        normalized = f"{bracketed[1].strip()} {bracketed[2]}"
    left, sign, right = normalized.partition("±")
    value, u, unit = _value(left, right, text, dimension)
    if sign:
        if u is not None:
            raise QuantityError(f"{text!r} has two uncertainties; keep one")
        u = _uncertainty(right, value, unit, text, dimension)
    numbers = float(value), float(u or 0)
    if not all(map(math.isfinite, numbers)):
        raise QuantityError(f"{text!r} is out of range")
    return Quantity(*numbers, u_given=u is not None)


def _decimal_points(normalized: str, text: str) -> str:
    """Return the text with decimal points; refuse a comma that could separate thousands."""

    def point(match: re.Match[str]) -> str:
        number = match[0]
        if "," not in number:
            return number
        thousands = re.fullmatch(r"[1-9]\d{0,2},\d{3}", number)
        if thousands or not re.fullmatch(r"\d+,\d+", number):
            raise QuantityError(
                f"{text!r}: the comma in {number!r} may part decimals or thousands; "
                "write a decimal point and no thousands mark"
            )
        return number.replace(",", ".")

    return re.sub(r"\d[\d.,]*\d", point, normalized)


def _value(
    left: str, right: str, text: str, dimension: Dimension
) -> tuple[Decimal, Decimal | None, str]:
    """Return the value, its bracketed uncertainty and its unit (empty where it has several)."""
    terms = _terms(left, text, dimension)
    if len(terms) == 1:
        number, last_digits, unit = terms[0]
        uncertainty = _TERM.fullmatch(right)
        if not unit and uncertainty and uncertainty[3] not in (None, "%"):
            unit = str(uncertainty[3])
        scale = _scale(unit, text, dimension)
        return number * scale, None if last_digits is None else last_digits * scale, unit
    scales = [_scale(unit, text, dimension) for _, _, unit in terms]
    descending = all(a > b for a, b in itertools.pairwise(scales))
    exact = all(digits is None for _, digits, _ in terms)
    if not (descending and exact) or any(number < 0 for number, _, _ in terms):
        raise _not_a_quantity(text, dimension)
    total = sum((n * scale for (n, _, _), scale in zip(terms, scales, strict=True)), Decimal(0))
    return total, None, ""


def _uncertainty(right: str, value: Decimal, unit: str, text: str, dimension: Dimension) -> Decimal:
    """Return the standard uncertainty after the ±, in the base unit."""
    terms = _terms(right, text, dimension)
    number, digits, own_unit = terms[0]
    if len(terms) > 1 or digits is not None:
        raise QuantityError(f"{text!r}: write one number and one unit after the ±")
    if number < 0:
        raise QuantityError(f"{text!r}: an uncertainty is never negative")
    if own_unit == "%":
        return number / 100 * abs(value)
    return number * _scale(own_unit or unit, text, dimension)


def _terms(part: str, text: str, dimension: Dimension) -> list[tuple[Decimal, Decimal | None, str]]:
    """Return the terms of `part`: number, uncertainty in its last digits, unit."""
    terms: list[tuple[Decimal, Decimal | None, str]] = []
    position = 0
    while position < len(part):
        match = _TERM.match(part, position)
        if match is None:
            raise _not_a_quantity(text, dimension)
        number = _number(match[1], text)
        digits = None
        if match[2] is not None:
            digits = Decimal(match[2]).scaleb(int(number.as_tuple().exponent))
        terms.append((number, digits, match[3] or ""))
        position = match.end()
    if not terms:
        raise _not_a_quantity(text, dimension)
    return terms


def _number(text: str, quantity_text: str) -> Decimal:
    """Return a decimal, a fraction such as 1/2 or a mixed number such as 3 1/2."""
    if "/" not in text:
        return Decimal(text)
    numerator, denominator = text.lstrip("+-").split("/")
    integer, _, numerator = numerator.strip().rpartition(" ")
    if int(denominator) == 0:
        raise QuantityError(f"{quantity_text!r} divides by zero")
    magnitude = Decimal(integer or 0) + Decimal(numerator) / Decimal(denominator)
    return -magnitude if text.startswith("-") else magnitude


def _scale(unit: str, text: str, dimension: Dimension) -> Decimal:
    """Return the factor of `unit` to the base unit, if it is one of `dimension`."""
    article = "an" if dimension[0] in "aeiou" else "a"
    if dimension == "number" and not unit:
        return Decimal(1)
    if not unit:
        raise QuantityError(f"{text!r} has no unit; write it like {_EXAMPLES[dimension]}")
    if unit not in _UNITS:
        similar = [known for known in _UNITS if known.casefold() == unit.casefold()]
        hint = f"did you mean {' or '.join(similar)}?" if similar else _example(dimension)
        raise QuantityError(f"{text!r}: unknown unit {unit!r}; {hint}")
    found, scale = _UNITS[unit]
    if found != dimension:
        other_article = "an" if found[0] in "aeiou" else "a"
        raise QuantityError(
            f"{text!r} is {other_article} {found} where {article} {dimension} is wanted; "
            f"{_example(dimension)}"
        )
    return scale


def _example(dimension: Dimension) -> str:
    return f"write it like {_EXAMPLES[dimension]}"


def _not_a_quantity(text: str, dimension: Dimension) -> QuantityError:
    return QuantityError(f"{text!r} is no {dimension}; {_example(dimension)}")


def exact_text(quantity: Quantity, unit: str) -> str:
    """Format a quantity with all its digits; `parse_quantity` returns an equal one."""
    text = _exact(quantity.value, unit)
    return f"{text} ± {_exact(quantity.u, unit)}" if quantity.u_given else text


def _exact(value: float, unit: str) -> str:
    number = Decimal(repr(value))
    prefix, exponent = _prefix(number.adjusted(), unit) if number else ("", 0)
    shifted = number.scaleb(-exponent, _EXACT).normalize(_EXACT)
    digits = f"{shifted:f}" if -5 <= shifted.adjusted() <= 9 else str(shifted)
    return f"{digits} {prefix}{unit}".strip()


def format_quantity(value: float, unit: str, u: float | None = None, *, digits: int = 4) -> str:
    """Format a figure for people: engineering prefix, uncertainty to two digits.

    Parameters
    ----------
    value : float
        In `unit`, without prefix.
    unit : str
        Such as 'Hz', 'ohm', 'm', 'F', 'V', '%', 'dB', or '' for a plain number.
    u : float or None
        Standard uncertainty; the value is rounded to the same decimal place.
    digits : int
        Significant digits if no uncertainty is given.

    Examples
    --------
    >>> format_quantity(7.1052e6, "Hz", 300)
    '7.10520 MHz ± 0.30 kHz'
    >>> format_quantity(0.0312, "ohm", 0.0008)
    '31.20 ± 0.80 mohm'
    """
    if not math.isfinite(value) or not math.isfinite(u or 0.0):
        raise ValueError("only finite figures can be formatted")
    if not u:
        return _figure(value, unit, digits)
    rounded_u = Decimal(f"{u:.1e}")
    rounded = _EXACT.quantize(Decimal(repr(value)), rounded_u)
    larger = max(abs(rounded), rounded_u)
    prefix, exponent = _prefix(larger.adjusted(), unit)
    if not prefix and not -5 <= larger.adjusted() <= 9:
        return f"{rounded:e} ± {rounded_u:e} {unit}".strip()
    shown, shown_u = rounded.scaleb(-exponent, _EXACT), rounded_u.scaleb(-exponent, _EXACT)
    if shown_u >= Decimal("0.01") or unit not in _PREFIX_STEPS:
        return f"{_plain(shown)} ± {_plain(shown_u)} {prefix}{unit}".strip()
    # One prefix up where two digits would take three places: 0.30 kHz rather than 300 Hz.
    prefix_u, exponent_u = _prefix(rounded_u.adjusted() + 1, unit)
    own_u = rounded_u.scaleb(-exponent_u, _EXACT)
    return f"{_plain(shown)} {prefix}{unit} ± {_plain(own_u)} {prefix_u}{unit}"


def _figure(value: float, unit: str, digits: int) -> str:
    """Format a figure without uncertainty to so many significant digits."""
    rounded = Decimal(f"{value:.{digits - 1}e}")
    prefix, exponent = _prefix(rounded.adjusted(), unit) if rounded else ("", 0)
    if not prefix and rounded and not -5 <= rounded.adjusted() <= 9:
        return f"{rounded:e} {unit}".strip()
    return f"{_plain(rounded.scaleb(-exponent, _EXACT))} {prefix}{unit}".strip()


def _plain(number: Decimal) -> str:
    """Format a decimal without exponent, and zero without a sign."""
    return f"{abs(number) if number == 0 else number:f}"


_PREFIX_STEPS: dict[str, tuple[tuple[str, int], ...]] = {
    symbol: tuple(
        sorted(
            [("", 0), *((p.replace("u", "µ"), _EXPONENT[p]) for p in prefixes.split() if p != "c")],
            key=lambda step: step[1],
        )
    )
    for dimension, (symbol, prefixes) in _PREFIXED.items()
    if dimension != "mass"
}


def _prefix(power: int, unit: str) -> tuple[str, int]:
    """Return the prefix, and its power of ten, for a figure of magnitude ``10**power``."""
    steps = _PREFIX_STEPS.get(unit, (("", 0),))
    if unit == "m" and power == -1:
        # Dimensions of loops are given in metres down to a tenth.
        return "", 0
    not_above = [step for step in steps if step[1] <= power]
    return not_above[-1] if not_above else steps[0]
