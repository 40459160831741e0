"""Feed lines: against scikit-rf's, out and back, loss by table."""

from __future__ import annotations

import math

import numpy as np
import pytest
import skrf
from hypothesis import given
from hypothesis import strategies as st
from skrf.media import DefinedGammaZ0

from sweeplab import Line, Sweep, deembed, embed
from sweeplab.line import C0_M_PER_S, renormalized, round_trip_loss_prior

F_HZ = np.linspace(3e6, 30e6, 31)
LOSS = ((1e6, 1.4), (10e6, 4.6), (30e6, 8.5))

reflections = st.lists(
    st.builds(lambda r, a: complex(r * np.exp(1j * a)), st.floats(0, 0.99), st.floats(-3.1, 3.1)),
    min_size=31,
    max_size=31,
).map(np.array)
lines = st.builds(
    Line,
    length_m=st.floats(0, 40),
    velocity_factor=st.floats(0.5, 1),
    loss_db_per_100m=st.sampled_from([(), LOSS, ((10e6, 5.0),)]),
    z0_ohm=st.floats(20, 600),
)


class TestOutAndBack:
    @given(gamma=reflections, line=lines)
    def test_taking_a_line_off_undoes_putting_it_on(self, gamma: np.ndarray, line: Line) -> None:
        sweep = Sweep(F_HZ, gamma)
        assert np.abs(deembed(embed(sweep, line), line).gamma - gamma).max() < 1e-8

    @given(gamma=reflections, z=st.floats(5, 1000))
    def test_a_reference_changed_and_changed_back(self, gamma: np.ndarray, z: float) -> None:
        back = renormalized(renormalized(gamma, 50, z), z, 50)
        assert np.abs(back - gamma).max() < 1e-9

    @given(gamma=reflections, z=st.floats(5, 1000))
    def test_a_reference_changed_as_scikit_rf_does(self, gamma: np.ndarray, z: float) -> None:
        frequency = skrf.Frequency.from_f(F_HZ, unit="hz")
        theirs = skrf.Network(frequency=frequency, s=gamma.reshape(-1, 1, 1), z0=50)
        theirs.renormalize(z)
        assert np.abs(renormalized(gamma, 50, z) - theirs.s[:, 0, 0]).max() < 1e-6

    def test_what_the_sweep_knew_stays(self) -> None:
        sweep = Sweep(F_HZ, np.full(31, 0.5j), z0_ohm=75)
        moved = embed(sweep, Line(3, 0.66))
        assert moved.z0_ohm == 75
        assert moved.origin == sweep.origin


class TestAgainstScikitRf:
    @given(gamma=reflections, line=lines)
    def test_a_line_before_a_load(self, gamma: np.ndarray, line: Line) -> None:
        frequency = skrf.Frequency.from_f(F_HZ, unit="hz")
        nepers = line.loss_db(F_HZ) / max(line.length_m, 1e-12) * math.log(10) / 20
        beta = 2 * math.pi * F_HZ / (C0_M_PER_S * line.velocity_factor)
        medium = DefinedGammaZ0(frequency, gamma=nepers + 1j * beta, z0=line.z0_ohm)
        load = skrf.Network(frequency=frequency, s=gamma.reshape(-1, 1, 1), z0=50)
        load.renormalize(line.z0_ohm)
        seen = medium.line(line.length_m, "m") ** load
        seen.renormalize(50)
        ours = embed(Sweep(F_HZ, gamma), line).gamma
        assert np.abs(ours - seen.s[:, 0, 0]).max() < 1e-6


class TestLoss:
    def test_stands_as_tabulated(self) -> None:
        line = Line(100, 0.66, LOSS)
        assert line.loss_db(np.array([1e6, 10e6, 30e6])) == pytest.approx([1.4, 4.6, 8.5])

    def test_between_is_interpolated_log_log(self) -> None:
        middle = Line(100, 0.66, LOSS).loss_db(np.array([math.sqrt(1e6 * 10e6)]))
        assert middle[0] == pytest.approx(math.sqrt(1.4 * 4.6))

    @pytest.mark.parametrize(("f_hz", "db"), [(0.25e6, 0.7), (120e6, 17.0)])
    def test_beyond_the_table_goes_with_the_root_of_frequency(self, f_hz: float, db: float) -> None:
        # Copper's skin effect.
        assert Line(100, 0.66, LOSS).loss_db(np.array([f_hz]))[0] == pytest.approx(db)

    def test_order_of_the_table_does_not_matter(self) -> None:
        one, other = Line(10, 0.66, LOSS), Line(10, 0.66, LOSS[::-1])
        assert one.loss_db(F_HZ) == pytest.approx(other.loss_db(F_HZ))

    def test_without_a_table_there_is_none(self) -> None:
        assert np.all(Line(30, 0.66).loss_db(F_HZ) == 0)

    def test_a_reflection_pays_twice(self) -> None:
        # One-way loss in dB of power; there and back for a wave's amplitude: 10^(-2 dB/20).
        seen = embed(Sweep(F_HZ, np.ones(31, dtype=complex)), Line(100, 1.0, ((10e6, 3.0),)))
        at_10 = np.abs(seen.gamma)[np.argmin(np.abs(F_HZ - 10e6))]
        f = F_HZ[np.argmin(np.abs(F_HZ - 10e6))]
        assert at_10 == pytest.approx(10 ** (-2 * 3.0 * math.sqrt(f / 10e6) / 20))


class TestDelay:
    def test_is_there_and_back(self) -> None:
        # 20 m at 0.66: 101 ns one way.
        assert Line(20, 0.66).delay_s == pytest.approx(2 * 20 / (0.66 * 299_792_458))
        assert Line(20, 0.66, u_length_m=0.1).u_delay_s == pytest.approx(
            2 * 0.1 / (0.66 * C0_M_PER_S)
        )

    def test_a_quarter_wave_turns_a_short_into_an_open(self) -> None:
        f_hz = np.array([10e6])
        line = Line(C0_M_PER_S / 10e6 / 4)
        assert embed(Sweep(f_hz, np.array([-1 + 0j])), line).gamma[0] == pytest.approx(1)


def test_thin_coax_loses_4_6_db_per_100_m_at_10_mhz_give_or_take_seven_tenths() -> None:
    mean, u = round_trip_loss_prior(10e6, Line(10.0))
    assert mean == pytest.approx(2 * 0.46 * math.log(10) / 20)
    assert u == pytest.approx(0.7 * mean)
