"""How a number may be spelled in a file, and what stands for a missing one."""

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
_PLAIN = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eEdD][+-]?\d+)?", re.ASCII)
_FORTRAN = re.compile(r"[\d.][dD][+-]?\d", re.ASCII)
# No letters but those of exponents: what float() makes of such words is what they mean.
_PLAIN_TEXT = re.compile(r"[0-9+\-.eEdD\s]*", re.ASCII)
# A list of all words of a text longer than this would take room.
_LONG = 100_000
# Nor has numpy little of its own for each word of a row as long as this.
_LONG_ROW = 1000
_WORD = re.compile(r"\S+")
# Groups of three digits: by a sign that can be nothing else, or twice over by the other decimal
# sign, since once ("7,050") could be a decimal comma.
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
_INFINITE = {
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
        NaN for a word that stands for a missing value; None for no number at all.
    """
    if decimal == "." and _PLAIN.fullmatch(token):
        return float(token)
    spelled = token.replace(MINUS, "-")
    if has_groups(spelled, decimal):
        whole, _, fraction = spelled.partition(decimal)
        return float(f"{_NOT_DIGITS.sub('', whole)}.{fraction}")
    if decimal != ".":
        if "." in spelled:
            return None
        spelled = spelled.replace(decimal, ".")
    if _NUMBER.fullmatch(spelled):
        return float(spelled.replace("D", "e").replace("d", "e"))
    word = token.lower()
    if word in _MISSING:
        return math.nan
    return _INFINITE.get(word)


def has_groups(token: str, decimal: str) -> bool:
    """Whether a number's digits stand in groups of three, as in ``7,050,000``."""
    return _GROUPED[decimal].fullmatch(token) is not None


def words_of(text: str) -> Iterator[str]:
    """Yield a text's words one by one, as ``text.split()`` has them all."""
    return (match[0] for match in _WORD.finditer(text))


def parse_plain(text: str) -> array[float] | None:
    """Return the numbers of a text parted by white space, None where one is spelled oddly.

    Takes what `parse_number` takes alike, at a tenth of the time.
    """
    if not _PLAIN_TEXT.fullmatch(text):
        return None
    try:
        words = _with_e(text)
        few = len(words) < _LONG
        return array("d", map(float, words.split() if few else words_of(words)))
    except ValueError:
        return None


def parse_even(rows: Sequence[str]) -> FloatArray | None:
    """Return the numbers of rows that all have as many, None where not or one is spelled oddly.

    Takes what `parse_plain` takes, faster still.

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
        values = np.loadtxt(_with_e(text).split("\n"), comments=None, ndmin=2)
    except ValueError:
        return None
    return values if len(values) == len(rows) else None


def _with_e(text: str) -> str:
    return text.replace("D", "e").replace("d", "e")


@dataclass
class Spelling:
    """Which unusual ways of writing numbers were met.

    Parameters
    ----------
    fortran, minus, grouped : bool
        Exponents with D, typographic minus signs, digits in groups of three.
    """

    fortran: bool = False
    minus: bool = False
    grouped: bool = False

    def look(self, text: str) -> None:
        """Note the ways of exponents and signs that a text of numbers uses."""
        if not self.fortran and ("D" in text or "d" in text):
            self.fortran = _FORTRAN.search(text) is not None
        self.minus = self.minus or MINUS in text

    def findings(self) -> list[Finding]:
        """Return a note for each way."""
        met = zip((self.fortran, self.minus, self.grouped), _NOTES, strict=True)
        return [note for was_met, note in met if was_met]


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
