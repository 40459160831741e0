"""Inductances against handbooks, the NIST library of functions, and one another."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import elliprd, elliprf, elliprg

from sweeplab.loop.inductance import (
    circle_inductance,
    circle_polygon,
    coaxial_circles,
    mutual_inductance,
    path_integral,
    regular_polygon,
    self_inductance,
)
from sweeplab.loop.thinwire import MU0

UP = np.array([0.0, 0.0, 1.0])
sizes = st.floats(0.01, 5.0)


class TestCoaxialCircles:
    def test_rosa_and_grovers_worked_example(self) -> None:
        # E. B. Rosa & F. W. Grover, Bull. BS 8(1), 1912: circles of 25 and 20 cm, 10 cm apart,
        # 248.7875 cm (value from memory).
        assert coaxial_circles(0.25, 0.20, 0.10) == pytest.approx(248.7875e-9, rel=1e-6)

    @given(a=sizes, b=sizes, h=st.floats(0.001, 5.0))
    def test_carlsons_forms(self, a: float, b: float, h: float) -> None:
        # NIST Digital Library of Mathematical Functions, eqs 19.34.5 and 19.34.6.
        plus, minus = h**2 + (a + b) ** 2, h**2 + (a - b) ** 2
        rd = 3 * elliprf(0, plus, minus) - 2 * minus * elliprd(0, plus, minus)
        by_rd = MU0 / (4 * math.pi) * 8 * math.pi * a * b / 3 * rd
        rg = (plus + minus) * elliprf(0, plus, minus) - 4 * elliprg(0, plus, minus)
        by_rg = MU0 / 2 * rg
        # Far apart every form subtracts near equals: what is lost is of the size of the terms.
        lost = 1e-14 * MU0 * plus / math.sqrt(minus)
        assert coaxial_circles(a, b, h) == pytest.approx(by_rd, rel=1e-9, abs=lost)
        assert coaxial_circles(a, b, h) == pytest.approx(by_rg, rel=1e-9, abs=lost)

    def test_a_small_coil_in_the_middle(self) -> None:
        # The uniform field of a circle's centre, mu0 I/2a, over the small circle (textbook).
        small, large = 0.001, 0.5
        field = MU0 / (2 * large)
        expected = field * math.pi * small**2
        assert coaxial_circles(large, small, 0.0) == pytest.approx(expected, rel=1e-5)


class TestNeumann:
    @pytest.mark.parametrize("distance_m", [0.005, 0.05, 0.5])
    def test_polygons_near_circles_follow_maxwells_form(self, distance_m: float) -> None:
        first, second = circle_polygon(0.25, 120), circle_polygon(0.2475, 120)
        expected = coaxial_circles(0.25, 0.2475, distance_m)
        found = mutual_inductance(first, second + distance_m * UP)
        assert found == pytest.approx(expected, rel=3e-5)

    def test_near_parallel_squares_follow_grovers_formula(self) -> None:
        # F. W. Grover, Inductance Calculations, 1946, equal parallel squares (formula from
        # memory; exact, from the parallel filaments' integral).
        side, d = 1.0, 0.004
        one, two = math.hypot(side, d), math.sqrt(2 * side**2 + d**2)
        terms = side * math.log((side + one) * one / ((side + two) * d)) + two - 2 * one + d
        expected = 2 * MU0 / math.pi * terms
        square = regular_polygon(4, 4 * side)
        assert mutual_inductance(square, square + d * UP) == pytest.approx(expected, rel=1e-7)

    @given(angle=st.floats(0.0, math.pi), shift=st.floats(0.5, 3.0))
    def test_either_path_may_be_the_outer_one(self, angle: float, shift: float) -> None:
        turn = np.array([[1, 0, 0], [0, math.cos(angle), -math.sin(angle)],
                         [0, math.sin(angle), math.cos(angle)]])  # fmt: skip
        first = regular_polygon(5, 1.0)
        second = regular_polygon(4, 2.0) @ turn.T + np.array([0.0, shift, 0.7])
        there, back = mutual_inductance(first, second), mutual_inductance(second, first)
        assert there == pytest.approx(back, rel=1e-6, abs=1e-14)

    def test_a_path_run_backwards_changes_sign(self) -> None:
        square = regular_polygon(4, 1.0)
        forward = mutual_inductance(square, square + 0.1 * UP)
        assert mutual_inductance(square[::-1], square + 0.1 * UP) == pytest.approx(-forward)

    def test_a_retarded_small_loop_radiates_as_the_textbook_says(self) -> None:
        # C. A. Balanis, Antenna Theory, eq. 5-24: 20 pi^2 (C/lambda)^4, here by
        # R = -w mu0/4pi Im oint oint exp(-jkR)/R; eta = 120 pi in the formula, hence 1e-3.
        circumference, wavelength = 0.01, 1.0
        k = 2 * math.pi / wavelength
        loop = circle_polygon(circumference / (2 * math.pi), 200)
        integral = path_integral(loop, loop, 1e-5, k_per_m=k)
        found = -k * 120 * math.pi / (4 * math.pi) * integral.imag
        expected = 20 * math.pi**2 * (circumference / wavelength) ** 4
        assert found == pytest.approx(expected, rel=1e-3)


class TestSelf:
    def test_rosa_and_grovers_circle(self) -> None:
        # Circle of 25 cm, wire 0.5 mm, direct current: 654.40537 pi cm (Rayleigh-Niven, in Rosa
        # & Grover 1912, value from memory). Skin effect takes away the inside's mu0 a/4.
        inside = MU0 * 0.25 / 4
        expected = 654.40537 * math.pi * 1e-9 - inside
        assert circle_inductance(0.25, 0.0005) == pytest.approx(expected, rel=2e-6)

    @pytest.mark.parametrize(
        ("sides", "perimeter_m", "theta"),
        # F. E. Terman, Radio Engineers' Handbook, 1943: L = 0.2 l (ln(4 l/d) - theta) microhenry
        # (values of theta from memory). A square of 1 m; an octagon of 0.5 m to its corners.
        [(4, 4.0, 2.853), (8, 16 * 0.5 * math.sin(math.pi / 8), 2.561)],
    )
    def test_termans_polygons(self, sides: int, perimeter_m: float, theta: float) -> None:
        diameter_m = 0.022
        expected = 0.2e-6 * perimeter_m * (math.log(4 * perimeter_m / diameter_m) - theta)
        found = self_inductance(regular_polygon(sides, perimeter_m), diameter_m / 2)
        assert found == pytest.approx(expected, rel=5e-3)

    def test_a_fine_polygon_is_a_circle(self) -> None:
        found = self_inductance(circle_polygon(0.5, 96), 0.011)
        assert found == pytest.approx(circle_inductance(0.5, 0.011), rel=3e-4)

    def test_two_turns_in_series_are_twice_self_and_mutual(self) -> None:
        # 0.4 m, tube of 22 mm, 60 mm apart: computed apart from this code, 1.8463 and 1.0012,
        # in all 5.695 microhenry.
        own, mutual = circle_inductance(0.4, 0.011), coaxial_circles(0.4, 0.4, 0.06)
        assert own == pytest.approx(1.8463e-6, rel=1e-4)
        assert mutual == pytest.approx(1.0012e-6, rel=1e-4)
        assert 2 * (own + mutual) == pytest.approx(5.695e-6, rel=1e-4)
