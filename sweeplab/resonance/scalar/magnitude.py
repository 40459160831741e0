"""What the magnitude of the reflection alone says of a resonance.

Loaded frequency, loaded Q and the dip follow; which side of the match the coupling is on does not.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from sweeplab.estimate import Estimate
from sweeplab.finding import Finding, ranked
from sweeplab.line import Line
from sweeplab.resonance.circle.null_models import step_gain
from sweeplab.resonance.circle.uncertainty import CORRELATION_LIMIT, correlation_inflation
from sweeplab.resonance.diagnostics import FitDiagnostics, largest_point_share
from sweeplab.resonance.quality import judge
from sweeplab.resonance.result import Resonance
from sweeplab.resonance.scalar.coupling_branches import (
    BranchUncertainty,
    CouplingBranches,
    standard_uncertainty,
)
from sweeplab.resonance.scalar.dips import isolate_dip
from sweeplab.resonance.scalar.power_fit import PowerFit, fit_power
from sweeplab.resonance.screening import screen
from sweeplab.resonance.unexplained_loss import unexplained_loss
from sweeplab.sweep import Sweep


def fit_magnitude(
    sweep: Sweep, line: Line | None = None, *, near_hz: float | None = None
) -> Resonance:
    """Fit a sweep of which only the reflection's magnitude is known.

    Parameters
    ----------
    sweep : Sweep
        As measured; the phase of its reflections is ignored.
    line : Line or None
        A described feed line, whose loss is taken out where it has the sweep's own impedance.
    near_hz : float or None
        Where the resonance is expected, if the sweep dips more than once.

    Returns
    -------
    Resonance
        At best 'doubtful': `Resonance.q_unloaded` is the under-coupled candidate,
        `Resonance.q_unloaded_other` the over-coupled one, and the coupling factor's interval
        covers both. Its circle is the under-coupled candidate's; magnitudes are right for either.
    """
    reason = screen(sweep)
    if reason is not None:
        return Resonance("refused", (reason,), line=line)
    findings: list[Finding] = []
    if line is not None and line.z0_ohm != sweep.z0_ohm:
        findings.append(_line_not_removed_finding(line, sweep))
        line = None
    loss = 1.0 if line is None else np.abs(line.round_trip(sweep.f_hz))
    at_plane = sweep.with_gamma(np.asarray(np.abs(sweep.gamma) / loss, dtype=np.complex128))
    isolated = isolate_dip(at_plane, near_hz)
    if isolated is not None:
        at_plane = isolated.sweep
        findings.append(isolated.finding())
    return _resonance(fit_power(at_plane), at_plane, line, findings)


def _resonance(
    fit: PowerFit, sweep: Sweep, line: Line | None, findings: list[Finding]
) -> Resonance:
    inflation = _inflation(fit)
    uncertainty = BranchUncertainty.from_fit(fit, inflation)
    branches = uncertainty.sigma_points
    diagnostics = _diagnostics(fit, branches, sweep, inflation)
    status, quality_findings = judge(diagnostics, fit.covariance is not None)
    if status == "refused":
        return Resonance("refused", tuple(quality_findings), line=line)
    f, q = branches.f_loaded_hz, branches.q_loaded
    u_f, u_q, u_bandwidth = (standard_uncertainty(values) for values in (f, q, f / q))
    misfit = np.abs(sweep.gamma[fit.used]) - np.sqrt(np.maximum(fit.power[fit.used], 0))
    resonance = Resonance(
        status="doubtful",
        f_loaded_hz=Estimate.normal(float(f[0]), u_f, fit.dof),
        q_loaded=Estimate.lognormal(float(q[0]), u_q, fit.dof),
        half_power_bandwidth_hz=Estimate.lognormal(float(f[0] / q[0]), u_bandwidth, fit.dof),
        residual_rms=float(np.sqrt(np.mean(misfit**2))),
        points_in_bandwidth=diagnostics.points_in_bandwidth,
        circle=branches.circle(fit, over=False),
        covariance=uncertainty.covariance(),
        kept=fit.used,
        line=line,
    )
    return _with_candidates(resonance, fit, uncertainty, [*findings, *quality_findings])


def _with_candidates(
    resonance: Resonance, fit: PowerFit, uncertainty: BranchUncertainty, findings: list[Finding]
) -> Resonance:
    """Return the resonance with both candidates of the unloaded figures."""
    branches = uncertainty.sigma_points
    figures = [uncertainty.unloaded(over) for over in (False, True)]
    loss: list[Finding] = []
    for over, pair in enumerate(figures):
        alternative = unexplained_loss(
            branches.circle(fit, bool(over)),
            standard_uncertainty(branches.detuned),
            pair[0].value,
            resonance.line is not None,
        )
        if alternative is not None:
            figures[over] = [e.widened(x) for e, x in zip(pair, alternative[:2], strict=True)]
            loss += [] if alternative[2] is None else [alternative[2]]
    (q_under, beta), (q_over, beta_over) = figures
    candidates = _two_candidates_finding(q_under, q_over, beta, beta_over)
    return replace(
        resonance,
        findings=ranked([candidates, *findings, *loss[:1]]),
        q_unloaded=q_under,
        q_unloaded_other=q_over,
        coupling_factor=beta.widened(beta_over.low, beta_over.high),
    )


def _two_candidates_finding(
    q_under: Estimate, q_over: Estimate, beta: Estimate, beta_over: Estimate
) -> Finding:
    return Finding(
        code="two-candidates",
        level="warning",
        text="Without the sign of the phase the sweep tells the dip but not the side of the match: "
        f"unloaded Q {q_under.value:.4g} and coupling factor {beta.value:.3g} if under-coupled, "
        f"{q_over.value:.4g} and {beta_over.value:.3g} if over-coupled.",
        evidence={
            "q_unloaded_under": q_under.value,
            "u_under": q_under.u,
            "q_unloaded_over": q_over.value,
            "u_over": q_over.u,
            "coupling_factor_under": beta.value,
            "coupling_factor_over": beta_over.value,
        },
        action="Save complex data (Touchstone); or sweep again with a slightly larger coupling "
        "loop: the dip gets deeper if it was under-coupled, shallower if over-coupled.",
    )


def _line_not_removed_finding(line: Line, sweep: Sweep) -> Finding:
    return Finding(
        code="line-not-taken-out",
        level="warning",
        text=f"A line of {line.z0_ohm:g} ohm cannot be taken out of {sweep.z0_ohm:g} ohm sizes "
        "without their phase: figures are those at the analyzer.",
        evidence={"line_z0_ohm": line.z0_ohm, "z0_ohm": sweep.z0_ohm},
        action="Save complex data (Touchstone), or sweep at the loop's terminals.",
    )


def _correlation(fit: PowerFit) -> float:
    """Return the residual's lag-one correlation."""
    r = fit.residual
    pairs = fit.used[1:] & fit.used[:-1]
    power = float(((r[1:] ** 2 + r[:-1] ** 2) * pairs).sum()) / 2
    return float((r[1:] * r[:-1] * pairs).sum()) / max(power, 1e-300)


def _inflation(fit: PowerFit) -> float:
    # One real residual per point, half of what a complex one holds.
    points = np.array([fit.used.sum() / 2])
    return float(correlation_inflation(np.array([_correlation(fit)]), points)[0])


def _diagnostics(
    fit: PowerFit, branches: CouplingBranches, sweep: Sweep, inflation: float
) -> FitDiagnostics:
    x, used = fit.x, fit.used
    magnitude = np.abs(sweep.gamma)
    measured = np.isfinite(magnitude)
    diameter = np.abs(branches.drop(over=False))
    relative_diameter = diameter / branches.detuned
    q0 = branches.unloaded(over=False)[0]
    rho = max(_correlation(fit), 0.0)
    correlated = rho * math.sqrt(used.sum()) >= CORRELATION_LIMIT
    correlated_rms = math.sqrt(rho) * fit.noise if correlated else 0.0
    residual = fit.residual[None].astype(np.complex128)
    return FitDiagnostics(
        f_loaded_hz=float(branches.f_loaded_hz[0]),
        q_loaded=float(branches.q_loaded[0]),
        position=float(fit.p[0]),
        span_bandwidths=math.exp(fit.p[1]),
        chi_square_gain=fit.chi_square_gain,
        null_advantage=fit.ripple_advantage,
        step_gain=float(step_gain(residual, fit.batch.weight)[0]),
        drift=None,
        points_in_bandwidth=int((used & (np.abs(x) <= 1)).sum()),
        max_point_share=float(largest_point_share(x[None], fit.batch.weight)[0]),
        u_q_loaded=standard_uncertainty(np.log(branches.q_loaded)),
        u_q_unloaded=standard_uncertainty(np.log(q0)),
        diameter=float(relative_diameter[0]),
        u_diameter=standard_uncertainty(relative_diameter),
        misfit=correlated_rms / max(float(diameter[0]), 1e-300),
        inflation=inflation,
        detuned_magnitude=float(branches.detuned[0]),
        u_detuned_magnitude=standard_uncertainty(branches.detuned),
        largest_reflection=float(magnitude[measured].max()),
        noise=fit.noise,
        points_set_aside=int(measured.sum() - used.sum()),
        points_measured=int(measured.sum()),
    )
