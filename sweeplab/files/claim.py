"""What a reader is asked, and what it answers before it reads."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from sweeplab.errors import ReadError


@dataclass(frozen=True)
class Claim:
    """How sure a reader is that a text is its own.

    Parameters
    ----------
    confidence : float
        From 0 (not mine) to 1 (mine and nobody else's).
    why : str
        In a few words, for a person.
    """

    confidence: float
    why: str


@dataclass(frozen=True)
class Request:
    """What the person said about a file, beyond the file itself.

    Parameters
    ----------
    columns : tuple of str or None
        What a table's columns are.
    z0_ohm : float or None
        Reference impedance [ohm].
    """

    columns: tuple[str, ...] | None = None
    z0_ohm: float | None = None

    @classmethod
    def checked(cls, name: str, columns: Sequence[str] | None, z0_ohm: float | None) -> Request:
        """Return the request, its words stripped.

        Raises
        ------
        ReadError
            The impedance is no positive number.
        """
        if z0_ohm is not None and not (math.isfinite(z0_ohm) and z0_ohm > 0):
            raise ReadError(
                name, f"asked for a reference of {z0_ohm:g} ohm", "give a positive number of ohms"
            )
        if columns is None:
            return cls(None, z0_ohm)
        # A string is a sequence of its letters; "f_mhz,re,im" is plainly not meant so.
        words = columns.split(",") if isinstance(columns, str) else columns
        return cls(tuple(word.strip().lower() for word in words), z0_ohm)

    @property
    def is_plain(self) -> bool:
        """Nothing was said beyond the file."""
        return self.columns is None and self.z0_ohm is None
