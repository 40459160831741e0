"""From TOML data to checked values, key by key, by the schema."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from sweeplab.builds.schema import children, nearest, suggestion
from sweeplab.builds.schema_tables import TABLES
from sweeplab.builds.schema_types import Key, Table
from sweeplab.builds.toml_text import KeyPath, TomlText
from sweeplab.errors import QuantityError
from sweeplab.finding import Threshold
from sweeplab.quantity import BASE_UNIT, Quantity, format_quantity, parse_quantity

# Wire gauges, 4/0 to the thinnest that is drawn.
_LEAST_GAUGE: Threshold = -3
_MOST_GAUGE: Threshold = 40
# A line's loss stated for a lower frequency is in MHz or kHz.
_LEAST_LOSS_HZ: Threshold = 1e4
# Twenty times sea water's, and no metal's.
_MOST_GROUND_S_PER_M: Threshold = 100


@dataclass
class ParsedBuild:
    """The values of a build's file, in SI units.

    Parameters
    ----------
    tables : dict of str to dict
        Values by table and key, defaults filled in; a table that is not there is missing.
    lists : dict of str to list of dict
        The same for lists of tables.
    assumed : dict of str to str
        Dotted keys that were left out and may matter, with what was assumed for them.
    """

    tables: dict[str, dict[str, Any]] = field(default_factory=dict)
    lists: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    assumed: dict[str, str] = field(default_factory=dict)


class _ValueError(Exception):
    """What is wrong with one value and what to do; the caller knows its place."""

    def __init__(self, found: str, action: str) -> None:
        super().__init__(found)
        self.found, self.action = found, action


def parse_build(data: Mapping[str, Any], source: TomlText) -> ParsedBuild:
    """Check TOML data against the schema and return its values.

    Raises
    ------
    BuildError
        An unknown key, one that is missing, or a value of the wrong kind or out of bounds.
    """
    values = ParsedBuild(lists={table.name: [] for table in TABLES if table.identity})
    for table in TABLES:
        key_path: KeyPath = tuple(table.name.split(".")) if table.name else ()
        content = _table_data(data, key_path, table, source)
        if content is None:
            continue
        if table.identity:
            values.lists[table.name] = _parse_list(content, table, source, values.assumed)
        else:
            values.tables[table.name] = _parse_table(
                content, table, key_path, source, values.assumed
            )
    _infer(values)
    return values


# A conductor's size implies its form, a bare diameter excepted.
_FORM_OF_SIZE = {"awg": "wire", "width": "strip", "thickness": "strip", "shield_diameter": "coax"}


def _infer(values: ParsedBuild) -> None:
    """Fill in what follows from other keys, and drop defaults that do not matter then."""
    loop, conductor = values.tables["loop"], values.tables["conductor"]
    loop.setdefault("turns", len(loop.get("turn_lengths", ())) or 1)
    if "loop.shape" in values.assumed and {"width", "height"} <= loop.keys():
        loop["shape"] = "rectangle"
        del values.assumed["loop.shape"]
    if loop["turns"] == 1:
        values.assumed.pop("loop.winding", None)
        values.assumed.pop("loop.arrangement", None)
    if "form" not in conductor:
        form = next((_FORM_OF_SIZE[name] for name in conductor if name in _FORM_OF_SIZE), None)
        conductor["form"] = form or "tube"
        if form is None:
            values.assumed["conductor.form"] = "tube"
    site = values.tables.get("site", {})
    if site.get("gap_at") == "unknown":
        del site["gap_at"]
    if "conductivity" in conductor and "conductor.material" in values.assumed:
        del values.assumed["conductor.material"], conductor["material"]


def _table_data(data: Mapping[str, Any], key_path: KeyPath, table: Table, source: TomlText) -> Any:
    """Return the table's data, None where it is not there."""
    content: Any = data
    for step in key_path:
        if not isinstance(content, Mapping) or step not in content:
            if table.required:
                raise source.error(key_path, "missing", f"add a table [{table.name}]")
            return None
        content = content[step]
    listed = isinstance(content, list) and all(isinstance(entry, Mapping) for entry in content)
    if table.identity and not listed:
        found = f"{_describe_kind(content)} where a list of tables is wanted"
        raise source.error(key_path, found, f"write [[{table.name}]], in double brackets")
    if not table.identity and not isinstance(content, Mapping):
        found = f"{_describe_kind(content)} where one table is wanted"
        raise source.error(key_path, found, f"write [{table.name}], in single brackets")
    return content


def _parse_list(
    entries: list[Mapping[str, Any]], table: Table, source: TomlText, assumed: dict[str, str]
) -> list[dict[str, Any]]:
    """Read a list of tables; each is named to a person by its `identity`."""
    read = []
    for index, entry in enumerate(entries):
        name = entry.get(table.identity)
        label = f"{table.name}.{name if isinstance(name, str) and name else index + 1}"
        read.append(_parse_table(entry, table, (table.name, index), source, assumed, label))
    return read


def _parse_table(
    content: Mapping[str, Any],
    table: Table,
    key_path: KeyPath,
    source: TomlText,
    assumed: dict[str, str],
    label: str | None = None,
) -> dict[str, Any]:
    """Read one table's keys, fill in the defaults, note those that may matter."""
    label = table.name if label is None else label
    for name in content:
        if table.key(name) is None and name not in children(table.name):
            raise source.error(
                (*key_path, name),
                "unknown key",
                suggestion(name, table.name),
                key=_dotted(label, name),
            )
    values: dict[str, Any] = {}
    for key in table.keys:
        dotted = _dotted(label, key.name)
        if key.name in content:
            try:
                values[key.name] = _parse(content[key.name], key)
            except _ValueError as bad:
                place = (*key_path, key.name)
                raise source.error(place, bad.found, bad.action, key=dotted) from None
        elif key.required:
            action = f"add {key.name} = {key.example}"
            raise source.error(key_path, "missing", action, key=dotted)
        elif key.default is not None:
            values[key.name] = (
                Quantity(float(key.default)) if key.kind == "quantity" else key.default
            )
            if key.announced:
                assumed[dotted] = f"{key.default:g}" if key.kind == "number" else str(key.default)
    return values


def _dotted(label: str, name: str) -> str:
    return f"{label}.{name}" if label else name


def _describe_kind(value: Any) -> str:
    """Return what a TOML value is, as a person would say it."""
    if isinstance(value, bool):
        return "true or false"
    if isinstance(value, str):
        return f"the text {value!r}"
    if _is_number(value):
        return f"the number {value:g}"
    if isinstance(value, int | float):
        return "a number out of range"
    if isinstance(value, list):
        return "a list"
    return "a table" if isinstance(value, dict) else "a date"


def _parse(value: Any, key: Key) -> Any:
    return _PARSERS[key.kind](value, key)


def _wrong_kind(value: Any, wanted: str, key: Key) -> _ValueError:
    return _ValueError(
        f"{_describe_kind(value)} where {wanted} is wanted", f"write {key.name} = {key.example}"
    )


def _text(value: Any, key: Key) -> str:
    if not isinstance(value, str):
        raise _wrong_kind(value, "text", key)
    if key.required and not value.strip():
        raise _ValueError("empty", f"write {key.name} = {key.example}")
    return value


def _texts(value: Any, key: Key) -> tuple[str, ...]:
    if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
        raise _wrong_kind(value, "a list of texts", key)
    return tuple(value)


def _choice(value: Any, key: Key) -> str:
    text = _text(value, key)
    if text not in key.choices:
        known = ", ".join(key.choices)
        raise _ValueError(
            f"unknown {key.name} {text!r}", f"known: {known}; nearest: {nearest(text, key.choices)}"
        )
    return text


def _is_number(value: Any) -> bool:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return abs(value) < 10**300 if isinstance(value, int) else math.isfinite(value)


def _number(value: Any, key: Key) -> float:
    if not _is_number(value):
        raise _wrong_kind(value, "a number", key)
    _bounded(float(value), key)
    return float(value)


def _integer(value: Any, key: Key) -> int:
    if not _is_number(value) or value != int(value):
        raise _wrong_kind(value, "a whole number", key)
    _bounded(float(value), key)
    return int(value)


# What may stand as a bare number: conductivities are tabulated in S/m.
PLAIN_NUMBERS = ("number", "conductivity")


def _quantity(value: Any, key: Key) -> Quantity:
    if _is_number(value) and key.dimension in PLAIN_NUMBERS:
        _bounded(float(value), key)
        return Quantity(float(value))
    if not isinstance(value, str):
        if _is_number(value):
            action = f"write it with its unit, in quotes: {key.name} = {key.example}"
            raise _ValueError(f"the number {value:g} has no unit", action)
        raise _wrong_kind(value, f"a {key.dimension}", key)
    try:
        quantity = parse_quantity(value, key.dimension)
    except QuantityError as error:
        found, _, action = str(error).partition("; ")
        raise _ValueError(found, action or f"write {key.name} = {key.example}") from None
    _bounded(quantity.value, key, value)
    if key.above == 0 and quantity.u >= quantity.value:
        raise _ValueError(
            f"{value!r} is no more than its own uncertainty",
            "what follows ± is the standard uncertainty, not a range from zero",
        )
    return quantity


def _bounded(value: float, key: Key, text: str | None = None) -> None:
    """Raise where a value cannot be."""
    unit = BASE_UNIT[key.dimension]
    shown = f"{value:g}" if text is None else repr(text)

    def bound(limit: float) -> str:
        return format_quantity(limit, unit, digits=2) if unit and limit else f"{limit:g}"

    if key.above is not None and value <= key.above:
        raise _ValueError(f"{shown} cannot be", f"it must be above {bound(key.above)}")
    if key.at_least is not None and value < key.at_least:
        raise _ValueError(f"{shown} cannot be", f"it must be at least {bound(key.at_least)}")
    if key.at_most is not None and value > key.at_most:
        raise _ValueError(f"{shown} cannot be", f"it must be at most {bound(key.at_most)}")


def _quantities(value: Any, key: Key) -> tuple[Quantity, ...]:
    if not isinstance(value, list) or not value:
        raise _wrong_kind(value, "a list", key)
    return tuple(_quantity(item, key) for item in value)


def _awg(value: Any, key: Key) -> int:
    """Read a gauge: 12, or "2/0" (also "00"), which counts as -1."""
    gauge: int | None = value if _is_number(value) and value == int(value) else None
    if isinstance(value, str):
        zeros = re.fullmatch(r"([1-4])/0|(0{1,4})", value.strip())
        digits = re.fullmatch(r"[1-9]\d?", value.strip())
        if zeros:
            gauge = 1 - (int(zeros[1]) if zeros[1] else len(zeros[2]))
        elif digits:
            gauge = int(digits[0])
    if gauge is None or not _LEAST_GAUGE <= gauge <= _MOST_GAUGE:
        raise _ValueError(
            f"no wire gauge: {value!r}", 'write awg = 12; from 40 to 0, "2/0", "3/0", "4/0"'
        )
    return int(gauge)


def _losses(value: Any, key: Key) -> tuple[tuple[float, float], ...]:
    """Read (frequency, dB per 100 m) pairs."""
    pairs = value if isinstance(value, list) else [value]
    for pair in pairs:
        if not (isinstance(pair, list) and len(pair) == 2 and all(map(_is_number, pair))):
            raise _wrong_kind(pair, "a pair of numbers [Hz, dB]", key)
        if pair[0] < _LEAST_LOSS_HZ:
            raise _ValueError(f"a loss at {pair[0]:g} Hz", "frequencies are in Hz: 10 MHz is 10e6")
        if pair[1] < 0:
            raise _ValueError(
                f"a loss of {pair[1]:g} dB", "loss is never negative; write it positive"
            )
    table = sorted((float(f_hz), float(loss_db)) for f_hz, loss_db in pairs)
    if len({f_hz for f_hz, _ in table}) < len(table):
        raise _ValueError("two losses at one frequency", "keep one")
    return tuple(table)


def _ground(value: Any, key: Key) -> str | tuple[float, float]:
    if isinstance(value, str):
        return _choice(value, key)
    if not (isinstance(value, list) and len(value) == 2 and all(map(_is_number, value))):
        raise _wrong_kind(value, "a word or [eps_r, S/m]", key)
    if value[0] < 1 or not 0 <= value[1] <= _MOST_GROUND_S_PER_M:
        action = "relative permittivity is at least 1, conductivity 0 to 100 S/m: [13, 0.005]"
        raise _ValueError(f"ground [{value[0]:g}, {value[1]:g}] cannot be", action)
    return float(value[0]), float(value[1])


_PARSERS: dict[str, Callable[[Any, Key], Any]] = {
    "text": _text,
    "texts": _texts,
    "choice": _choice,
    "integer": _integer,
    "number": _number,
    "quantity": _quantity,
    "quantities": _quantities,
    "awg": _awg,
    "losses": _losses,
    "ground": _ground,
}
