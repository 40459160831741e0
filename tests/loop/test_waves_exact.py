"""Plane waves over ground against closed forms: Sommerfeld's integral, dipoles and their images."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sweeplab.builds import Build
from sweeplab.loop.ground import (
    SOILS,
    GroundEffect,
    Soil,
    _extrapolated,
    _larger_shift,
    _mean,
    _shifted_soils,
    oriented,
    soil_of,
)
from sweeplab.loop.halfspace import (
    SpectralGrid,
    complex_permittivity,
    fresnel,
    plane_wave_spectrum,
)
from sweeplab.loop.model import gap_of, geometry_of

HEIGHTS = [0.2, 0.7, 1.5, 4.0, 12.0]


class TestGrid:
    @pytest.mark.parametrize("kh", HEIGHTS)
    def test_integrates_sommerfelds_integral(self, kh: float) -> None:
        # Int (s/sz) exp(j sz z) ds = exp(jz)/(jz) by s ds = -sz dsz; z is the way down and back.
        grid = SpectralGrid.for_height(kh)
        found = (np.exp(2j * kh * grid.sz) * grid.weight).sum()
        assert found == pytest.approx(np.exp(2j * kh) / (2j * kh), rel=1e-5)
        # With sz before the exponential: its derivative over jz.
        z = 2 * kh
        found = (grid.sz * np.exp(1j * z * grid.sz) * grid.weight).sum()
        assert found == pytest.approx(np.exp(1j * z) * (1 / z**2 - 1j / z), rel=1e-4)

    def test_keeps_s_and_sz_on_the_unit_circle(self) -> None:
        grid = SpectralGrid.for_height(1.0)
        assert grid.s**2 + grid.sz**2 == pytest.approx(np.ones(grid.s.size))
        below = np.arange(grid.s.size) < grid.propagating
        assert (grid.s[below] < 1).all()
        assert (grid.s[~below] > 1).all()
        assert (grid.sz[~below].imag > 0).all()


class TestReflection:
    GRID = SpectralGrid(np.array([0.0, 0.6]), np.array([1.0, 0.8 + 0j]), np.ones(2, complex), 2)

    def test_is_fresnels(self) -> None:
        eps = 4.0 + 3.0j
        rs, rp = fresnel(self.GRID, eps)
        n = eps**0.5
        # Straight down: (1 - n)/(1 + n), of the magnetic field the negative.
        assert (rs[0], rp[0]) == pytest.approx(((1 - n) / (1 + n), (n - 1) / (n + 1)))
        inside = (eps - 0.36) ** 0.5
        assert rs[1] == pytest.approx((0.8 - inside) / (0.8 + inside))
        assert rp[1] == pytest.approx((eps * 0.8 - inside) / (eps * 0.8 + inside))

    def test_of_a_mirror_is_one(self) -> None:
        rs, rp = fresnel(self.GRID, complex_permittivity(7e6, 1.0, math.inf))
        assert (rs == -1).all()
        assert (rp == 1).all()

    def test_conductivity_is_sigma_over_omega_eps0(self) -> None:
        # eps0 = 1/(mu0 c^2).
        eps0 = 1 / (4e-7 * math.pi * 299_792_458.0**2)
        found = complex_permittivity(7e6, 13.0, 0.005)
        assert found == pytest.approx(13 + 0.005j / (2 * math.pi * 7e6 * eps0), rel=1e-9)


class TestDipoles:
    """A current element over a mirror: C. A. Balanis, Antenna Theory, ch. 4 (memory)."""

    @pytest.mark.parametrize("kh", HEIGHTS)
    def test_standing_and_lying_radiate_as_with_their_image(self, kh: float) -> None:
        x = 2 * kh
        standing = 1 + 3 * (math.sin(x) / x**3 - math.cos(x) / x**2)
        lying = 1 - 1.5 * (math.sin(x) / x + math.cos(x) / x**2 - math.sin(x) / x**3)
        for moment, expected in (((0, 0, 1), standing), ((1, 0, 0), lying), ((0, 1, 0), lying)):
            spectrum = plane_wave_spectrum(np.array([[0.3, -0.2, kh]]), np.array([moment]) + 0j)
            mirror = fresnel(spectrum.grid, complex(math.inf))
            assert spectrum.total_ratio(mirror) == pytest.approx(expected, abs=1e-4)
            assert spectrum.sky_ratio(mirror) == pytest.approx(expected, abs=1e-4)
            # eta k^2 (Il)^2/(6 pi) over eta k^2/(16 pi^2).
            assert spectrum.free_space_power == pytest.approx(8 * math.pi / 3, rel=1e-6)

    def test_two_apart_radiate_with_their_mutual_resistance(self) -> None:
        # Broadside elements d apart add 3/2 (sin d/d + cos d/d^2 - sin d/d^3) of each: by the
        # same formula as with the image, in phase.
        d = 2.0
        mutual = 1.5 * (math.sin(d) / d + math.cos(d) / d**2 - math.sin(d) / d**3)
        pair = np.array([[0.0, 0.0, 5.0], [0.0, d, 5.0]])
        spectrum = plane_wave_spectrum(pair, np.array([[1.0, 0, 0]] * 2) + 0j)
        expected = 8 * math.pi / 3 * 2 * (1 + mutual)
        assert spectrum.free_space_power == pytest.approx(expected, rel=1e-6)

    @pytest.mark.parametrize("eps", [complex(math.inf), 10 + 5j])
    def test_raised_are_as_if_made_there(self, eps: complex) -> None:
        moment = np.array([[1.0, 0.5j, 0.3]])
        low, high = (plane_wave_spectrum(np.array([[0, 0, kh]]), moment) for kh in (1.0, 1.2))
        raised = low.reaction(fresnel(low.grid, eps), 0.2)
        there = high.reaction(fresnel(high.grid, eps))
        assert raised == pytest.approx(there, rel=1e-4)
        sky = low.sky_ratio(fresnel(low.grid, eps), 0.2)
        assert sky == pytest.approx(high.sky_ratio(fresnel(high.grid, eps)), rel=1e-5)

    def test_reaction_of_a_mirror_is_the_images_field(self) -> None:
        # Lying: -3/2 of the field of a parallel element broadside, time factor exp(-jwt).
        x = 1.6
        spectrum = plane_wave_spectrum(np.array([[0.0, 0.0, x / 2]]), np.array([[1.0, 0, 0]]) + 0j)
        found = spectrum.reaction(fresnel(spectrum.grid, complex(math.inf)))
        field = np.exp(1j * x) * (1 / (1j * x) + 1 / x**2 - 1 / (1j * x**3))
        assert found == pytest.approx(-1.5 * field, rel=1e-3)


class TestSoils:
    @pytest.mark.parametrize(
        ("name", "constants"),
        # F. E. Terman, Radio Engineers' Handbook, and ITU-R P.527 for the sea (memory).
        [("poor", (5.0, 0.001)), ("average", (13.0, 0.005)), ("good", (20.0, 0.03)),
         ("sea", (70.0, 5.0)), ("perfect", (1.0, math.inf))],
    )  # fmt: skip
    def test_have_tabulated_constants(self, name: str, constants: tuple[float, float]) -> None:
        assert (SOILS[name].eps_r, SOILS[name].sigma_s_per_m) == constants

    def test_of_stated_constants_are_those(self) -> None:
        made = Build.from_toml(
            'name="x"\n[loop]\ncircumference="3 m"\n[conductor]\ndiameter="1 cm"\n'
            '[site]\nground = [7, 0.002]\nheight = "2 m"\n'
        )
        assert made.site is not None
        soil = soil_of(made.site)
        assert (soil.eps_r, soil.sigma_s_per_m) == (7.0, 0.002)
        assert (soil.eps_factor, soil.sigma_factor) == (1.2, 1.4)

    def test_are_moved_by_their_factors_and_never_below_air(self) -> None:
        found = {key: (more, less) for key, more, less in _shifted_soils(SOILS["average"])}
        more, less = found["eps_r"]
        assert (more.eps_r, less.eps_r) == pytest.approx((19.5, 13 / 1.5))
        more, less = found["sigma"]
        assert (more.sigma_s_per_m, less.sigma_s_per_m) == pytest.approx((0.01, 0.0025))
        ((_, _, thin),) = _shifted_soils(Soil(1.1, 0.0, 1.5, 2.0, ""))
        assert thin.eps_r == 1.0
        assert list(_shifted_soils(SOILS["perfect"])) == []


class TestEffects:
    A, B = GroundEffect(1.0, 0.8, -0.2), GroundEffect(1.4, 0.6, 0.4)

    def values(self, effect: GroundEffect) -> tuple[float, float, float]:
        return effect.total_ratio, effect.sky_ratio, effect.reactance_ratio

    def test_are_averaged_and_extrapolated_ratio_by_ratio(self) -> None:
        assert self.values(_mean([self.A, self.B])) == pytest.approx((1.2, 0.7, 0.1))
        found = _extrapolated(self.A, self.A, self.B, 0.5)
        assert self.values(found) == pytest.approx((1.2, 0.7, 0.1))

    def test_shift_by_the_larger_of_two_with_the_sign_of_more(self) -> None:
        nominal = GroundEffect(1.0, 1.0, 1.0)
        more, less = GroundEffect(1.1, 0.7, 1.2), GroundEffect(0.7, 1.1, 1.1)
        assert self.values(_larger_shift(nominal, more, less)) == pytest.approx((1.3, 0.7, 1.2))

    def test_orientations_turn_the_gap(self) -> None:
        gap = np.array([[0.0, 0.1, 0.5]])
        assert oriented(gap, "top").tolist() == [[0.0, 0.1, 0.5]]
        assert oriented(gap, "bottom").tolist() == [[0.0, 0.1, -0.5]]
        assert oriented(gap, "side").tolist() == [[0.5, 0.1, 0.0]]
        assert oriented(gap, "horizontal").tolist() == [[0.0, 0.5, 0.1]]


class TestGeometry:
    def made(self, loop: str, rest: str = "") -> Build:
        return Build.from_toml(f'name="x"\n[loop]\n{loop}\n[conductor]\ndiameter="1 cm"\n{rest}')

    @pytest.mark.parametrize(
        ("shape", "per_spacing"),
        # Perimeter over inradius: 2 pi, 16 tan 22.5 degrees, 8.
        [("circle", 2 * math.pi), ("octagon", 16 * (math.sqrt(2) - 1)), ("square", 8.0)],
    )
    def test_turns_in_one_plane_shorten_by_their_shape(
        self, shape: str, per_spacing: float
    ) -> None:
        made = self.made(
            f'shape = "{shape}"\ncircumference = "3 m"\nturns = 3\narrangement = "in-plane"\n'
            'turn_spacing = "5 cm"'
        )
        found = geometry_of(made)
        assert found.turn_lengths_m == pytest.approx([3 - 0.05 * per_spacing * i for i in range(3)])
        assert (found.in_plane, found.parallel) == (True, False)

    def test_a_single_turn_has_no_arrangement(self) -> None:
        found = geometry_of(
            self.made('circumference = "3 m"\narrangement = "in-plane"\nwinding = "parallel"')
        )
        assert (found.in_plane, found.parallel, found.turn_spacing_m) == (False, False, 0.0)

    @pytest.mark.parametrize(
        ("site", "aspect"),
        [("", 2.0), ('gap_at = "side"', 0.5), ('gap_at = "top"', 2.0),
         ('gap_at = "side"\norientation = "horizontal"', 2.0)],
    )  # fmt: skip
    def test_a_rectangle_with_its_gap_at_the_side_is_the_other_way_round(
        self, site: str, aspect: float
    ) -> None:
        rest = f'[site]\nground = "good"\nheight = "2 m"\n{site}\n' if site else ""
        made = self.made('width = "1 m"\nheight = "0.5 m"', rest)
        assert geometry_of(made).aspect == pytest.approx(aspect)

    def test_a_gap_not_described_is_three_centimetres_or_a_25th(self) -> None:
        assert gap_of(self.made('circumference = "3 m"')) == 0.03
        assert gap_of(self.made('circumference = "0.5 m"')) == pytest.approx(0.02)
        assert gap_of(self.made('circumference = "0.5 m"\ngap = "5 cm"')) == 0.05
