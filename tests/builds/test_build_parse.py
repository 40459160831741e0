"""A build's file is read, key by key, into values in SI units."""

from __future__ import annotations

import math
import pickle
from pathlib import Path

import pytest
from build_samples import FIVE_LINES, WHOLE, build_data, with_line
from hypothesis import given

from sweeplab.builds import Build, Capacitor, Conductor, Feed, Loop, Part, Setting, Site
from sweeplab.builds.toml_text import write_toml
from sweeplab.line import Line
from sweeplab.quantity import Quantity

DEMO = sorted((Path(__file__).parents[2] / "samples" / "demo").glob("*-[0-9].toml"))

# 100 % IACS (IEC Publication 28, 1925), and how far what is sold as copper spreads.
COPPER = Quantity(5.8e7, 2.9e6)


def test_every_key_is_read_into_si_units() -> None:
    build = Build.from_toml(WHOLE)
    assert (build.name, build.note) == ("porch-loop", "first version")
    assert build.loop == Loop(
        shape="circle",
        circumference=Quantity(3.2, 0.01, True),
        size_key="loop.circumference",
        turns=2,
        winding="parallel",
        arrangement="in-plane",
        turn_spacing=Quantity(0.04),
        gap=Quantity(0.03),
        leads=Quantity(0.05),
    )
    assert build.conductor == Conductor(
        form="tube",
        conductivity=COPPER,
        material="copper",
        diameter=Quantity(0.012, 0.0001, True),
        wall=Quantity(0.001),
        surface_factor=Quantity(1.2, 0.1, True),
    )
    assert build.capacitor == Capacitor(
        Quantity(12e-12), Quantity(260e-12), Quantity(0.02), Quantity(2000.0), 3.0, 10e6
    )
    assert build.settings == (
        Setting(
            "one section",
            {"capacitor.c_max": Quantity(130e-12), "loop.turns": 1},
            ("switch",),
        ),
        Setting("both"),
    )
    assert build.parts == (
        Part("joint", 2, 0.25, Quantity(0.002, 0.001, True)),
        Part("switch", 1, 0.0, None),
    )
    assert build.feed == Feed(
        kind="coupling-loop",
        shape="square",
        circumference=Quantity(0.66),
        conductor_diameter=Quantity(0.006),
        conductor="shielded",
        offset=Quantity(0.025),
        position=0.5,
        line=Line(3.0, 0.66, ((1e6, 1.4), (10e6, 4.6), (30e6, 8.5)), 50.0, 0.05),
    )
    assert build.site == Site((13.0, 0.005), Quantity(1.5), "vertical", "top", "balcony")
    assert build.text == WHOLE


def test_five_lines_are_enough_and_assumed_values_are_reported() -> None:
    build = Build.from_toml(FIVE_LINES)
    assert build.loop == Loop("circle", Quantity(3.2))
    assert build.conductor == Conductor("tube", COPPER, "copper", Quantity(0.012))
    assert (build.capacitor, build.settings, build.parts) == (None, (), ())
    assert (build.feed, build.site) == (None, None)
    taken = next(finding for finding in build.findings if finding.code == "taken-as")
    assert taken.evidence == {
        "loop.shape": "circle",
        "conductor.material": "copper",
        "conductor.form": "tube",
    }
    assert "loop.shape circle" in taken.text


def test_a_size_without_uncertainty_is_taken_as_exact_and_a_note_says_so() -> None:
    exact = next(f for f in Build.from_toml(FIVE_LINES).findings if f.code == "no-tolerance")
    assert exact.level == "note"
    assert "1 % in circumference (32 mm) is 4 % in radiation resistance" in exact.text
    assert exact.evidence["circumference_m"] == 3.2
    sure = FIVE_LINES.replace("3.20 m", "3.20 m ± 1 cm").replace("12 mm", "12 mm ± 0.1 mm")
    assert {f.code for f in Build.from_toml(sure).findings} == {"taken-as"}


# Perimeters by elementary geometry; of a rectangle u = 2 hypot(u_w, u_h) (GUM eq. 10).
SIZES = [
    ('circumference = "320 ± 1 cm"', 3.2, 0.01, "loop.circumference"),
    ('diameter = "1 m ± 1 cm"', math.pi, math.pi / 100, "loop.diameter"),
    ('shape = "square"\nside = "0.8 m ± 1 cm"', 3.2, 0.04, "loop.side"),
    ('shape = "octagon"\nside = "0.4 m ± 1 cm"', 3.2, 0.08, "loop.side"),
    ('width = "0.9 m ± 3 mm"\nheight = "0.7 m ± 4 mm"', 3.2, 0.01, "loop.width+height"),
    ('turn_lengths = ["3.1 m ± 1 cm", "3.3 m ± 1 cm"]', 3.2, 0.01, "loop.turn_lengths"),
]


@pytest.mark.parametrize(("lines", "around", "u", "key"), SIZES)
def test_any_size_gives_the_centre_line_and_carries_its_uncertainty(
    lines: str, around: float, u: float, key: str
) -> None:
    build = Build.from_toml(FIVE_LINES.replace('circumference = "3.20 m"', lines))
    assert build.loop.circumference.value == pytest.approx(around)
    assert build.loop.circumference.u == pytest.approx(u)
    assert build.loop.circumference.u_given
    assert build.loop.size_key == key
    assert "no-tolerance" not in {finding.code for finding in build.findings}


def test_width_and_height_say_rectangle_and_turn_lengths_say_how_many_turns() -> None:
    size = 'circumference = "3.20 m"'
    rectangle = Build.from_toml(FIVE_LINES.replace(size, 'width = "1 m"\nheight = "2 m"'))
    assert rectangle.loop.shape == "rectangle"
    assert (rectangle.loop.width, rectangle.loop.height) == (Quantity(1.0), Quantity(2.0))
    turns = Build.from_toml(FIVE_LINES.replace(size, 'turn_lengths = ["3.17 m", "3.20 m"]'))
    assert turns.loop.turns == 2
    assert turns.loop.turn_lengths == (Quantity(3.17), Quantity(3.2))


CONDUCTORS = [
    ("awg = 12", Conductor("wire", COPPER, "copper", Quantity(0.127e-3 * 92 ** (24 / 39)))),
    ('form = "rod"\ndiameter = "6 mm"', Conductor("rod", COPPER, "copper", Quantity(0.006))),
    (
        'width = "20 mm"\nthickness = "0.5 mm"',
        Conductor("strip", COPPER, "copper", width=Quantity(0.02), thickness=Quantity(0.0005)),
    ),
    ('form = "strip"\nwidth = "20 mm"', Conductor("strip", COPPER, "copper", width=Quantity(0.02))),
    ('form = "braid"\ndiameter = "8 mm"', Conductor("braid", COPPER, "copper", Quantity(0.008))),
    ('shield_diameter = "8.1 mm"', Conductor("coax", COPPER, "copper", Quantity(0.0081))),
    (
        'diameter = "6 mm"\nconductivity = "30 MS/m ± 0.5 MS/m"',
        Conductor("tube", Quantity(3e7, 5e5, True), "", Quantity(0.006)),
    ),
    (
        'diameter = "6 mm"\nconductivity = 3e7',
        Conductor("tube", Quantity(3e7), "", Quantity(0.006)),
    ),
]


@pytest.mark.parametrize(("lines", "conductor"), CONDUCTORS)
def test_a_conductors_sizes_say_its_form(lines: str, conductor: Conductor) -> None:
    text = FIVE_LINES.replace('diameter = "12 mm"', lines)
    assert Build.from_toml(text).conductor == conductor


def test_braid_keeps_a_factor_of_one_and_a_finding_says_there_is_no_better() -> None:
    braid = with_line(FIVE_LINES, "conductor", 'form = "braid"')
    build = Build.from_toml(braid)
    assert build.conductor.surface_factor == Quantity(1.0)
    assert "braid-factor" in {finding.code for finding in build.findings}
    described = Build.from_toml(with_line(braid, "conductor", 'surface_factor = "1.5 ± 0.3"'))
    assert "braid-factor" not in {finding.code for finding in described.findings}


def test_a_resistance_given_once_holds_for_its_kind() -> None:
    joint = '\n[[parts]]\nkind = "joint"\nposition = {}\n'
    build = Build.from_toml(FIVE_LINES + joint.format(0.25) + 'r = "2 mohm"' + joint.format(0.75))
    assert [part.r for part in build.parts] == [Quantity(0.002)] * 2


def test_a_gap_declared_unknown_equals_one_not_described() -> None:
    site = '[site]\nground = "average"\n'
    unknown = Build.from_toml(FIVE_LINES + site + 'gap_at = "unknown"\n')
    assert unknown.site is not None
    assert unknown.site.gap_at is None
    assert unknown == Build.from_toml(FIVE_LINES + site)


def test_a_line_without_velocity_factor_has_a_less_certain_length() -> None:
    line = FIVE_LINES + '[feed.line]\nlength = "3 m ± 0.1 m"\n'
    build = Build.from_toml(line)
    assert build.feed is not None
    assert build.feed.line is not None
    # 0.66 to 0.88 as a rectangular spread: half-width 0.11 over sqrt 3 (GUM 4.3.7).
    spread = 3 * 0.11 / math.sqrt(3) / 0.77
    assert build.feed.line.u_length_m == pytest.approx(math.hypot(0.1, spread))
    assert build.feed.circumference is None
    taken = next(finding for finding in build.findings if finding.code == "taken-as")
    assert "feed.line.velocity_factor" in taken.evidence
    assert taken.evidence["feed.line.loss_db_per_100m"] == "what the sweep shows of it"
    assert "feed.shape" not in taken.evidence


def test_a_file_with_a_byte_order_mark_and_other_line_ends_reads_the_same() -> None:
    assert Build.from_toml("\ufeff" + WHOLE.replace("\n", "\r\n")) == Build.from_toml(WHOLE)


@given(build_data())
def test_a_build_written_as_toml_reads_equal(data: dict[str, object]) -> None:
    build = Build.from_toml(write_toml(data))
    again = Build.from_toml(build.to_toml())
    assert again == build
    assert again.to_toml() == build.to_toml()
    assert again.describe() == build.describe()


def test_a_build_travels_between_processes_and_can_be_a_key() -> None:
    build = Build.from_toml(WHOLE)
    assert pickle.loads(pickle.dumps(build)) == build
    assert len({build, Build.from_toml(build.to_toml())}) == 1


@pytest.mark.parametrize("path", DEMO, ids=lambda path: path.name)
def test_the_demo_builds_parse_and_leave_no_size_without_uncertainty(path: Path) -> None:
    build = Build.from_toml(path.read_text(encoding="utf-8"), str(path))
    assert build.name == path.stem
    assert "no-tolerance" not in {finding.code for finding in build.findings}


def test_there_are_demo_builds() -> None:
    assert len(DEMO) >= 2
