"""Numbers as files write them: notations, digit groups, missing values."""

from __future__ import annotations

import math
import re
from array import array
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from sweeplab.finding import Finding
from sweeplab.sweep import FloatArray

# Narrower than float(), which also takes "1_000" and digits of other scripts.
_PLAIN_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eEdD][+-]?\d+)?", re.ASCII)
_FORTRAN_EXPONENT = re.compile(r"[\d.][dD][+-]?\d", re.ASCII)
# No letters but those of exponents: float() reads such words correctly.
_PLAIN_TEXT = re.compile(r"[0-9+\-.eEdD\s]*", re.ASCII)
# From this length on, words are parsed one by one to save the memory of a list.
_LONG_TEXT = 100_000
# For rows as long as this numpy's overhead per word is large.
_LONG_ROW = 1000
_WORD = re.compile(r"\S+")
# Groups of three digits: separated by a sign without another meaning, or at least twice by the
# other decimal sign, since once ("7,050") could be a decimal comma.
_GROUPED = {
    decimal: re.compile(
        rf"[+-]?[1-9]\d{{0,2}}(?:(?:['’ \u00a0\u2009\u202f]\d{{3}})+(?:{re.escape(decimal)}\d*)?"
        rf"|(?:{re.escape(other)}\d{{3}}){{2,}}(?:{re.escape(decimal)}\d*)?"
        rf"|{re.escape(other)}\d{{3}}{re.escape(decimal)}\d*)",
        re.ASCII,
    )
    for decimal, other in ((".", ","), (",", "."))
}
_NOT_DIGITS = re.compile(r"[^\d+-]", re.ASCII)
MINUS = "\u2212"
_MISSING = frozenset({"nan", "+nan", "-nan", "-", "--", "---", "n/a", "na", "null"}) | frozenset(
    f"{sign}1.#{word}" for sign in ("", "+", "-") for word in ("ind", "qnan", "snan", "inf")
)
_INFINITIES = {
    sign + word: float(sign + "inf") for sign in ("", "+", "-") for word in ("inf", "infinity")
}


def parse_number(token: str, decimal: str = ".") -> float | None:
    """Return a token's value.

    Parameters
    ----------
    token : str
        One word of a row, without white space around it.
    decimal : {'.', ','}
        The decimal sign.

    Returns
    -------
    float or None
        NaN for a missing value; None if the token is not a number.
    """
    if decimal == "." and _PLAIN_NUMBER.fullmatch(token):
        return float(token)
    normalized = token.replace(MINUS, "-")
    if has_grouped_digits(normalized, decimal):
        integer, _, fraction = normalized.partition(decimal)
        return float(f"{_NOT_DIGITS.sub('', integer)}.{fraction}")
    if decimal != ".":
        if "." in normalized:
            return None
        normalized = normalized.replace(decimal, ".")
    if _NUMBER.fullmatch(normalized):
        return float(normalized.replace("D", "e").replace("d", "e"))
    word = token.lower()
    if word in _MISSING:
        return math.nan
    return _INFINITIES.get(word)


def has_grouped_digits(token: str, decimal: str) -> bool:
    """Whether a number's digits are in groups of three, as in ``7,050,000``."""
    return _GROUPED[decimal].fullmatch(token) is not None


def iter_words(text: str) -> Iterator[str]:
    """Yield the words of ``text.split()`` one by one."""
    return (match[0] for match in _WORD.finditer(text))


def parse_numbers(text: str) -> array[float] | None:
    """Return a text's numbers, separated by white space; None if any is not in plain notation.

    Gives the values of `parse_number` in a tenth of the time.
    """
    if not _PLAIN_TEXT.fullmatch(text):
        return None
    try:
        words = _with_e_exponents(text)
        few = len(words) < _LONG_TEXT
        return array("d", map(float, words.split() if few else iter_words(words)))
    except ValueError:
        return None


def parse_table(rows: Sequence[str]) -> FloatArray | None:
    """Return the numbers of rows of equal length; None if unequal or any is not in plain notation.

    Gives the values of `parse_numbers`, faster still.

    Returns
    -------
    ndarray, shape (len(rows), k), or None
    """
    text = "\n".join(rows)
    if len(text) > _LONG_ROW * len(rows):
        return None
    if not _PLAIN_TEXT.fullmatch(text) or not rows[0].strip():
        return None
    try:
        values = np.loadtxt(_with_e_exponents(text).split("\n"), comments=None, ndmin=2)
    except ValueError:
        return None
    return values if len(values) == len(rows) else None


def _with_e_exponents(text: str) -> str:
    return text.replace("D", "e").replace("d", "e")


@dataclass
class NumberStyles:
    """The unusual notations found in a file's numbers.

    Parameters
    ----------
    fortran, minus, grouped : bool
        Exponents with D, typographic minus signs, digits in groups of three.
    """

    fortran: bool = False
    minus: bool = False
    grouped: bool = False

    def scan(self, text: str) -> None:
        """Record the notations of exponents and signs in a text of numbers."""
        if not self.fortran and ("D" in text or "d" in text):
            self.fortran = _FORTRAN_EXPONENT.search(text) is not None
        self.minus = self.minus or MINUS in text

    def findings(self) -> list[Finding]:
        """Return a note for each notation found."""
        found = (self.fortran, self.minus, self.grouped)
        return [note for is_found, note in zip(found, _NOTES, strict=True) if is_found]


_NOTES = (
    Finding(
        code="fortran-exponent",
        level="note",
        text="Exponents are written with D; they were read as E.",
        action="Nothing to do.",
    ),
    Finding(
        code="minus-sign",
        level="note",
        text="Negative numbers carry a typographic minus sign; it was read as a hyphen.",
        action="Nothing to do.",
    ),
    Finding(
        code="thousands-separators",
        level="note",
        text="Digits stand in groups of three; the signs between them were left out.",
        action="Check a frequency or two.",
    ),
)
