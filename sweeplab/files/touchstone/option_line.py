"""Touchstone's option line: ``# [unit] [parameter] [format] [R n]``, in any order and case.

Source: IBIS Open Forum, Touchstone File Format Specification 2.1 (2024), "Option Line".
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from typing import TypeVar, cast, get_args

from sweeplab.errors import ReadError, quoted
from sweeplab.files.touchstone.network_parameters import PairFormat, Parameter

FREQUENCY_UNITS_HZ = {"HZ": 1.0, "KHZ": 1e3, "MHZ": 1e6, "GHZ": 1e9}
_PAIR_FORMATS: tuple[PairFormat, ...] = get_args(PairFormat)
_PARAMETERS: tuple[Parameter, ...] = get_args(Parameter)
_Word = TypeVar("_Word", bound=str)
_R_AND_NUMBER = re.compile(r"R(\d.*)", re.IGNORECASE)
_EXAMPLE = "write it like '# MHz S RI R 50'"


@dataclass(frozen=True)
class OptionLine:
    """A parsed option line; the defaults are the standard's, ``# GHz S MA R 50``.

    Parameters
    ----------
    f_scale_hz : float
        The frequency unit [Hz].
    parameter : {'S', 'Z', 'Y', 'G', 'H'}
    pair_format : {'RI', 'MA', 'DB'}
    references_ohm : tuple of float
        One for all ports, or one per port (version 1.1) [ohm].
    """

    f_scale_hz: float = 1e9
    parameter: Parameter = "S"
    pair_format: PairFormat = "MA"
    references_ohm: tuple[float, ...] = (50.0,)


def looks_like_option_line(line: str) -> bool:
    """Whether a line that begins with '#' consists of an option line's words only."""
    kinds = [_kind(word) for word in _words(line)]
    return "" not in kinds and kinds[:1] != ["number"]


def parse_option_line(line: str, path: str, number: int) -> OptionLine:
    """Return the parsed option line.

    Parameters
    ----------
    line : str
        Beginning with '#', without comment.
    path : str
        The file, for errors.
    number : int
        One-based number of the line, for errors.

    Raises
    ------
    ReadError
        A word is unknown or repeated, or a reference is complex or not positive.
    """
    options = OptionLine()
    kinds_given: set[str] = set()
    words = _words(line)
    while words:
        word = words.pop(0)
        kind = _kind(word)
        if kind in ("", "number"):
            raise ReadError(path, f"{quoted(word)} in the option line", _EXAMPLE, number)
        if kind in kinds_given:
            raise ReadError(path, f"two {kind}s in the option line", "keep one", number)
        kinds_given.add(kind)
        if kind == "unit":
            options = replace(options, f_scale_hz=FREQUENCY_UNITS_HZ[word.upper()])
        elif kind == "format":
            options = replace(options, pair_format=_one_of(word, _PAIR_FORMATS))
        elif kind == "parameter":
            options = replace(options, parameter=_one_of(word, _PARAMETERS))
        else:
            options = replace(options, references_ohm=_references(words, path, number))
    return options


def _words(line: str) -> list[str]:
    """Return the words after '#', with ``R50`` as two."""
    words: list[str] = []
    for word in line.lstrip().removeprefix("#").split():
        match = _R_AND_NUMBER.fullmatch(word)
        words += ["R", match[1]] if match else [word]
    return words


def _kind(word: str) -> str:
    upper = word.upper()
    if upper in FREQUENCY_UNITS_HZ:
        return "unit"
    if upper in _PAIR_FORMATS:
        return "format"
    if upper in _PARAMETERS:
        return "parameter"
    if upper == "R":
        return "reference"
    return "" if math.isnan(_complex(word).real) else "number"


def is_complex(word: str) -> bool:
    """Whether a word is a number with an imaginary part, such as ``(50+50j)``."""
    return _complex(word).imag != 0


def _complex(word: str) -> complex:
    """Return a word's value, NaN for no number."""
    try:
        return complex(word)
    except ValueError:
        return complex(math.nan)


def _one_of(word: str, choices: tuple[_Word, ...]) -> _Word:
    return choices[choices.index(cast(_Word, word.upper()))]


def _references(words: list[str], path: str, number: int) -> tuple[float, ...]:
    """Remove the numbers that follow R from the front of `words` and return them."""
    numbers: list[str] = []
    while words and _kind(words[0]) == "number":
        numbers.append(words.pop(0))
    if not numbers:
        raise ReadError(path, "no resistance after R in the option line", _EXAMPLE, number)
    return tuple(parse_reference_ohm(word, path, number) for word in numbers)


def parse_reference_ohm(word: str, path: str, number: int) -> float:
    """Return a reference impedance [ohm].

    Raises
    ------
    ReadError
        It is complex, not a number, or not positive.
    """
    if is_complex(word):
        raise ReadError(
            path,
            f"a complex reference impedance, {quoted(word)}",
            "save the sweep against a real one, such as R 50",
            number,
        )
    value = _complex(word).real
    if not (math.isfinite(value) and value > 0):
        raise ReadError(
            path,
            f"{quoted(word)} as a reference impedance",
            "give a positive number of ohms",
            number,
        )
    return value
