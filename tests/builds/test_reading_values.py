"""How single values of a description are read, written and replaced, kind by kind."""

from __future__ import annotations

import datetime
import tomllib
from dataclasses import replace
from typing import Any, ClassVar

import pytest

from sweeplab.builds import Build
from sweeplab.builds.edit import changed_data, data_in_setting
from sweeplab.builds.plain_text import labels
from sweeplab.builds.toml_text import write_toml
from sweeplab.errors import BuildError

TEXT = """\
name = "x"
[loop]
circumference = "3 m ± 1 cm"
{loop}
[conductor]
diameter = "10 mm"
{conductor}
"""


def build(loop: str = "", conductor: str = "", rest: str = "") -> Build:
    return Build.from_toml(TEXT.format(loop=loop, conductor=conductor) + rest)


def refused(loop: str = "", conductor: str = "", rest: str = "") -> str:
    with pytest.raises(BuildError) as error:
        build(loop, conductor, rest)
    return str(error.value)


class TestWhatAValueIsCalled:
    @pytest.mark.parametrize(
        ("value", "said"),
        [
            ("true", "true or false where"),
            ('"two"', "the text 'two' where"),
            ("1.5", "the number 1.5 where"),
            ("inf", "a number out of range where"),
            (f"{10**301}", "a number out of range where"),
            ("[1]", "a list where"),
            ("{a = 1}", "a table where"),
            (str(datetime.date(2020, 1, 2)), "a date where"),
        ],
    )
    def test_where_a_whole_number_is_wanted(self, value: str, said: str) -> None:
        assert "loop.turns: " + said + " a whole number is wanted" in refused(f"turns = {value}")

    def test_a_large_whole_number_is_one(self) -> None:
        assert "cannot be; it must be at most 1e+02" in refused(f"turns = {10**299}") or (
            "it must be at most 100" in refused(f"turns = {10**299}")
        )

    def test_a_bare_number_of_a_length_has_no_unit(self) -> None:
        assert "the number 3 has no unit" in refused("gap = 3")

    def test_a_bare_number_of_a_conductivity_is_in_siemens_a_metre(self) -> None:
        assert build(conductor="conductivity = 3.5e7").conductor.conductivity.value == 3.5e7

    @pytest.mark.parametrize("spread", ["3 cm", "4 cm"])
    def test_no_more_than_its_uncertainty_is_refused(self, spread: str) -> None:
        assert "no more than its own uncertainty" in refused(f'gap = "3 cm ± {spread}"')

    def test_a_value_that_may_be_zero_may_be_less_than_its_uncertainty(self) -> None:
        leads = build('leads = "1 mm ± 2 mm"').loop.leads
        assert leads is not None
        assert leads.u == pytest.approx(0.002)

    def test_limits_are_said_with_their_unit(self) -> None:
        assert "it must be at least 10 kS/m" in refused(conductor='conductivity = "1 S/m"')
        assert "it must be above 0" in refused('gap = "0 mm"')

    @pytest.mark.parametrize(
        ("gauge", "same"),
        [("12", "12"), ('"12"', "12"), ('"00"', '"2/0"'), ('"0"', '"1/0"'), ("12.0", "12")],
    )
    def test_gauges_are_written_in_several_ways(self, gauge: str, same: str) -> None:
        text = 'name = "x"\n[loop]\ncircumference = "3 m"\n[conductor]\nawg = '
        assert Build.from_toml(text + gauge).conductor == Build.from_toml(text + same).conductor

    @pytest.mark.parametrize("gauge", ["12.5", '"5/0"', '"x"', "[12]", "true"])
    def test_what_is_no_gauge_is_refused(self, gauge: str) -> None:
        text = f'name = "x"\n[loop]\ncircumference = "3 m"\n[conductor]\nawg = {gauge}\n'
        with pytest.raises(BuildError, match="no wire gauge"):
            Build.from_toml(text)

    def test_losses_are_sorted_and_one_a_frequency(self) -> None:
        rest = '[feed]\n[feed.line]\nlength = "1 m"\nloss_db_per_100m = {}\n'
        feed = build(rest=rest.format("[[10e6, 4.6], [1e6, 1.4]]")).feed
        assert feed is not None
        assert feed.line is not None
        assert feed.line.loss_db_per_100m == ((1e6, 1.4), (10e6, 4.6))
        twice = refused(rest=rest.format("[[1e6, 1.4], [1e6, 1.5]]"))
        assert "two losses at one frequency" in twice
        assert "a pair of numbers" in refused(rest=rest.format("[[1e6, 1.4, 2]]"))

    def test_ground_by_its_constants_keeps_their_order(self) -> None:
        site = build(rest="[site]\nground = [13, 0.005]\n").site
        assert site is not None
        assert site.ground == (13.0, 0.005)
        assert "where a word or [eps_r, S/m] is wanted" in refused(rest="[site]\nground = [13]\n")


class TestWhatFollows:
    def test_lengths_say_how_many_turns(self) -> None:
        text = 'name="x"\n[loop]\nturn_lengths = ["3 m", "3.2 m"]\n[conductor]\ndiameter = "1 cm"\n'
        made = Build.from_toml(text)
        assert made.loop.turns == 2
        assert made.loop.circumference.value == pytest.approx(3.1)

    def test_two_lengths_for_three_turns_are_refused(self) -> None:
        text = (
            'name="x"\n[loop]\nturns = 3\nturn_lengths = ["3 m", "3.2 m"]\n[conductor]\n'
            'diameter = "1 cm"\n'
        )
        with pytest.raises(BuildError, match="2 lengths for 3 turns"):
            Build.from_toml(text)
        with pytest.raises(BuildError, match="2 lengths for 1 turn;"):
            Build.from_toml(text.replace("turns = 3", "turns = 1"))

    def test_width_and_height_are_a_rectangle_unless_a_shape_is_given(self) -> None:
        text = (
            'name="x"\n[loop]\n{}width = "1 m"\nheight = "0.5 m"\n[conductor]\ndiameter = "1 cm"\n'
        )
        assert Build.from_toml(text.format("")).loop.shape == "rectangle"
        with pytest.raises(BuildError, match="does not size a circle"):
            Build.from_toml(text.format('shape = "circle"\n'))


class TestFit:
    """Sizes that contradict one another, at the edge."""

    def at(self, loop: str, conductor: str = 'diameter = "10 mm"', rest: str = "") -> Build:
        return Build.from_toml(f'name = "x"\n[loop]\n{loop}\n[conductor]\n{conductor}\n{rest}')

    @pytest.mark.parametrize(
        ("fits", "not_"),
        [
            (('circumference = "3 m"\ngap = "2.99 m"',), ('circumference = "3 m"\ngap = "3 m"',)),
            (("width = '1 m'\nheight = '11 mm'",), ("width = '1 m'\nheight = '10 mm'",)),
            (("circumference = '32 mm'",), ("circumference = '31 mm'",)),
            (
                ("circumference = '3 m'\nturns = 2\nturn_spacing = '10 mm'",),
                ("circumference = '3 m'\nturns = 2\nturn_spacing = '9.9 mm'",),
            ),
            (
                # Half of 3 m / pi is 0.4775 m, for two spacings.
                (
                    "circumference = '3 m'\nturns = 3\narrangement = 'in-plane'\n"
                    "turn_spacing = '238 mm'",
                ),
                (
                    "circumference = '3 m'\nturns = 3\narrangement = 'in-plane'\n"
                    "turn_spacing = '239 mm'",
                ),
            ),
            (
                ("circumference = '3 m'", "diameter = '10 mm'\nwall = '5 mm'"),
                ("circumference = '3 m'", "diameter = '10 mm'\nwall = '5.1 mm'"),
            ),
            (
                ("circumference = '3 m'", "width = '10 mm'\nthickness = '10 mm'"),
                ("circumference = '3 m'", "width = '10 mm'\nthickness = '10.1 mm'"),
            ),
            (
                ("circumference = '3 m'", "diameter = '10 mm'", "[feed]\ncircumference = '2.9 m'"),
                ("circumference = '3 m'", "diameter = '10 mm'", "[feed]\ncircumference = '3 m'"),
            ),
            (
                (
                    "circumference = '3 m'",
                    "diameter = '10 mm'",
                    "[feed]\nconductor_diameter = '6 mm'\noffset = '8 mm'",
                ),
                (
                    "circumference = '3 m'",
                    "diameter = '10 mm'",
                    "[feed]\nconductor_diameter = '6 mm'\noffset = '7.9 mm'",
                ),
            ),
            (
                (
                    "circumference = '3 m'",
                    "diameter = '10 mm'",
                    "[feed]\ncircumference = '20 mm'\nconductor_diameter = '6.3 mm'",
                ),
                (
                    "circumference = '3 m'",
                    "diameter = '10 mm'",
                    "[feed]\ncircumference = '20 mm'\nconductor_diameter = '6.4 mm'",
                ),
            ),
            (
                (
                    "circumference = '3 m'",
                    "diameter = '10 mm'",
                    "[capacitor]\nc_min = '9 pF'\nc_max = '9 pF'",
                ),
                (
                    "circumference = '3 m'",
                    "diameter = '10 mm'",
                    "[capacitor]\nc_min = '9 pF'\nc_max = '8 pF'",
                ),
            ),
        ],
    )
    def test_just_fits_and_just_does_not(
        self, fits: tuple[str, ...], not_: tuple[str, ...]
    ) -> None:
        self.at(*fits)
        with pytest.raises(BuildError):
            self.at(*not_)


class TestLine:
    def line(self, more: str) -> Any:
        feed = build(rest=f'[feed]\n[feed.line]\nlength = "10 m ± 10 cm"\n{more}\n').feed
        assert feed is not None
        return feed.line

    def test_of_known_velocity_has_the_lengths_uncertainty(self) -> None:
        line = self.line("velocity_factor = 0.66\nz0_ohm = 75")
        assert (line.length_m, line.velocity_factor, line.z0_ohm) == (10.0, 0.66, 75.0)
        assert line.u_length_m == pytest.approx(0.1)

    def test_of_unknown_velocity_has_that_of_cables_from_0_66_to_0_88(self) -> None:
        # Rectangular, half width over root three (GUM 4.3.7).
        line = self.line("")
        assert line.velocity_factor == pytest.approx(0.77)
        u = 10 * 0.11 / 3**0.5 / 0.77
        assert line.u_length_m == pytest.approx((0.1**2 + u**2) ** 0.5)


class TestFindings:
    def evidence(self, made: Build, code: str) -> Any:
        return next((f.evidence for f in made.findings if f.code == code), None)

    def test_lengths_without_uncertainty_are_listed_by_their_keys(self) -> None:
        made = build(
            'turns = 2\nturn_spacing = "50 mm"', rest='[feed]\ncircumference = "0.5 m ± 1 mm"\n'
        )
        assert self.evidence(made, "taken-as-exact") == pytest.approx(
            {"conductor.diameter_m": 0.01, "loop.turn_spacing_m": 0.05}
        )

    def test_an_exact_size_says_four_per_cent_a_per_cent(self) -> None:
        made = Build.from_toml(TEXT.format(loop="", conductor="").replace(" ± 1 cm", ""))
        assert self.evidence(made, "no-tolerance") == {
            "circumference_m": 3.0,
            "efficiency_percent_per_percent": 4.0,
        }
        (found,) = (f for f in made.findings if f.code == "no-tolerance")
        assert "1 % in circumference (30 mm)" in found.text
        assert self.evidence(build(), "no-tolerance") is None

    def test_an_open_alloy_says_how_much_the_resistance_may_be_off(self) -> None:
        # 43, 55 and 61.8 % IACS; resistance with the root of resistivity.
        (found,) = (
            f for f in build(conductor='material = "aluminium"').findings if f.code == "alloy-open"
        )
        more, less = (55 / 43) ** 0.5 - 1, 1 - (55 / 61.8) ** 0.5
        assert f"{more:.0%} more or {less:.0%} less" in found.text
        assert "from 25 to 36 MS/m" in found.text
        stated = build(conductor='material = "aluminium"\nconductivity = 3.5e7')
        assert self.evidence(stated, "alloy-open") is None
        assert self.evidence(build(conductor='material = "brass"'), "alloy-open") is None

    def test_braid_as_smooth_is_reported_unless_a_factor_is_given(self) -> None:
        assert self.evidence(build(conductor='form = "braid"'), "braid-factor") == {
            "surface_factor": 1.0
        }
        for factor in ('"1.0 ± 0.1"', "1.5"):
            stated = build(conductor=f'form = "braid"\nsurface_factor = {factor}')
            assert self.evidence(stated, "braid-factor") is None


class TestPlaces:
    """The line of a mistake, past whatever else the file holds."""

    def place(self, text: str) -> str:
        with pytest.raises(BuildError) as error:
            Build.from_toml(text)
        return str(error.value).split(" ")[0]

    @pytest.mark.parametrize("quotes", ['"""', "'''"])
    def test_lines_of_a_text_over_several_lines_are_no_keys(self, quotes: str) -> None:
        text = (
            f'name = "x"\nnote = {quotes}a\n[loop]\nturns = 1\n{quotes}\n[loop]\n'
            'circumference = "3 m"\nturns = 0\n[conductor]\ndiameter = "1 cm"\n'
        )
        assert self.place(text) == ":8:"

    def test_a_text_in_three_quotes_on_one_line_ends_there(self) -> None:
        text = (
            'name = "x"\nnote = """a"""\n[loop]\ncircumference = "3 m"\nturns = 0\n'
            '[conductor]\ndiameter = "1 cm"\n'
        )
        assert self.place(text) == ":5:"

    def test_the_second_of_a_list_has_its_own_line(self) -> None:
        text = TEXT.format(loop="", conductor="") + (
            '[[parts]]\nkind = "a"\n[[parts]]\nkind = "b"\ncount = 0\n'
        )
        assert self.place(text) == f":{text[: text.index('count')].count(chr(10)) + 1}:"

    def test_a_quoted_key_and_one_with_dots_have_theirs(self) -> None:
        text = 'name = "x"\nloop."circumference" = "3 m"\nloop.turns = 0\nconductor.awg = 12\n'
        assert self.place(text) == ":3:"


class TestWriting:
    @pytest.mark.parametrize(
        "note",
        ['a "quoted" word', "back\\slash", "two\nlines", "a\ttab", "\x01\x1f\x7f ±", "plain"],
    )
    def test_any_text_reads_back(self, note: str) -> None:
        data = tomllib.loads(TEXT.format(loop="", conductor="")) | {"note": note}
        assert tomllib.loads(write_toml(data)) == data

    def test_tables_inside_tables_and_lists_read_back(self) -> None:
        data = {
            "name": "x",
            "loop": {"turn_lengths": ["3 m", "3.1 m"]},
            "conductor": {"awg": 12},
            "settings": [{"name": "low", "c_max": "9 pF"}, {"name": "high"}],
            "parts": [{"kind": "a", "count": 2}],
            "feed": {"line": {"length": "1 m", "loss_db_per_100m": [[1e6, 1.0]]}},
        }
        assert tomllib.loads(write_toml(data)) == data
        assert write_toml(data).startswith('name = "x"\n\n[loop]\n')

    def test_unknown_keys_are_kept_and_quoted_where_need_be(self) -> None:
        data = {"name": "x", "loop": {"odd key": 1, "plain": True}, "conductor": {}}
        text = write_toml({**data, "loop": {"odd key": 1, "plain": 2}})
        assert '"odd key" = 1\nplain = 2\n' in text


class TestChanges:
    DATA: ClassVar[dict[str, Any]] = {
        "name": "x",
        "note": "old",
        "loop": {"circumference": "3 m"},
        "conductor": {"diameter": "1 cm"},
        "parts": [{"kind": "a", "count": 1}, {"kind": "a", "count": 2}, {"kind": "b"}],
    }

    def changed(self, **changes: Any) -> dict[str, Any]:
        return changed_data(self.DATA, {k.replace("__", "."): v for k, v in changes.items()})

    def test_a_new_name_takes_the_note_away(self) -> None:
        assert "note" not in self.changed(name="y")
        assert self.changed(loop__turns=2)["note"] == "old"

    @pytest.mark.parametrize("empty", [None, ""])
    def test_nothing_removes_a_key_and_a_table(self, empty: Any) -> None:
        assert self.changed(loop__circumference=empty)["loop"] == {}
        assert "loop" not in self.changed(loop=empty)
        assert self.changed(parts=empty)["parts"] == []

    def test_a_kind_removed_takes_all_its_entries_a_number_one(self) -> None:
        assert self.changed(parts__a=None)["parts"] == [{"kind": "b"}]
        left = changed_data(self.DATA, {"parts.a#2": None})["parts"]
        assert left == [{"kind": "a", "count": 1}, {"kind": "b"}]

    def test_a_resistance_is_that_of_every_entry_of_the_kind(self) -> None:
        parts = self.changed(parts__a__r="2 mohm")["parts"]
        assert [part.get("r") for part in parts] == ["2 mohm", "2 mohm", None]
        with pytest.raises(BuildError, match="2 entries of that kind"):
            self.changed(parts__a__count=3)
        assert changed_data(self.DATA, {"parts.a#1.count": "3"})["parts"][0]["count"] == 3

    def test_values_written_as_text_become_what_the_key_takes(self) -> None:
        found = self.changed(
            loop__turns="2",
            loop__gap=" 3 cm ",
            loop__turn_lengths="3 m, 3.1 m",
            conductor__conductivity="5.8e7",
            site__ground="[13, 0.005]",
            feed__line__loss_db_per_100m=((1e6, 1.0),),
            note="5",
        )
        assert found["loop"] == {
            "circumference": "3 m", "turns": 2, "gap": "3 cm", "turn_lengths": ["3 m", "3.1 m"],
        }  # fmt: skip
        assert found["conductor"]["conductivity"] == 5.8e7
        assert found["site"]["ground"] == [13, 0.005]
        assert found["feed"]["line"]["loss_db_per_100m"] == [(1e6, 1.0)]
        assert found["note"] == "5"
        assert self.changed(site__ground="good")["site"]["ground"] == "good"

    def test_the_data_it_starts_from_stay(self) -> None:
        before = repr(self.DATA)
        self.changed(parts__a__r="2 mohm", loop__turns=2)
        assert repr(self.DATA) == before

    def test_repeated_names_are_numbered_and_single_ones_are_not(self) -> None:
        assert labels(["a", "b", "a", "a"]) == ["a#1", "b", "a#2", "a#3"]

    def test_a_setting_overrides_its_keys_and_leaves_out_the_parts_of_others(self) -> None:
        data = {
            **self.DATA,
            "settings": [
                {"name": "low", "turns": 2, "c_max": "9 pF", "parts": ["a"]},
                {"name": "high", "parts": ["b"]},
            ],
        }
        low, high, none = (data_in_setting(data, name) for name in ("low", "high", None))
        assert low["loop"]["turns"] == 2
        assert low["capacitor"] == {"c_max": "9 pF"}
        assert [part["kind"] for part in low["parts"]] == ["a", "a"]
        assert [part["kind"] for part in high["parts"]] == ["b"]
        assert none["parts"] == []
        assert "settings" not in low
        assert "capacitor" not in high


def test_parts_of_one_kind_must_not_differ_in_resistance() -> None:
    rest = '[[parts]]\nkind = "a"\nr = "{}"\n[[parts]]\nkind = "a"\nr = "2 mohm"\n'
    same = build(rest=rest.format("2 mohm"))
    assert [part.r for part in same.parts] == [same.parts[0].r] * 2
    with pytest.raises(BuildError, match="a second resistance of the kind 'a'"):
        build(rest=rest.format("3 mohm"))
    assert replace(same.parts[0], count=1) == same.parts[1]
