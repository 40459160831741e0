"""How a number may be spelled in a file, and what stands for a missing one."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable

from sweeplab.finding import Finding

# Narrower than float(), which also takes "1_000" and digits of other scripts.
_PLAIN = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eEdD][+-]?\d+)?", re.ASCII)
_FORTRAN = re.compile(r"[\d.][dD][+-]?\d", re.ASCII)
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
_MINUS = "\u2212"
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
    spelled = token.replace(_MINUS, "-")
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


def spelling_findings(rows: Iterable[str]) -> list[Finding]:
    """Return a note for each unusual way the rows spell numbers."""
    fortran = minus = False
    for row in rows:
        fortran = fortran or _FORTRAN.search(row) is not None
        minus = minus or _MINUS in row
    findings = []
    if fortran:
        findings.append(
            Finding(
                code="fortran-exponent",
                level="note",
                text="Exponents are written with D; they were read as E.",
                action="Nothing to do.",
            )
        )
    if minus:
        findings.append(
            Finding(
                code="minus-sign",
                level="note",
                text="Negative numbers carry a typographic minus sign; it was read as a hyphen.",
                action="Nothing to do.",
            )
        )
    return findings
