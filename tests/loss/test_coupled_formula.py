"""The second stage against its circuit, written down here once more as two coupled loops."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from sweeplab.line import Line
from sweeplab.loss import coupled_fit
from sweeplab.loss.coupled_fit import CoupledFit, CouplingPrior, LoopPolynomials, fit_coupled
from sweeplab.sweep import Sweep

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

F0_HZ = 7.1e6
INDUCTANCE_H = 2.6e-6
RADIATION_OHM = 0.05
Z0_OHM = 50.0
X_OHM = 2 * math.pi * F0_HZ * INDUCTANCE_H


def radiation_ohm(f_hz: Any) -> Any:
    """A small loop's: with the fourth power of frequency."""
    return RADIATION_OHM * (np.asarray(f_hz) / F0_HZ) ** 4


# A loop that is an inductance: its effective reactance is its reactance.
LOOP: Any = SimpleNamespace(
    radiation_resistance=radiation_ohm,
    impedance=lambda f_hz: 2j * np.pi * np.asarray(f_hz) * INDUCTANCE_H,
    effective_reactance=lambda f_hz: 2 * math.pi * f_hz * INDUCTANCE_H,
)


@dataclass(frozen=True)
class Circuit:
    """Two coupled loops, one tuned, at the end of a rest of line.

    The order of the fields is that of the fit's covariance.
    """

    f0_hz: float = F0_HZ
    log_r: float = math.log(0.25)
    log_mutual2: float = math.log(20.0)
    x_coupling_ohm: float = 25.0
    r_coupling_ohm: float = 0.3
    delay_s: float = 0.0
    loss_np: float = 0.0
    r_mutual_ohm: float = 0.0
    ground: float = 1.0

    @property
    def beta(self) -> float:
        """Coupling factor with a lossless coupling loop: resistance carried over to its own."""
        carried = math.exp(self.log_mutual2) * Z0_OHM / (Z0_OHM**2 + self.x_coupling_ohm**2)
        return carried / math.exp(self.log_r)

    @property
    def f_hz(self) -> Array:
        """Five loaded half widths to either side."""
        half = 2.5 * F0_HZ / self.circle.q_loaded
        return np.linspace(self.f0_hz - half, self.f0_hz + half, 121)

    @property
    def circle(self) -> Any:
        """The one-pole circle of it, in closed form."""
        q0 = X_OHM / math.exp(self.log_r)
        pull = self.beta * self.x_coupling_ohm / (2 * q0 * Z0_OHM)
        detuned = (1j * self.x_coupling_ohm - Z0_OHM) / (1j * self.x_coupling_ohm + Z0_OHM)
        return SimpleNamespace(
            f_loaded_hz=self.f0_hz * (1 + pull),
            q_loaded=q0 / (1 + self.beta),
            detuned=detuned,
            drop=detuned * 2 * self.beta / (1 + self.beta),
        )

    def gamma(self, f_hz: Array, per_second: ComplexArray | None = None) -> ComplexArray:
        """Reflection, from the mesh equations of the two loops."""
        ratio = f_hz / self.f0_hz
        w, w0 = 2 * np.pi * f_hz, 2 * np.pi * self.f0_hz
        radiated = self.ground * radiation_ohm(f_hz)
        lost = math.exp(self.log_r) - self.ground * radiation_ohm(self.f0_hz)
        capacitance = 1 / (w0**2 * INDUCTANCE_H)
        main = radiated + lost * ratio**0.5 + 1j * w * INDUCTANCE_H + 1 / (1j * w * capacitance)
        m_h = math.exp(self.log_mutual2 / 2) / w0
        mutual = self.ground * self.r_mutual_ohm * ratio**4 + 1j * w * m_h
        feed = self.r_coupling_ohm + 1j * w * self.x_coupling_ohm / w0
        z = feed - mutual * mutual / main
        middle = (f_hz[0] + f_hz[-1]) / 2
        # Where the line is exact, only the slope of the phase.
        rest = 2j * np.pi * (f_hz - middle) if per_second is None else per_second
        line = np.exp(-self.delay_s * rest - self.loss_np * np.sqrt(f_hz / middle))
        return np.asarray((z - Z0_OHM) / (z + Z0_OHM) * line)

    def array(self) -> Array:
        return np.array([getattr(self, field.name) for field in fields(self)][:7])


def fitted(
    truth: Circuit, prior: CouplingPrior, line: Line | None = None, noise: float = 1e-6, **data: Any
) -> CoupledFit:
    f_hz = truth.f_hz
    rng = np.random.default_rng(3)
    gamma = truth.gamma(f_hz, **data)
    gamma = gamma + noise * (rng.standard_normal(f_hz.size) + 1j * rng.standard_normal(f_hz.size))
    kept = np.ones(f_hz.size, dtype=bool)
    sweep = Sweep(f_hz=f_hz, gamma=gamma, z0_ohm=Z0_OHM)
    found = fit_coupled(sweep, kept, truth.circle, LOOP, prior, line, truth.ground)
    assert found is not None
    return found


def result(found: CoupledFit) -> Array:
    return np.array([
        found.f0_hz, math.log(found.r_total_ohm), 2 * math.log(found.mutual_ohm),
        found.x_coupling_ohm, found.r_coupling_ohm, found.delay_s, found.line_loss_np,
    ])  # fmt: skip


CIRCUITS = [
    Circuit(),
    Circuit(r_mutual_ohm=0.03),
    Circuit(r_mutual_ohm=0.03, ground=1.4),
    Circuit(x_coupling_ohm=-20.0, log_mutual2=math.log(8.0)),
    Circuit(log_r=math.log(0.6), r_coupling_ohm=0.05),
]


class TestPolynomials:
    def test_are_the_loops_reactance_and_radiation_over_the_band(self) -> None:
        band = LoopPolynomials.of(LOOP, 7.0e6, 7.4e6)
        f_hz = np.linspace(7.0e6, 7.4e6, 9)
        assert (band.f_mid_hz, band.half_span_hz) == pytest.approx((7.2e6, 0.2e6))
        assert band.x_loop(f_hz) == pytest.approx(2 * np.pi * f_hz * INDUCTANCE_H, rel=1e-12)
        assert band.r_radiation(f_hz) == pytest.approx(radiation_ohm(f_hz), rel=2e-5)

    def test_follow_a_reactance_that_bends_to_the_third_order(self) -> None:
        bent: Any = SimpleNamespace(
            radiation_resistance=lambda f_hz: np.exp(1e-13 * (f_hz - 7e6) ** 2 + 1e-7 * f_hz),
            impedance=lambda f_hz: 1j * (100 + 1e-16 * (f_hz - 7.1e6) ** 3),
        )
        band = LoopPolynomials.of(bent, 6e6, 8e6)
        f_hz = np.linspace(6e6, 8e6, 11)
        assert band.x_loop(f_hz) == pytest.approx(bent.impedance(f_hz).imag, rel=1e-9)
        assert band.r_radiation(f_hz) == pytest.approx(bent.radiation_resistance(f_hz), rel=1e-9)


@pytest.mark.parametrize("truth", CIRCUITS)
class TestExactLine:
    def test_every_figure_is_the_circuits(self, truth: Circuit) -> None:
        prior = CouplingPrior(0.2, 1.0, truth.r_mutual_ohm, 24.0)
        found = fitted(truth, prior)
        expected = truth.array()
        assert found.f0_hz == pytest.approx(truth.f0_hz, rel=2e-7)
        assert result(found)[1:5] == pytest.approx(expected[1:5], rel=1e-3, abs=2e-3)
        assert found.r_total_ohm == pytest.approx(math.exp(truth.log_r), rel=2e-4)
        # Complex noise of one millionth a quadrature.
        assert found.sigma == pytest.approx(1e-6, rel=0.2)
        assert found.residual_rms == pytest.approx(math.sqrt(2) * 1e-6, rel=0.2)
        assert found.line_loss_np == 0.0

    def test_u_is_that_of_least_squares_with_the_prior(self, truth: Circuit) -> None:
        u_r = 0.05
        prior = CouplingPrior(truth.r_coupling_ohm, u_r, truth.r_mutual_ohm)
        found = fitted(truth, prior, noise=1e-3)
        free = [0, 1, 2, 3, 4] + ([5] if found.delay_s else [])
        expected = least_squares_covariance(truth, found, free, {4: u_r}, free_count=len(free))
        assert_same_covariance(found, expected, free)


def least_squares_covariance(
    truth: Circuit,
    found: CoupledFit,
    free: list[int],
    u_prior: dict[int, float],
    free_count: int,
    **data: Any,
) -> Array:
    """Inverse of the Fisher information, of central differences about what was found."""
    f_hz, p = truth.f_hz, result(found)
    names = [field.name for field in fields(Circuit)]
    steps = np.array([1.0, 1e-5, 1e-5, 1e-4, 1e-4, 1e-13, 1e-6])
    here = replace(truth, **dict(zip(names, p.tolist(), strict=False)))
    columns = []
    for k in free:
        up, down = (
            replace(here, **{names[k]: p[k] + sign * steps[k]}).gamma(f_hz, **data)
            for sign in (1, -1)
        )
        slope = (up - down) / (2 * steps[k])
        columns.append(np.concatenate([slope.real, slope.imag]))
    jacobian = np.array(columns).T
    # The residual's variance is taken per degree of freedom, as found.
    dof = 2 * f_hz.size - free_count
    assert found.sigma**2 * dof == pytest.approx(found.residual_rms**2 * f_hz.size, rel=1e-9)
    scale = 1 / np.sqrt((jacobian**2).sum(0))
    information = (jacobian * scale).T @ (jacobian * scale) / found.sigma**2
    for k, u in u_prior.items():
        i = free.index(k)
        information[i, i] += (scale[i] / u) ** 2
    return np.asarray(np.linalg.inv(information) * np.outer(scale, scale) * found.inflation**2)


def assert_same_covariance(found: CoupledFit, expected: Array, free: list[int]) -> None:
    u = np.sqrt(np.diag(expected))
    got = found.covariance[np.ix_(free, free)]
    assert np.sqrt(np.diag(got)) == pytest.approx(u, rel=0.02)
    assert got / np.outer(u, u) == pytest.approx(expected / np.outer(u, u), abs=0.03)
    fixed = [k for k in range(7) if k not in free]
    assert not found.covariance[fixed].any()
    assert found.u_log_r_total == pytest.approx(u[1], rel=0.02)


class TestUncertainLine:
    LINE = Line(10.0, u_length_m=0.2, loss_db_per_100m=((7.1e6, 0.001),))

    def test_its_rest_and_the_coupling_loops_prior_share_the_sweep(self) -> None:
        # Both reactance and phase are held by their priors: reactance to a fifth of its own.
        u_delay_s = 2 * 0.2 / 299_792_458.0
        truth = Circuit(delay_s=0.7 * u_delay_s)
        data = {"per_second": 2j * np.pi * truth.f_hz}
        prior = CouplingPrior(truth.r_coupling_ohm, 0.05, 0.0, truth.x_coupling_ohm)
        found = fitted(truth, prior, self.LINE, noise=1e-3, **data)
        # A phase and a reactance look alike: what is found is but twice as sure as the prior.
        u_found = math.sqrt(found.covariance[5, 5])
        assert 0.3 * u_delay_s < u_found < u_delay_s
        assert found.delay_s == pytest.approx(truth.delay_s, abs=3 * u_found)
        free = [0, 1, 2, 3, 4, 5]
        u_prior = {3: 0.2 * truth.x_coupling_ohm, 4: 0.05, 5: u_delay_s}
        expected = least_squares_covariance(truth, found, free, u_prior, len(free), **data)
        assert_same_covariance(found, expected, free)

    def test_of_undescribed_loss_loses_what_the_sweep_says(self) -> None:
        # A described length without uncertainty, its loss left out: 3 % of a neper.
        truth = Circuit(loss_np=0.03)
        found = fitted(truth, CouplingPrior(truth.r_coupling_ohm, 0.02), Line(10.0), noise=1e-4)
        assert found.line_loss_np == pytest.approx(0.03, abs=2e-3)
        assert found.r_total_ohm == pytest.approx(math.exp(truth.log_r), rel=5e-3)
        free = [0, 1, 2, 3, 4] + ([5] if found.delay_s else []) + [6]
        # 4.6 dB per 100 m at 10 MHz with the root of frequency, there and back, 70 % uncertain.
        middle = (truth.f_hz[0] + truth.f_hz[-1]) / 2
        u_loss = 0.7 * 0.46 * math.sqrt(middle / 10e6) * math.log(10) / 10
        expected = least_squares_covariance(truth, found, free, {4: 0.02, 6: u_loss}, len(free))
        assert_same_covariance(found, expected, free)


def test_a_rest_of_an_exact_line_is_found_where_the_sweep_insists() -> None:
    truth = Circuit(delay_s=2e-9)
    found = fitted(truth, CouplingPrior(0.3, 0.05), noise=1e-4)
    assert found.delay_s == pytest.approx(2e-9, rel=0.05)
    expected = least_squares_covariance(truth, found, [0, 1, 2, 3, 4, 5], {4: 0.05}, 6)
    assert_same_covariance(found, expected, [0, 1, 2, 3, 4, 5])


class TestStart:
    @pytest.mark.parametrize("x_coupling_ohm", [25.0, -40.0, 0.0])
    @pytest.mark.parametrize("mutual2", [5.0, 40.0])
    def test_is_the_circuit_itself_where_the_circle_is_exact(
        self, x_coupling_ohm: float, mutual2: float
    ) -> None:
        truth = Circuit(x_coupling_ohm=x_coupling_ohm, log_mutual2=math.log(mutual2))
        problem = problem_of(truth, None, CouplingPrior())
        p = coupled_fit._start(problem, truth.circle, LOOP)
        f0_hz = problem.start_hz + p[0] * problem.f_scale_hz
        # The pull is a first-order one: its square is left over.
        assert f0_hz == pytest.approx(truth.f0_hz, abs=1e-2 * abs(p[0]) * problem.f_scale_hz + 1e-3)
        assert p[1:4] == pytest.approx(truth.array()[1:4], abs=2e-3)
        assert p[4:] == pytest.approx(0.0)

    @pytest.mark.parametrize(("phase", "found"), [(0.1, 0.1), (-0.1, -0.1), (0.5, 0.3)])
    def test_behind_an_uncertain_line_has_the_described_reactance(
        self, phase: float, found: float
    ) -> None:
        # The rest of the line no more than three times its standard uncertainty.
        truth = Circuit()
        middle = (truth.f_hz[0] + truth.f_hz[-1]) / 2
        length_m = 0.1 / (2 * math.pi * middle) * 299_792_458.0 / 2
        line = Line(10.0, u_length_m=length_m, loss_db_per_100m=((7e6, 1.0),))
        problem = problem_of(truth, line, CouplingPrior(x_ohm=25.0))
        assert problem.phase_prior == pytest.approx(0.1)
        circle = truth.circle
        circle.detuned *= np.exp(-1j * phase)
        p = coupled_fit._start(problem, circle, LOOP)
        assert p[3] == 25.0
        assert p[5] == pytest.approx(found, rel=1e-6)

    def test_behind_an_uncertain_line_has_even_a_small_described_reactance(self) -> None:
        line = Line(10.0, u_length_m=0.2, loss_db_per_100m=((7e6, 1.0),))
        problem = problem_of(Circuit(), line, CouplingPrior(x_ohm=2.0))
        assert coupled_fit._start(problem, Circuit().circle, LOOP)[3] == 2.0

    def test_has_an_undescribed_loss_at_its_expectation(self) -> None:
        truth = Circuit()
        problem = problem_of(truth, Line(10.0), CouplingPrior())
        p = coupled_fit._start(problem, truth.circle, LOOP)
        assert p[6] == problem.loss_prior[0] > 0

    def test_of_a_short_circuit_stays_within_three_hundred_ohms(self) -> None:
        truth = Circuit()
        circle = truth.circle
        circle.detuned = np.exp(0.01j)
        p = coupled_fit._start(problem_of(truth, None, CouplingPrior()), circle, LOOP)
        assert p[3] == 300.0
        circle.detuned = np.exp(-0.01j)
        p = coupled_fit._start(problem_of(truth, None, CouplingPrior()), circle, LOOP)
        assert p[3] == -300.0

    def test_of_a_drop_of_twice_the_detuned_reflection_and_more_is_finite(self) -> None:
        # Over-coupled without limit: d = 1.98 is a coupling factor of 99.
        truth = Circuit()
        circle = truth.circle
        circle.drop = 3 * circle.detuned
        p = coupled_fit._start(problem_of(truth, None, CouplingPrior()), circle, LOOP)
        r_total = 2 * math.pi * circle.f_loaded_hz * INDUCTANCE_H / (circle.q_loaded * 100)
        assert p[1] == pytest.approx(math.log(r_total))


def problem_of(truth: Circuit, line: Line | None, prior: CouplingPrior) -> Any:
    f_hz = truth.f_hz
    sweep = Sweep(f_hz=f_hz, gamma=truth.gamma(f_hz), z0_ohm=Z0_OHM)
    kept = np.ones(f_hz.size, dtype=bool)
    return coupled_fit._problem(sweep, kept, truth.circle, LOOP, prior, line, truth.ground)


class TestNothingToFit:
    @pytest.mark.parametrize("which", ["detuned", "drop"])
    def test_without_a_circle_there_is_no_second_stage(self, which: str) -> None:
        truth = Circuit()
        circle = truth.circle
        setattr(circle, which, 0j)
        f_hz = truth.f_hz
        sweep = Sweep(f_hz=f_hz, gamma=truth.gamma(f_hz), z0_ohm=Z0_OHM)
        kept = np.ones(f_hz.size, dtype=bool)
        assert fit_coupled(sweep, kept, circle, LOOP, CouplingPrior(), None) is None

    def test_points_left_out_do_not_count(self) -> None:
        truth = Circuit()
        f_hz = truth.f_hz
        gamma = truth.gamma(f_hz)
        rng = np.random.default_rng(1)
        gamma = gamma + 1e-5 * (rng.standard_normal(f_hz.size) + 1j * rng.standard_normal(121))
        gamma[60] = 1.0
        kept = np.arange(f_hz.size) != 60
        sweep = Sweep(f_hz=f_hz, gamma=gamma, z0_ohm=Z0_OHM)
        found = fit_coupled(sweep, kept, truth.circle, LOOP, CouplingPrior(0.3, 0.1), None)
        assert found is not None
        assert found.sigma == pytest.approx(1e-5, rel=0.2)


class TestCouplingEfficiency:
    def test_is_the_resistance_carried_over_against_the_coupling_loops_own(self) -> None:
        found = fitted(Circuit(), CouplingPrior(0.3, 0.1))
        found = replace(found, mutual_ohm=4.0, r_coupling_ohm=0.5)
        # 16 / 0.25 = 64 ohm carried over, beside half an ohm.
        assert found.coupling_efficiency(0.25) == pytest.approx(64 / 64.5)
        assert found.coupling_efficiency(0.5) == pytest.approx(32 / 32.5)

    def test_is_never_above_one(self) -> None:
        found = fitted(Circuit(), CouplingPrior(0.3, 0.1))
        assert replace(found, r_coupling_ohm=-0.5).coupling_efficiency(0.25) == 1.0


class TestPriors:
    """Weights in units of the noise's variance, and distances to the expected values."""

    P = np.array([0.1, -1.0, 2.0, 20.0, 0.5, 0.03, 0.01])

    def priors(self, line: Line | None) -> tuple[Any, Array, Array]:
        problem = problem_of(Circuit(), line, CouplingPrior(0.3, 0.1, 0.0, 25.0))
        # 242 numbers of a variance of 4: squares over all but six.
        residual = np.full(242, 2.0 * math.sqrt(236 / 242))
        return problem, *coupled_fit._priors(problem, self.P, residual)

    def test_of_an_exact_line_are_the_coupling_loops_resistance_alone(self) -> None:
        _, weights, pulls = self.priors(None)
        assert weights == pytest.approx([0, 0, 0, 0, 4 / 0.1**2, 0, 0])
        assert pulls == pytest.approx([0, 0, 0, 0, 0.3 - 0.5, 0, 0])

    def test_of_an_uncertain_line_without_stated_loss_are_four(self) -> None:
        problem, weights, pulls = self.priors(Line(10.0, u_length_m=0.2))
        phase, (loss, u_loss) = problem.phase_prior, problem.loss_prior
        assert phase == pytest.approx(2 * math.pi * problem.band.f_mid_hz * 0.4 / 299_792_458.0)
        expected = [0, 0, 0, 4 / 5.0**2, 4 / 0.1**2, 4 / phase**2, 4 / u_loss**2]
        assert weights == pytest.approx(expected)
        assert pulls == pytest.approx([0, 0, 0, 5.0, -0.2, -0.03, loss - 0.01])
