"""What the size of the reflection alone says of a resonance.

Loaded frequency, loaded Q and the dip follow; which side of the match the coupling is on does not.
With ``A = 1 - min|G|^2/|Gd|^2`` lossless coupling leaves ``d = |B|/|Gd| = 1 -+ sqrt(1 - A)``, the
under- and the over-coupled candidate (D. Kajfez & E. J. Hwan, IEEE Trans. MTT 32, 666, 1984), with
``beta = d/(2 - d)`` and ``Q0 = QL (1 + beta)``. Both are reported with what the data say of each.
Near the match they merge, and the square root bends what is normal in the data: distributions are
propagated (GUM Supplement 1, JCGM 101:2008), not slopes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from sweeplab.estimate import Estimate, coverage_factor
from sweeplab.finding import Finding, ranked
from sweeplab.line import Line
from sweeplab.resonance.alternatives import step_gain
from sweeplab.resonance.brackets import unexplained_loss
from sweeplab.resonance.figures import correlation_inflation
from sweeplab.resonance.judge import Evidence, judge, screen, share_of_one_point
from sweeplab.resonance.result import Circle, Resonance
from sweeplab.resonance.sizes import UNKNOWNS, SizeFit, fit_sizes
from sweeplab.sweep import ComplexArray, FloatArray, Sweep

_DRAWS = 8000
_TAILS = (2.5, 97.5)
_NORMAL_95 = coverage_factor()
# Residuals of neighbours that hang together by so many standard deviations are no white noise.
_NOTABLE = 3.0
# A coupling factor of infinity is one that no dip of any depth shows.
_LEAST_ABSORBED = 1e-9


@dataclass(frozen=True, eq=False)
class Candidates:
    """Circles that a squared size allows, with a real positive detuned reflection.

    Parameters
    ----------
    f_loaded_hz, q_loaded : ndarray, shape (m,)
        Of the fit, and of draws from its distribution.
    detuned : ndarray, shape (m,)
    drop_under, drop_over : ndarray of complex, shape (m,)
    """

    f_loaded_hz: FloatArray
    q_loaded: FloatArray
    detuned: FloatArray
    drop_under: ComplexArray
    drop_over: ComplexArray

    @classmethod
    def of(cls, fit: SizeFit, unknowns: FloatArray) -> Candidates:
        """Return the circles of unknowns (x0, ln kappa, a0, a1, a2), shape (m, 5).

        ``C = Gd* B`` has ``Im C = a2/2`` and ``Re C = -a0 (1 -+ s)``,
        ``s^2 = 1 + a1/a0 - (a2/(2 a0))^2``.
        """
        rows = fit.rows
        f = rows.f_mid_hz[0] + unknowns[:, 0] * rows.span_hz[0]
        q = np.exp(unknowns[:, 1]) * f / rows.span_hz[0]
        a0 = np.maximum(unknowns[:, 2], 1e-12)
        skew = unknowns[:, 4] / (2 * a0)
        absorbed = np.clip(skew**2 - unknowns[:, 3] / a0, _LEAST_ABSORBED, 1.0)
        s = np.sqrt(1 - absorbed)
        detuned = np.sqrt(a0)
        # 1 - s without cancellation.
        under = detuned * (-absorbed / (1 + s) + 1j * skew)
        return cls(f, q, detuned, under, detuned * (-(1 + s) + 1j * skew))

    def unloaded(self, over: bool) -> tuple[FloatArray, FloatArray]:
        """Return Q0 and coupling factor of one candidate, each of shape (m,)."""
        d = np.abs(self.drop_over if over else self.drop_under) / self.detuned
        beta = d / np.maximum(2 - d, _LEAST_ABSORBED)
        return self.q_loaded * (1 + beta), beta

    def circle(self, fit: SizeFit, over: bool) -> Circle:
        """Return the first row's circle of one candidate."""
        drop = complex((self.drop_over if over else self.drop_under)[0])
        return Circle(
            float(self.f_loaded_hz[0]), float(self.q_loaded[0]), complex(self.detuned[0]), drop,
            0.0, float(fit.rows.f_mid_hz[0]),
        )  # fmt: skip

    def covariance(self) -> FloatArray:
        """Return the draws' covariance in the order of `Resonance.covariance`, under-coupled."""
        nothing = np.zeros_like(self.detuned)
        columns = (self.f_loaded_hz, self.q_loaded, nothing, self.detuned, nothing,
                   self.drop_under.real, self.drop_under.imag)  # fmt: skip
        return np.asarray(np.cov(np.stack(columns)[:, 1:]))


def fit_magnitude(sweep: Sweep, line: Line | None = None) -> Resonance:
    """Fit a sweep of which only the reflection's size is known.

    Parameters
    ----------
    sweep : Sweep
        As measured; the phase of its reflections is not looked at.
    line : Line or None
        A described feed line, whose loss is taken out where it has the sweep's own impedance.

    Returns
    -------
    Resonance
        At best 'doubtful': `Resonance.q_unloaded` is the under-coupled candidate,
        `Resonance.q_unloaded_other` the over-coupled one, and the coupling factor's interval
        reaches over both. Its circle has the under-coupled candidate's; sizes are right for either.
    """
    reason = screen(sweep)
    if reason is not None:
        return Resonance("refused", (reason,), line=line)
    findings: list[Finding] = []
    if line is not None and line.z0_ohm != sweep.z0_ohm:
        findings.append(_line_stays(line, sweep))
        line = None
    loss = 1.0 if line is None else np.abs(line.round_trip(sweep.f_hz))
    at_plane = sweep.with_gamma(np.asarray(np.abs(sweep.gamma) / loss, dtype=np.complex128))
    return _told(fit_sizes(at_plane), at_plane, line, findings)


def _told(fit: SizeFit, sweep: Sweep, line: Line | None, findings: list[Finding]) -> Resonance:
    inflation = _inflation(fit)
    spread = np.zeros((UNKNOWNS, UNKNOWNS)) if fit.covariance is None else fit.covariance
    here = np.concatenate([fit.p, fit.a])
    drawn = here + inflation * _normal_draws() @ _root(spread).T
    candidates = Candidates.of(fit, np.concatenate([here[None], drawn]))
    evidence = _evidence(fit, candidates, sweep, inflation)
    status, judged = judge(evidence, fit.covariance is not None)
    if status == "refused":
        return Resonance("refused", tuple(judged), line=line)
    f, q = candidates.f_loaded_hz, candidates.q_loaded
    off = np.abs(np.abs(sweep.gamma[fit.kept]) - np.sqrt(np.maximum(fit.square[fit.kept], 0)))
    resonance = Resonance(
        status="doubtful",
        f_loaded_hz=Estimate.normal(float(f[0]), float(f[1:].std()), fit.dof),
        q_loaded=_lognormal(q, fit.dof),
        half_power_bandwidth_hz=_lognormal(f / q, fit.dof),
        residual_rms=float(np.sqrt(np.mean(off**2))),
        points_in_bandwidth=evidence.points,
        circle=candidates.circle(fit, over=False),
        covariance=candidates.covariance(),
        kept=fit.kept,
        line=line,
    )
    return _with_candidates(resonance, fit, candidates, [*findings, *judged])


def _with_candidates(
    resonance: Resonance, fit: SizeFit, candidates: Candidates, findings: list[Finding]
) -> Resonance:
    """Return the resonance with both candidates of the unloaded figures."""
    stretch = coverage_factor(fit.dof) / _NORMAL_95
    figures = [[_propagated(draws, stretch) for draws in candidates.unloaded(over)]
               for over in (False, True)]  # fmt: skip
    u_size = float(candidates.detuned[1:].std())
    loss: list[Finding] = []
    for over, pair in enumerate(figures):
        circle = candidates.circle(fit, bool(over))
        other = unexplained_loss(circle, u_size, pair[0].value, resonance.line is not None)
        if other is not None:
            figures[over] = [e.widened(x) for e, x in zip(pair, other[:2], strict=True)]
            loss += [] if other[2] is None else [other[2]]
    (q_under, beta), (q_over, beta_over) = figures
    told = _two_candidates(q_under, q_over, beta, beta_over)
    return replace(
        resonance,
        findings=ranked([told, *findings, *loss[:1]]),
        q_unloaded=q_under,
        q_unloaded_other=q_over,
        coupling_factor=beta.widened(beta_over.low, beta_over.high),
    )


def _two_candidates(
    q_under: Estimate, q_over: Estimate, beta: Estimate, beta_over: Estimate
) -> Finding:
    return Finding(
        "two-candidates", "warning",
        "Without the sign of the phase the sweep tells the dip but not the side of the match: "
        f"unloaded Q {q_under.value:.4g} and coupling factor {beta.value:.3g} if under-coupled, "
        f"{q_over.value:.4g} and {beta_over.value:.3g} if over-coupled.",
        {"q_unloaded_under": q_under.value, "u_under": q_under.u,
         "q_unloaded_over": q_over.value, "u_over": q_over.u,
         "coupling_factor_under": beta.value, "coupling_factor_over": beta_over.value},
        "Save complex data (Touchstone); or sweep again with a slightly larger coupling loop: the "
        "dip gets deeper if it was under-coupled, shallower if over-coupled.",
    )  # fmt: skip


def _line_stays(line: Line, sweep: Sweep) -> Finding:
    return Finding(
        "line-not-taken-out", "warning",
        f"A line of {line.z0_ohm:g} ohm cannot be taken out of {sweep.z0_ohm:g} ohm sizes without "
        "their phase: figures are those at the analyzer.",
        {"line_z0_ohm": line.z0_ohm, "z0_ohm": sweep.z0_ohm},
        "Save complex data (Touchstone), or sweep at the loop's terminals.",
    )  # fmt: skip


def _propagated(draws: FloatArray, stretch: float) -> Estimate:
    """Return the first value with the spread and the 95 % interval of the rest.

    Parameters
    ----------
    draws : ndarray, shape (1 + m,)
    stretch : float
        Of the interval about the value, for the noise is estimated too.
    """
    value = float(draws[0])
    low, high = (float(end) for end in np.percentile(draws[1:], _TAILS))
    low, high = (value * (max(end, 1e-300) / value) ** stretch for end in (low, high))
    return Estimate(value, float(draws[1:].std()), min(low, value), max(high, value))


def _lognormal(draws: FloatArray, dof: float) -> Estimate:
    value = float(draws[0])
    return Estimate.lognormal(value, value * float(np.log(draws[1:]).std()), dof)


@lru_cache(maxsize=1)
def _normal_draws() -> FloatArray:
    """Return fixed draws of five independent standard normals whose covariance is exactly one."""
    half = np.random.default_rng(20080101).standard_normal((_DRAWS // 2, UNKNOWNS))
    draws = np.concatenate([half, -half])
    return np.asarray(draws @ np.linalg.inv(_root(np.cov(draws.T))).T)


def _root(covariance: FloatArray) -> FloatArray:
    """Return R with ``R R^T`` the covariance, which may be zero."""
    scale = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    values, vectors = np.linalg.eigh(covariance / scale[:, None] / scale)
    return np.asarray(scale[:, None] * vectors * np.sqrt(np.maximum(values, 0)))


def _correlation(fit: SizeFit) -> float:
    r = fit.residual
    pairs = fit.kept[1:] & fit.kept[:-1]
    power = float(((r[1:] ** 2 + r[:-1] ** 2) * pairs).sum()) / 2
    return float((r[1:] * r[:-1] * pairs).sum()) / max(power, 1e-300)


def _inflation(fit: SizeFit) -> float:
    # One real residual a point, half of what a complex one holds.
    points = np.array([fit.kept.sum() / 2])
    return float(correlation_inflation(np.array([_correlation(fit)]), points)[0])


def _evidence(fit: SizeFit, candidates: Candidates, sweep: Sweep, inflation: float) -> Evidence:
    x, kept = fit.x, fit.kept
    size = np.abs(sweep.gamma)
    measured = np.isfinite(size)
    diameter = np.abs(candidates.drop_under)
    relative = diameter / candidates.detuned
    q0 = candidates.unloaded(over=False)[0]
    rho = max(_correlation(fit), 0.0)
    shared = math.sqrt(rho) * fit.noise if rho * math.sqrt(kept.sum()) >= _NOTABLE else 0.0
    share = share_of_one_point(x[None], fit.rows.weight)[0]
    return Evidence(
        f_loaded_hz=float(candidates.f_loaded_hz[0]),
        q_loaded=float(candidates.q_loaded[0]),
        place=float(fit.p[0]),
        widths=math.exp(fit.p[1]),
        gain=fit.gain,
        rival=fit.rival,
        step=float(step_gain(fit.residual[None].astype(np.complex128), fit.rows.weight)[0]),
        points=int((kept & (np.abs(x) <= 1)).sum()),
        one_point=float(share),
        u_q_loaded=float(np.log(candidates.q_loaded[1:]).std()),
        u_q_unloaded=float(np.log(q0[1:]).std()),
        diameter=float(relative[0]),
        u_diameter=float(relative[1:].std()),
        misfit=shared / max(float(diameter[0]), 1e-300),
        inflation=inflation,
        detuned_size=float(candidates.detuned[0]),
        largest=float(size[measured].max()),
        noise=fit.noise,
        set_aside=int(measured.sum() - kept.sum()),
        measured=int(measured.sum()),
    )
