"""Lengths, sections, weights and winds of a planned loop, in closed form."""

from __future__ import annotations

import json
import math

import pytest

from sweeplab.builds import Build
from sweeplab.planning.cut_list import (
    Allowance,
    conductor_length_m,
    conductor_mass_kg,
    cut_list,
    mast,
    section_m2,
)

TUBE = 'form = "tube"\ndiameter = "12 mm"\nwall = "1 mm"'


def build(
    loop: str = 'circumference = "3.2 m"', conductor: str = TUBE, rest: str = "", gap: str = "30 mm"
) -> Build:
    return Build.from_toml(
        f'name = "cut"\n[loop]\n{loop}\ngap = "{gap}"\n[conductor]\n{conductor}\n{rest}'
    )


class TestPieces:
    def test_the_gap_is_taken_off_the_first_turn_alone(self) -> None:
        two = build('circumference = "3.2 m"\nturns = 2\nturn_spacing = "60 mm"')
        found = {piece.name: piece.centre_line_m for piece in cut_list(two)}
        assert found == pytest.approx({"turn 1": 3.17, "turn 2": 3.2})
        assert conductor_length_m(two) == pytest.approx(6.37)

    def test_leads_and_coupling_loop_are_pieces_of_their_own(self) -> None:
        both = build(
            'circumference = "3.2 m"\nleads = "40 mm"', rest='[feed]\ncircumference = "0.6 m"\n'
        )
        found = {piece.name: piece.centre_line_m for piece in cut_list(both)}
        assert found == pytest.approx(
            {"turn 1": 3.17, "lead 1": 0.04, "lead 2": 0.04, "coupling loop": 0.6}
        )
        assert conductor_length_m(both) == pytest.approx(3.17 + 0.08)

    @pytest.mark.parametrize("rest", ["", '[feed]\nshape = "circle"\n'])
    def test_what_has_no_length_is_no_piece(self, rest: str) -> None:
        none = build('circumference = "3.2 m"\nleads = "0 mm"', rest=rest)
        assert [piece.name for piece in cut_list(none)] == ["turn 1"]

    def test_an_allowance_for_every_piece_is_for_turns_alone(self) -> None:
        every = build(
            'circumference = "3.2 m"\nleads = "40 mm"', rest='[feed]\ncircumference = "0.6 m"\n'
        )
        allowances = [Allowance("fitting", 0.02), Allowance("plug", 0.03, "coupling loop")]
        found = {piece.name: piece.cut_m for piece in cut_list(every, allowances)}
        assert found == pytest.approx(
            {"turn 1": 3.19, "lead 1": 0.04, "lead 2": 0.04, "coupling loop": 0.63}
        )

    def test_as_json_a_piece_names_its_allowances(self) -> None:
        (piece,) = cut_list(build(), [Allowance("fitting", 0.02)])
        assert json.loads(json.dumps(piece.to_json())) == {
            "piece": "turn 1",
            "centre_line_m": pytest.approx(3.17),
            "allowances_m": {"fitting": 0.02},
            "cut_m": pytest.approx(3.19),
        }


class TestMetal:
    @pytest.mark.parametrize(
        ("conductor", "area_m2"),
        [
            ('form = "wire"\ndiameter = "4 mm"', math.pi * 0.002**2),
            ('form = "strip"\nwidth = "40 mm"\nthickness = "0.5 mm"', 0.040 * 0.0005),
            (TUBE, math.pi * (0.006**2 - 0.005**2)),
            ('form = "tube"\ndiameter = "12 mm"', None),
            ('form = "coax"\nshield_diameter = "12 mm"', None),
            ('form = "braid"\ndiameter = "12 mm"', None),
        ],
    )
    def test_section(self, conductor: str, area_m2: float | None) -> None:
        found = section_m2(build(conductor=conductor).conductor)
        assert found == (None if area_m2 is None else pytest.approx(area_m2))

    @pytest.mark.parametrize(
        ("material", "density"),
        # Handbook densities [kg/m3], 20 degrees (CRC Handbook, from memory).
        [("copper", 8960), ("aluminium", 2700), ("silver", 10490), ("brass", 8500),
         ("tin", 7290), ("solder", 8400), ("aluminum", 2700)],
    )  # fmt: skip
    def test_mass(self, material: str, density: float) -> None:
        wire = f'form = "wire"\ndiameter = "4 mm"\nmaterial = "{material}"'
        found = conductor_mass_kg(build(conductor=wire))
        assert found == pytest.approx(density * math.pi * 0.002**2 * 3.17, rel=0.002)


class TestMast:
    @pytest.mark.parametrize(
        ("loop", "height_m"),
        [
            ('circumference = "3.2 m"', 3.2 / math.pi),
            ('shape = "square"\nside = "0.8 m"', 0.8),
            # Between opposite sides: (1 + sqrt 2) sides.
            ('shape = "octagon"\nside = "0.4 m"', 0.4 * (1 + math.sqrt(2))),
            ('shape = "rectangle"\nwidth = "1 m"\nheight = "0.6 m"', 0.6),
        ],
    )
    def test_the_wind_presses_at_half_the_loops_height(self, loop: str, height_m: float) -> None:
        asked = mast(build(loop), 3.0)
        assert asked.moment_n_m / asked.wind_n == pytest.approx(3.0 + height_m / 2)
        assert asked.length_m == 3.0

    def test_a_strip_stands_in_the_wind_with_its_width(self) -> None:
        # 1.2 x 1.225/2 x 25^2 N/m2.
        strip = build(conductor='form = "strip"\nwidth = "40 mm"\nthickness = "0.5 mm"')
        asked = mast(strip, 1.0)
        assert asked.wind_n == pytest.approx(459.375 * 0.040 * 3.17)
        assert asked.weight_n == pytest.approx(9.80665 * 8960 * 0.04 * 0.0005 * 3.17)

    def test_of_unknown_mass_has_no_weight_but_wind(self) -> None:
        asked = mast(build(conductor='form = "braid"\ndiameter = "12 mm"'), 1.0)
        assert asked.weight_n is None
        assert asked.wind_n == pytest.approx(459.375 * 0.012 * 3.17)
        assert asked.to_json()["wind_m_per_s"] == 25.0
