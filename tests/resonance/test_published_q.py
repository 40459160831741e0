"""Fits against published measurements and against another library's fit."""

from __future__ import annotations

import numpy as np
import pytest
from corpus import MAT58
from numpy.typing import NDArray
from scipy.optimize import least_squares
from simulated import Truth, drawn
from skrf.qfactor import Qfactor

from sweeplab import Line, Resonance, Sweep, fit_resonance
from sweeplab.sweep import Content

# A. P. Gregory, "Q-factor Measurement by using a Vector Network Analyser", NPL Report MAT 58
# (2021), doi 10.47120/npl.mat58; its one-port data (CC0) and the figures its notes give.
CAVITY = MAT58 / "Table6c27.txt"


@pytest.fixture(scope="module")
def cavity() -> Sweep:
    f_ghz, re, im, *_ = np.loadtxt(CAVITY, comments="%", unpack=True)
    return Sweep(f_ghz * 1e9, re + 1j * im)


@pytest.fixture(scope="module")
def cavity_fit(cavity: Sweep) -> Resonance:
    return fit_resonance(cavity)


def value(fit: Resonance, name: str) -> float:
    estimate = getattr(fit, name)
    assert estimate is not None
    return float(estimate.value)


class TestTheCavityOfMat58:
    def test_unloaded_q_is_862(self, cavity_fit: Resonance) -> None:
        # The notes with the data: Q0 = 862 by Method 2, lossless line.
        assert value(cavity_fit, "q_unloaded") == pytest.approx(862, abs=1)

    def test_loaded_q_is_708(self, cavity_fit: Resonance) -> None:
        # As scikit-rf's test_qfactor.py has it for the same data.
        assert value(cavity_fit, "q_loaded") == pytest.approx(708, rel=2e-3)

    def test_circle_diameter_over_detuned_reflection(self, cavity_fit: Resonance) -> None:
        # d = 0.3573, scikit-rf's test_qfactor.py.
        assert cavity_fit.circle is not None
        d = abs(cavity_fit.circle.drop) / abs(cavity_fit.circle.detuned)
        assert d == pytest.approx(0.3573, rel=1e-3)

    def test_loaded_frequency(self, cavity_fit: Resonance) -> None:
        # 3.652 938 00 GHz, scikit-rf's test_qfactor.py; weights alone move it by 2e-6.
        assert value(cavity_fit, "f_loaded_hz") == pytest.approx(3.65293800e9, rel=3e-6)

    def test_published_figures_lie_in_the_intervals(self, cavity_fit: Resonance) -> None:
        published = {"q_unloaded": 862, "q_loaded": 708, "f_loaded_hz": 3.65293800e9}
        for name, figure in published.items():
            estimate = getattr(cavity_fit, name)
            assert estimate.low <= figure <= estimate.high

    def test_residual_is_that_of_the_publication(self, cavity_fit: Resonance) -> None:
        # RMS 0.00146 of the weighted fit, scikit-rf's test_qfactor.py.
        assert cavity_fit.residual_rms == pytest.approx(0.00146, rel=0.1)

    def test_leaving_the_lines_phase_out_spoils_q(self, cavity: Sweep) -> None:
        # The control: without a delay these data give 6 % (weighted) to 15 % too much.
        f, gamma = cavity.f_hz, cavity.gamma

        def residual(p: NDArray[np.float64]) -> NDArray[np.float64]:
            f_loaded = 3.653e9 * (1 + 1e-4 * p[0])
            t = f / f_loaded - f_loaded / f
            r = complex(p[2], p[3]) + complex(p[4], p[5]) / (1 + 700j * p[1] * t) - gamma
            return np.concatenate([r.real, r.imag])

        blind = least_squares(residual, [0, 1, 0.1, -0.98, -0.03, 0.34]).x
        d = abs(complex(blind[4], blind[5])) / abs(complex(blind[2], blind[3]))
        assert abs(2 * 700 * blind[1] / (2 - d) / 862 - 1) > 0.05

    def test_a_line_described_as_known_is_not_trusted_against_the_data(self, cavity: Sweep) -> None:
        fit = fit_resonance(cavity, Line(0.0))
        assert "rest-of-line" in [finding.code for finding in fit.findings]
        assert value(fit, "q_unloaded") == pytest.approx(862, abs=1)


class TestTheTransmissionsOfMat58:
    # The notes with the data: both are S21 data. As a file they are refused by their headings; here
    # their values are handed over as if they were a reflection.
    @pytest.mark.parametrize("name", ["Figure6b.txt", "Figure23.txt"])
    @pytest.mark.parametrize("content", ["complex", "unsigned", "magnitude"])
    def test_are_refused_as_no_reflection(self, name: str, content: Content) -> None:
        f_ghz, re, im, *_ = np.loadtxt(MAT58 / name, comments="%", unpack=True)
        fit = fit_resonance(Sweep(f_ghz * 1e9, re + 1j * im, content=content))
        assert fit.status == "refused"
        if content == "complex":
            (finding,) = fit.findings
            assert finding.code == "not-a-reflection"
            assert "S11" in finding.action


class TestAgreementWithScikitRf:
    # Its NLQFIT6 turns the detuned reflection only: no line here. Its detuning is the linear
    # 2 (f - f0)/f0, which differs by 1/QL at the edges: hence 1/(8 QL^2) on f0 and 2e-5 on Q.
    CASES = (
        Truth(q_loaded=300, coupling_factor=0.6),
        Truth(q_loaded=150, coupling_factor=2.5, f_loaded_hz=14.1e6, angle=2.0),
        Truth(q_loaded=1200, coupling_factor=1.0, f_loaded_hz=3.6e6, off_centre=0.7),
    )

    @pytest.mark.parametrize("truth", CASES)
    def test_loaded_and_unloaded_q_and_frequency(self, truth: Truth) -> None:
        sweep = truth.sweep()
        theirs = Qfactor(
            sweep.to_network(), res_type="reflection", Q_L0=truth.q_loaded * 0.8,
            f_L0=truth.f_loaded_hz,
        )  # fmt: skip
        answer = theirs.fit("NLQFIT6")
        ours = fit_resonance(sweep)
        assert value(ours, "q_loaded") == pytest.approx(float(answer["Q_L"]), rel=2e-5)
        assert value(ours, "f_loaded_hz") == pytest.approx(
            float(answer["f_L"]), rel=1 / (4 * truth.q_loaded**2)
        )
        assert value(ours, "q_unloaded") == pytest.approx(
            float(theirs.Q_unloaded(answer)), rel=2e-5
        )


class TestCleanSweeps:
    def test_every_figure_comes_back_exactly(self) -> None:
        rng = np.random.default_rng(11)
        for truth in [drawn(rng) for _ in range(20)]:
            fit = fit_resonance(truth.sweep())
            for name in ("f_loaded_hz", "q_loaded", "q_unloaded", "coupling_factor"):
                assert value(fit, name) == pytest.approx(getattr(truth, name), rel=1e-6)
            bandwidth = truth.f_loaded_hz / truth.q_loaded
            assert value(fit, "half_power_bandwidth_hz") == pytest.approx(bandwidth, rel=1e-6)

    def test_the_circle_draws_the_sweep(self) -> None:
        truth = Truth(theta=1.3, off_centre=0.4)
        fit = fit_resonance(truth.sweep())
        assert fit.circle is not None
        assert np.abs(fit.circle.reflection(truth.f_hz) - truth.reflection()).max() < 1e-8

    @pytest.mark.parametrize(("beta", "coupling"), [(0.4, "under"), (1.0, "critical"), (3, "over")])
    def test_the_side_of_critical_coupling(self, beta: float, coupling: str) -> None:
        # Kajfez & Hwan 1984: the circle holds the origin where over-coupled.
        rng = np.random.default_rng(3)
        fit = fit_resonance(Truth(coupling_factor=beta, noise=1e-3, theta=0.8).sweep(rng))
        assert fit.coupling == coupling

    def test_exact_detuning_leaves_no_bias_at_low_q(self) -> None:
        # The linear detuning 2 (f - f0)/f0 would move f0 by -f0/(8 QL^2), 355 Hz here.
        fit = fit_resonance(Truth(q_loaded=50, f_loaded_hz=7.1e6).sweep())
        assert abs(value(fit, "f_loaded_hz") - 7.1e6) < 1.0
