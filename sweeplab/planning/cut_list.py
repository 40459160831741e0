"""What a planned loop takes to make: lengths to cut, metal by weight, what the mast must bear."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sweeplab.builds import Build, Conductor
from sweeplab.loop.model import gap_of

# Density at 20 °C [kg/m3]: typical handbook values (CRC Handbook of Chemistry and Physics for the
# elements, alloy data sheets for the rest; from memory, good to 1 %).
DENSITY_KG_PER_M3: dict[str, float] = {
    "copper": 8960.0,
    "silver": 10490.0,
    "aluminium": 2700.0,
    "brass": 8500.0,
    "tin": 7290.0,
    "solder": 8400.0,
}
# Standard gravity (3rd CGPM, 1901), exact.
_GRAVITY = 9.80665
# A gale's gusts; round wire's drag coefficient and sea-level air (S. F. Hoerner, Fluid-Dynamic
# Drag, 1965, from memory).
WIND_M_PER_S = 25.0
_DRAG, _AIR_KG_PER_M3 = 1.2, 1.225


@dataclass(frozen=True)
class Allowance:
    """What fittings and enclosure take of a piece beyond its centre line.

    Parameters
    ----------
    name : str
    length_m : float
        In all, for each piece it goes with.
    piece : str
        The piece, such as 'turn 2'; empty for every piece of the main loop.
    """

    name: str
    length_m: float
    piece: str = ""

    def holds_for(self, piece: str) -> bool:
        """Say whether it goes with that piece."""
        return self.piece == piece or (not self.piece and piece.startswith("turn"))


@dataclass(frozen=True)
class Piece:
    """One piece to cut.

    Parameters
    ----------
    name : str
    centre_line_m : float
        What the antenna sees of it.
    allowances : tuple of Allowance
    """

    name: str
    centre_line_m: float
    allowances: tuple[Allowance, ...] = ()

    @property
    def cut_m(self) -> float:
        """Length to cut [m]."""
        return self.centre_line_m + sum(allowance.length_m for allowance in self.allowances)

    def to_json(self) -> dict[str, Any]:
        """Return the piece with its allowances by name."""
        return {
            "piece": self.name,
            "centre_line_m": self.centre_line_m,
            "allowances_m": {a.name: a.length_m for a in self.allowances},
            "cut_m": self.cut_m,
        }


@dataclass(frozen=True)
class Mast:
    """What the loop asks of its mast, statically; capacitor, boxes and the mast not counted.

    Parameters
    ----------
    length_m : float
        From the foot to the loop's lowest point.
    weight_n : float or None
        Of the conductor; None where its mass is not known.
    wind_n : float
        On the conductor, broadside, in a wind of 25 m/s.
    moment_n_m : float
        That wind's bending moment at the mast's foot.
    """

    length_m: float
    weight_n: float | None
    wind_n: float
    moment_n_m: float

    def to_json(self) -> dict[str, Any]:
        """Return the figures and the wind they hold for."""
        return {**vars(self), "wind_m_per_s": WIND_M_PER_S}


def turn_lengths_m(build: Build) -> tuple[float, ...]:
    """Return each turn's centre line, the gap bridged [m]."""
    loop = build.loop
    if loop.turn_lengths:
        return tuple(q.value for q in loop.turn_lengths)
    return (loop.circumference.value,) * loop.turns


def conductor_length_m(build: Build) -> float:
    """Return the main loop's conductor: turns less the one gap, and leads [m]."""
    leads = 0.0 if build.loop.leads is None else 2 * build.loop.leads.value
    return sum(turn_lengths_m(build)) - gap_of(build) + leads


def cut_list(build: Build, allowances: Sequence[Allowance] = ()) -> tuple[Piece, ...]:
    """Return every piece to cut: the turns, the leads, the coupling loop.

    The gap is taken off the first turn.
    """
    lengths = {
        f"turn {i + 1}": length - (gap_of(build) if i == 0 else 0.0)
        for i, length in enumerate(turn_lengths_m(build))
    }
    if build.loop.leads is not None and build.loop.leads.value > 0:
        lengths |= {"lead 1": build.loop.leads.value, "lead 2": build.loop.leads.value}
    if build.feed is not None and build.feed.circumference is not None:
        lengths["coupling loop"] = build.feed.circumference.value
    return tuple(
        Piece(name, length, tuple(a for a in allowances if a.holds_for(name)))
        for name, length in lengths.items()
    )


def conductor_mass_kg(build: Build) -> float | None:
    """Return the main conductor's mass [kg]; None where its section or metal is not known."""
    density = _density(build.conductor)
    area = section_m2(build.conductor)
    if density is None or area is None:
        return None
    return density * area * conductor_length_m(build)


def section_m2(conductor: Conductor) -> float | None:
    """Return the metal's cross-section [m2]; None for braid, coax, and a tube without its wall."""
    if conductor.form == "strip":
        if conductor.width is None or conductor.thickness is None:
            return None
        return conductor.width.value * conductor.thickness.value
    if conductor.diameter is None or conductor.form in ("braid", "coax"):
        return None
    if conductor.form == "tube":
        if conductor.wall is None:
            return None
        wall = min(conductor.wall.value, conductor.diameter.value / 2)
        return math.pi * wall * (conductor.diameter.value - wall)
    return math.pi * conductor.diameter.value**2 / 4


def mast(build: Build, length_m: float) -> Mast:
    """Return what the loop asks of a mast of that length under it."""
    mass = conductor_mass_kg(build)
    conductor = build.conductor
    face = conductor.diameter or conductor.width
    broad = 0.0 if face is None else face.value * conductor_length_m(build)
    wind = _DRAG * _AIR_KG_PER_M3 / 2 * WIND_M_PER_S**2 * broad
    middle = length_m + _height_m(build) / 2
    weight = None if mass is None else mass * _GRAVITY
    return Mast(length_m, weight, wind, wind * middle)


def _height_m(build: Build) -> float:
    loop = build.loop
    if loop.height is not None:
        return loop.height.value
    per_height = {"square": 4.0, "octagon": 8 * math.tan(math.pi / 8)}
    return loop.circumference.value / per_height.get(loop.shape, math.pi)


def _density(conductor: Conductor) -> float | None:
    word = conductor.material.replace("aluminum", "aluminium").partition("-")[0]
    return DENSITY_KG_PER_M3.get(word)
