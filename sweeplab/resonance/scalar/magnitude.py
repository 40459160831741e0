"""What the size of the reflection alone says of a resonance.

Loaded frequency, loaded Q and the dip follow; which side of the match the coupling is on does not.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from sweeplab.estimate import Estimate
from sweeplab.finding import Finding, Threshold, ranked
from sweeplab.line import Line
from sweeplab.resonance.circle.null_models import step_gain
from sweeplab.resonance.circle.uncertainty import correlation_inflation
from sweeplab.resonance.diagnostics import FitDiagnostics, share_of_one_point
from sweeplab.resonance.quality import judge, screen
from sweeplab.resonance.result import Resonance
from sweeplab.resonance.scalar.coupling_branches import CouplingBranches, Spread, deviation
from sweeplab.resonance.scalar.dips import about_the_wanted
from sweeplab.resonance.scalar.power_fit import PowerFit, fit_power
from sweeplab.resonance.unexplained_loss import unexplained_loss
from sweeplab.sweep import Sweep

# Residuals of neighbours that hang together by so many standard deviations are no white noise.
_NOTABLE: Threshold = 3.0


def fit_magnitude(
    sweep: Sweep, line: Line | None = None, *, near_hz: float | None = None
) -> Resonance:
    """Fit a sweep of which only the reflection's size is known.

    Parameters
    ----------
    sweep : Sweep
        As measured; the phase of its reflections is not looked at.
    line : Line or None
        A described feed line, whose loss is taken out where it has the sweep's own impedance.
    near_hz : float or None
        Where the wanted resonance is expected, if the sweep dips more than once.

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
    several = about_the_wanted(at_plane, near_hz)
    if several is not None:
        at_plane = several.sweep
        findings.append(several.finding())
    return _told(fit_power(at_plane), at_plane, line, findings)


def _told(fit: PowerFit, sweep: Sweep, line: Line | None, findings: list[Finding]) -> Resonance:
    inflation = _inflation(fit)
    spread = Spread.of(fit, inflation)
    evidence = _evidence(fit, spread.sides, sweep, inflation)
    status, judged = judge(evidence, fit.covariance is not None)
    if status == "refused":
        return Resonance("refused", tuple(judged), line=line)
    f, q = spread.sides.f_loaded_hz, spread.sides.q_loaded
    off = np.abs(sweep.gamma[fit.kept]) - np.sqrt(np.maximum(fit.square[fit.kept], 0))
    resonance = Resonance(
        status="doubtful",
        f_loaded_hz=Estimate.normal(float(f[0]), deviation(f), fit.dof),
        q_loaded=Estimate.lognormal(float(q[0]), deviation(q), fit.dof),
        half_power_bandwidth_hz=Estimate.lognormal(float(f[0] / q[0]), deviation(f / q), fit.dof),
        residual_rms=float(np.sqrt(np.mean(off**2))),
        points_in_bandwidth=evidence.points,
        circle=spread.sides.circle(fit, over=False),
        covariance=spread.covariance(),
        kept=fit.kept,
        line=line,
    )
    return _with_candidates(resonance, fit, spread, [*findings, *judged])


def _with_candidates(
    resonance: Resonance, fit: PowerFit, spread: Spread, findings: list[Finding]
) -> Resonance:
    """Return the resonance with both candidates of the unloaded figures."""
    figures = [spread.unloaded(over) for over in (False, True)]
    loss: list[Finding] = []
    for over, pair in enumerate(figures):
        other = unexplained_loss(
            spread.sides.circle(fit, bool(over)), deviation(spread.sides.detuned),
            pair[0].value, resonance.line is not None,
        )  # fmt: skip
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


def _correlation(fit: PowerFit) -> float:
    r = fit.residual
    pairs = fit.kept[1:] & fit.kept[:-1]
    power = float(((r[1:] ** 2 + r[:-1] ** 2) * pairs).sum()) / 2
    return float((r[1:] * r[:-1] * pairs).sum()) / max(power, 1e-300)


def _inflation(fit: PowerFit) -> float:
    # One real residual a point, half of what a complex one holds.
    points = np.array([fit.kept.sum() / 2])
    return float(correlation_inflation(np.array([_correlation(fit)]), points)[0])


def _evidence(
    fit: PowerFit, candidates: CouplingBranches, sweep: Sweep, inflation: float
) -> FitDiagnostics:
    x, kept = fit.x, fit.kept
    size = np.abs(sweep.gamma)
    measured = np.isfinite(size)
    diameter = np.abs(candidates.drop(over=False))
    relative = diameter / candidates.detuned
    q0 = candidates.unloaded(over=False)[0]
    rho = max(_correlation(fit), 0.0)
    shared = math.sqrt(rho) * fit.noise if rho * math.sqrt(kept.sum()) >= _NOTABLE else 0.0
    share = share_of_one_point(x[None], fit.rows.weight)[0]
    return FitDiagnostics(
        f_loaded_hz=float(candidates.f_loaded_hz[0]),
        q_loaded=float(candidates.q_loaded[0]),
        place=float(fit.p[0]),
        widths=math.exp(fit.p[1]),
        gain=fit.gain,
        rival=fit.rival,
        step=float(step_gain(fit.residual[None].astype(np.complex128), fit.rows.weight)[0]),
        drift=None,
        points=int((kept & (np.abs(x) <= 1)).sum()),
        one_point=float(share),
        u_q_loaded=deviation(np.log(candidates.q_loaded)),
        u_q_unloaded=deviation(np.log(q0)),
        diameter=float(relative[0]),
        u_diameter=deviation(relative),
        misfit=shared / max(float(diameter[0]), 1e-300),
        inflation=inflation,
        detuned_size=float(candidates.detuned[0]),
        u_detuned_size=deviation(candidates.detuned),
        largest=float(size[measured].max()),
        noise=fit.noise,
        set_aside=int(measured.sum() - kept.sum()),
        measured=int(measured.sum()),
    )
