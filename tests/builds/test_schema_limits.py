"""What each key takes, its limits and defaults, as the documentation of the file states them."""

from __future__ import annotations

import tomllib
from typing import ClassVar

import pytest

from sweeplab.builds import Build
from sweeplab.builds.schema import BY_NAME, template
from sweeplab.errors import BuildError

LEAST = {
    "": 'name = "x"\n',
    "loop": 'circumference = "3 m"\n',
    "conductor": 'diameter = "10 mm"\n',
}
TABLES = ("loop", "conductor", "capacitor", "feed", "feed.line", "site")


def build(**more: str) -> Build:
    """A small build with lines of its own in some tables (``feed__line`` is feed.line)."""
    more = {name.replace("__", "."): lines for name, lines in more.items()}
    text = LEAST[""]
    for name in TABLES:
        if name in LEAST or name in more:
            text += f"[{name}]\n{more.get(name, LEAST.get(name, ''))}\n"
    for name in ("parts", "settings"):
        if name in more:
            text += f"[[{name}]]\n{more[name]}\n"
    return Build.from_toml(text)


ROUND = 'circumference = "3 m"\n'
ROD = 'diameter = "10 mm"\n'


class TestLimits:
    """The last value that is taken, and the first that is refused."""

    @pytest.mark.parametrize(
        ("table", "line", "inside", "outside"),
        [
            ("loop", ROUND + "turns = {}", "1", "0"),
            ("loop", ROUND + 'leads = "{}"', "0 mm", "-1 mm"),
            ("loop", ROUND + 'gap = "{}"', "1 nm", "0 mm"),
            ("loop", 'circumference = "{}"', "35 mm", "0 m"),
            ("loop", 'turn_lengths = ["{}"]', "3 m", "0 m"),
            ("capacitor", 'c_min = "{}"', "1 fF", "0 pF"),
            ("capacitor", 'esr = "{}"', "0 ohm", "-1 mohm"),
            ("capacitor", 'rated_voltage = "{}"', "1 mV", "0 V"),
            ("capacitor", "turns_per_range = {}", "0.001", "0"),
            ("parts", 'kind = "a"\ncount = {}', "1", "0"),
            ("parts", 'kind = "a"\nposition = {}', "0", "-0.001"),
            ("parts", 'kind = "a"\nposition = {}', "1", "1.001"),
            ("parts", 'kind = "a"\nr = "{}"', "0 ohm", "-1 mohm"),
            ("feed", "position = {}", "0", "-0.001"),
            ("feed", "position = {}", "1", "1.001"),
            ("feed", "tilt_deg = {}", "0", "-0.1"),
            ("feed", "tilt_deg = {}", "90", "90.1"),
            ("feed", 'offset = "{}"', "1 nm", "0 mm"),
            ("feed__line", 'length = "{}"', "0 m", "-1 mm"),
            ("feed__line", 'length = "1 m"\nvelocity_factor = {}', "0.001", "0"),
            ("feed__line", 'length = "1 m"\nvelocity_factor = {}', "1", "1.001"),
            ("site", 'height = "{}"', "0 m", "-1 mm"),
            ("site", "ground = [{}, 0.005]", "1", "0.99"),
            ("site", "ground = [13, {}]", "0", "-0.001"),
            ("feed__line", 'length = "1 m"\nloss_db_per_100m = [[1e6, {}]]', "0", "-0.1"),
        ],
    )
    def test_just_inside_is_read_just_outside_is_refused(
        self, table: str, line: str, inside: str, outside: str
    ) -> None:
        more = {"feed": ""} if table == "feed__line" else {}
        build(**more, **{table: line.format(inside)})
        with pytest.raises(BuildError):
            build(**more, **{table: line.format(outside)})


class TestDefaults:
    def test_of_what_is_left_out_the_build_has_the_documented(self) -> None:
        made = build(
            feed="", feed__line='length = "1 m"', site="", parts='kind = "a"', capacitor=""
        )
        assert (made.loop.shape, made.loop.turns) == ("circle", 1)
        assert (made.loop.winding, made.loop.arrangement) == ("series", "side-by-side")
        assert (made.conductor.form, made.conductor.material) == ("tube", "copper")
        assert (made.conductor.surface_factor.value, made.conductor.surface_factor.u) == (1.0, 0.0)
        assert made.conductor.temperature_c == 20.0
        assert (made.parts[0].count, made.parts[0].position, made.parts[0].r) == (1, 0.5, None)
        assert made.feed is not None
        assert made.feed.line is not None
        assert (made.feed.kind, made.feed.shape) == ("coupling-loop", "circle")
        assert (made.feed.position, made.feed.tilt_deg, made.feed.line.z0_ohm) == (0.5, 0.0, 50.0)
        assert made.site is not None
        assert (made.site.ground, made.site.orientation) == ("free", "vertical")
        assert made.capacitor is not None
        assert made.capacitor.reference_hz == 10e6

    def test_those_that_may_matter_are_reported(self) -> None:
        made = build(
            loop=ROUND + 'turns = 2\nturn_spacing = "50 mm"',
            feed='circumference = "0.5 m"',
            feed__line='length = "1 m"',
            site="",
            parts='kind = "a"',
        )
        (assumed,) = (f.evidence for f in made.findings if f.code == "taken-as")
        assert assumed == {
            "loop.shape": "circle",
            "loop.winding": "series",
            "loop.arrangement": "side-by-side",
            "conductor.material": "copper",
            "conductor.form": "tube",
            "parts.a.position": "0.5",
            "feed.shape": "circle",
            "feed.position": "0.5",
            "feed.line.z0_ohm": "50",
            "feed.line.velocity_factor": "0.77 ± 0.06",
            "feed.line.loss_db_per_100m": "what the sweep shows of it",
            "site.ground": "free",
            "site.orientation": "vertical",
        }

    def test_those_that_matter_no_more_are_not(self) -> None:
        # One turn has no winding; a conductivity no material; a feed without size no place.
        made = build(conductor=ROD + 'form = "rod"\nconductivity = 5e7', feed="")
        (assumed,) = (f.evidence for f in made.findings if f.code == "taken-as")
        assert assumed == {"loop.shape": "circle"}
        assert made.conductor.material == ""


class TestTemplate:
    # What a person fills in first; the rest is there, commented out.
    SHOWN: ClassVar[dict[str, set[str]]] = {
        "": {"name", "note"},
        "loop": {"shape", "circumference", "turns", "winding", "arrangement", "gap", "leads"},
        "conductor": {"form", "diameter", "material", "surface_factor"},
        "capacitor": {"c_min", "c_max", "rated_voltage"},
        "settings": {"name", "c_max", "parts"},
        "parts": {"kind", "count", "position"},
        "feed": {
            "kind", "shape", "circumference", "conductor_diameter", "conductor", "offset",
            "position",
        },
        "feed.line": {"length", "velocity_factor", "loss_db_per_100m", "z0_ohm"},
        "site": {"ground", "height", "orientation", "gap_at", "surroundings"},
    }  # fmt: skip

    def test_sets_these_keys_and_comments_the_others_out(self) -> None:
        data = tomllib.loads(template())
        found = {"": {name for name, value in data.items() if not isinstance(value, dict | list)}}
        for table in BY_NAME:
            content = data
            for step in table.split(".") if table else ():
                content = content[step]
                content = content[0] if isinstance(content, list) else content
            found[table] = {key for key, value in content.items() if not isinstance(value, dict)}
            found[table] -= {"settings", "parts"} if not table else set()
        assert found == self.SHOWN

    def test_asks_for_what_a_build_cannot_be_without(self) -> None:
        required = {
            (table.name, key.name)
            for table in BY_NAME.values()
            for key in table.keys
            if key.required
        }
        assert required == {
            ("", "name"), ("settings", "name"), ("parts", "kind"), ("feed.line", "length"),
        }  # fmt: skip
        assert {name for name, table in BY_NAME.items() if table.required} == {
            "", "loop", "conductor",
        }  # fmt: skip

    def test_of_settings_gives_the_examples_of_the_capacitor_but_for_c_max(self) -> None:
        settings, capacitor = BY_NAME["settings"], BY_NAME["capacitor"]
        for key in capacitor.keys:
            found = settings.key(key.name)
            assert found is not None
            assert found.example == ('"130 pF"' if key.name == "c_max" else key.example)
