"""From checked values to the components of a build, with the checks that involve two values."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from sweeplab.builds.components import Capacitor, Conductor, Feed, Loop, Part, Setting, Site
from sweeplab.builds.materials import (
    MATERIAL_NAMES,
    MATERIALS,
    OPEN_NAMES,
    awg_diameter_m,
    material,
)
from sweeplab.builds.parse import ParsedBuild
from sweeplab.builds.schema import nearest
from sweeplab.builds.toml_text import TomlText
from sweeplab.line import Line
from sweeplab.quantity import Quantity

# Coaxial line's velocity factor lies between 0.66 (solid polyethylene) and 0.88 (foam): common
# practice, no source. A rectangular spread over that range (GUM 4.3.7).
_VELOCITY_FACTOR = 0.77
_U_VELOCITY_FACTOR = 0.11 / math.sqrt(3)


@dataclass(frozen=True)
class Components:
    """Everything a build is made of."""

    name: str
    note: str
    loop: Loop
    conductor: Conductor
    capacitor: Capacitor | None
    settings: tuple[Setting, ...]
    parts: tuple[Part, ...]
    feed: Feed | None
    site: Site | None


def assemble(values: ParsedBuild, source: TomlText) -> Components:
    """Return a build's components from its file's values; defaults assumed go to `values.assumed`.

    Raises
    ------
    BuildError
        Values that contradict one another.
    """
    root = values.tables[""]
    loop = _loop(values.tables["loop"], source)
    conductor = _conductor(values.tables["conductor"], source)
    _check_fit(loop, conductor, source)
    parts = _parts(values.lists["parts"], source)
    capacitor = values.tables.get("capacitor")
    feed = values.tables.get("feed")
    site = values.tables.get("site")
    return Components(
        name=root["name"],
        note=root.get("note", ""),
        loop=loop,
        conductor=conductor,
        capacitor=None if capacitor is None else _capacitor(capacitor, source),
        settings=_settings(values.lists["settings"], parts, source),
        parts=parts,
        feed=None if feed is None else _feed(feed, values, loop, conductor, source),
        site=None if site is None else Site(**site),
    )


_SIZES = {
    "circle": ("circumference", "diameter", "turn_lengths"),
    "square": ("circumference", "side", "turn_lengths"),
    "octagon": ("circumference", "side", "turn_lengths"),
    "rectangle": ("width and height",),
}
_SIZE_KEYS = {
    "circumference": "loop.circumference",
    "diameter": "loop.diameter",
    "side": "loop.side",
    "width and height": "loop.width+height",
    "turn_lengths": "loop.turn_lengths",
}
_PER_SIZE = {"circumference": 1.0, "diameter": math.pi}
_SIDES = {"square": 4.0, "octagon": 8.0}


def _loop(table: dict[str, Any], source: TomlText) -> Loop:
    shape = table["shape"]
    size = _size(table, shape, source)
    turns, lengths = table["turns"], table.get("turn_lengths", ())
    if lengths and len(lengths) != turns:
        found = f"{len(lengths)} lengths for {turns} turn{'s' if turns > 1 else ''}"
        raise source.error(("loop", "turn_lengths"), found, "give one length a turn")
    return Loop(
        shape=shape,
        circumference=_circumference(table, shape, size),
        size_key=_SIZE_KEYS[size],
        **{name: table[name] for name in _UNCHANGED_LOOP_KEYS if name in table},
    )


def _size(table: dict[str, Any], shape: str, source: TomlText) -> str:
    """Return the one size given; raise where there is none, several, or one of another shape."""
    every = ("circumference", "diameter", "side", "width", "height", "turn_lengths")
    given = [name for name in every if name in table]
    if given == ["width", "height"]:
        given = ["width and height"]
    sizes = _SIZES[shape]
    action = f"{_article(shape)} {shape} takes {', '.join(sizes[:-1])}{' or ' * (len(sizes) > 1)}"
    action += sizes[-1]
    if not given:
        raise source.error(("loop",), "no size", action)
    key_path = ("loop", given[-1].removeprefix("width and "))
    if len(given) > 1:
        listed = " and ".join(given)
        raise source.error(key_path, f"{len(given)} sizes, {listed}", f"keep one: {action}")
    if given[0] not in sizes:
        found = f"{given[0]} does not size {_article(shape)} {shape}"
        raise source.error(key_path, found, f"{action}; or say another shape")
    return given[0]


def _article(word: str) -> str:
    return "an" if word[0] in "aeiou" else "a"


_UNCHANGED_LOOP_KEYS = (
    "width",
    "height",
    "turns",
    "winding",
    "arrangement",
    "turn_spacing",
    "turn_lengths",
    "gap",
    "leads",
)


def _circumference(table: dict[str, Any], shape: str, size: str) -> Quantity:
    """Return the centre line of one turn from whichever size is given."""
    if shape == "rectangle":
        width, height = table["width"], table["height"]
        u = 2 * math.hypot(width.u, height.u)
        return Quantity(2 * (width.value + height.value), u, width.u_given and height.u_given)
    if size == "turn_lengths":
        lengths = table["turn_lengths"]
        n = len(lengths)
        # One tape measured them all: their errors are taken as one.
        value, u = sum(q.value for q in lengths) / n, sum(q.u for q in lengths) / n
        return Quantity(value, u, all(q.u_given for q in lengths))
    factor = _SIDES[shape] if size == "side" else _PER_SIZE[size]
    given: Quantity = table[size]
    return Quantity(factor * given.value, factor * given.u, given.u_given)


_FORMS = {
    "tube": ("diameter",),
    "rod": ("diameter",),
    "wire": ("diameter", "awg"),
    "strip": ("width", "thickness"),
    "braid": ("diameter",),
    "coax": ("shield_diameter",),
}


def _conductor(table: dict[str, Any], source: TomlText) -> Conductor:
    sizes = ("diameter", "awg", "width", "thickness", "shield_diameter")
    given = [name for name in sizes if name in table]
    form = table["form"]
    _check_form(form, given, "wall" in table, source)
    diameter: Quantity | None = table.get("diameter") or table.get("shield_diameter")
    if "awg" in table:
        diameter = Quantity(awg_diameter_m(table["awg"]))
    conductor = Conductor(
        form=form,
        conductivity=table.get("conductivity") or _conductivity(table["material"], source),
        material=table.get("material", ""),
        diameter=diameter,
        surface_factor=table["surface_factor"],
        temperature_c=table["temperature_c"],
        **{name: table[name] for name in ("wall", "width", "thickness") if name in table},
    )
    _check_section(conductor, source)
    return conductor


def _check_section(conductor: Conductor, source: TomlText) -> None:
    """Raise where a conductor's cross section cannot be."""
    wall, diameter = conductor.wall, conductor.diameter
    if wall and diameter and 2 * wall.value > diameter.value:
        raise source.error(("conductor", "wall"), "more than half the diameter", "check both")
    width, thickness = conductor.width, conductor.thickness
    if width and thickness and thickness.value > width.value:
        raise source.error(("conductor", "thickness"), "more than the width", "swap the two")


def _check_form(form: str, given: list[str], wall: bool, source: TomlText) -> None:
    """Raise where a conductor's sizes are not those of its form."""
    allowed = _FORMS[form]
    key_path = ("conductor",)
    action = f"a {form} takes {' or '.join(allowed)}"
    if form == "strip":
        action = "a strip takes width, and thickness where known"
    if form == "braid":
        action = 'a braid takes diameter; flat braid is form = "strip" with width and thickness'
    for name in given:
        if name not in allowed:
            raise source.error((*key_path, name), f"{name} does not size a {form}", action)
    if not given or given == ["thickness"]:
        raise source.error(key_path, f"no {allowed[0]}", action)
    if form == "wire" and len(given) > 1:
        raise source.error((*key_path, "awg"), "diameter and awg", "keep one of the two")
    if wall and form != "tube":
        raise source.error((*key_path, "wall"), f"a {form} has no wall", "leave wall out")


def _conductivity(name: str, source: TomlText) -> Quantity:
    """Return a material's conductivity [S/m]; of a word that leaves the alloy open, over them."""
    known = material(name)
    if known is None:
        action = f"did you mean {nearest(name, MATERIAL_NAMES)}? Else give conductivity in S/m"
        raise source.error(("conductor", "material"), f"unknown material {name!r}", action)
    u = known.u_s_per_m
    if name in OPEN_NAMES:
        alloys = [MATERIALS[alloy].conductivity_s_per_m for alloy in OPEN_NAMES[name]]
        # Even over the range (GUM 4.3.7).
        u = math.hypot(u, (max(alloys) - min(alloys)) / math.sqrt(12))
    return Quantity(known.conductivity_s_per_m, u)


def _check_fit(loop: Loop, conductor: Conductor, source: TomlText) -> None:
    """Raise where gap, leads, conductor or turns do not fit into the loop."""
    length = loop.circumference.value
    for name in ("gap", "leads"):
        part: Quantity | None = getattr(loop, name)
        if part is not None and part.value >= length:
            found = f"{part.value:g} m in a loop of {length:.3g} m"
            raise source.error(("loop", name), found, "check the units of both")
    across = length / math.pi
    if loop.width is not None and loop.height is not None:
        across = min(loop.width.value, loop.height.value)
    thick = conductor.diameter or conductor.width
    if thick is not None and thick.value >= across:
        name = "width" if conductor.diameter is None else "diameter"
        found = f"{thick.value:g} m of conductor in a loop {across:.3g} m across"
        raise source.error(("conductor", name), found, "check the units of both")
    spacing = loop.turn_spacing
    if spacing is None:
        return
    if conductor.diameter is not None and spacing.value < conductor.diameter.value:
        found = f"turns {spacing.value:g} m apart, conductor {conductor.diameter.value:g} m thick"
        raise source.error(("loop", "turn_spacing"), found, "it is measured centre to centre")
    if loop.arrangement == "in-plane" and spacing.value * (loop.turns - 1) >= across / 2:
        turns = loop.turns
        found = f"{turns} turns {spacing.value:g} m apart in a loop {across:.3g} m across"
        raise source.error(("loop", "turn_spacing"), found, "check spacing and turns")


def _capacitor(table: dict[str, Any], source: TomlText) -> Capacitor:
    low, high = table.get("c_min"), table.get("c_max")
    if low and high and high.value < low.value:
        raise source.error(("capacitor", "c_max"), "below c_min", "swap the two or check the units")
    return Capacitor(**table)


def _parts(tables: list[dict[str, Any]], source: TomlText) -> tuple[Part, ...]:
    """Return the parts; a resistance given for one is that of its kind."""
    known: dict[str, Quantity] = {}
    for index, table in enumerate(tables):
        kind, r = table["kind"], table.get("r")
        if r is not None and known.setdefault(kind, r) != r:
            raise source.error(
                ("parts", index, "r"),
                f"a second resistance of the kind {kind!r}",
                "parts of one kind share one resistance; give it once, or call this kind another",
                key=f"parts.{kind}.r",
            )
    return tuple(
        Part(table["kind"], table["count"], table["position"], known.get(table["kind"]))
        for table in tables
    )


def _settings(
    tables: list[dict[str, Any]], parts: tuple[Part, ...], source: TomlText
) -> tuple[Setting, ...]:
    kinds = {part.kind for part in parts}
    names: set[str] = set()
    settings = []
    for index, table in enumerate(tables):
        name = table["name"]
        if name in names:
            found = f"a second setting {name!r}"
            raise source.error(("settings", index, "name"), found, "give each its own name")
        names.add(name)
        for kind in table.get("parts", ()):
            if kind not in kinds:
                hint = f"did you mean {nearest(kind, kinds)}?" if kinds else "add a table [[parts]]"
                raise source.error(
                    ("settings", index, "parts"),
                    f"no part of the kind {kind!r}",
                    hint,
                    key=f"settings.{name}.parts",
                )
        overrides = {
            "loop.turns" if key == "turns" else f"capacitor.{key}": value
            for key, value in table.items()
            if key not in ("name", "parts")
        }
        settings.append(Setting(name, overrides, table.get("parts", ())))
    return tuple(settings)


def _feed(
    table: dict[str, Any], values: ParsedBuild, loop: Loop, conductor: Conductor, source: TomlText
) -> Feed:
    around = _feed_circumference(table, source)
    if around is not None and around.value >= loop.circumference.value:
        name = "diameter" if "diameter" in table else "circumference"
        found = f"{around.value:.3g} m in a loop of {loop.circumference.value:.3g} m"
        raise source.error(("feed", name), found, "the coupling loop is the smaller of the two")
    own, main, offset = table.get("conductor_diameter"), conductor.diameter, table.get("offset")
    if own and around and own.value >= around.value / math.pi:
        found = f"{own.value:g} m of conductor in a coupling loop of {around.value:.3g} m"
        raise source.error(("feed", "conductor_diameter"), found, "check the units of both")
    if own and main and offset and offset.value < (own.value + main.value) / 2:
        found = f"{offset.value:g} m between conductors of {own.value:g} m and {main.value:g} m"
        raise source.error(("feed", "offset"), found, "it is measured centre to centre")
    if around is None:
        # Without the coupling loop only its line is described: no shape or place to speak of.
        for name in ("feed.shape", "feed.position"):
            values.assumed.pop(name, None)
    line = values.tables.get("feed.line")
    unchanged = {
        name: value for name, value in table.items() if name not in ("circumference", "diameter")
    }
    return Feed(
        circumference=around,
        line=None if line is None else _line(line, values.assumed),
        **unchanged,
    )


def _feed_circumference(table: dict[str, Any], source: TomlText) -> Quantity | None:
    diameter: Quantity | None = table.get("diameter")
    around: Quantity | None = table.get("circumference")
    if diameter is None:
        return around
    if around is not None:
        raise source.error(("feed", "diameter"), "circumference and diameter", "keep one")
    if table["shape"] != "circle":
        found = f"diameter does not size a {table['shape']}"
        raise source.error(("feed", "diameter"), found, "give its circumference")
    return Quantity(math.pi * diameter.value, math.pi * diameter.u, diameter.u_given)


def _line(table: dict[str, Any], assumed: dict[str, str]) -> Line:
    length: Quantity = table["length"]
    u = length.u
    velocity_factor = table.get("velocity_factor")
    if velocity_factor is None:
        velocity_factor = _VELOCITY_FACTOR
        assumed["feed.line.velocity_factor"] = f"{_VELOCITY_FACTOR} ± {_U_VELOCITY_FACTOR:.2f}"
        # A line delays by length over velocity: what is not known of one stands in the other.
        u = math.hypot(u, length.value * _U_VELOCITY_FACTOR / _VELOCITY_FACTOR)
    losses = table.get("loss_db_per_100m", ())
    if not losses:
        assumed["feed.line.loss_db_per_100m"] = "what the sweep shows of it"
    return Line(length.value, velocity_factor, losses, table["z0_ohm"], u)
