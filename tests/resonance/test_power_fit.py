"""Sweeps without a signed phase: QL follows, Q0 has two candidates, and nothing more is claimed.

Bounds follow from the number of sweeps as in test_fit_statistics.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from simulated import Truth, drawn, white

from sweeplab import Resonance, Sweep, find_match, fit_many, fit_resonance
from sweeplab.sweep import Content

SWEEPS = 120
LIMIT = 4.0
CONTENTS: tuple[Content, ...] = ("magnitude", "unsigned")


def without_sign(sweep: Sweep, content: Content) -> Sweep:
    """Return what a file without the phase, or without its sign, keeps of a sweep."""
    size, turn = np.abs(sweep.gamma), np.abs(np.angle(sweep.gamma))
    gamma = size * np.exp(1j * turn) if content == "unsigned" else size.astype(complex)
    return replace(sweep, gamma=gamma, content=content)


@pytest.fixture(scope="module")
def pairs() -> list[tuple[Truth, Resonance]]:
    rng = np.random.default_rng(3)
    truths = [replace(drawn(rng), points=201) for _ in range(SWEEPS)]
    fits = fit_many([without_sign(truth.sweep(rng), "magnitude") for truth in truths])
    assert {fit.status for fit in fits} == {"doubtful"}
    return list(zip(truths, fits, strict=True))


class TestManySweeps:
    @pytest.mark.parametrize("name", ["f_loaded_hz", "q_loaded"])
    def test_loaded_figures_err_as_stated(
        self, pairs: list[tuple[Truth, Resonance]], name: str
    ) -> None:
        pulls = [(getattr(f, name).value - getattr(t, name)) / getattr(f, name).u for t, f in pairs]
        assert abs(np.mean(pulls)) < LIMIT / np.sqrt(SWEEPS)
        assert np.std(pulls) == pytest.approx(1, abs=LIMIT / np.sqrt(2 * SWEEPS))

    def test_the_candidate_of_the_right_side_holds_the_unloaded_q(
        self, pairs: list[tuple[Truth, Resonance]]
    ) -> None:
        # D. Kajfez & E. J. Hwan, IEEE Trans. MTT 32, 666, 1984: beta and 1/beta dip alike.
        inside = []
        for truth, fit in pairs:
            right = fit.q_unloaded if truth.coupling_factor < 1 else fit.q_unloaded_other
            assert right is not None
            inside.append(right.low <= truth.q_unloaded <= right.high)
        assert np.mean(inside) > 0.95 - LIMIT * np.sqrt(0.95 * 0.05 / SWEEPS)

    def test_the_coupling_factors_interval_reaches_over_both_sides(
        self, pairs: list[tuple[Truth, Resonance]]
    ) -> None:
        for truth, fit in pairs:
            assert fit.coupling_factor is not None
            assert fit.coupling_factor.low < 1 < fit.coupling_factor.high
            inverse = 1 / truth.coupling_factor
            reach = (fit.coupling_factor.low, fit.coupling_factor.high)
            assert reach[0] < 1.5 * min(inverse, truth.coupling_factor)
            assert reach[1] > max(inverse, truth.coupling_factor) / 1.5


class TestOneSweep:
    def test_is_at_best_doubtful_and_names_the_side_of_the_match_as_unknown(self) -> None:
        truth = Truth(noise=1e-3)
        fit = fit_resonance(without_sign(truth.sweep(np.random.default_rng(1)), "magnitude"))
        assert fit.status == "doubtful"
        assert fit.coupling == "unknown"
        assert "two-candidates" in [finding.code for finding in fit.findings]
        assert fit.q_unloaded is not None
        assert fit.q_unloaded_other is not None
        assert fit.q_unloaded.value == pytest.approx(truth.q_unloaded, rel=0.01)
        # 1/beta at the same QL: Q0 = QL (1 + 1/beta).
        other = truth.q_loaded * (1 + 1 / truth.coupling_factor)
        assert fit.q_unloaded_other.value == pytest.approx(other, rel=0.01)

    def test_the_same_dip_over_and_under_coupled_reads_alike(self) -> None:
        under = fit_resonance(without_sign(Truth(coupling_factor=0.5).sweep(), "magnitude"))
        over = fit_resonance(without_sign(Truth(coupling_factor=2.0).sweep(), "magnitude"))
        assert under.q_unloaded is not None
        assert over.q_unloaded is not None
        assert under.q_unloaded.value == pytest.approx(over.q_unloaded.value, rel=1e-6)

    def test_the_lowest_swr_and_its_widths_need_no_phase(self) -> None:
        truth = Truth(coupling_factor=0.7, noise=1e-4, span_bandwidths=8)
        sweep = truth.sweep(np.random.default_rng(1))
        plain, sized = find_match(sweep), find_match(without_sign(sweep, "magnitude"))
        assert sized.swr_min == pytest.approx(1 / 0.7, rel=1e-3)
        for level in ("2", "3"):
            assert sized.swr_bandwidth_hz[level] == pytest.approx(
                plain.swr_bandwidth_hz[level], rel=5e-3
            )

    def test_the_impedance_there_is_not_known(self) -> None:
        truth = Truth(coupling_factor=0.6, noise=1e-3, angle=1.5, theta=0.5)
        sweep = without_sign(truth.sweep(np.random.default_rng(1)), "magnitude")
        # 30 ohm, 83 ohm or anything else of this SWR would do.
        assert find_match(sweep).impedance_ohm is None

    @pytest.mark.parametrize("content", CONTENTS)
    def test_noise_alone_is_refused(self, content: Content) -> None:
        rng = np.random.default_rng(4)
        for _ in range(10):
            noise = 0.6 + white(rng, 201, 0.01)
            sweep = Sweep(np.linspace(7e6, 7.1e6, 201), noise)
            assert fit_resonance(without_sign(sweep, content)).status == "refused"


class TestTwoDips:
    # Two resonances ten half-power bandwidths apart, their reflections multiplied.
    TRUTH = Truth(span_bandwidths=30, off_centre=-5, points=401, coupling_factor=0.5)
    OTHER_HZ = TRUTH.f_loaded_hz * (1 + 10 / TRUTH.q_loaded)

    def sweep(self, content: Content) -> Sweep:
        f = self.TRUTH.f_hz
        t = f / self.OTHER_HZ - self.OTHER_HZ / f
        gamma = self.TRUTH.reflection() * (1 - 0.4 / (1 + 400j * t))
        noisy = gamma + white(np.random.default_rng(8), f.size, 5e-4)
        return without_sign(Sweep(f, noisy), content)

    @pytest.mark.parametrize("content", CONTENTS)
    def test_the_one_meant_is_fitted_and_the_other_reported(self, content: Content) -> None:
        for near, other, q in (
            (self.TRUTH.f_loaded_hz, self.OTHER_HZ, 300),
            (self.OTHER_HZ, self.TRUTH.f_loaded_hz, 400),
        ):
            fit = fit_resonance(self.sweep(content), near_hz=near)
            assert fit.f_loaded_hz is not None
            assert fit.q_loaded is not None
            # The other's tail is not taken out: within a few hundredths, not within the noise.
            assert fit.f_loaded_hz.value == pytest.approx(near, rel=0.05 / q)
            assert fit.q_loaded.value == pytest.approx(q, rel=0.05)
            (finding,) = [f for f in fit.findings if f.code in ("another-dip", "another-resonance")]
            place = finding.evidence.get("f_other_hz", finding.evidence.get("f_loaded_hz"))
            assert place == pytest.approx(other, rel=1e-3)

    @pytest.mark.parametrize("content", CONTENTS)
    def test_one_dip_is_never_cut(self, content: Content) -> None:
        rng = np.random.default_rng(9)
        sweeps = [without_sign(drawn(rng).sweep(rng), content) for _ in range(60)]
        codes = {f.code for fit in fit_many(sweeps, near_hz=7e6) for f in fit.findings}
        assert "another-dip" not in codes
