"""Lumped parts at their places: what they cost, and that they do not bend the current.

A budget weighs a part by the square of the current at its place, the current being that of a loop
without it. The solver, given the same parts in series with its wire, says how good that is.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from sweeplab.loop.path import Geometry, closed_path
from sweeplab.loop.thinwire import Currents, ThinWire

# Three joints as bad as any that are worth a sweep, a switch, a capacitor's loss out on a lead.
PARTS = ((0.02, 0.08), (0.25, 0.01), (0.5, 0.05), (0.61, 0.01))


def wire(turns: int = 1) -> ThinWire:
    lengths = (3.2,) * turns
    return ThinWire(closed_path(Geometry("circle", lengths, 0.03, 0.006, turn_spacing_m=0.06)))


def weighed(solver: ThinWire, currents: Currents) -> float:
    """What the parts cost by the current at their places, referred to the gap [ohm]."""
    return sum(r * abs(solver.current_at(currents, place)) ** 2 for place, r in PARTS)


class TestResistance:
    # Up to 0.30 wavelengths of conductor, where the current is anything but uniform.
    @pytest.mark.parametrize(("turns", "f_mhz"), [(1, 3.6), (1, 14.1), (1, 28.5), (2, 7.1)])
    def test_in_the_wire_costs_what_its_place_weighs(self, turns: int, f_mhz: float) -> None:
        solver, f = wire(turns), f_mhz * 1e6
        without = solver.solve(f)
        loaded = solver.solve(f, loads=PARTS)
        cost = loaded.impedance_ohm.real - without.impedance_ohm.real
        assert cost == pytest.approx(weighed(solver, without), rel=1e-4)

    @pytest.mark.parametrize("f_mhz", [3.6, 14.1, 28.5])
    def test_does_not_bend_the_current(self, f_mhz: float) -> None:
        # Milliohms against hundreds of ohms. The size and the radiation know nothing of the parts;
        # their phase turns by the ohms over the reactance.
        solver, f = wire(), f_mhz * 1e6
        without = solver.solve(f)
        loaded = solver.solve(f, loads=PARTS)
        apart = np.abs(loaded.nodes_a) / np.abs(without.nodes_a) - 1
        assert np.abs(apart).max() < 3e-6
        turned = np.abs(np.angle(loaded.nodes_a / without.nodes_a)).max()
        assert 0 < turned < 2 * 0.15 / abs(without.impedance_ohm)
        assert loaded.r_radiation_ohm == pytest.approx(without.r_radiation_ohm, rel=1e-4)
        assert loaded.impedance_ohm.imag == pytest.approx(without.impedance_ohm.imag, rel=1e-5)

    def test_of_a_hundred_ohms_does_bend_it(self) -> None:
        # The control: a part that is no part of such a loop.
        solver, f = wire(), 14.1e6
        without, loaded = solver.solve(f), solver.solve(f, loads=[(0.5, 100.0)])
        cost = loaded.impedance_ohm.real - without.impedance_ohm.real
        weight = abs(solver.current_at(without, 0.5)) ** 2
        assert abs(cost / (100.0 * weight) - 1) > 1e-3


class TestInductance:
    def test_at_the_gap_adds_to_the_reactance(self) -> None:
        # In series with the gap's edge: ten nanohenries, a switch's leads.
        solver, f = wire(), 3.6e6
        added = 2 * math.pi * f * 10e-9
        moved = solver.solve(f, loads=[(0.0, 1j * added)]).impedance_ohm - (
            solver.solve(f).impedance_ohm
        )
        # The gap's mean current is a trifle less than that at its edge.
        assert moved.imag == pytest.approx(added, rel=1e-3)

    def test_spread_all_round_is_the_conductors_own(self) -> None:
        solver, f = wire(), 14.1e6
        per_m = 0.02 + 0.5j
        length = float(solver.path.lengths_m[~solver.path.in_gap].sum())
        places = (np.arange(400) + 0.5) / 400
        loads = [(float(place), per_m * length / 400) for place in places]
        lumped = solver.solve(f, loads=loads).impedance_ohm
        spread = solver.solve(f, per_m).impedance_ohm
        assert lumped == pytest.approx(spread, rel=1e-6)
