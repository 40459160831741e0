"""What a key and a table of a build's file are."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from sweeplab.quantity import Dimension

Kind = Literal[
    "text",
    "texts",
    "choice",
    "integer",
    "number",
    "quantity",
    "quantities",
    "awg",
    "losses",
    "ground",
]


@dataclass(frozen=True)
class Key:
    """One key of a table.

    Parameters
    ----------
    name : str
    kind : str
        How its value is parsed.
    help : str
        What it is, for the template.
    example : str
        A value as TOML, for the template.
    dimension : str
        Of a quantity.
    choices : tuple of str
        Of a choice.
    default : str, int, float or None
        Taken where the key is left out.
    announced : bool
        Whether a finding says that the default was taken.
    required : bool
    above, at_least, at_most : float or None
        Bounds, SI units.
    shown : bool
        Whether the template sets it; else it is commented out there.
    """

    name: str
    kind: Kind
    help: str
    example: str
    dimension: Dimension = "number"
    choices: tuple[str, ...] = ()
    default: str | int | float | None = None
    announced: bool = False
    required: bool = False
    above: float | None = None
    at_least: float | None = None
    at_most: float | None = None
    shown: bool = True


@dataclass(frozen=True)
class Table:
    """One table of the file, or one list of tables that the key `identity` names."""

    name: str
    help: str
    keys: tuple[Key, ...]
    required: bool = False
    identity: str = ""

    def key(self, name: str) -> Key | None:
        """Return the key of that name."""
        return next((key for key in self.keys if key.name == name), None)
