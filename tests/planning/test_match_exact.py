"""Matches of a coupling loop, where the coupling factor is a law that can be written down."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import pytest

from sweeplab.builds import Build
from sweeplab.errors import ModelError
from sweeplab.estimate import Estimate
from sweeplab.planning import coupling
from sweeplab.planning.coupling import (
    CommonPlacement,
    CouplingMatch,
    common_placement,
    coupling_geometry,
    coupling_match,
)
from sweeplab.planning.root_finding import ConvergenceError

R = Estimate(0.2, 0.01, 0.18, 0.25)
FEED = '[feed]\ncircumference = "0.6 m"\nconductor_diameter = "4 mm"\noffset = "30 mm"\n'


def build(rest: str = FEED, conductor: str = 'diameter = "10 mm"') -> Build:
    return Build.from_toml(
        f'name = "x"\n[loop]\ncircumference = "3 m"\n[conductor]\n{conductor}\n{rest}'
    )


def law(model: Any, feed: Any, f_hz: float, r_ohm: float, z0_ohm: float) -> float:
    """Square of the circumference, falling with the distance's root, the cosine's square."""
    size = (feed.circumference_m / 0.5) ** 2
    place = (0.03 / feed.offset_m) ** 0.5 * math.cos(feed.tilt_rad) ** 2
    return size * place * 0.2 / r_ohm * z0_ohm / 50


@pytest.fixture
def by_law(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(coupling, "coupling_factor", law)


def figures(f_hz: float = 7e6, r: Estimate = R) -> Any:
    return SimpleNamespace(f_hz=f_hz, r_total_ohm=r)


class TestScaled:
    @pytest.mark.parametrize("power", [-1.0, 0.5, 1.0])
    def test_has_the_resistances_ends_and_the_couplings_error_to_both_sides(
        self, power: float
    ) -> None:
        found = coupling._scaled(3.0, R, power)
        assert found.value == 3.0
        assert found.u == pytest.approx(3.0 * abs(power) * math.hypot(0.05, 0.05))
        model = Estimate.lognormal(1.0, 0.05 * abs(power))
        ends = sorted(power * math.log(end / 0.2) for end in (0.18, 0.25))
        low = math.hypot(ends[0], math.log(model.low))
        high = math.hypot(ends[1], math.log(model.high))
        assert (math.log(3 / found.low), math.log(found.high / 3)) == pytest.approx((low, high))


class TestPlacement:
    @pytest.mark.parametrize("slope", [-4.0, 4.0])
    def test_moves_by_the_errors_logarithm_over_the_slope(self, slope: float) -> None:
        found = coupling._placement(10.0, slope, R)
        assert found.u == pytest.approx(math.hypot(0.05, 0.05) / 4)
        model = 1.96 * 0.05 / 4
        assert found.low == pytest.approx(10 - math.hypot(math.log(1.25) / 4, model))
        assert found.high == pytest.approx(10 + math.hypot(math.log(0.2 / 0.18) / 4, model))

    def test_is_never_below_zero(self) -> None:
        assert coupling._placement(0.01, 1.0, R).low == 0.0


class TestSwr:
    @pytest.mark.parametrize(
        ("beta", "swr"),
        [
            ((2.0, 0.2, 1.6, 2.5), (2.0, 0.2, 1.6, 2.5)),
            ((0.5, 0.05, 0.4, 0.625), (2.0, 0.2, 1.6, 2.5)),
            ((1.25, 0.25, 0.8, 2.0), (1.25, 0.25, 1.0, 2.0)),
            ((1.25, 0.25, 0.4, 2.0), (1.25, 0.25, 1.0, 2.5)),
        ],
    )
    def test_is_the_coupling_factor_or_its_inverse(self, beta: Any, swr: Any) -> None:
        found = coupling._swr(Estimate(*beta))
        assert (found.value, found.u, found.low, found.high) == pytest.approx(swr)


@pytest.mark.usefixtures("by_law")
class TestMatch:
    def found(self, made: Build | None = None) -> CouplingMatch:
        made = made or build()
        return coupling_match(made, coupling_geometry(made)[0], figures())

    def test_of_the_described_loop_is_what_it_gives(self) -> None:
        found = self.found()
        factor, expected = found.coupling_factor, coupling._scaled(1.44, R, -1.0)
        assert factor is not None
        ends = (expected.value, expected.u, expected.low, expected.high)
        assert (factor.value, factor.u, factor.low, factor.high) == pytest.approx(ends)
        assert found.swr is not None
        assert found.swr.value == pytest.approx(1.44)

    def test_is_by_size_with_half_the_error_of_a_square(self) -> None:
        found = self.found().circumference_m
        assert found is not None
        assert found.value == pytest.approx(0.5)
        assert found.u == pytest.approx(0.5 * math.hypot(0.05, 0.05) / 2)

    def test_is_by_distance_with_the_slope_there(self) -> None:
        found = self.found().offset_m
        assert found is not None
        assert found.value == pytest.approx(0.03 * 1.44**2)
        # d ln(beta)/d offset = -1/(2 offset), over a step of three per cent.
        slope = 0.5 * math.log(1.03) / (0.03 * found.value)
        assert found.u == pytest.approx(math.hypot(0.05, 0.05) / slope)

    def test_is_by_tilt_in_degrees_with_the_slope_there(self) -> None:
        found = self.found().tilt_deg
        assert found is not None
        angle = math.degrees(math.acos(1 / 1.2))
        assert found.value == pytest.approx(angle)
        step = math.cos(math.radians(angle + 1)) / math.cos(math.radians(angle))
        assert found.u == pytest.approx(math.hypot(0.05, 0.05) / (-2 * math.log(step)))

    def test_without_a_described_size_is_the_size_alone(self) -> None:
        found = self.found(build('[feed]\nconductor_diameter = "4 mm"\noffset = "30 mm"\n'))
        assert found.circumference_m is not None
        assert found == CouplingMatch(found.circumference_m)


@pytest.mark.parametrize(("error", "raises"), [(ConvergenceError, True), (ModelError, False)])
def test_a_loop_that_does_not_fit_has_no_match_a_failed_search_is_an_error(
    monkeypatch: pytest.MonkeyPatch, error: type[Exception], raises: bool
) -> None:
    def fails(*_: Any) -> float:
        raise error("no")

    monkeypatch.setattr(coupling, "coupling_factor", fails)
    geometry = coupling_geometry(build())[0]
    if raises:
        with pytest.raises(error):
            coupling_match(build(), geometry, figures())
    else:
        assert coupling_match(build(), geometry, figures()) == CouplingMatch(None)


class TestGeometry:
    def test_is_as_described(self) -> None:
        made = build(FEED + 'shape = "square"\nposition = 0.25\ntilt_deg = 30\n')
        found, notes = coupling_geometry(made)
        assert (found.circumference_m, found.conductor_radius_m) == (0.6, 0.002)
        assert (found.offset_m, found.shape, found.position) == (0.03, "square", 0.25)
        assert found.tilt_rad == pytest.approx(math.pi / 6)
        assert notes == ()

    def test_not_described_is_a_fifth_of_the_loop_and_says_so(self) -> None:
        found, (note,) = coupling_geometry(build(""))
        assert found.circumference_m == pytest.approx(0.6)
        assert (found.conductor_radius_m, found.offset_m) == (0.003, 0.025)
        assert note.evidence == {"feed.conductor_diameter_m": 0.006, "feed.offset_m": 0.025}
        assert "feed.conductor_diameter 6 mm, feed.offset 25 mm" in note.text

    @pytest.mark.parametrize(
        ("conductor", "offset_m"),
        [('diameter = "40 mm"', 0.035), ('width = "40 mm"\nthickness = "30 mm"', 0.03),
         ('width = "40 mm"', 0.025), ('diameter = "20 mm"', 0.025)],
    )  # fmt: skip
    def test_beside_a_thick_conductor_keeps_fifteen_millimetres_from_it(
        self, conductor: str, offset_m: float
    ) -> None:
        assert coupling_geometry(build("", conductor))[0].offset_m == pytest.approx(offset_m)


@pytest.mark.usefixtures("by_law")
class TestCommonPlacement:
    def found(self, *betas: float, feed: str = FEED, u: float = 0.1) -> CommonPlacement | None:
        made = build(feed)
        bands = []
        for i, beta in enumerate(betas):
            # Resistances that give these factors by the law, at the described place.
            r = 0.2 * 1.44 / beta
            factor = Estimate.lognormal(beta, u * beta)
            match = CouplingMatch(None, factor)
            bands.append((figures(7e6 + i, Estimate.lognormal(r, 0.04 * r)), match))
        return common_placement(made, coupling_geometry(made)[0], bands)

    def test_is_tilted_to_the_geometric_middle(self) -> None:
        found = self.found(8.0, 2.0, 3.0)
        assert found is not None
        # From 8 and 2 to 2 and 1/2: a quarter of the coupling, half the cosine.
        assert found.worst_swr.value == pytest.approx(2.0)
        relative = math.hypot(math.hypot(0.04, 0.04) / 2, 0.05)
        assert found.worst_swr.u == pytest.approx(2.0 * relative, rel=1e-6)
        assert found.worst_swr.low >= 1.0
        assert found.tilt_deg is not None
        assert found.tilt_deg.value == pytest.approx(60.0, rel=1e-6)
        assert found.offset_m is None
        step = math.cos(math.radians(61)) / math.cos(math.radians(60))
        assert found.tilt_deg.u == pytest.approx(relative / (-2 * math.log(step)), rel=1e-6)

    def test_of_too_little_coupling_is_moved_nearer(self) -> None:
        # The middle of 1 and 0.64 is 0.8: a factor of 1.25 more, the distance over its square.
        found = self.found(1.0, 0.64)
        assert found is not None
        assert found.tilt_deg is None
        assert found.offset_m is not None
        assert found.offset_m.value == pytest.approx(0.03 / 1.25**2, rel=1e-5)

    def test_of_far_too_little_is_none(self) -> None:
        assert self.found(0.1, 0.05) is None

    def test_at_its_best_stays_and_has_the_worst_of_its_swr(self) -> None:
        found = self.found(2.0, 0.49)
        assert found is not None
        assert (found.tilt_deg, found.offset_m) == (None, None)
        assert found.worst_swr.value == pytest.approx(1 / 0.49)
        assert found.to_json()["offset_m"] is None
        assert found.to_json()["worst_swr"] == found.worst_swr.to_json()

    def test_of_fewer_than_two_bands_is_none(self) -> None:
        assert self.found(8.0) is None
        made = build()
        nothing = [(figures(), CouplingMatch(None)), (figures(), CouplingMatch(None))]
        assert common_placement(made, coupling_geometry(made)[0], nothing) is None
