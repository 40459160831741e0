"""Every table and key that a build's file may hold, once."""

from __future__ import annotations

from dataclasses import replace

from sweeplab.builds.schema_types import Key, Table
from sweeplab.finding import Threshold

# Beyond these a value is a typing error or in the wrong unit.
_MOST_TURNS: Threshold = 100
_LEAST_CONDUCTIVITY_S_PER_M: Threshold = 1e4
_MOST_CONDUCTIVITY_S_PER_M: Threshold = 1e8
_COLDEST_C: Threshold = -60.0
_HOTTEST_C: Threshold = 250.0
_LEAST_SURFACE_FACTOR: Threshold = 0.5
_MOST_SURFACE_FACTOR: Threshold = 100.0
_LEAST_Z0_OHM: Threshold = 1.0
_MOST_Z0_OHM: Threshold = 1000.0


def _length(name: str, help: str, example: str, *, shown: bool = True) -> Key:
    return Key(name, "quantity", help, example, "length", above=0.0, shown=shown)


def _choice(name: str, help: str, choices: tuple[str, ...], default: str | None = None) -> Key:
    return Key(
        name,
        "choice",
        help,
        f'"{default or choices[0]}"',
        choices=choices,
        default=default,
        announced=default is not None,
    )


_ROOT = Table(
    "",
    "",
    (
        Key("name", "text", "what the log calls this build", '"porch-loop"', required=True),
        Key("note", "text", "anything worth remembering", '"first version"'),
    ),
    required=True,
)

_TURNS = Key("turns", "integer", "whole turns", "1", at_least=1, at_most=_MOST_TURNS)

_LOOP = Table(
    "loop",
    "the main loop; one size is enough",
    (
        _choice(
            "shape",
            "circle, square, octagon, rectangle",
            ("circle", "square", "octagon", "rectangle"),
            "circle",
        ),
        _length(
            "circumference",
            "centre line of one turn; '± 1 cm' is a standard uncertainty",
            '"3.20 m ± 1 cm"',
        ),
        _length(
            "diameter", "instead of circumference: circle, centre line", '"1.02 m"', shown=False
        ),
        _length("side", "instead of circumference: square or octagon", '"0.80 m"', shown=False),
        _length("width", "instead of circumference: rectangle, level", '"0.90 m"', shown=False),
        _length("height", "rectangle as it stands, with width", '"0.70 m"', shown=False),
        Key(
            "turn_lengths",
            "quantities",
            "instead of circumference: when turns differ",
            '["3.17 m", "3.20 m"]',
            "length",
            above=0.0,
            shown=False,
        ),
        _TURNS,
        _choice("winding", "turns in series or in parallel", ("series", "parallel"), "series"),
        _choice(
            "arrangement",
            "where the turns lie: side-by-side or in-plane",
            ("side-by-side", "in-plane"),
            "side-by-side",
        ),
        _length("turn_spacing", "between turns, centre to centre", '"40 mm"', shown=False),
        _length("gap", "over which the capacitor's voltage stands", '"30 mm"'),
        Key(
            "leads",
            "quantity",
            "each lead, from the loop's end to the gap",
            '"50 mm"',
            "length",
            at_least=0.0,
        ),
    ),
    required=True,
)

_CONDUCTOR = Table(
    "conductor",
    "what the main loop is made of",
    (
        Key(
            "form",
            "choice",
            "tube, rod, wire, strip, braid, coax",
            '"tube"',
            choices=("tube", "rod", "wire", "strip", "braid", "coax"),
        ),
        _length("diameter", "outer: tube, rod, wire, braid", '"12 mm"'),
        _length("wall", "tube: thickness of the wall", '"1 mm"', shown=False),
        Key("awg", "awg", "wire: American wire gauge instead of diameter", "12", shown=False),
        _length("width", "strip", '"20 mm"', shown=False),
        _length("thickness", "strip", '"0.5 mm"', shown=False),
        _length(
            "shield_diameter",
            "coax: over the shield; centre and shield tied together",
            '"8.1 mm"',
            shown=False,
        ),
        Key(
            "material", "text", "what the surface is", '"copper"', default="copper", announced=True
        ),
        Key(
            "conductivity",
            "quantity",
            "instead of a material's; a plain number is S/m",
            '"58 MS/m ± 1 MS/m"',
            "conductivity",
            at_least=_LEAST_CONDUCTIVITY_S_PER_M,
            at_most=_MOST_CONDUCTIVITY_S_PER_M,
            shown=False,
        ),
        Key(
            "temperature_c",
            "number",
            "of the conductor, degrees Celsius; conductivities are for 20",
            "20",
            default=20.0,
            at_least=_COLDEST_C,
            at_most=_HOTTEST_C,
            shown=False,
        ),
        Key(
            "surface_factor",
            "quantity",
            "extra resistance of braid, oxide, plating",
            "1.0",
            default=1.0,
            at_least=_LEAST_SURFACE_FACTOR,
            at_most=_MOST_SURFACE_FACTOR,
        ),
    ),
    required=True,
)

_CAPACITOR = Table(
    "capacitor",
    "the tuning capacitor, as far as known",
    (
        Key("c_min", "quantity", "lowest capacitance", '"12 pF"', "capacitance", above=0.0),
        Key("c_max", "quantity", "highest capacitance", '"260 pF"', "capacitance", above=0.0),
        Key(
            "esr",
            "quantity",
            "series resistance at 10 MHz",
            '"20 mohm"',
            "resistance",
            at_least=0.0,
            shown=False,
        ),
        Key("rated_voltage", "quantity", "peak", '"2 kV"', "voltage", above=0.0),
        Key(
            "turns_per_range",
            "number",
            "turns of the knob from c_min to c_max",
            "3.0",
            above=0.0,
            shown=False,
        ),
    ),
)

_SETTINGS = Table(
    "settings",
    "only where something is switched; a sweep names its setting",
    (
        Key("name", "text", "what the switch's position is called", '"one section"', required=True),
        *(
            replace(
                key,
                shown=key.name == "c_max",
                example='"130 pF"' if key.name == "c_max" else key.example,
            )
            for key in _CAPACITOR.keys
        ),
        replace(_TURNS, help="turns in circuit", shown=False),
        Key("parts", "texts", "kinds that are in the path only in this setting", '["switch"]'),
    ),
    identity="name",
)

_PARTS = Table(
    "parts",
    "whatever the loop's current passes and may lose ohms in",
    (
        Key("kind", "text", "your own word; same kind, same resistance", '"switch"', required=True),
        Key("count", "integer", "how many, at this place", "1", default=1, at_least=1),
        Key(
            "position",
            "number",
            "fraction of the way round from the gap; 0.5 is opposite",
            "0.5",
            default=0.5,
            announced=True,
            at_least=0.0,
            at_most=1.0,
        ),
        Key(
            "r",
            "quantity",
            "resistance of one, if known",
            '"2 mohm"',
            "resistance",
            at_least=0.0,
            shown=False,
        ),
    ),
    identity="kind",
)

_FEED = Table(
    "feed",
    "the coupling loop",
    (
        Key(
            "kind",
            "choice",
            "coupling-loop",
            '"coupling-loop"',
            choices=("coupling-loop",),
            default="coupling-loop",
        ),
        _choice("shape", "circle, square", ("circle", "square"), "circle"),
        _length("circumference", "centre line", '"0.66 m"'),
        _length("diameter", "instead of circumference: circle", '"0.21 m"', shown=False),
        _length("conductor_diameter", "of the coupling loop's conductor", '"6 mm"'),
        Key("conductor", "text", "bare, shielded, bar, coax-core: a word for the log", '"bare"'),
        _length(
            "offset",
            "coupling conductor to main conductor where nearest, centre to centre",
            '"25 mm"',
        ),
        Key(
            "position",
            "number",
            "where on the main loop; 0.5 is opposite the gap",
            "0.5",
            default=0.5,
            announced=True,
            at_least=0.0,
            at_most=1.0,
        ),
        Key(
            "tilt_deg",
            "number",
            "degrees it is turned out of the main loop's plane",
            "45",
            at_least=0.0,
            at_most=90.0,
            shown=False,
        ),
    ),
)

_LINE = Table(
    "feed.line",
    "between the analyzer's reference plane and the coupling loop",
    (
        Key("length", "quantity", "0 is no line", '"3 m"', "length", required=True, at_least=0.0),
        Key(
            "velocity_factor",
            "number",
            "phase velocity over that of light",
            "0.66",
            above=0.0,
            at_most=1.0,
        ),
        Key(
            "loss_db_per_100m",
            "losses",
            "matched loss: [Hz, dB] pairs, interpolated log-log",
            "[[1e6, 1.4], [10e6, 4.6], [30e6, 8.5]]",
        ),
        Key(
            "z0_ohm",
            "number",
            "characteristic impedance",
            "50",
            default=50.0,
            announced=True,
            at_least=_LEAST_Z0_OHM,
            at_most=_MOST_Z0_OHM,
        ),
    ),
)

_SITE = Table(
    "site",
    "without it the sweep is taken as in free space",
    (
        Key(
            "ground",
            "ground",
            "free, perfect, poor, average, good, sea; or [eps_r, S/m]",
            '"average"',
            choices=("free", "perfect", "poor", "average", "good", "sea"),
            default="free",
            announced=True,
        ),
        Key("height", "quantity", "of the loop's lowest point", '"1.5 m"', "length", at_least=0.0),
        _choice(
            "orientation",
            "of the loop's plane: vertical or horizontal",
            ("vertical", "horizontal"),
            "vertical",
        ),
        Key(
            "gap_at",
            "choice",
            "where a vertical loop's capacitor sits: top, bottom, side, unknown",
            '"top"',
            choices=("top", "bottom", "side", "unknown"),
        ),
        Key("surroundings", "text", "what stands near", '"balcony"'),
    ),
)

TABLES: tuple[Table, ...] = (
    _ROOT,
    _LOOP,
    _CONDUCTOR,
    _CAPACITOR,
    _SETTINGS,
    _PARTS,
    _FEED,
    _LINE,
    _SITE,
)
