"""Second stage of the inference: loop and coupling loop fitted together as what they are.

The circle takes the loop for one pole. Over a sweep the coupling loop's reactance, the radiation
resistance and the reactance's slope all move, and the circle is off by some per cent. Here the
impedance at the coupling loop's terminals is fitted itself:

    Zin(f) = Rc + j w Lc - (Rm + j w M)^2/Zs(f)
    Zs(f)  = Rrad(f) + Rloss(f) + j [Xloop(f) - Xloop(f0) f0/f]

with Xloop and Rrad from the loop's model; the capacitor is eliminated by its resonance f0. Two
loops that radiate the same pattern share a mutual resistance ``Rm = sqrt(Rrad Rrad_c)``: a few
milliradians of phase on the mutual reactance; without it R is off by up to 1.5 %.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sweeplab.line import Line, propagation_per_radian, round_trip_loss_prior
from sweeplab.loop import LoopModel
from sweeplab.resonance.circle.thresholds import EXTRA_PARAMETER_CHI2
from sweeplab.resonance.circle.uncertainty import correlation_inflation
from sweeplab.resonance.result import Circle
from sweeplab.sweep import ComplexArray, FloatArray, Sweep

_MAX_ITERATIONS = 120
# Relative to the largest step: a millionth of any uncertainty.
_STEP_TOLERANCE = 1e-7
# The coupling loop's reactance by its size, leads and connector not in it (common practice, no
# source).
_U_X_RELATIVE = 0.2


@dataclass(frozen=True)
class LoopPolynomials:
    """The loop's reactance and radiation resistance over one sweep, as short polynomials.

    Parameters
    ----------
    f_mid_hz, half_span_hz : float
    reactance, log_radiation : ndarray
        Coefficients over ``(f - f_mid)/half_span``, highest power first.
    """

    f_mid_hz: float
    half_span_hz: float
    reactance: FloatArray
    log_radiation: FloatArray

    @classmethod
    def of(cls, model: LoopModel, f_low_hz: float, f_high_hz: float) -> LoopPolynomials:
        """Return the band from five solutions of the model."""
        middle, half = (f_low_hz + f_high_hz) / 2, (f_high_hz - f_low_hz) / 2
        x = np.cos(np.pi * (np.arange(5) + 0.5) / 5)
        f = middle + half * x
        radiation = np.log(model.radiation_resistance(f))
        return cls(
            middle, half, np.polyfit(x, model.impedance(f).imag, 3), np.polyfit(x, radiation, 2)
        )

    def x_loop(self, f_hz: FloatArray | float) -> FloatArray:
        """Return Xloop [ohm]."""
        u = (np.asarray(f_hz) - self.f_mid_hz) / self.half_span_hz
        return np.asarray(np.polyval(self.reactance, u), dtype=np.float64)

    def r_radiation(self, f_hz: FloatArray | float) -> FloatArray:
        """Return Rrad [ohm]."""
        u = (np.asarray(f_hz) - self.f_mid_hz) / self.half_span_hz
        return np.asarray(np.exp(np.polyval(self.log_radiation, u)))


@dataclass(frozen=True)
class CouplingPrior:
    """What is known of the coupling loop at the resonance beforehand.

    Parameters
    ----------
    r_ohm, u_r_ohm : float
        Its own resistance and how far that may be off.
    r_mutual_ohm : float
        Real part of its mutual impedance with the main loop; zero where its size is not known.
    x_ohm : float or None
        Its own reactance; None where its size is not known.
    """

    r_ohm: float = 0.0
    u_r_ohm: float = 0.5
    r_mutual_ohm: float = 0.0
    x_ohm: float | None = None


@dataclass(frozen=True, eq=False)
class CoupledFit:
    """Result of the second stage.

    Parameters
    ----------
    f0_hz : float
        Unloaded resonance.
    r_total_ohm : float
        At f0, referred to the gap current.
    mutual_ohm : float
        ``w M`` at f0.
    x_coupling_ohm, r_coupling_ohm : float
        The coupling loop's own, at f0.
    delay_s : float
        Rest of the line's round-trip delay; zero where it was not fitted.
    line_loss_np : float
        Loss there and back of a line whose loss is not described; zero where it was not fitted.
    covariance : ndarray, shape (7, 7)
        Of (f0_hz, ln r_total, ln mutual^2, x_coupling, r_coupling, delay_s, line's loss there and
        back in nepers).
    residual_rms, sigma : float
        Of abs(data - model); noise a quadrature.
    inflation : float
        Factor on every u for correlated residuals; already in the covariance.
    """

    f0_hz: float
    r_total_ohm: float
    mutual_ohm: float
    x_coupling_ohm: float
    r_coupling_ohm: float
    delay_s: float
    line_loss_np: float
    covariance: FloatArray
    residual_rms: float
    sigma: float
    inflation: float

    @property
    def u_log_r_total(self) -> float:
        """Relative standard uncertainty of `r_total_ohm` from the sweep's noise."""
        return math.sqrt(float(self.covariance[1, 1]))

    def coupling_efficiency(self, r_total_ohm: float) -> float:
        """Return the share of the power into the coupling loop that reaches the main loop at f0.

        Parameters
        ----------
        r_total_ohm : float
            The main loop's resistance: in all, or with the ground's share taken out.
        """
        transformed = self.mutual_ohm**2 / r_total_ohm
        return transformed / (transformed + max(self.r_coupling_ohm, 0.0))


@dataclass(frozen=True, eq=False)
class _Problem:
    f_hz: FloatArray
    gamma: ComplexArray
    z0_ohm: float
    band: LoopPolynomials
    f_scale_hz: float
    start_hz: float
    r_prior: tuple[float, float]
    x_prior: tuple[float, float]
    phase_prior: float
    per_radian: ComplexArray
    loss_prior: tuple[float, float]
    r_mutual_ohm: float
    ground_ratio: float

    def model(self, p: FloatArray) -> ComplexArray:
        """Return the reflection for p = (f0 shift, ln R, ln (wM)^2, Xc, Rc, phase, loss)."""
        f0 = self.start_hz + p[0] * self.f_scale_hz
        ratio = self.f_hz / f0
        loss = math.exp(p[1]) - self.ground_ratio * float(self.band.r_radiation(f0))
        z_main = (
            self.ground_ratio * self.band.r_radiation(self.f_hz)
            + loss * np.sqrt(ratio)
            + 1j * (self.band.x_loop(self.f_hz) - float(self.band.x_loop(f0)) / ratio)
        )
        # The mutual resistance goes with the product of two radiation lengths, f^4 in all.
        mutual = self.r_mutual_ohm * ratio**4 + 1j * math.exp(p[2] / 2) * ratio
        z = p[4] + 1j * p[3] * ratio - mutual**2 / z_main
        # A line's loss goes with the root of frequency.
        line = np.exp(-p[5] * self.per_radian - p[6] * np.sqrt(self.f_hz / self.band.f_mid_hz))
        return np.asarray((z - self.z0_ohm) / (z + self.z0_ohm) * line)

    def residual(self, p: FloatArray) -> FloatArray:
        """Return stacked real and imaginary misfit, shape (2n,)."""
        r = self.gamma - self.model(p)
        return np.concatenate([r.real, r.imag])


def fit_coupled(
    sweep: Sweep,
    kept: NDArray[np.bool_],
    circle: Circle,
    model: LoopModel,
    coupling: CouplingPrior,
    line: Line | None,
    ground_ratio: float = 1.0,
) -> CoupledFit | None:
    """Fit a sweep at the coupling loop's terminals; None where that does not converge.

    Parameters
    ----------
    sweep : Sweep
        The described line taken out.
    kept : ndarray of bool, shape (n,)
        Points to use.
    circle : Circle
        The first stage's result, where this one starts.
    model : LoopModel
    coupling : CouplingPrior
    line : Line or None
        Which was taken out; without uncertainty of length exact, unless the data contradict it.
    ground_ratio : float
        Power radiated over that in free space, at the same current: what ground adds to Rrad.
    """
    if circle.detuned == 0 or circle.drop == 0:
        return None
    problem = _problem(sweep, kept, circle, model, coupling, line, ground_ratio)
    start = _start(problem, circle, model)
    free = np.array(
        [True, True, True, True, True, problem.phase_prior > 0, problem.loss_prior[1] > 0]
    )
    solution = _solve(problem, start, free)
    if solution is not None and not free[5]:
        solution = _with_rest_of_line(problem, solution)
    if solution is None or not math.isfinite(solution.rss):
        return None
    return _result(problem, solution)


def _problem(
    sweep: Sweep,
    kept: NDArray[np.bool_],
    circle: Circle,
    model: LoopModel,
    coupling: CouplingPrior,
    line: Line | None,
    ground_ratio: float,
) -> _Problem:
    f_hz = sweep.f_hz[kept]
    band = LoopPolynomials.of(model, float(f_hz[0]), float(f_hz[-1]))
    return _Problem(
        f_hz=f_hz,
        gamma=sweep.gamma[kept],
        z0_ohm=sweep.z0_ohm,
        band=band,
        f_scale_hz=circle.f_loaded_hz / circle.q_loaded,
        start_hz=circle.f_loaded_hz,
        r_prior=(coupling.r_ohm, coupling.u_r_ohm),
        x_prior=(coupling.x_ohm or 0.0, _U_X_RELATIVE * (coupling.x_ohm or 0.0)),
        phase_prior=2 * math.pi * band.f_mid_hz * (0.0 if line is None else line.u_delay_s),
        per_radian=propagation_per_radian(f_hz, band.f_mid_hz, line),
        loss_prior=round_trip_loss_prior(band.f_mid_hz, line),
        # Both loops are over the same ground.
        r_mutual_ohm=ground_ratio * coupling.r_mutual_ohm,
        ground_ratio=ground_ratio,
    )


def _with_rest_of_line(problem: _Problem, solution: _Solution) -> _Solution:
    """Return the solution with a rest of line fitted too, where that is significantly better."""
    free = solution.free | (np.arange(solution.free.size) == 5)
    larger = _solve(problem, solution.p, free)
    dof = 2 * problem.f_hz.size - int(free.sum())
    if larger and (solution.rss - larger.rss) > EXTRA_PARAMETER_CHI2 * larger.rss / dof:
        return larger
    return solution


def _start(problem: _Problem, circle: Circle, model: LoopModel) -> FloatArray:
    z0 = problem.z0_ohm
    gd = circle.detuned / max(abs(circle.detuned), 1e-9)
    x_coupling = float(np.clip((z0 * (1 + gd) / (1 - gd + 1e-12)).imag, -300, 300))
    phase = 0.0
    if problem.phase_prior > 0 and problem.x_prior[1] > 0:
        # An uncertain line may make an inductance look like a capacitance.
        x_coupling = problem.x_prior[0]
        most = 3 * problem.phase_prior
        expected = (1j * x_coupling - z0) / (1j * x_coupling + z0)
        phase = float(np.clip(np.angle(expected / gd), -most, most))
    d = min(abs(circle.drop / circle.detuned), 1.98)
    beta = d / (2 - d)
    q0 = circle.q_loaded * (1 + beta)
    r_total = model.effective_reactance(circle.f_loaded_hz) / q0
    mutual2 = beta * (z0**2 + x_coupling**2) * r_total / z0
    pull = beta * x_coupling / (2 * q0 * z0) * circle.f_loaded_hz / problem.f_scale_hz
    loss = problem.loss_prior[0]
    return np.array([-pull, math.log(r_total), math.log(mutual2), x_coupling, 0.0, phase, loss])


@dataclass(frozen=True, eq=False)
class _Solution:
    p: FloatArray
    rss: float
    jacobian: FloatArray
    residual: FloatArray
    free: NDArray[np.bool_]


_DIFFERENCE_STEP = np.array([1e-5, 1e-5, 1e-5, 1e-4, 1e-4, 1e-5, 1e-5])
_MAX_STEP = np.array([0.5, 0.5, 0.7, 30.0, 2.0, 0.5, 0.1])


def _solve(problem: _Problem, start: FloatArray, free: NDArray[np.bool_]) -> _Solution | None:
    """Levenberg-Marquardt with the priors as further observations."""
    which = np.flatnonzero(free)
    p, damping = start.copy(), 1e-3
    residual = problem.residual(p)
    jacobian = _jacobian(problem.residual, p, residual, which)
    for _ in range(_MAX_ITERATIONS):
        weights, pulls = _priors(problem, p, residual)
        cost = float(residual @ residual) + float(weights @ pulls**2)
        normal = jacobian.T @ jacobian + np.diag(weights[which])
        right = -(jacobian.T @ residual) + (weights * pulls)[which]
        try:
            step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), right)
        except np.linalg.LinAlgError:
            return None
        step = np.clip(step, -_MAX_STEP[which], _MAX_STEP[which])
        trial = p.copy()
        trial[which] += step
        tried = problem.residual(trial)
        _, tried_pulls = _priors(problem, trial, residual)
        if float(tried @ tried) + float(weights @ tried_pulls**2) <= cost:
            p, residual, damping = trial, tried, damping / 8
            jacobian = _jacobian(problem.residual, p, residual, which)
            if float(np.abs(step / _MAX_STEP[which]).max()) < _STEP_TOLERANCE:
                return _Solution(p, float(residual @ residual), jacobian, residual, free)
        else:
            damping *= 8
            if damping > 1e10:
                return _Solution(p, float(residual @ residual), jacobian, residual, free)
    return None


def _jacobian(
    function: Callable[[FloatArray], FloatArray],
    p: FloatArray,
    residual: FloatArray,
    which: NDArray[np.intp],
) -> FloatArray:
    columns = np.empty((residual.size, which.size))
    for i, k in enumerate(which):
        shifted = p.copy()
        shifted[k] += _DIFFERENCE_STEP[k]
        columns[:, i] = (function(shifted) - residual) / _DIFFERENCE_STEP[k]
    return columns


def _priors(
    problem: _Problem, p: FloatArray, residual: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return weights in units of the noise's variance, and the distances to the priors' means."""
    variance = float(residual @ residual) / max(residual.size - 6, 1)
    weights, pulls = np.zeros(7), np.zeros(7)
    mean, u = problem.r_prior
    weights[4], pulls[4] = variance / u**2, mean - p[4]
    mean, u = problem.x_prior
    if problem.phase_prior > 0 and u > 0:
        # Where the line is exact the sweep determines it far better.
        weights[3], pulls[3] = variance / u**2, mean - p[3]
    if problem.phase_prior > 0:
        weights[5], pulls[5] = variance / problem.phase_prior**2, -p[5]
    mean, u = problem.loss_prior
    if u > 0:
        weights[6], pulls[6] = variance / u**2, mean - p[6]
    return weights, pulls


def _result(problem: _Problem, solution: _Solution) -> CoupledFit:
    n = solution.residual.size // 2
    r = solution.residual[:n] + 1j * solution.residual[n:]
    sigma2 = solution.rss / (2 * n - int(solution.free.sum()))
    rho = float((r[1:] * r[:-1].conj()).real.sum() / (np.abs(r) ** 2).sum())
    inflation = float(correlation_inflation(np.array(rho), np.array(n)))
    weights, _ = _priors(problem, solution.p, solution.residual)
    which = np.flatnonzero(solution.free)
    normal = solution.jacobian.T @ solution.jacobian + np.diag(weights[which])
    covariance = np.zeros((7, 7))
    covariance[np.ix_(which, which)] = np.linalg.pinv(normal) * sigma2 * inflation**2
    scale = np.array([problem.f_scale_hz, 1, 1, 1, 1, 1 / (2 * math.pi * problem.band.f_mid_hz), 1])
    p = solution.p
    return CoupledFit(
        f0_hz=problem.start_hz + float(p[0]) * problem.f_scale_hz,
        r_total_ohm=math.exp(p[1]),
        mutual_ohm=math.exp(p[2] / 2),
        x_coupling_ohm=float(p[3]),
        r_coupling_ohm=float(p[4]),
        delay_s=float(p[5]) * float(scale[5]),
        line_loss_np=float(p[6]),
        covariance=covariance * np.outer(scale, scale),
        residual_rms=math.sqrt(solution.rss / n),
        sigma=math.sqrt(sigma2),
        inflation=inflation,
    )
