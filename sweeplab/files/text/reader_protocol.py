"""The protocol of all readers: the options they take, the confidence they report."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from sweeplab.errors import ReadError


@dataclass(frozen=True)
class Confidence:
    """How confident a reader is that a text is in its format.

    Parameters
    ----------
    value : float
        From 0 (another format) to 1 (certain).
    reason : str
        In a few words, for a person.
    """

    value: float
    reason: str


@dataclass(frozen=True)
class ReadOptions:
    """What the user states about a file, beyond its contents.

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
    def validated(
        cls,
        name: str,
        columns: Sequence[str] | None = None,
        z0_ohm: float | None = None,
        port: int | None = None,
    ) -> ReadOptions:
        """Return the options, their words stripped and in lower case.

        Raises
        ------
        ReadError
            The impedance or the port is not a positive number.
        """
        if z0_ohm is not None and not (math.isfinite(z0_ohm) and z0_ohm > 0):
            raise ReadError(
                name, f"asked for a reference of {z0_ohm:g} ohm", "give a positive number of ohms"
            )
        if port is not None and port < 1:
            raise ReadError(name, f"asked for port {port}", "count ports from 1")
        if columns is None:
            return cls(None, z0_ohm, port)
        # A string is a sequence of letters, which "f_mhz,re,im" is not meant to be.
        words = columns.split(",") if isinstance(columns, str) else columns
        return cls(tuple(word.strip().lower() for word in words), z0_ohm, port)

    @property
    def is_default(self) -> bool:
        """Whether no option differs from its default."""
        return self.columns is None and self.z0_ohm is None and self.port in (None, 1)
