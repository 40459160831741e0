"""What a reader is asked, and what it answers before it reads."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from sweeplab.errors import ReadError


@dataclass(frozen=True)
class Confidence:
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
class ReadOptions:
    """What the person said about a file, beyond the file itself.

    Parameters
    ----------
    columns : tuple of str or None
        What a table's columns are.
    z0_ohm : float or None
        Reference impedance [ohm].
    port : int or None
        Whose reflection a file of several ports is read for, counted from one.
    """

    columns: tuple[str, ...] | None = None
    z0_ohm: float | None = None
    port: int | None = None

    @classmethod
    def checked(
        cls,
        name: str,
        columns: Sequence[str] | None = None,
        z0_ohm: float | None = None,
        port: int | None = None,
    ) -> ReadOptions:
        """Return the request, its words stripped.

        Raises
        ------
        ReadError
            The impedance or the port is no positive number.
        """
        if z0_ohm is not None and not (math.isfinite(z0_ohm) and z0_ohm > 0):
            raise ReadError(
                name, f"asked for a reference of {z0_ohm:g} ohm", "give a positive number of ohms"
            )
        if port is not None and port < 1:
            raise ReadError(name, f"asked for port {port}", "count ports from 1")
        if columns is None:
            return cls(None, z0_ohm, port)
        # A string is a sequence of its letters; "f_mhz,re,im" is plainly not meant so.
        words = columns.split(",") if isinstance(columns, str) else columns
        return cls(tuple(word.strip().lower() for word in words), z0_ohm, port)

    @property
    def is_plain(self) -> bool:
        """Nothing was said beyond the file."""
        return self.columns is None and self.z0_ohm is None and self.port in (None, 1)
