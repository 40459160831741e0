"""The solver's and Neumann's integrals against the same ones added up point by point."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from sweeplab.loop.coupling import Coupling, CouplingGeometry, _shorted_line_factor
from sweeplab.loop.inductance import (
    circle_polygon,
    mutual_inductance,
    path_integral,
    regular_polygon,
    self_inductance,
)
from sweeplab.loop.path import _circle, _corners
from sweeplab.loop.thinwire import Currents, Path, ThinWire, _drive, _overlap

Array = NDArray[Any]
# Exact until 2019, and to ten digits since; c by definition.
MU0, C0 = 4e-7 * math.pi, 299_792_458.0


def gauss(points: int) -> tuple[Array, Array]:
    x, w = np.polynomial.legendre.leggauss(points)
    return (x + 1) / 2, w / 2


def bent_ring(sides: int = 7) -> Array:
    """A ring of unequal sides that lies in no plane."""
    angle = 2 * math.pi * (np.arange(sides) + 0.1 * np.arange(sides) % 0.3) / sides
    height = 0.1 * np.cos(2 * angle)
    return np.stack([0.5 * np.cos(angle), height, 0.4 * np.sin(angle)], axis=1)


class TestSolversMatrix:
    RADIUS_M = 0.04

    def path(self) -> Path:
        nodes = bent_ring()
        return Path(nodes, np.arange(len(nodes)) == 6, self.RADIUS_M)

    @pytest.mark.parametrize("k", [0.05, 0.8, 2.0])
    def test_is_galerkins_with_rooftops_and_the_reduced_kernel(self, k: float) -> None:
        path = self.path()
        n, lengths = len(path.nodes_m), path.lengths_m
        x, w = gauss(36)
        place = path.nodes_m[:, None] + x[:, None] * path.vectors_m[:, None]
        flat = place.reshape(-1, 3)
        apart = np.linalg.norm(flat[:, None] - flat[None], axis=2)
        r = np.sqrt(apart**2 + self.RADIUS_M**2)
        green = np.exp(-1j * k * r) / (4 * math.pi * r)
        # Rooftop of each node: along its segment falling, along the one before rising.
        shape = np.zeros((n, n, x.size))
        slope = np.zeros((n, n, x.size))
        for node in range(n):
            before = (node - 1) % n
            shape[node, node], shape[node, before] = 1 - x, x
            slope[node, node], slope[node, before] = -1 / lengths[node], 1 / lengths[before]
        weight = (lengths[:, None] * w).ravel()
        direction = np.repeat(path.vectors_m / lengths[:, None], x.size, axis=0)
        even = shape.reshape(n, -1) * weight
        currents = even[:, :, None] * direction
        charges = slope.reshape(n, -1) * weight
        vector = np.einsum("apc,pq,bqc->ab", currents, green, currents)
        scalar = charges @ green @ charges.T
        w_mu, w_eps = k * C0 * MU0, k / (C0 * MU0)
        expected = 1j * w_mu * vector + scalar / (1j * w_eps)
        reactive, resistive = ThinWire(path)._at(k)
        assert reactive == pytest.approx(expected.imag, abs=2e-3 * np.abs(expected.imag).max())
        resistance = expected.real
        assert resistive == pytest.approx(resistance, abs=2e-3 * np.abs(resistance).max())

    def test_drives_the_gaps_nodes_by_one_volt_in_all(self) -> None:
        nodes = np.concatenate([bent_ring(), bent_ring() + np.array([0.0, 0.3, 0.0])])
        in_gap = np.isin(np.arange(14), [5, 6, 13])
        path = Path(nodes, in_gap, 0.01, (0, 7))
        drive = _drive(path)
        lengths = path.lengths_m
        share = lengths[5] / (lengths[5] + lengths[6])
        expected = np.zeros(14)
        expected[[5, 6, 0]] = share / 2, 0.5, (1 - share) / 2
        expected[[13, 7]] = 0.5
        assert drive == pytest.approx(expected)
        assert list(path.following) == [1, 2, 3, 4, 5, 6, 0, 8, 9, 10, 11, 12, 13, 7]

    def test_weighs_the_conductor_by_the_current_squared(self) -> None:
        path = self.path()
        current = np.array([1.0, 2.0, 3.0, 4.0, 3.0, 2.0, 1.5]) + 0.5j
        x, w = gauss(3)
        ahead = current[path.following]
        squared = np.abs(current[:, None] * (1 - x) + ahead[:, None] * x) ** 2 @ w
        expected = (squared * path.lengths_m)[~path.in_gap].sum()
        overlap = _overlap(path, ~path.in_gap)
        assert float((current.conj() @ overlap @ current).real) == pytest.approx(expected)

    @pytest.mark.parametrize("first_gap", [6, 2])
    def test_gives_the_current_by_how_far_round_the_conductor(self, first_gap: int) -> None:
        nodes = bent_ring()
        path = Path(nodes, np.arange(7) == first_gap, 0.01)
        wire = ThinWire(path)
        currents = Currents(np.arange(7) + 1.0 + 0j, 1j, 0.0)
        start = (first_gap + 1) % 7
        order = (start + np.arange(7)) % 7
        ends = np.concatenate([[0.0], np.cumsum(path.lengths_m[order[:-1]])])
        for fraction in (0.0, 0.1, 0.37, 0.5, 0.99, 1.0):
            expected = np.interp(fraction * ends[-1], ends, order + 1.0)
            assert wire.current_at(currents, fraction) == pytest.approx(expected)


class TestNeumann:
    def brute(self, inner: Array, outer: Array, k: float, weights: Array, radius: float) -> complex:
        x, w = gauss(12)
        total = 0j
        for i in range(len(inner)):
            a, b = inner[i], inner[(i + 1) % len(inner)]
            p = a + x[:, None] * (b - a)
            current = weights[i] + x * (weights[(i + 1) % len(inner)] - weights[i])
            for j in range(len(outer)):
                c, d = outer[j], outer[(j + 1) % len(outer)]
                q = c + x[:, None] * (d - c)
                r = np.sqrt(((p[:, None] - q[None]) ** 2).sum(axis=2) + radius**2)
                kernel = np.exp(-1j * k * r) / r
                total += ((w * current) @ kernel @ w) * float((b - a) @ (d - c))
        return complex(total)

    @pytest.mark.parametrize("radius", [0.0, 0.1])
    def test_static_of_a_current_that_varies(self, radius: float) -> None:
        inner, outer = bent_ring(), bent_ring(5) * 0.6 + np.array([0.1, 0.45, 0.0])
        weights = np.array([1.0, 1.1, 1.3, 1.2, 1.1, 1.0, 0.9]) * (1 + 0.1j)
        found = path_integral(inner, outer, radius, weights)
        expected = self.brute(inner, outer, 0.0, weights, radius)
        assert found == pytest.approx(expected, rel=1e-4)
        plain = path_integral(inner, outer, radius)
        assert plain == pytest.approx(self.brute(inner, outer, 0.0, np.ones(7), radius), rel=1e-4)

    def test_retarded_by_what_the_phase_adds(self) -> None:
        inner = circle_polygon(0.5, 24)
        outer = circle_polygon(0.3, 20) + np.array([0.1, 0.0, 0.3])
        weights = 1 + 0.3 * np.cos(2 * math.pi * np.arange(24) / 24) + 0.1j
        for k in (0.5, 2.0):
            added = path_integral(inner, outer, 0.05, weights, k)
            added -= path_integral(inner, outer, 0.05, weights)
            expected = self.brute(inner, outer, k, weights, 0.05)
            expected -= self.brute(inner, outer, 0.0, weights, 0.05)
            assert added == pytest.approx(expected, rel=0.02)

    def test_mutual_inductance_is_mu0_over_four_pi_of_it(self) -> None:
        first, second = bent_ring(), bent_ring(5) + np.array([0.0, 0.5, 0.0])
        integral = self.brute(first, second, 0.0, np.ones(7), 0.0).real
        assert mutual_inductance(first, second) == pytest.approx(1e-7 * integral, rel=1e-4)
        assert self_inductance(first, 0.01) == mutual_inductance(first, first, 0.01)


class TestShapes:
    @pytest.mark.parametrize("sides", [4, 7, 32])
    def test_polygons_have_the_perimeter_or_the_circles_area(self, sides: int) -> None:
        def area(nodes: Array) -> float:
            x, y, _ = nodes.T
            return float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2

        regular = regular_polygon(sides, 3.0)
        edges = np.linalg.norm(np.roll(regular, -1, axis=0) - regular, axis=1)
        assert edges == pytest.approx(np.full(sides, 3.0 / sides))
        assert area(circle_polygon(0.5, sides)) == pytest.approx(math.pi / 4)

    def test_a_round_turn_starts_and_ends_at_the_openings_edges_with_the_circles_area(self) -> None:
        turn = _circle(math.pi, 0.1, 56)
        assert turn.shape == (57, 2)
        half = math.asin(0.1)
        angle = np.arctan2(turn[:, 0], turn[:, 1])
        assert (angle[0], angle[-1]) == pytest.approx((half, -half))
        # Triangles from the middle: of the sector's area.
        x, z = turn.T
        sector = float(z[:-1] @ x[1:] - x[:-1] @ z[1:]) / 2
        assert sector == pytest.approx((2 * math.pi - 2 * half) / 2 * 0.25)

    @pytest.mark.parametrize(
        ("shape", "aspect", "width", "height"),
        [("square", 3.0, 0.75, 0.75), ("rectangle", 2.0, 1.0, 0.5),
         ("octagon", 1.0, 3 / 8 * (1 + math.sqrt(2)), 3 / 8 * (1 + math.sqrt(2)))],
    )  # fmt: skip
    def test_corners_are_as_wide_and_high_as_the_perimeter_says(
        self, shape: str, aspect: float, width: float, height: float
    ) -> None:
        corners = np.array(_corners(shape, 3.0, aspect))
        assert np.ptp(corners, axis=0) == pytest.approx([width, height])
        closed = np.concatenate([corners, corners[:1]])
        assert np.linalg.norm(np.diff(closed, axis=0), axis=1).sum() == pytest.approx(3.0)
        # Clockwise from the right of the top.
        assert corners[0][0] > 0
        assert corners[0][1] == pytest.approx(height / 2)
        assert corners[1][1] < corners[0][1]


class TestCouplingLoop:
    def test_factor_is_the_resistance_carried_over(self) -> None:
        found = Coupling(7e6, 0.5e-6, 0.1e-6, 0.1, 0.0, 0.0)
        w = 2 * math.pi * 7e6
        assert found.x_ohm == pytest.approx(w * 0.5e-6)
        # Real part of (wM)^2/(Z0 + jX).
        carried = ((w * 0.1e-6) ** 2 / (75 + 1j * w * 0.5e-6)).real
        assert found.factor(0.25, 75.0) == pytest.approx(carried / 0.25)

    def test_half_widths(self) -> None:
        assert CouplingGeometry(0.8, 0.002, 0.03).half_width_m == pytest.approx(0.4 / math.pi)
        assert CouplingGeometry(0.8, 0.002, 0.03, "square").half_width_m == pytest.approx(0.1)

    def test_inductance_grows_as_a_shorted_lines(self) -> None:
        assert _shorted_line_factor(1.0) == pytest.approx(math.tan(1.0))
        assert _shorted_line_factor(0.5) == pytest.approx(2 * math.tan(0.5))
        assert _shorted_line_factor(0.0) == 1.0
        assert _shorted_line_factor(1e-6) == pytest.approx(1.0)
