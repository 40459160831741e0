"""The Sweep value: what it refuses, what it tells, and its way to scikit-rf and back."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
import skrf
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from sweeplab import Origin, Sweep, SweepError

F_HZ = np.array([7.0e6, 7.1e6, 7.2e6])
GAMMA = np.array([0.5 + 0.1j, 0.1 - 0.2j, 0.4 + 0.3j])


@st.composite
def sweeps(draw: st.DrawFn) -> Sweep:
    """Draw passive sweeps of a few points."""
    steps = draw(st.lists(st.floats(1.0, 1e6), min_size=1, max_size=20))
    size = st.floats(0, 0.98)
    turn = st.floats(-math.pi, math.pi)
    gamma = [draw(size) * np.exp(1j * draw(turn)) for _ in steps]
    z0 = draw(st.floats(1, 1000))
    return Sweep(1e6 + np.cumsum(steps), np.array(gamma), z0_ohm=z0)


class TestWhatIsNoSweep:
    @pytest.mark.parametrize(
        "f_hz",
        [[], [7e6], [7e6, 7.1e6], [7e6, 7.1e6, 7.2e6, 7.3e6], [7e6, 7e6, 7.1e6],
         [7.2e6, 7.1e6, 7e6], [0.0, 1e6, 2e6], [-1e6, 1e6, 2e6], [7e6, math.nan, 7.2e6],
         [math.nan, 7e6, 7.1e6], [7e6, 7.1e6, math.inf]],
    )  # fmt: skip
    def test_frequencies_that_do_not_fit_are_refused(self, f_hz: list[float]) -> None:
        with pytest.raises(SweepError):
            Sweep(np.array(f_hz), GAMMA)

    def test_nothing_is_no_sweep(self) -> None:
        with pytest.raises(SweepError):
            Sweep(np.array([]), np.array([], dtype=complex))

    def test_a_table_is_no_sweep(self) -> None:
        with pytest.raises(SweepError):
            Sweep(F_HZ[None], GAMMA[None])

    @pytest.mark.parametrize("z0_ohm", [0.0, -50.0, math.nan, math.inf])
    def test_a_reference_that_cannot_be_is_refused(self, z0_ohm: float) -> None:
        with pytest.raises(SweepError, match="reference impedance"):
            Sweep(F_HZ, GAMMA, z0_ohm=z0_ohm)


class TestTheValue:
    def test_keeps_its_own_unwritable_copy(self) -> None:
        f_hz, gamma = F_HZ.copy(), GAMMA.copy()
        sweep = Sweep(f_hz, gamma)
        gamma[0] = 0
        assert sweep.gamma[0] == GAMMA[0]
        with pytest.raises(ValueError, match="read-only"):
            sweep.gamma[0] = 0
        with pytest.raises(ValueError, match="read-only"):
            sweep.f_hz[0] = 1

    @given(sweeps())
    def test_impedance_and_swr_are_scikit_rfs(self, sweep: Sweep) -> None:
        network = sweep.to_network()
        assert sweep.z_ohm == pytest.approx(network.z[:, 0, 0], rel=1e-9, abs=1e-9)
        assert sweep.swr == pytest.approx(network.s_vswr[:, 0, 0], rel=1e-9)

    def test_total_reflection_has_infinite_swr(self) -> None:
        assert np.all(np.isinf(Sweep(F_HZ, np.array([1, -1, 1j])).swr))

    def test_facts_are_the_contracts(self) -> None:
        origin = Origin(file="a.s1p", sha256="ab" * 32)
        facts = Sweep(F_HZ, GAMMA, 75.0, origin=origin).describe()
        assert json.loads(json.dumps(facts, allow_nan=False)) == {
            "file": "a.s1p", "sha256": "ab" * 32, "points": 3, "f_start_hz": 7.0e6,
            "f_stop_hz": 7.2e6, "z0_ohm": 75.0, "content": "complex",
        }  # fmt: skip


class TestNetworks:
    @given(sweeps())
    def test_there_and_back_is_the_same_sweep(self, sweep: Sweep) -> None:
        back = Sweep.from_network(sweep.to_network())
        assert back.f_hz == pytest.approx(sweep.f_hz, rel=1e-12)
        assert np.array_equal(back.gamma, sweep.gamma)
        assert back.z0_ohm == sweep.z0_ohm

    def two_port(self, z0: NDArray[np.complex128] | float = 50.0) -> skrf.Network:
        s = np.arange(12).reshape(3, 2, 2) / 20
        return skrf.Network(frequency=skrf.Frequency.from_f(F_HZ, unit="hz"), s=s, z0=z0)

    def test_each_port_of_a_two_port_has_its_reflection(self) -> None:
        network = self.two_port()
        assert Sweep.from_network(network).gamma == pytest.approx(network.s[:, 0, 0])
        assert Sweep.from_network(network, port=2).gamma == pytest.approx(network.s[:, 1, 1])

    @pytest.mark.parametrize("port", [0, 3, -1])
    def test_a_port_that_is_not_there_is_refused(self, port: int) -> None:
        with pytest.raises(SweepError, match="port"):
            Sweep.from_network(self.two_port(), port=port)

    @pytest.mark.parametrize("z0", [50 + 10j, np.array([[50, 50], [60, 50], [50, 50]])])
    def test_a_reference_that_is_no_single_real_one_is_refused(
        self, z0: NDArray[np.complex128] | float
    ) -> None:
        with pytest.raises(SweepError, match="renormalise"):
            Sweep.from_network(self.two_port(z0))
