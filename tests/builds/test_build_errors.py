"""Each mistake in a build's file is one clear line: file, line, key, what was found, what to do."""

from __future__ import annotations

import pytest
from build_samples import FIVE_LINES, WHOLE, with_line
from hypothesis import given
from hypothesis import strategies as st

from sweeplab.builds import Build
from sweeplab.errors import BuildError

SIZE, THICK = 'circumference = "3.20 m"', 'diameter = "12 mm"'
ONE_FEED = '[feed]\ncircumference = "0.66 m"\n'
ONE_LINE = '[feed.line]\nlength = "3 m"\n'


def edited(old: str, new: str, text: str = FIVE_LINES) -> str:
    assert old in text
    return text.replace(old, new)


# What is wrong; the text; line, key, and what the message must say.
MISTAKES: list[tuple[str, str, int | None, str, str]] = [
    ("typo in a key", edited("circumference", "circumfrence"), 3, "loop.circumfrence",
     "unknown key; did you mean circumference?"),
    ("typo in a table", edited("[conductor]", "[conducter]"), 4, "conducter",
     "unknown key; did you mean conductor?"),
    ("key of another table", with_line(FIVE_LINES, "loop", 'c_max = "9 pF"'), 3, "loop.c_max",
     "unknown key; c_max stands in [capacitor]"),
    ("no name", edited('name = "porch-loop"\n', ""), None, "name",
     'missing; add name = "porch-loop"'),
    ("empty name", edited("porch-loop", " "), 1, "name", "empty"),
    ("no loop", edited("[loop]\n" + SIZE + "\n", ""), None, "loop", "missing; add a table [loop]"),
    ("no conductor", edited("[conductor]\n" + THICK + "\n", ""), None, "conductor",
     "missing; add a table [conductor]"),
    ("no size", edited(SIZE + "\n", ""), 2, "loop",
     "no size; a circle takes circumference, diameter or turn_lengths"),
    ("two sizes", with_line(FIVE_LINES, "loop", 'diameter = "1 m"'), 3, "loop.diameter",
     "2 sizes, circumference and diameter; keep one"),
    ("size of another shape", edited(SIZE, 'side = "80 cm"'), 3, "loop.side",
     "side does not size a circle; a circle takes circumference, diameter or turn_lengths; "
     "or say another shape"),
    ("rectangle by circumference", with_line(FIVE_LINES, "loop", 'shape = "rectangle"'), 4,
     "loop.circumference", "a rectangle takes width and height"),
    ("octagon by diameter", edited(SIZE, 'shape = "octagon"\ndiameter = "1 m"'), 4,
     "loop.diameter", "diameter does not size an octagon; an octagon takes"),
    ("bare number", edited('"3.20 m"', "3.20"), 3, "loop.circumference",
     "the number 3.2 has no unit; write it with its unit, in quotes: circumference ="),
    ("no unit", edited("3.20 m", "3.20"), 3, "loop.circumference", "'3.20' has no unit"),
    ("no quotes", edited('"3.20 m"', "3.20 m   # tape"), 3, "",
     '3.20 m is not in quotes; write "3.20 m"'),
    ("no quotes on a word", edited(SIZE, "shape = circle"), 3, "",
     "no valid TOML (Invalid value); text stands in quotes"),
    ("wrong dimension", edited("3.20 m", "3 pF"), 3, "loop.circumference",
     "'3 pF' is a capacitance where a length is wanted"),
    ("negative length", edited("3.20 m", "-3.20 m"), 3, "loop.circumference",
     "'-3.20 m' cannot be; it must be above 0"),
    ("unsure beyond itself", edited("3.20 m", "3 m ± 4 m"), 3, "loop.circumference",
     "'3 m ± 4 m' is no more than its own uncertainty"),
    ("unknown shape", with_line(FIVE_LINES, "loop", 'shape = "sqare"'), 3, "loop.shape",
     "unknown shape 'sqare'; known: circle, square, octagon, rectangle; nearest: square"),
    ("no turn", with_line(FIVE_LINES, "loop", "turns = 0"), 3, "loop.turns",
     "0 cannot be; it must be at least 1"),
    ("half a turn", with_line(FIVE_LINES, "loop", "turns = 1.5"), 3, "loop.turns",
     "the number 1.5 where a whole number is wanted"),
    ("truth for a number", with_line(FIVE_LINES, "loop", "turns = true"), 3, "loop.turns",
     "true or false where a whole number is wanted"),
    ("huge number", with_line(FIVE_LINES, "loop", f"turns = {10**400}"), 3, "loop.turns",
     "a number out of range where a whole number is wanted"),
    ("date for a name", edited('"porch-loop"', "2026-07-01"), 1, "name",
     "a date where text is wanted"),
    ("lengths and turns", edited(SIZE, 'turns = 3\nturn_lengths = ["3.1 m", "3.2 m"]'), 4,
     "loop.turn_lengths", "2 lengths for 3 turns; give one length a turn"),
    ("one length as text", edited(SIZE, 'turn_lengths = "3.1 m"'), 3, "loop.turn_lengths",
     "the text '3.1 m' where a list is wanted"),
    ("gap over the loop", with_line(FIVE_LINES, "loop", 'gap = "30 m"'), 3, "loop.gap",
     "30 m in a loop of 3.2 m; check the units of both"),
    ("conductor over the loop", edited("12 mm", "12 m"), 5, "conductor.diameter",
     "12 m of conductor in a loop 1.02 m across"),
    ("turns into each other", with_line(FIVE_LINES, "loop", 'turn_spacing = "4 mm"'), 3,
     "loop.turn_spacing", "turns 0.004 m apart, conductor 0.012 m thick"),
    ("turns past the centre", with_line(FIVE_LINES, "loop", 'turns = 20\nturn_spacing = "40 mm"\n'
     'arrangement = "in-plane"'), 4, "loop.turn_spacing", "20 turns 0.04 m apart in a loop"),
    ("no conductor size", edited(THICK + "\n", ""), 4, "conductor", "no diameter; a tube takes"),
    ("size of another form", with_line(FIVE_LINES, "conductor", 'form = "strip"'), 6,
     "conductor.diameter", "diameter does not size a strip; a strip takes width, and thickness"),
    ("flat braid", edited(THICK, 'form = "braid"\nwidth = "9 mm"'), 6, "conductor.width",
     'flat braid is form = "strip"'),
    ("gauge and diameter", with_line(FIVE_LINES, "conductor", "awg = 12"), 5, "conductor.awg",
     "diameter and awg; keep one of the two"),
    ("no such gauge", edited(THICK, "awg = 99"), 5, "conductor.awg", "no wire gauge: 99"),
    ("wall of a rod", with_line(FIVE_LINES, "conductor", 'form = "rod"\nwall = "1 mm"'), 6,
     "conductor.wall", "a rod has no wall"),
    ("wall past the axis", with_line(FIVE_LINES, "conductor", 'wall = "7 mm"'), 5,
     "conductor.wall", "more than half the diameter"),
    ("strip on edge", edited(THICK, 'width = "1 mm"\nthickness = "9 mm"'), 6,
     "conductor.thickness", "more than the width; swap the two"),
    ("unknown material", with_line(FIVE_LINES, "conductor", 'material = "coper"'), 5,
     "conductor.material", "unknown material 'coper'; did you mean copper? Else give conductivity"),
    ("conductivity in MS/m", with_line(FIVE_LINES, "conductor", "conductivity = 58"), 5,
     "conductor.conductivity", "58 cannot be; it must be at least 10 kS/m"),
    ("factor with a unit", with_line(FIVE_LINES, "conductor", 'surface_factor = "2 m"'), 5,
     "conductor.surface_factor", "'2 m' is a length where a number is wanted"),
    ("capacitor upside down", FIVE_LINES + '[capacitor]\nc_min = "260 pF"\nc_max = "12 pF"', 8,
     "capacitor.c_max", "below c_min; swap the two or check the units"),
    ("no rating", FIVE_LINES + '[capacitor]\nrated_voltage = "0 V"', 7, "capacitor.rated_voltage",
     "'0 V' cannot be; it must be above 0"),
    ("knob without turns", FIVE_LINES + "[capacitor]\nturns_per_range = 0", 7,
     "capacitor.turns_per_range", "0 cannot be; it must be above 0"),
    ("single brackets", FIVE_LINES + '[parts]\nkind = "joint"', 6, "parts",
     "a table where a list of tables is wanted; write [[parts]], in double brackets"),
    ("double brackets", FIVE_LINES + '[[site]]\nheight = "1 m"', 6, "site",
     "a list where one table is wanted; write [site], in single brackets"),
    ("text for a table", 'site = "balcony"\n' + FIVE_LINES, 1, "site",
     "the text 'balcony' where one table is wanted; write [site]"),
    ("part without kind", FIVE_LINES + "[[parts]]\ncount = 2", 6, "parts.1.kind",
     'missing; add kind = "switch"'),
    ("no parts", FIVE_LINES + '[[parts]]\nkind = "joint"\ncount = 0', 8, "parts.joint.count",
     "0 cannot be; it must be at least 1"),
    ("part beyond the loop", FIVE_LINES + '[[parts]]\nkind = "joint"\n[[parts]]\nkind = "clamp"\n'
     "position = 1.2", 10, "parts.clamp.position", "1.2 cannot be; it must be at most 1"),
    ("kind of two resistances", FIVE_LINES + '[[parts]]\nkind = "joint"\nr = "1 mohm"\n[[parts]]\n'
     'kind = "joint"\nr = "2 mohm"', 11, "parts.joint.r",
     "a second resistance of the kind 'joint'; parts of one kind share one resistance"),
    ("same setting twice", FIVE_LINES + '[[settings]]\nname = "a"\n[[settings]]\nname = "a"', 9,
     "settings.1.name", "a second setting 'a'; give each its own name"),
    ("setting with a strange key", FIVE_LINES + '[[settings]]\nname = "a"\ngap = "1 cm"', 8,
     "settings.a.gap", "unknown key; gap stands in [loop]"),
    ("setting with a strange part", edited('parts = ["switch"]', 'parts = ["swich"]', WHOLE), 32,
     "settings.one section.parts", "no part of the kind 'swich'; did you mean switch?"),
    ("setting with parts as text", edited('parts = ["switch"]', 'parts = "switch"', WHOLE), 32,
     "settings.one section.parts", "the text 'switch' where a list of texts is wanted"),
    ("setting that cannot be", edited('c_max = "130 pF"', 'c_max = "1 pF"', WHOLE), 30,
     "settings.one section.c_max", "below c_min in the setting 'one section'"),
    ("coupling loop over the loop", FIVE_LINES + edited("0.66", "6.6", ONE_FEED), 7,
     "feed.circumference", "6.6 m in a loop of 3.2 m; the coupling loop is the smaller"),
    ("coupling loop sized twice", FIVE_LINES + ONE_FEED + 'diameter = "2 cm"', 8, "feed.diameter",
     "circumference and diameter; keep one"),
    ("square by diameter", FIVE_LINES + '[feed]\nshape = "square"\ndiameter = "2 cm"', 8,
     "feed.diameter", "diameter does not size a square"),
    ("fat coupling loop", FIVE_LINES + ONE_FEED + 'conductor_diameter = "6 m"', 8,
     "feed.conductor_diameter", "6 m of conductor in a coupling loop of 0.66 m"),
    ("conductors in each other", FIVE_LINES + ONE_FEED + 'conductor_diameter = "6 mm"\n'
     'offset = "8 mm"', 9, "feed.offset", "0.008 m between conductors of 0.006 m and 0.012 m"),
    ("other coupling", FIVE_LINES + ONE_FEED + 'kind = "gamma"', 8, "feed.kind",
     "unknown kind 'gamma'; known: coupling-loop"),
    ("line without length", FIVE_LINES + "[feed.line]\nz0_ohm = 75", 6, "feed.line.length",
     'missing; add length = "3 m"'),
    ("faster than light", FIVE_LINES + ONE_LINE + "velocity_factor = 66", 8,
     "feed.line.velocity_factor", "66 cannot be; it must be at most 1"),
    ("losses over MHz", FIVE_LINES + ONE_LINE + "loss_db_per_100m = [[10, 4.6]]", 8,
     "feed.line.loss_db_per_100m", "a loss at 10 Hz; frequencies are in Hz: 10 MHz is 10e6"),
    ("one loss alone", FIVE_LINES + ONE_LINE + "loss_db_per_100m = 4.6", 8,
     "feed.line.loss_db_per_100m", "the number 4.6 where a pair of numbers [Hz, dB] is wanted"),
    ("gain", FIVE_LINES + ONE_LINE + "loss_db_per_100m = [[1e6, -1]]", 8,
     "feed.line.loss_db_per_100m", "a loss of -1 dB; loss is never negative"),
    ("two losses at once", FIVE_LINES + ONE_LINE + "loss_db_per_100m = [\n[1e6, 1],\n[1e6, 2],\n]",
     8, "feed.line.loss_db_per_100m", "two losses at one frequency; keep one"),
    ("strange impedance", FIVE_LINES + ONE_LINE + "z0_ohm = 0.05", 8, "feed.line.z0_ohm",
     "0.05 cannot be; it must be at least 1"),
    ("strange ground", FIVE_LINES + '[site]\nground = "averge"', 7, "site.ground",
     "unknown ground 'averge'; known: free, perfect, poor, average, good, sea; nearest: average"),
    ("ground below vacuum", FIVE_LINES + "[site]\nground = [0.5, 0.005]", 7, "site.ground",
     "ground [0.5, 0.005] cannot be"),
    ("ground by one number", FIVE_LINES + "[site]\nground = [13]", 7, "site.ground",
     "a list where a word or [eps_r, S/m] is wanted"),
    ("below the ground", FIVE_LINES + '[site]\nheight = "-1 m"', 7, "site.height",
     "'-1 m' cannot be; it must be at least 0"),
    ("key twice", FIVE_LINES + THICK, 6, "", "no valid TOML (Cannot overwrite a value)"),
    ("broken off", FIVE_LINES + "[site", 6, "", "no valid TOML"),
    ("endless digits", FIVE_LINES + "awg = " + "1" * 5000, 6, "", "no valid TOML"),
    ("endless nesting", FIVE_LINES + "awg = " + "[" * 5000, 6, "", "no valid TOML"),
    ("typo in a nested table", edited(THICK, 'form = "tube"\n"dia meter" = "12 mm"'), 6,
     "conductor.dia meter", "unknown key; did you mean diameter?"),
    ("typo in a dotted key", 'feed.line.lenght = "3 m"\n' + FIVE_LINES, 1, "feed.line.lenght",
     "unknown key; did you mean length?"),
    ("names of two lines", FIVE_LINES + '[[parts]]\nkind = "a\\nb"\ncount = 0', 8,
     "parts.a b.count", "0 cannot be; it must be at least 1"),
    ("typo after a long text", 'note = """\n[loop]\nturns = 2\n"""\n'
     + edited("diameter", "dimeter"), 9, "conductor.dimeter", "unknown key; did you mean"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "line", "key", "message"),
    [pytest.param(*mistake[1:], id=mistake[0]) for mistake in MISTAKES],
)
def test_a_mistake_is_one_clear_line_with_its_place(
    text: str, line: int | None, key: str, message: str
) -> None:
    with pytest.raises(BuildError) as caught:
        Build.from_toml(text, path="porch.toml")
    error = caught.value
    assert message in f"{error.found}; {error.action}"
    assert (error.line, error.key) == (line, key)
    assert str(error).startswith("porch.toml:" if line is None else f"porch.toml:{line}:")
    assert "\n" not in str(error)


@given(st.text(max_size=60))
def test_any_text_is_a_build_or_a_build_error(text: str) -> None:
    with pytest.raises(BuildError):
        Build.from_toml(text)


ODD_VALUES = st.recursive(
    st.sampled_from(
        ["true", "1979-05-27", "07:32:00", "inf", "-nan", "-1", "1e308", '""', '"3 m"', '"x"', "0"]
    ),
    lambda inner: st.lists(inner, max_size=3).map(lambda items: f"[{', '.join(items)}]"),
    max_leaves=4,
)


def read(text: str) -> Build | BuildError:
    try:
        return Build.from_toml(text)
    except BuildError as error:
        return error


@given(st.sampled_from([line for line in WHOLE.splitlines() if " = " in line]), ODD_VALUES)
def test_any_value_anywhere_is_read_or_refused_in_one_line(line: str, value: str) -> None:
    outcome = read(WHOLE.replace(line, f"{line.partition(' = ')[0]} = {value}", 1))
    if isinstance(outcome, BuildError):
        assert "\n" not in str(outcome)
        assert outcome.line is not None
    else:
        assert read(outcome.to_toml()) == outcome
