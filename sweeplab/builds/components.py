"""The pieces a build is made of, as values in SI units. None means not known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from sweeplab.line import Line
from sweeplab.quantity import Quantity

Shape = Literal["circle", "square", "octagon", "rectangle"]
Winding = Literal["series", "parallel"]
Arrangement = Literal["side-by-side", "in-plane"]
Form = Literal["tube", "rod", "wire", "strip", "braid", "coax"]
Orientation = Literal["vertical", "horizontal"]
GapAt = Literal["top", "bottom", "side"]


@dataclass(frozen=True)
class Loop:
    """The main loop.

    Parameters
    ----------
    shape : {'circle', 'square', 'octagon', 'rectangle'}
    circumference : Quantity
        Centre line of one turn [m]; the mean of the turns where they differ.
    size_key : str
        The key the size was given by, such as 'loop.diameter': the name of its uncertainty.
    width, height : Quantity or None
        Of a rectangle [m], as it stands. The gap is in a side as long as `width`, unless
        `Site.gap_at` says 'side': then in one as long as `height`.
    turns : int
    winding : {'series', 'parallel'}
    arrangement : {'side-by-side', 'in-plane'}
    turn_spacing : Quantity or None
        Centre to centre [m].
    turn_lengths : tuple of Quantity
        Of each turn [m], where turns differ; else empty.
    gap, leads : Quantity or None
        Where the capacitor's voltage stands, and each lead to it [m].
    """

    shape: Shape
    circumference: Quantity
    size_key: str = "loop.circumference"
    width: Quantity | None = None
    height: Quantity | None = None
    turns: int = 1
    winding: Winding = "series"
    arrangement: Arrangement = "side-by-side"
    turn_spacing: Quantity | None = None
    turn_lengths: tuple[Quantity, ...] = ()
    gap: Quantity | None = None
    leads: Quantity | None = None


@dataclass(frozen=True)
class Conductor:
    """What the main loop is made of.

    Parameters
    ----------
    form : {'tube', 'rod', 'wire', 'strip', 'braid', 'coax'}
    conductivity : Quantity
        [S/m]; of a named material with the spread of what is sold under that name.
    material : str
        Empty where only a conductivity was given.
    diameter : Quantity or None
        Outer diameter [m]; from the gauge for wire, over the shield for coax; None for strip.
    wall : Quantity or None
        Of a tube [m].
    width, thickness : Quantity or None
        Of strip [m].
    surface_factor : Quantity
        Resistance over that of a smooth clean surface.
    temperature_c : float
        [degree Celsius]; `conductivity` is that at 20.
    """

    form: Form
    conductivity: Quantity
    material: str = ""
    diameter: Quantity | None = None
    wall: Quantity | None = None
    width: Quantity | None = None
    thickness: Quantity | None = None
    surface_factor: Quantity = field(default_factory=lambda: Quantity(1.0))
    temperature_c: float = 20.0


@dataclass(frozen=True)
class Capacitor:
    """The tuning capacitor.

    Parameters
    ----------
    c_min, c_max : Quantity or None
        [F]
    esr : Quantity or None
        Series resistance [ohm] at `reference_hz`.
    rated_voltage : Quantity or None
        Peak [V].
    turns_per_range : float or None
        Turns of the knob from `c_min` to `c_max`.
    reference_hz : float
        [Hz]
    """

    c_min: Quantity | None = None
    c_max: Quantity | None = None
    esr: Quantity | None = None
    rated_voltage: Quantity | None = None
    turns_per_range: float | None = None
    reference_hz: float = 10e6


@dataclass(frozen=True)
class Setting:
    """One position of a switch inside a build.

    Parameters
    ----------
    name : str
    overrides : mapping of str to Quantity, int or float
        Dotted key, such as 'capacitor.c_max' or 'loop.turns', to its value in this setting.
    parts : tuple of str
        Kinds that are in the path only in settings that name them.
    """

    name: str
    overrides: Mapping[str, Quantity | int | float] = field(default_factory=dict, hash=False)
    parts: tuple[str, ...] = ()


@dataclass(frozen=True)
class Part:
    """Something in the path of the loop's current that may add loss.

    Parameters
    ----------
    kind : str
        Parts of one kind share one resistance.
    count : int
        How many at this place.
    position : float
        Fraction of the way round from the gap.
    r : Quantity or None
        Resistance of one [ohm].
    """

    kind: str
    count: int = 1
    position: float = 0.5
    r: Quantity | None = None


@dataclass(frozen=True)
class Feed:
    """The coupling loop.

    Parameters
    ----------
    kind : str
    shape : {'circle', 'square'}
    circumference : Quantity or None
        Centre line [m].
    conductor_diameter : Quantity or None
        [m]
    conductor : str
        A word for the log; empty where not said.
    offset : Quantity or None
        Coupling conductor to main conductor where nearest, centre to centre [m].
    position : float
        Where on the main loop it sits, as a fraction of the way round from the gap.
    tilt_deg : float
        Turn out of the main loop's plane, about the line from its nearest point to its middle.
    line : Line or None
        Between the analyzer's reference plane and the coupling loop.
    """

    kind: str = "coupling-loop"
    shape: Literal["circle", "square"] = "circle"
    circumference: Quantity | None = None
    conductor_diameter: Quantity | None = None
    conductor: str = ""
    offset: Quantity | None = None
    position: float = 0.5
    tilt_deg: float = 0.0
    line: Line | None = None


@dataclass(frozen=True)
class Site:
    """Where the loop stands.

    Parameters
    ----------
    ground : str or (float, float)
        'free', 'perfect', 'poor', 'average', 'good' or 'sea'; or relative permittivity and
        conductivity [S/m].
    height : Quantity or None
        Of the loop's lowest point [m].
    orientation : {'vertical', 'horizontal'}
        Of the loop's plane.
    gap_at : {'top', 'bottom', 'side'} or None
        Where a vertical loop's capacitor sits.
    surroundings : str
    """

    ground: str | tuple[float, float] = "free"
    height: Quantity | None = None
    orientation: Orientation = "vertical"
    gap_at: GapAt | None = None
    surroundings: str = ""
