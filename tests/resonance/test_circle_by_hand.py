"""The parts of the circle fit against their definitions: derivatives, averages, starts, figures."""

from __future__ import annotations

import math

import numpy as np
import pytest
from simulated import Truth, white

from sweeplab import Line, Sweep, fit_many, fit_resonance
from sweeplab.line import embed
from sweeplab.resonance.circle.batch import CircleFit, SweepBatch
from sweeplab.resonance.circle.initial_guess import (
    _interpolated,
    _rounded_positions,
    initial_guesses,
)
from sweeplab.resonance.circle.multi import (
    _columns,
    _joint_information,
    _packed,
    _unpacked,
    separate_resonances,
)
from sweeplab.resonance.circle.null_models import ripple_rss, step_gain
from sweeplab.resonance.circle.uncertainty import correlation_inflation
from sweeplab.resonance.circle.varpro import detuning, residuals, solve, solve_rows
from sweeplab.sweep import ComplexArray, FloatArray

P = np.array([0.12, math.log(5.0), 0.7])
GD, B = 0.8 + 0.3j, -0.9 - 0.2j


def batch_of(gamma: ComplexArray | None = None, points: int = 41) -> SweepBatch:
    """One row over 200 kHz at 7.1 MHz."""
    f = np.linspace(7.0e6, 7.2e6, points)
    data = np.zeros(points, complex) if gamma is None else gamma
    return SweepBatch.of(f[None], data[None], np.ones((1, points)))


def model(batch: SweepBatch, unknowns: FloatArray) -> ComplexArray:
    """The circle of (x0, ln kappa, theta, Re Gd, Im Gd, Re B, Im B), written out."""
    f = batch.f_hz[0]
    f_loaded = batch.f_mid_hz[0] + unknowns[0] * batch.span_hz[0]
    q = math.exp(unknowns[1]) * f_loaded / batch.span_hz[0]
    locus = complex(*unknowns[3:5]) + complex(*unknowns[5:7]) / (
        1 + 1j * q * (f / f_loaded - f_loaded / f)
    )
    return np.asarray(locus * np.exp(-1j * unknowns[2] * batch.position[0]))


UNKNOWNS = np.array([*P, GD.real, GD.imag, B.real, B.imag])


def slopes(batch: SweepBatch, unknowns: FloatArray) -> ComplexArray:
    """The model's derivatives, by central differences."""
    h = 1e-5
    return np.stack(
        [
            (model(batch, unknowns + step) - model(batch, unknowns - step)) / (2 * h)
            for step in h * np.eye(7)
        ]
    )


class TestVariableProjection:
    def test_detuning_and_its_derivative(self) -> None:
        batch = batch_of()
        f = batch.f_hz[0]
        f_loaded = 7.1e6 + 0.12 * 2e5
        x, by_x0 = detuning(batch, P[None])
        expected = 5 * f_loaded / 2e5 * (f / f_loaded - f_loaded / f)
        np.testing.assert_allclose(x[0], expected, atol=1e-9)
        ahead, behind = (
            detuning(batch, (P + h)[None])[0]
            for h in (np.array([1e-5, 0, 0]), np.array([-1e-5, 0, 0]))
        )
        np.testing.assert_allclose(by_x0, (ahead - behind) / 2e-5, rtol=1e-7)

    @pytest.mark.parametrize("weights", [False, True])
    def test_information_is_that_of_the_models_slopes(self, weights: bool) -> None:
        batch = batch_of(model(batch_of(), UNKNOWNS))
        if weights:
            batch = batch.with_weight(np.random.default_rng(0).uniform(0.2, 3, (1, 41)))
        fit = solve(batch, P[None], np.ones(1, dtype=bool), steps=0)
        assert fit.linear[0] == pytest.approx(np.array([GD, B]))
        jacobian = slopes(batch, UNKNOWNS)
        expected = ((jacobian * batch.weight[0]) @ jacobian.conj().T).real
        np.testing.assert_allclose(fit.information[0], expected, rtol=1e-6, atol=1e-6)

    def test_residuals_are_data_less_model(self) -> None:
        noise = white(np.random.default_rng(1), 41, 0.01)
        batch = batch_of(model(batch_of(), UNKNOWNS) + noise)
        fit = CircleFit(P[None], np.array([[GD, B]]), np.zeros(1), np.zeros((1, 7, 7)))
        turned = noise * np.exp(1j * P[2] * batch.position[0])
        np.testing.assert_allclose(residuals(batch, fit)[0], turned, atol=1e-12)

    def test_a_delay_that_is_not_free_stays(self) -> None:
        batch = batch_of(model(batch_of(), UNKNOWNS))
        start = np.array([[0.1, 1.5, 0.0]])
        fixed = solve(batch, start, np.zeros(1, dtype=bool))
        assert fixed.p[0, 2] == 0
        free = solve(batch, start, np.ones(1, dtype=bool))
        assert free.p[0] == pytest.approx(P, abs=1e-6)
        assert free.rss[0] == pytest.approx(0, abs=1e-10)

    def test_a_singular_row_leaves_the_others_theirs(self) -> None:
        matrix = np.array([[[2.0, 0], [0, 4]], [[1, 1], [1, 1]], [[0, 1], [1, 0]]])
        right = np.array([[[2.0], [4]], [[2], [2]], [[3], [5]]])
        assert solve_rows(matrix, right)[:, :, 0].tolist() == [
            [1, 1],
            [pytest.approx(1), pytest.approx(1)],
            [5, 3],
        ]
        assert solve_rows(matrix[1:2], right[1:2])[0, :, 0] == pytest.approx([1, 1])

    @pytest.mark.parametrize("scale", [1e-6, 1e7, 1e200])
    def test_rows_of_another_scale_leave_the_others_theirs(self, scale: float) -> None:
        gamma = model(batch_of(), UNKNOWNS)
        one = batch_of(gamma)
        both = SweepBatch.of(
            np.tile(one.f_hz, (2, 1)), np.stack([gamma, scale * gamma]), np.ones((2, 41))
        )
        start = np.array([[0.1, 1.5, 0.3]] * 2)
        with np.errstate(all="ignore"):
            fit = solve(both, start, np.ones(2, dtype=bool))
        assert fit.p[0] == pytest.approx(P, abs=1e-6)
        if scale < 1e100:
            assert fit.p[1] == pytest.approx(P, abs=1e-6)


class TestBatch:
    def test_neighbours_are_averaged_by_weight(self) -> None:
        weight = np.array([[1.0, 3, 0, 2, 1, 0, 0]])
        gamma = np.array([[1.0, 2, 0, 4j, 1j, 0, 0]], dtype=complex)
        batch = SweepBatch.of(np.arange(7.0)[None] + 1, gamma, weight).binned(4)
        assert batch.weight.tolist() == [[4, 2, 1, 0]]
        assert batch.gamma.tolist() == [[1.75, 4j, 1j, 0]]
        # Positions are (k - 3)/6.
        np.testing.assert_allclose(batch.position[0, :3], [(0.75 - 3) / 6, 0, (4 - 3) / 6])
        assert batch.binned(4) is batch
        assert len(batch) == 1

    def test_rows_are_taken_and_put_back(self) -> None:
        f = np.tile(np.arange(1.0, 5), (3, 1))
        gamma = np.arange(12.0).reshape(3, 4).astype(complex)
        batch = SweepBatch.of(f, gamma, np.ones((3, 4)))
        assert batch.unweighted
        taken = batch.take(np.array([2, 0]))
        assert taken.gamma[:, 0].tolist() == [8, 0]
        changed = taken.with_weight(np.full((2, 4), 0.5))
        back = batch.put(np.array([2, 0]), changed)
        assert back.weight[:, 0].tolist() == [0.5, 1, 0.5]
        assert not back.unweighted
        assert (batch.f_mid_hz.tolist(), batch.span_hz.tolist()) == ([2.5] * 3, [3] * 3)


class TestStart:
    @pytest.mark.parametrize("off_centre", [-2.0, 0.0, 1.0])
    @pytest.mark.parametrize("span", [3.0, 12.0])
    @pytest.mark.parametrize("theta", [0.0, 3.0])
    def test_is_within_a_bandwidth_and_a_factor_of_two(
        self, off_centre: float, span: float, theta: float
    ) -> None:
        truth = Truth(off_centre=off_centre * span / 6, span_bandwidths=span, theta=theta)
        batch = SweepBatch.of(truth.f_hz[None], truth.reflection()[None], np.ones((1, 201)))
        (start,), narrow = initial_guesses(batch, np.ones(1, dtype=bool))
        assert start[0, 0] == pytest.approx(off_centre / 6, abs=1 / span)
        assert start[0, 1] == pytest.approx(math.log(span), abs=math.log(2))
        assert start[0, 2] == pytest.approx(theta, abs=1.0)
        assert not narrow[0]

    def test_later_ones_differ(self) -> None:
        truth = Truth()
        batch = SweepBatch.of(truth.f_hz[None], truth.reflection()[None], np.ones((1, 201)))
        starts, _ = initial_guesses(batch, np.zeros(1, dtype=bool), count=3)
        assert len(starts) == 3
        for later in starts[1:]:
            by_width = abs(later[0, 1] - starts[0][0, 1])
            reach = math.exp(min(later[0, 1], starts[0][0, 1]))
            by_position = abs(later[0, 0] - starts[0][0, 0]) * reach
            assert by_width >= 0.8 - 1e-9 or by_position >= 1 - 1e-9
        assert all(start[0, 2] == 0 for start in starts)

    def test_of_a_narrow_one_among_many_points_is_searched_for_in_a_window(self) -> None:
        truth = Truth(points=5001, span_bandwidths=600, off_centre=123.4, q_loaded=800)
        batch = SweepBatch.of(truth.f_hz[None], truth.reflection()[None], np.ones((1, 5001)))
        (start,), narrow = initial_guesses(batch, np.zeros(1, dtype=bool))
        assert start[0, 0] == pytest.approx(123.4 / 600, abs=1 / 600)
        assert start[0, 1] == pytest.approx(math.log(600), abs=math.log(2))
        assert not narrow[0]

    def test_points_missing_are_interpolated(self) -> None:
        gamma = np.array([[1.0, 0, 3, 4j, 0, 0]], dtype=complex)
        weight = np.array([[1.0, 0, 1, 1, 0, 0]])
        batch = SweepBatch.of(np.arange(1.0, 7)[None], gamma, weight)
        assert _interpolated(batch)[0] == pytest.approx(np.array([1, 2, 3, 4j, 4j, 4j]))
        assert (_interpolated(batch.with_weight(np.zeros((1, 6)))) == 0).all()

    def test_rounded_frequencies_share_a_bank(self) -> None:
        f = np.linspace(7.0e6, 7.2e6, 201)
        rows = np.stack([f, np.round(f, -2)])
        batch = SweepBatch.of(rows, np.ones((2, 201), complex), np.ones((2, 201)))
        exact, rounded = _rounded_positions(batch.position)
        assert (exact == rounded).all()
        assert exact == pytest.approx(batch.position[0], abs=1 / (20.3 * 200))
        bent = f.copy()
        bent[100] += 300.0  # almost a third of a step
        moved = SweepBatch.of(bent[None], np.ones((1, 201), complex), np.ones((1, 201)))
        assert (_rounded_positions(moved.position)[0] != exact).sum() == 1


class TestNullModels:
    def test_a_step_at_its_best_place_by_definition(self) -> None:
        rng = np.random.default_rng(4)
        value = (rng.normal(size=(1, 12)) + 1j * rng.normal(size=(1, 12))) * 0.1
        value[0, 7:] += 0.5
        weight = rng.uniform(0.5, 2, (1, 12))
        weight[0, 3] = 0

        def rss(part: slice) -> float:
            w, v = weight[0, part], value[0, part]
            return float((w * np.abs(v - (w * v).sum() / w.sum()) ** 2).sum())

        gains = [rss(slice(None)) - rss(slice(k)) - rss(slice(k, None)) for k in range(1, 12)]
        assert step_gain(value, weight) == pytest.approx([max(gains)])

    def test_two_phasors_leave_nothing(self) -> None:
        u = np.linspace(-0.5, 0.5, 201)
        for p, q in ((2.3, 9.1), (0.4, 12.2), (8.0, 3.1)):
            gamma = 0.7j * np.exp(-1j * p * u) + 0.2 * np.exp(-1j * q * u)
            assert ripple_rss(batch_of(gamma, 201))[0] < 1e-8

    def test_a_circle_is_no_ripple(self) -> None:
        gamma = model(batch_of(points=201), UNKNOWNS)
        variation = float((np.abs(gamma - gamma.mean()) ** 2).sum())
        assert 1e-3 < ripple_rss(batch_of(gamma, 201))[0] / variation < 1


class TestTwoResonances:
    second = (0.35, math.log(20.0), -0.25 + 0.1j)

    def circles(self) -> list[CircleFit]:
        """The circle above, and a second one further up."""
        empty = np.zeros(1), np.zeros((1, 7, 7))
        x0, log_kappa, b = self.second
        return [
            CircleFit(P[None], np.array([[GD, B]]), *empty),
            CircleFit(np.array([[x0, log_kappa, P[2]]]), np.array([[GD, b]]), *empty),
        ]

    def gamma(self, batch: SweepBatch, packed: FloatArray) -> ComplexArray:
        """The model of both, from their packed unknowns."""
        own = np.concatenate([packed[:7]])
        other = np.array([packed[7], packed[8], packed[2], 0, 0, packed[9], packed[10]])
        return model(batch, own) + model(batch, other)

    def test_packing_keeps_every_unknown(self) -> None:
        x0, log_kappa, b = self.second
        packed = _packed(self.circles())
        assert packed.tolist() == [*UNKNOWNS, x0, log_kappa, b.real, b.imag]
        assert _packed(_unpacked(packed, self.circles())).tolist() == packed.tolist()

    def test_columns_are_the_models_slopes(self) -> None:
        batch = batch_of(points=81)
        packed, h = _packed(self.circles()), 1e-5
        numeric = np.stack(
            [
                (self.gamma(batch, packed + step) - self.gamma(batch, packed - step)) / (2 * h)
                for step in h * np.eye(11)
            ]
        ) * np.exp(1j * P[2] * batch.position[0])
        columns = _columns(batch, self.circles(), [0, 1])
        np.testing.assert_allclose(columns, numeric, atol=1e-5)

    def test_information_has_the_others_unknowns_projected_out(self) -> None:
        batch = batch_of(points=81)
        columns = _columns(batch, self.circles(), [0, 1])
        whole = (columns @ columns.conj().T).real
        covariance = np.linalg.inv(whole)[:7, :7]
        found = _joint_information(batch, self.circles(), 0, True)
        np.testing.assert_allclose(np.linalg.inv(found), covariance, rtol=1e-6)

    def test_are_told_apart(self) -> None:
        batch = batch_of(points=401)
        noise = white(np.random.default_rng(6), 401, 1e-4)
        batch = batch_of(self.gamma(batch, _packed(self.circles())) + noise, 401)
        first = solve(batch, P[None], np.ones(1, dtype=bool))
        found = separate_resonances(batch, first, True)
        assert found is not None
        x0, _, b = self.second
        f_other = 7.1e6 + x0 * 2e5
        assert found.others_hz == pytest.approx([f_other], abs=50)
        assert found.others_q == pytest.approx([20 * f_other / 2e5], rel=0.01)
        assert found.others_diameter == pytest.approx([abs(b) / abs(GD)], rel=0.01)
        assert found.selected.p[0] == pytest.approx(P, abs=1e-3)
        assert found.selected.linear[0] == pytest.approx(np.array([GD, B]), abs=1e-3)
        assert found.unknowns == 2 + 4 * 2 + 1
        assert found.selected.rss[0] == pytest.approx(2 * 401 * 1e-8, rel=4 / math.sqrt(401))
        cleaned = model(found.batch, UNKNOWNS)
        assert np.abs(found.batch.gamma[0] - cleaned).max() < 1e-3
        other = separate_resonances(batch, first, True, near_hz=f_other)
        assert other is not None
        assert other.others_hz == pytest.approx([7.1e6 + P[0] * 2e5], abs=50)

    def test_the_other_is_named_with_its_figures(self) -> None:
        batch = batch_of(points=401)
        gamma = self.gamma(batch, _packed(self.circles()))
        gamma = gamma + white(np.random.default_rng(6), 401, 1e-4)
        fit = fit_resonance(Sweep(batch.f_hz[0], gamma))
        (note,) = [finding for finding in fit.findings if finding.code == "another-resonance"]
        f_other = 7.1e6 + self.second[0] * 2e5
        assert dict(note.evidence) == pytest.approx(
            {
                "f_loaded_hz": f_other,
                "q_loaded": 20 * f_other / 2e5,
                "diameter": abs(self.second[2]) / abs(GD),
            },
            rel=0.01,
        )
        assert f"at {f_other / 1e6:.4g} MHz" in note.text


class TestFigures:
    @pytest.mark.parametrize("beta", [0.3, 1.0, 3.0])
    def test_and_their_uncertainties_follow_from_the_circles_covariance(self, beta: float) -> None:
        truth = Truth(coupling_factor=beta, noise=1e-3, off_centre=0.4)
        fit = fit_resonance(truth.sweep(np.random.default_rng(7)))
        assert fit.circle is not None
        assert fit.covariance is not None

        def figures(u: FloatArray) -> FloatArray:
            d = abs(complex(*u[5:7])) / abs(complex(*u[3:5]))
            return np.log([u[0], u[1], u[0] / u[1], 2 * u[1] / (2 - d), d / (2 - d)])

        c = fit.circle
        mean = np.array(
            [c.f_loaded_hz, c.q_loaded, c.delay_s, c.detuned.real, c.detuned.imag, c.drop.real,
             c.drop.imag]
        )  # fmt: skip
        scale = np.sqrt(np.diag(fit.covariance))
        jacobian = np.stack(
            [(figures(mean + 1e-3 * s) - figures(mean - 1e-3 * s)) / 2e-3 for s in np.diag(scale)],
            axis=1,
        )
        correlation = fit.covariance / scale / scale[:, None]
        u = np.sqrt(np.diag(jacobian @ correlation @ jacobian.T))
        found = [
            fit.f_loaded_hz, fit.q_loaded, fit.half_power_bandwidth_hz, fit.q_unloaded,
            fit.coupling_factor,
        ]  # fmt: skip
        for estimate, value, relative in zip(found, np.exp(figures(mean)), u, strict=True):
            assert estimate is not None
            assert estimate.value == pytest.approx(value, rel=1e-9)
            assert estimate.u / estimate.value == pytest.approx(relative, rel=1e-3)

    def test_inflation_is_that_of_a_first_order_process(self) -> None:
        rho, points = np.array([0.5, 0.1, -0.5, 0.995]), np.full(4, 200.0)
        # 0.1 sqrt(400) is two standard deviations: white noise may do that.
        expected = [math.sqrt(1.5 / 0.5), 1, 1, math.sqrt(1.98 / 0.02)]
        assert correlation_inflation(rho, points) == pytest.approx(expected)

    def test_a_delay_left_after_a_described_line_is_named(self) -> None:
        truth = Truth(noise=3e-4, span_bandwidths=8)
        line = Line(10.0, 0.66)
        longer = Line(10.6, 0.66)
        f, noise = truth.f_hz, white(np.random.default_rng(9), 201, 3e-4)
        sweep = embed(Sweep(f, truth.reflection()), longer)
        fit = fit_resonance(Sweep(f, sweep.gamma + noise), line)
        (note,) = [finding for finding in fit.findings if finding.code == "rest-of-line"]
        assert fit.circle is not None
        assert note.evidence["delay_s"] == fit.circle.delay_s
        assert f"{fit.circle.delay_s * 1e9:.1f} ns" in note.text
        assert fit.q_loaded is not None
        assert fit.q_loaded.value == pytest.approx(300, rel=0.02)

    def test_many_sweeps_of_mixed_lengths_keep_their_order(self) -> None:
        truths = [Truth(f_loaded_hz=f, points=n) for f, n in ((7e6, 51), (14e6, 101), (21e6, 51))]
        flat = Sweep(np.linspace(1e6, 2e6, 51), np.full(51, 0.5 + 0j))
        sweeps = [truths[0].sweep(), truths[1].sweep(), flat, truths[2].sweep()]
        fits = fit_many(sweeps)
        assert [fit.status == "refused" for fit in fits] == [False, False, True, False]
        found = [fit.f_loaded_hz.value for fit in fits if fit.f_loaded_hz is not None]
        assert found == pytest.approx([7e6, 14e6, 21e6], rel=1e-6)
