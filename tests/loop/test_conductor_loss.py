"""What the conductor costs: skin effect, tubes, strips, turns side by side."""

from __future__ import annotations

import math

import numpy as np
import pytest
from loop_samples import build, model
from numpy.typing import NDArray
from scipy.special import iv, kv

from sweeplab.loop.conductor import (
    conductor_impedance,
    equivalent_radius,
    round_wire_impedance,
    skin_depth,
    strip_impedance,
    surface_resistance,
    tube_impedance,
)
from sweeplab.loop.path import Geometry, closed_path
from sweeplab.loop.pattern import far_field
from sweeplab.loop.proximity import proximity_effect as solved
from sweeplab.loop.thinwire import Currents

COPPER = 5.8e7
MU0 = 4e-7 * math.pi


class TestSkinEffect:
    @pytest.mark.parametrize(("f_hz", "depth_um"), [(1e6, 66.09), (10e6, 20.90), (100e6, 6.609)])
    def test_depth_in_copper(self, f_hz: float, depth_um: float) -> None:
        # 0.0026, 0.000826, 0.00026 in at 1, 10, 100 MHz (informal source; computed here, 0.5 %).
        assert skin_depth(f_hz, COPPER) * 1e6 == pytest.approx(depth_um, rel=1e-3)

    @pytest.mark.parametrize(
        ("x", "ratio"),
        [(0.5, 1.0003), (1, 1.0052), (2, 1.0782), (3, 1.3181), (4, 1.6779), (5, 2.0427),
         (6, 2.3936), (8, 3.0944), (10, 3.7986), (20, 7.3277), (50, 17.9303), (100, 35.6067)],
    )  # fmt: skip
    def test_resistance_of_round_wire(self, x: float, ratio: float) -> None:
        # NBS Circular 74 and F. E. Terman, Radio Engineers' Handbook (memory, four digits; the
        # fifth computed from the Bessel functions): R/R0 over x = a sqrt(2)/delta.
        radius = 1e-3
        f_hz = (x / math.sqrt(2) / radius) ** 2 / (math.pi * MU0 * COPPER)
        dc = 1 / (COPPER * math.pi * radius**2)
        assert round_wire_impedance(f_hz, radius, COPPER).real / dc == pytest.approx(
            ratio, rel=1e-4
        )

    @pytest.mark.parametrize(("x", "ratio"), [(2, 0.9611), (5, 0.5560), (10, 0.2816)])
    def test_internal_inductance_of_round_wire(self, x: float, ratio: float) -> None:
        # The same table's second column, over mu0/(8 pi).
        radius = 1e-3
        f_hz = (x / math.sqrt(2) / radius) ** 2 / (math.pi * MU0 * COPPER)
        inner = round_wire_impedance(f_hz, radius, COPPER).imag / (2 * math.pi * f_hz)
        assert inner / (MU0 / (8 * math.pi)) == pytest.approx(ratio, rel=5e-4)

    def test_awg_10_at_100_khz(self) -> None:
        # Terman's check: theory 3.36 for a wire of 2.588 mm (informal source), 0.3 %.
        dc = 1 / (COPPER * math.pi * 1.294e-3**2)
        assert round_wire_impedance(1e5, 1.294e-3, COPPER).real / dc == pytest.approx(
            3.36, rel=3e-3
        )

    def test_the_loop_of_a_textbook_example(self) -> None:
        # C. A. Balanis, Antenna Theory, ex. 5.3 (memory): radius lambda/25, wire 1e-4 lambda,
        # 100 MHz, 5.7e7 S/m: 1.053 ohm by (a/b) Rs. The exact wire has delta/(2a) = 1.1 % more.
        wavelength = 299_792_458.0 / 100e6
        around, radius = 2 * math.pi * wavelength / 25, 1e-4 * wavelength
        plain = surface_resistance(100e6, 5.7e7) * around / (2 * math.pi * radius)
        assert plain == pytest.approx(1.053, rel=3e-3)
        exact = round_wire_impedance(100e6, radius, 5.7e7).real * around
        extra = skin_depth(100e6, 5.7e7) / (2 * radius)
        assert exact / plain == pytest.approx(1 + extra, abs=1e-3)

    def test_the_textbook_s_one_and_eight_turns(self) -> None:
        # C. A. Balanis, Antenna Theory, ex. 5.1, 5.3 (memory): that loop radiates with 0.788 ohm,
        # 42.8 %; eight turns two diameters apart with 50.43 ohm, and lose 11.62 ohm: 81.3 %.
        wavelength = 299_792_458.0 / 100e6
        around, radius = 2 * math.pi * wavelength / 25, 1e-4 * wavelength
        path = closed_path(Geometry("circle", (around,), around / 200, radius))
        # The same current all round; finite size takes 1.3 % (R. F. Foster, Proc. IRE 32, 603,
        # 1944, memory: 1 - (C/lambda)^2/5).
        even = Currents(np.ones(len(path.nodes_m), complex), 0j, 0.0)
        small = 1 - (around / wavelength) ** 2 / 5
        radiates = far_field(path, even, 100e6).r_radiation_ohm / small
        assert radiates == pytest.approx(0.788, rel=3e-3)
        loses = surface_resistance(100e6, 5.7e7) * around / (2 * math.pi * radius)
        assert radiates / (radiates + loses) == pytest.approx(0.428, abs=2e-3)
        together = 8 * loses * (1 + solved(in_a_row(8, 4.0)).extra_loss)
        assert together == pytest.approx(11.62, rel=5e-3)
        assert 64 * radiates / (64 * radiates + together) == pytest.approx(0.813, abs=1e-3)

    def test_a_small_loop_has_the_ohms_of_its_length(self) -> None:
        loop = model('circumference = "2 m"\ngap = "20 mm"', 'diameter = "12 mm"')
        per_m = round_wire_impedance(1.8e6, 6e-3, COPPER).real
        # Less the gap; the current is even to some 1e-3 at 0.012 wavelengths.
        assert loop.conductor_resistance(1.8e6) == pytest.approx(per_m * 1.98, rel=3e-3)

    def test_a_surface_factor_multiplies_resistance_alone(self) -> None:
        plain = conductor_impedance(build('circumference = "2 m"').conductor, 7e6)
        rough = conductor_impedance(
            build('circumference = "2 m"', 'diameter = "10 mm"\nsurface_factor = 1.5').conductor,
            7e6,
        )
        assert rough.real == pytest.approx(1.5 * plain.real)
        assert rough.imag == pytest.approx(plain.imag)


class TestTubesAndStrips:
    @pytest.mark.parametrize("wall_um", [20, 50, 100, 500, 1000])
    @pytest.mark.parametrize("f_hz", [1.8e6, 7e6, 28e6])
    def test_tube_against_the_exact_solution(self, f_hz: float, wall_um: float) -> None:
        # S. A. Schelkunoff, Bell Syst. Tech. J. 13, 532, 1934: modified Bessel functions, outer
        # current return. The flat sheet is off by the wall over the radius, or the depth over it.
        outer, wall = 6e-3, wall_um * 1e-6
        inner = outer - wall
        k = (1 + 1j) / skin_depth(f_hz, COPPER)
        a, b = k * outer, k * inner
        through = iv(0, a) * kv(1, b) + kv(0, a) * iv(1, b)
        around = iv(1, a) * kv(1, b) - kv(1, a) * iv(1, b)
        exact = k / (2 * math.pi * outer * COPPER) * through / around
        flat = tube_impedance(f_hz, outer, wall, COPPER)
        off = min(wall, skin_depth(f_hz, COPPER)) / outer
        assert flat.real == pytest.approx(exact.real, rel=off + 1e-3)

    def test_a_thin_tube_at_low_frequency_has_its_direct_current_resistance(self) -> None:
        dc = 1 / (COPPER * 2 * math.pi * 6e-3 * 5e-6)
        assert tube_impedance(1e5, 6e-3, 5e-6, COPPER).real == pytest.approx(dc, rel=1e-3)

    def test_a_strip_costs_more_than_even_current_and_less_than_one_side(self) -> None:
        # Edges crowd the current: above Rs/(2w), and for thin strip of common proportions below
        # all of it on one side.
        rs = surface_resistance(7e6, COPPER)
        for width, thickness in ((0.05, 1e-3), (0.1, 3e-4), (0.025, 2e-3)):
            r = strip_impedance(7e6, width, thickness, COPPER).real
            assert rs / (2 * (width + thickness)) <= r < 1.6 * rs / width

    def test_a_thin_strip_acts_like_a_wire_of_half_its_width(self) -> None:
        # Equivalent radius w/4 (R. W. P. King, The Theory of Linear Antennas, 1956; E. Hallen).
        strip = build('circumference = "2 m"', 'form = "strip"\nwidth = "40 mm"').conductor
        assert equivalent_radius(strip) == pytest.approx(0.010, rel=1e-9)


def crowding(turns: int, half_spacing: float, harmonics: int = 40) -> float:
    """Return extra over own resistance of parallel round wires, equal currents, strong skin effect.

    Boundary integral for the surface current: the vector potential is even on every wire. The
    logarithm of a circle on itself is known per harmonic, that of other circles is smooth.
    """
    m = 2 * harmonics + 1
    angle = 2 * math.pi * np.arange(m) / m
    ring = np.exp(1j * angle)
    centres = 2 * half_spacing * np.arange(turns)
    order = np.abs(np.fft.fftfreq(m, 1 / m))
    own = np.where(order > 0, -math.pi / np.maximum(order, 1), 0.0)
    transform = np.fft.fft(np.eye(m), axis=0)
    itself = np.real(np.fft.ifft(own[:, None] * transform, axis=0))
    rows = []
    for i in range(turns):
        row: list[NDArray[np.float64]] = []
        for j in range(turns):
            apart = (centres[i] + ring)[:, None] - (centres[j] + ring)[None, :]
            row.append(itself if i == j else np.log(np.abs(apart)) * 2 * math.pi / m)
        rows.append(row)
    same = np.kron(np.eye(turns), np.ones((m, 1)))
    total = np.block(
        [[np.block(rows), -same], [same.T * 2 * math.pi / m, np.zeros((turns, turns))]]
    )
    right = np.concatenate([np.zeros(turns * m), np.ones(turns)])
    current = np.linalg.solve(total, right)[: turns * m]
    heat = (current**2).sum() * 2 * math.pi / m / turns
    return float(heat * 2 * math.pi - 1)


def in_a_row(turns: int, spacing_radii: float) -> tuple[complex, ...]:
    return tuple(complex(spacing_radii * turn) for turn in range(turns))


class TestTurnsSideBySide:
    def test_the_oracle_gives_published_anchors(self) -> None:
        # G. S. Smith, J. Appl. Phys. 43, 2196, 1972, as in Balanis, Antenna Theory, ex. 5.3: 0.38
        # for eight wires at c/a = 2 (memory); two wires that touch 1/3.
        assert crowding(8, 2.0) == pytest.approx(0.38, rel=5e-3)
        assert crowding(2, 1.002, harmonics=150) == pytest.approx(1 / 3, rel=5e-3)

    @pytest.mark.parametrize("turns", [2, 3, 4, 8])
    @pytest.mark.parametrize("half_spacing", [1.1, 1.25, 1.5, 1.9, 2.0, 2.2, 3.0, 3.5])
    def test_close_turns_lose_more(self, turns: int, half_spacing: float) -> None:
        extra = solved(in_a_row(turns, 2 * half_spacing)).extra_loss
        assert extra == pytest.approx(crowding(turns, half_spacing), rel=0.005)

    @pytest.mark.parametrize("turns", [2, 3, 4])
    def test_far_apart_the_field_of_the_others_does_it(self, turns: int) -> None:
        # Each wire in the others' field: 2 (a/s)^2 for two, by superposition for more.
        places = np.arange(turns)
        fields = [sum(1 / (n - m) for m in places if m != n) for n in places]
        extra = 2 * np.mean(np.square(fields)) * (1 / 20) ** 2
        assert solved(in_a_row(turns, 20)).extra_loss == pytest.approx(extra, rel=0.02)

    def test_a_lone_turn_pays_nothing(self) -> None:
        assert solved((0j,)).extra_loss == 0.0

    def test_the_way_the_row_runs_is_of_no_account(self) -> None:
        upright = solved(in_a_row(3, 3.0))
        turned = solved(tuple(place * np.exp(0.7j) for place in in_a_row(3, 3.0)))
        assert turned.extra_loss == pytest.approx(upright.extra_loss, rel=1e-9)
        assert turned.potential == pytest.approx(upright.potential, rel=1e-9)


def test_a_warm_conductor_loses_more_by_half_of_its_resistivitys_rise() -> None:
    from sweeplab.builds import Build
    from sweeplab.loop.conductor import conductor_impedance

    def at(temperature_c: float) -> float:
        text = (
            'name = "a"\n[loop]\ncircumference = "3 m"\n[conductor]\nform = "tube"\n'
            f'material = "copper"\ndiameter = "12 mm"\ntemperature_c = {temperature_c}\n'
        )
        return conductor_impedance(Build.from_toml(text).conductor, 14e6).real

    # Skin effect: resistance with the square root of resistivity, 0.393 % a kelvin for copper
    # (IEC Publication 28, 1925).
    assert at(60) / at(20) == pytest.approx((1 + 0.00393 * 40) ** 0.5, rel=1e-3)
