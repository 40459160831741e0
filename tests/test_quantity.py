"""Quantities: what a person writes is read, what is written can be read again."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sweeplab.errors import QuantityError
from sweeplab.quantity import (
    BASE_UNIT,
    Dimension,
    Quantity,
    exact_text,
    format_quantity,
    parse_quantity,
)

# Values by arithmetic; foot and inch by the International yard and pound agreement (1959).
READ: list[tuple[str, Dimension, float, float | None]] = [
    ("3.20 m", "length", 3.2, None),
    ("3.20m", "length", 3.2, None),
    ("  320 cm ", "length", 3.2, None),
    ("3.20 m ± 1 cm", "length", 3.2, 0.01),
    ("3.20 m +- 1 cm", "length", 3.2, 0.01),
    ("3.20 m +/- 1 cm", "length", 3.2, 0.01),
    ("3.20 m ± 0.01", "length", 3.2, 0.01),
    ("320 ± 1 cm", "length", 3.2, 0.01),
    ("(320 ± 1) cm", "length", 3.2, 0.01),
    ("3.20(1) m", "length", 3.2, 0.01),
    ("3.20 m ± 0 m", "length", 3.2, 0.0),
    ("12 mm ± 0.5 %", "length", 0.012, 0.00006),
    ("-12 mm ± 0.5 %", "length", -0.012, 0.00006),
    ("3,20 m", "length", 3.2, None),
    ("0,020 m", "length", 0.02, None),
    ("3.2e3 mm", "length", 3.2, None),
    (".5 in", "length", 0.0127, None),
    ("1/2 in", "length", 0.0127, None),
    ("3 1/2 in", "length", 0.0889, None),
    ("-1/2 in", "length", -0.0127, None),
    ("10 ft 6 in", "length", 3.2004, None),
    ("10 feet 6 1/2 inches", "length", 3.2131, None),
    ("10' 6\"", "length", 3.2004, None),
    ("10 ft 6 in ± 1/2 in", "length", 3.2004, 0.0127),
    ("40 µm", "length", 40e-6, None),
    ("40 μm", "length", 40e-6, None),
    ("40 um", "length", 40e-6, None),
    ("3.20\u00a0m", "length", 3.2, None),
    ("12 pF", "capacitance", 12e-12, None),
    ("0.26 nF", "capacitance", 260e-12, None),
    ("20 mohm", "resistance", 0.02, None),
    ("20 mΩ", "resistance", 0.02, None),
    ("20 m\u2126", "resistance", 0.02, None),
    ("50 Ohm", "resistance", 50.0, None),
    ("2 mohm ± 50 %", "resistance", 0.002, 0.001),
    ("2 kV", "voltage", 2000.0, None),
    ("7.1 MHz", "frequency", 7.1e6, None),
    ("7.1052 MHz ± 0.3 kHz", "frequency", 7105200.0, 300.0),
    ("2.4 µH", "inductance", 2.4e-6, None),
    ("58 MS/m", "conductivity", 5.8e7, None),
    ("20 mm²", "area", 20e-6, None),
    ("1.2 kg", "mass", 1.2, None),
    ("1 lb", "mass", 0.45359237, None),
    ("15 ns", "time", 15e-9, None),
    ("100 W", "power", 100.0, None),
    ("10 A", "current", 10.0, None),
    ("1.5 ± 0.2", "number", 1.5, 0.2),
    ("0.66", "number", 0.66, None),
]


@pytest.mark.parametrize(("text", "dimension", "value", "u"), READ)
def test_a_quantity_is_read_to_the_nearest_float(
    text: str, dimension: Dimension, value: float, u: float | None
) -> None:
    assert parse_quantity(text, dimension) == Quantity(value, u or 0.0, u is not None)


REFUSED: list[tuple[str, Dimension, str]] = [
    (
        "3 pF",
        "length",
        "'3 pF' is a capacitance where a length is wanted; write it like \"3.20 m\"",
    ),
    ("3 m", "inductance", "'3 m' is a length where an inductance is wanted; write it like"),
    ("3 m ± 1 pF", "length", "is a capacitance where a length is wanted"),
    ("3.2", "length", "'3.2' has no unit; write it like"),
    ("320 ± 1", "length", "'320 ± 1' has no unit"),
    ("3.2 %", "length", "unknown unit '%'"),
    ("10 ft 6 in ± 1", "length", "has no unit"),
    ("7.1 mhz", "frequency", "unknown unit 'mhz'; did you mean mHz or MHz?"),
    ("12 pf", "capacitance", "unknown unit 'pf'; did you mean pF?"),
    ("3 cubits", "length", "unknown unit 'cubits'; write it like"),
    ("3,200 m", "length", "'3,200' may part decimals or thousands; write a decimal point"),
    ("1,234.5 m", "length", "may part decimals or thousands"),
    ("about 3 m", "length", "'about 3 m' is no length"),
    ("", "length", "'' is no length"),
    ("± 1 cm", "length", "is no length"),
    ("3 m ±", "length", "is no length"),
    ("3..2 m", "length", "is no length"),
    ("3 m 4 m", "length", "is no length"),
    ("6 in 10 ft", "length", "is no length"),
    ("10 ft -6 in", "length", "is no length"),
    ("nan m", "length", "is no length"),
    ("1/0 in", "length", "divides by zero"),
    ("3 m ± -1 cm", "length", "an uncertainty is never negative"),
    ("3 m ± 1 ft 2 in", "length", "one number and one unit after the ±"),
    ("3.20(1) m ± 1 cm", "length", "has two uncertainties"),
    ("1e999 m", "length", "is out of range"),
    ("1.5 m", "number", "'1.5 m' is a length where a number is wanted"),
]


@pytest.mark.parametrize(("text", "dimension", "message"), REFUSED)
def test_what_is_no_quantity_is_refused_in_one_clear_line(
    text: str, dimension: Dimension, message: str
) -> None:
    with pytest.raises(QuantityError) as caught:
        parse_quantity(text, dimension)
    assert message in str(caught.value)
    assert "\n" not in str(caught.value)


def test_an_uncertainty_of_nothing_differs_from_none_stated() -> None:
    assert parse_quantity("3.2 m ± 0 m", "length").u_given
    assert not parse_quantity("3.2 m", "length").u_given


WRITTEN: list[tuple[float, str, float | None, str]] = [
    (7.1052e6, "Hz", 300, "7.10520 MHz ± 0.30 kHz"),
    (7.1e6, "Hz", 9996, "7.100 ± 0.010 MHz"),
    (0.0312, "ohm", 0.0008, "31.20 ± 0.80 mohm"),
    (0.005, "ohm", 0.02, "5 ± 20 mohm"),
    (0.0, "ohm", 0.002, "0.0 ± 2.0 mohm"),
    (-1e-6, "ohm", 0.002, "0.0 ± 2.0 mohm"),
    (3.2, "m", 0.01, "3.200 ± 0.010 m"),
    (0.66, "m", 0.005, "0.6600 m ± 5.0 mm"),
    (0.66, "m", None, "0.6600 m"),
    (0.012, "m", None, "12.00 mm"),
    (2433, "", 12, "2433 ± 12"),
    (2433, "", 120, "2430 ± 120"),
    (16.1, "%", 0.8, "16.10 ± 0.80 %"),
    (-7.93, "dB", 0.2, "-7.93 ± 0.20 dB"),
    (1.2, "kg", 0.05, "1.200 ± 0.050 kg"),
    (999.96, "Hz", None, "1.000 kHz"),
    (4.2e-5, "ohm", None, "42.00 µohm"),
    (1.2e-9, "", None, "1.200e-9"),
    (1e-9, "", 1e-10, "1.00e-9 ± 1.0e-10"),
    (0.0, "Hz", None, "0.000 Hz"),
    (5.8e7, "S/m", None, "58.00 MS/m"),
]


@pytest.mark.parametrize(("value", "unit", "u", "text"), WRITTEN)
def test_a_figure_is_rounded_to_two_digits_of_its_uncertainty(
    value: float, unit: str, u: float | None, text: str
) -> None:
    assert format_quantity(value, unit, u) == text


def test_the_number_of_digits_can_be_chosen_where_no_uncertainty_is_known() -> None:
    assert format_quantity(7.12345e6, "Hz", digits=6) == "7.12345 MHz"
    assert format_quantity(7.12345e6, "Hz", digits=2) == "7.1 MHz"


def test_what_is_not_finite_is_never_written() -> None:
    with pytest.raises(ValueError, match="finite"):
        format_quantity(math.nan, "Hz")
    with pytest.raises(ValueError, match="finite"):
        format_quantity(1.0, "Hz", math.inf)


DIMENSIONS = st.sampled_from(sorted(BASE_UNIT.items()))
SIZES = st.floats(1e-14, 1e12).flatmap(lambda size: st.sampled_from([size, -size]))


@given(DIMENSIONS, SIZES, st.floats(1e-6, 1e3))
def test_what_is_written_with_an_uncertainty_reads_the_same_within_rounding(
    dimension: tuple[Dimension, str], value: float, ratio: float
) -> None:
    kind, unit = dimension
    u = abs(value) * ratio
    back = parse_quantity(format_quantity(value, unit, u), kind)
    assert back.u_given
    # Two digits: half a unit of the second is at most a twentieth.
    assert back.u == pytest.approx(u, rel=0.0501)
    assert abs(back.value - value) <= 0.0501 * u


@given(DIMENSIONS, SIZES, st.integers(2, 12))
def test_what_is_written_without_one_reads_the_same_to_its_digits(
    dimension: tuple[Dimension, str], value: float, digits: int
) -> None:
    kind, unit = dimension
    back = parse_quantity(format_quantity(value, unit, digits=digits), kind)
    assert back.value == pytest.approx(value, rel=0.501 * 10 ** (1 - digits))
    assert not back.u_given


@given(
    DIMENSIONS,
    st.floats(allow_nan=False, allow_infinity=False),
    st.none() | st.floats(0, allow_infinity=False),
)
def test_what_is_written_exactly_reads_equal(
    dimension: tuple[Dimension, str], value: float, u: float | None
) -> None:
    kind, unit = dimension
    quantity = Quantity(value, u or 0.0, u is not None)
    assert parse_quantity(exact_text(quantity, unit), kind) == quantity


@given(st.text(max_size=20) | st.text("0123456789.,/±-+()' \"minftc%e", max_size=14))
def test_any_text_is_read_or_refused_and_nothing_else(text: str) -> None:
    try:
        quantity = parse_quantity(text, "length")
    except QuantityError:
        return
    assert math.isfinite(quantity.value)
    assert quantity.u >= 0
