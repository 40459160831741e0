"""What must not change a fit: a rotated locus, scaled frequencies, the rest of the batch, order."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simulated import Truth, drawn, white

from sweeplab import Line, Resonance, Sweep, embed, fit_many, fit_resonance, iter_fit

FIGURES = ("f_loaded_hz", "q_loaded", "q_unloaded", "coupling_factor", "half_power_bandwidth_hz")


def assert_alike(one: Resonance, other: Resonance, rel: float, scale: float = 1.0) -> None:
    assert one.status == other.status
    assert [f.code for f in one.findings] == [f.code for f in other.findings]
    for name in FIGURES:
        a, b = getattr(one, name), getattr(other, name)
        if a is None or b is None:
            assert a is b
            continue
        factor = scale if name.endswith("_hz") else 1.0
        assert b.value == pytest.approx(factor * a.value, rel=rel)
        assert b.u == pytest.approx(factor * a.u, rel=1e3 * rel, abs=1e-9 * abs(b.value))


def noisy(seed: int) -> tuple[Truth, Sweep]:
    rng = np.random.default_rng(seed)
    truth = replace(drawn(rng), points=101, span_bandwidths=rng.uniform(4, 8))
    return truth, truth.sweep(rng)


class TestTheWholeLocus:
    @given(seed=st.integers(0, 10**6), turn=st.floats(-math.pi, math.pi))
    @settings(max_examples=12)
    def test_a_constant_phase_changes_nothing(self, seed: int, turn: float) -> None:
        _, sweep = noisy(seed)
        turned = sweep.with_gamma(sweep.gamma * np.exp(1j * turn))
        assert_alike(fit_resonance(sweep), fit_resonance(turned), 1e-6)

    @given(seed=st.integers(0, 10**6), scale=st.floats(0.1, 10))
    @settings(max_examples=12)
    def test_frequencies_scaled_scale_the_answer(self, seed: int, scale: float) -> None:
        _, sweep = noisy(seed)
        scaled = replace(sweep, f_hz=scale * sweep.f_hz)
        assert_alike(fit_resonance(sweep), fit_resonance(scaled), 1e-6, scale)

    @pytest.mark.parametrize("seed", range(6))
    def test_a_circle_run_the_wrong_way_is_never_ok(self, seed: int) -> None:
        # R. M. Foster, Bell Syst. Tech. J. 3, 259, 1924: reactance rises with frequency, so a
        # reflection turns clockwise; a conjugated export does not.
        _, sweep = noisy(seed)
        assert fit_resonance(sweep.with_gamma(sweep.gamma.conj())).status != "ok"

    @given(seed=st.integers(0, 10**6), length_m=st.floats(0, 5))
    @settings(max_examples=12)
    def test_a_described_line_is_taken_out(self, seed: int, length_m: float) -> None:
        truth, _ = noisy(seed)
        line = Line(length_m, 0.66, ((1e6, 1.4), (30e6, 8.5)))
        plain = replace(truth, theta=0.0).sweep()
        through = embed(plain, line)
        noise = white(np.random.default_rng(seed), truth.points, 1e-6)
        fit = fit_resonance(through.with_gamma(through.gamma + noise), line)
        for name in ("f_loaded_hz", "q_loaded", "q_unloaded", "coupling_factor"):
            assert getattr(fit, name).value == pytest.approx(getattr(truth, name), rel=1e-3)


class TestCompany:
    def mixture(self) -> list[Sweep]:
        rng = np.random.default_rng(31)
        truths = [replace(drawn(rng), points=int(rng.choice([51, 101, 201]))) for _ in range(40)]
        sweeps = [truth.sweep(rng) for truth in truths]
        flat = Sweep(np.linspace(7e6, 7.1e6, 101), np.full(101, 0.5 + 0j))
        noise = Sweep(np.linspace(7e6, 7.1e6, 101), 0.5 + white(rng, 101, 0.01))
        spiky = sweeps[3].gamma.copy()
        spiky[::17] += 0.3
        holes = sweeps[4].gamma.copy()
        holes[5:9] = math.nan
        more = [flat, noise, sweeps[3].with_gamma(spiky), sweeps[4].with_gamma(holes)]
        return [*sweeps[:20], *more, *sweeps[20:], Sweep(np.array([7e6]), np.array([0.1 + 0j]))]

    def test_many_at_once_are_as_one_at_a_time(self) -> None:
        sweeps = self.mixture()
        for many, one in zip(fit_many(sweeps), map(fit_resonance, sweeps), strict=True):
            assert_alike(one, many, 1e-9)

    def test_a_stream_is_as_many_at_once(self) -> None:
        sweeps = self.mixture()
        stream = list(iter_fit(iter(sweeps)))
        assert len(stream) == len(sweeps)
        for many, streamed in zip(fit_many(sweeps), stream, strict=True):
            assert_alike(many, streamed, 1e-12)

    def test_a_stream_is_read_a_batch_at_a_time(self) -> None:
        truth = Truth(points=51, noise=1e-3)
        rng = np.random.default_rng(1)
        taken = 0

        def source() -> Iterator[Sweep]:
            nonlocal taken
            while True:
                taken += 1
                yield truth.sweep(rng)

        stream = iter_fit(source())
        assert next(stream).status == "ok"
        assert taken < 1000

    def test_nothing_in_nothing_out(self) -> None:
        assert fit_many([]) == []
        assert list(iter_fit([])) == []

    def test_the_sweep_is_left_as_it_was(self) -> None:
        sweep = Truth(noise=1e-3).sweep(np.random.default_rng(1))
        before = sweep.gamma.copy()
        fit_resonance(sweep)
        assert np.array_equal(sweep.gamma, before)
