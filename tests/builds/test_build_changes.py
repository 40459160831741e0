"""Changes from one build to the next, settings inside one, and the difference of two."""

from __future__ import annotations

from typing import Any

import pytest
from build_samples import FIVE_LINES, WHOLE, build_data
from hypothesis import given

from sweeplab.builds import Build, Change, difference
from sweeplab.builds.toml_text import write_toml
from sweeplab.errors import BuildError
from sweeplab.quantity import Quantity

BEFORE = Build.from_toml(WHOLE)

CHANGES: list[tuple[str, Any, str, str | None, str | None]] = [
    ("feed.circumference", "0.7 m", "feed.circumference", "0.66 m", "0.7 m"),
    ("loop.circumference", "10 ft 6 in", "loop.circumference", "3.2 m ± 10 mm", "3.2004 m"),
    ("loop.turns", "3", "loop.turns", "2", "3"),
    ("loop.turns", 3, "loop.turns", "2", "3"),
    ("loop.gap", None, "loop.gap", "30 mm", None),
    ("loop.gap", "", "loop.gap", "30 mm", None),
    ("conductor.surface_factor", "1.5", "conductor.surface_factor", "1.2 ± 0.1", "1.5"),
    ("conductor.surface_factor", "1.5 ± 0.2", "conductor.surface_factor", "1.2 ± 0.1",
     "1.5 ± 0.2"),
    ("conductor.conductivity", "5.7e7", "conductor.conductivity", None, "57 MS/m"),
    ("parts.joint.count", "4", "parts.joint.count", "2", "4"),
    ("parts.joint.r", "1 mohm", "parts.joint.r", "2 mohm ± 1 mohm", "1 mohm"),
    ("parts.switch.position", "0.125", "parts.switch.position", "0", "0.125"),
    ("settings.one section.c_max", "120 pF", "settings.one section.c_max", "130 pF", "120 pF"),
    ("settings.one section.parts", "switch, joint", "settings.one section.parts", "switch",
     "switch, joint"),
    ("settings.both.turns", "1", "settings.both.turns", None, "1"),
    ("feed.line.velocity_factor", "0.7", "feed.line.velocity_factor", "0.66", "0.7"),
    ("feed.line.loss_db_per_100m", "[[10e6, 5]]", "feed.line.loss_db_per_100m",
     "1 MHz 1.4 dB, 10 MHz 4.6 dB, 30 MHz 8.5 dB", "10 MHz 5 dB"),
    ("site.ground", "good", "site.ground", "eps_r 13, 0.005 S/m", "good"),
    ("site.ground", "[5, 0.001]", "site.ground", "eps_r 13, 0.005 S/m", "eps_r 5, 0.001 S/m"),
    ("site.surroundings", "3 m", "site.surroundings", "balcony", "3 m"),
]  # fmt: skip


@pytest.mark.parametrize(("key", "value", "changed", "before", "after"), CHANGES)
def test_a_changed_key_is_the_whole_difference(
    key: str, value: Any, changed: str, before: str | None, after: str | None
) -> None:
    new = BEFORE.with_changes({key: value})
    expected = Change(changed, before, after)
    assert difference(BEFORE, new) == [expected]
    assert expected.to_json() == {"key": changed, "before": before, "after": after}


def test_a_change_leaves_the_build_it_starts_from_alone() -> None:
    BEFORE.with_changes({"parts.joint.count": "4", "feed": None, "loop.turns": "1"})
    assert Build.from_toml(WHOLE) == BEFORE
    assert BEFORE.to_toml() == Build.from_toml(WHOLE).to_toml()


def test_several_changes_make_one_build_and_list_in_the_order_of_keys() -> None:
    new = BEFORE.with_changes(
        {"name": "porch-loop-2", "feed.circumference": "0.7 m", "capacitor.esr": "10 mohm"}
    )
    assert (new.name, new.note) == ("porch-loop-2", "")
    assert [c.key for c in difference(BEFORE, new)] == ["capacitor.esr", "feed.circumference"]
    assert Build.from_toml(new.text) == new


def test_a_size_is_changed_for_another_in_one_step() -> None:
    new = BEFORE.with_changes({"loop.circumference": None, "loop.diameter": "1 m"})
    assert new.loop.size_key == "loop.diameter"
    with pytest.raises(BuildError, match="2 sizes, circumference and diameter"):
        BEFORE.with_changes({"loop.diameter": "1 m"})


def test_parts_and_settings_are_added_by_their_name_and_removed_whole() -> None:
    new = BEFORE.with_changes({"parts.strap.count": "2", "parts.strap.kind": "strap"})
    assert [(part.kind, part.count) for part in new.parts[2:]] == [("strap", 2)]
    assert [part.kind for part in BEFORE.with_changes({"parts.joint": ""}).parts] == ["switch"]
    bare = BEFORE.with_changes({"settings": None, "parts": None, "feed": None, "site": None})
    assert (bare.settings, bare.parts, bare.feed, bare.site) == ((), (), None, None)
    with_new = BEFORE.with_changes({"settings.third.name": "third", "settings.third.turns": "1"})
    assert with_new.in_setting("third").loop.turns == 1


def test_a_part_can_be_called_another_kind() -> None:
    new = BEFORE.with_changes({"parts.joint.kind": "brazed"})
    assert [part.kind for part in new.parts] == ["brazed", "switch"]


def test_entries_of_one_kind_are_told_apart_by_number() -> None:
    joint = '\n[[parts]]\nkind = "joint"\nposition = {}\n'
    two = Build.from_toml(FIVE_LINES + joint.format(0.25) + joint.format(0.75))
    assert [p.position for p in two.with_changes({"parts.joint#2.position": "0.8"}).parts] == [
        0.25,
        0.8,
    ]
    assert {p.r for p in two.with_changes({"parts.joint.r": "1 mohm"}).parts} == {Quantity(0.001)}
    with pytest.raises(BuildError, match=r"2 entries of that kind; say which: parts.joint#1.count"):
        two.with_changes({"parts.joint.count": "3"})
    assert "parts.joint#2.position" in two.describe()


UNKNOWN = [
    ("feed.circumfrence", "feed.circumference"),
    ("circumference", "loop.circumference"),
    ("fead.line.length", "feed.line.length"),
    ("parts.jiont.count", "parts.joint.count"),
    ("parts.joint.cuont", "parts.joint.count"),
    ("parts.count", "parts.joint.count"),
    ("settings.bath.turns", "settings.both.turns"),
    ("loop", "loop."),
]


@pytest.mark.parametrize(("key", "nearest"), UNKNOWN)
def test_an_unknown_key_names_the_nearest(key: str, nearest: str) -> None:
    with pytest.raises(BuildError) as caught:
        BEFORE.with_changes({key: "1"})
    assert str(caught.value).startswith(f"{key}: unknown key; did you mean {nearest}")


def test_a_change_that_cannot_be_names_its_key_and_no_line() -> None:
    with pytest.raises(BuildError) as caught:
        BEFORE.with_changes({"loop.gap": "30 m"})
    assert str(caught.value) == "loop.gap: 30 m in a loop of 3.2 m; check the units of both"
    with pytest.raises(BuildError, match="'two' where a whole number is wanted"):
        BEFORE.with_changes({"loop.turns": "two"})
    with pytest.raises(BuildError, match="name: missing"):
        BEFORE.with_changes({"name": ""})


def test_what_is_not_there_can_be_removed_and_nothing_comes_of_it() -> None:
    five = Build.from_toml(FIVE_LINES)
    absent = dict.fromkeys(("capacitor.esr", "feed.line", "feed.line.z0_ohm", "site"))
    assert five.with_changes(absent) == five


@given(build_data())
def test_changes_undone_give_the_build_back(data: dict[str, Any]) -> None:
    build = Build.from_toml(write_toml(data))
    away = build.with_changes({"loop.leads": "7 mm", "site.surroundings": "shed"})
    back = away.with_changes(
        {"loop.leads": data["loop"].get("leads"), "site.surroundings": None}
        | ({} if "site" in data else {"site": None})
    )
    assert back == build
    assert difference(build, back) == []


def test_the_way_of_writing_is_no_difference() -> None:
    other = WHOLE.replace("3.20 m ± 1 cm", "(320 ± 1) cm").replace('"40 mm"', '"4.0 cm"')
    with_shape = FIVE_LINES.replace("[loop]\n", '[loop]\nshape = "circle"\nturns = 1\n')
    explicit = with_shape.replace("[conductor]", '[conductor]\nform = "tube"\nmaterial = "copper"')
    assert difference(Build.from_toml(WHOLE), Build.from_toml(other)) == []
    assert difference(Build.from_toml(FIVE_LINES), Build.from_toml(explicit)) == []


def test_a_difference_reads_the_other_way_round() -> None:
    new = BEFORE.with_changes({"loop.gap": None, "loop.turns": "1"})
    there, back = difference(BEFORE, new), difference(new, BEFORE)
    assert [(c.key, c.after, c.before) for c in back] == [(c.key, c.before, c.after) for c in there]


def test_a_setting_replaces_its_keys_and_brings_its_parts() -> None:
    one = BEFORE.in_setting("one section")
    assert one.loop.turns == 1
    assert one.capacitor is not None
    assert one.capacitor.c_max == Quantity(130e-12)
    assert one.capacitor.c_min == Quantity(12e-12)
    assert [part.kind for part in one.parts] == ["joint", "switch"]
    assert one.settings == ()
    both = BEFORE.in_setting("both")
    assert both.loop.turns == 2
    assert [part.kind for part in both.parts] == ["joint"]


def test_without_a_setting_named_none_is_assumed_and_a_finding_says_so() -> None:
    base = BEFORE.in_setting(None)
    assert base.loop.turns == 2
    assert [part.kind for part in base.parts] == ["joint"]
    assert base.findings[-1].code == "no-setting"
    assert base.findings[-1].evidence == {"settings": "one section, both"}
    assert base.in_setting(None) is base


def test_an_unknown_setting_lists_the_known_ones() -> None:
    with pytest.raises(BuildError, match=r"no setting 'bth'; known: 'one section', 'both'"):
        BEFORE.in_setting("bth")
    with pytest.raises(BuildError, match="this build has no settings"):
        Build.from_toml(FIVE_LINES).in_setting("both")


def test_a_setting_may_bring_the_only_capacitor() -> None:
    build = Build.from_toml(FIVE_LINES + '[[settings]]\nname = "fixed"\nc_max = "100 pF"\n')
    assert build.capacitor is None
    fixed = build.in_setting("fixed").capacitor
    assert fixed is not None
    assert fixed.c_max == Quantity(100e-12)
