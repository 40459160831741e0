"""Fits of resonances: one sweep, many at once, or a stream."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import islice
from typing import Any

import numpy as np

from sweeplab.estimate import Estimate
from sweeplab.finding import Finding, Threshold, ranked
from sweeplab.isolation import isolated, unforeseen_finding
from sweeplab.line import Line, deembed
from sweeplab.resonance.circle.batch import SweepBatch
from sweeplab.resonance.circle.fit import fit_batch
from sweeplab.resonance.circle.multi import MultiResonance
from sweeplab.resonance.circle.uncertainty import CircleEstimates, circle_estimates, coupling_of
from sweeplab.resonance.diagnostics import fit_diagnostics
from sweeplab.resonance.drift.correct import (
    MOST_POINTS,
    DriftCorrectedFit,
    correct_drift,
    drift_not_tested_finding,
)
from sweeplab.resonance.quality import judge
from sweeplab.resonance.result import Circle, Resonance
from sweeplab.resonance.scalar.magnitude import fit_magnitude
from sweeplab.resonance.scalar.sign_recovery import recover_signs, signs_unknown_finding
from sweeplab.resonance.screening import screen
from sweeplab.resonance.unexplained_loss import unexplained_loss
from sweeplab.runtime import one_blas_thread
from sweeplab.sweep import Sweep

# Large enough to hide the interpreter, small enough for a processor's cache.
_BATCH = 256
_BATCH_POINTS = 2**16
# A detuned reflection this close to an open shows no reactance of the coupling loop.
_OPEN: Threshold = 1e-6


def fit_resonance(
    sweep: Sweep, line: Line | None = None, *, near_hz: float | None = None
) -> Resonance:
    """Fit one sweep's resonance.

    Parameters
    ----------
    sweep : Sweep
    line : Line or None
        A described feed line is de-embedded first, with its loss. Without one, the delay of an
        unknown line is fitted and its loss taken from the detuned reflection.
    near_hz : float or None
        Where the resonance of interest is expected, if the sweep shows several. Without it: the
        one in an amateur band, else the deepest; the others are reported.

    Returns
    -------
    Resonance
        Never raises on a sweep that could be read: see `Resonance.status`.
    """
    return fit_many([sweep], line=line, near_hz=near_hz)[0]


def fit_many(
    sweeps: Iterable[Sweep], line: Line | None = None, *, near_hz: float | None = None
) -> list[Resonance]:
    """Fit many sweeps, in batches of equal length, with the same results as one at a time.

    Returns
    -------
    list of Resonance
        In the order given. A sweep whose computation fails is refused; the others are not affected.
    """
    given = list(sweeps)

    def refused(sweep: Sweep, error: Exception) -> Resonance:
        return Resonance("refused", (unforeseen_finding(sweep, error),), line=line)

    with one_blas_thread():
        return isolated(given, lambda group: _fit_all(group, line, near_hz), refused)


def _fit_all(given: Sequence[Sweep], line: Line | None, near_hz: float | None) -> list[Resonance]:
    at_antenna = [sweep if line is None else deembed(sweep, line) for sweep in given]
    results: list[Resonance | None] = [None] * len(given)
    by_length: dict[int, list[int]] = {}
    for i, sweep in enumerate(at_antenna):
        # Without its phase a sweep is fitted as measured.
        reason = screen(sweep if sweep.content == "complex" else given[i])
        if reason is None and sweep.content != "complex":
            results[i] = _fit_without_phase(given[i], line, near_hz)
        elif reason is None:
            by_length.setdefault(len(sweep), []).append(i)
        else:
            results[i] = Resonance("refused", (reason,), line=line)
    for indices in by_length.values():
        size = max(1, _BATCH_POINTS // len(at_antenna[indices[0]]))
        for first in range(0, len(indices), size):
            batch = indices[first : first + size]
            fits = _fit_batch([at_antenna[i] for i in batch], line, near_hz)
            for i, resonance in zip(batch, fits, strict=True):
                results[i] = resonance
    return [resonance for resonance in results if resonance is not None]


def iter_fit(
    sweeps: Iterable[Sweep], line: Line | None = None, *, near_hz: float | None = None
) -> Iterator[Resonance]:
    """Fit a stream of sweeps in order, holding one batch in memory at a time."""
    stream = iter(sweeps)
    while batch := list(islice(stream, _BATCH)):
        yield from fit_many(batch, line=line, near_hz=near_hz)


def _fit_without_phase(sweep: Sweep, line: Line | None, near_hz: float | None) -> Resonance:
    """Fit a sweep, as measured, whose phase is unsigned or not known."""
    if sweep.content == "magnitude":
        return fit_magnitude(sweep, line, near_hz=near_hz)
    signed = recover_signs(sweep)
    if signed is None:
        fit, finding = fit_magnitude(sweep, line, near_hz=near_hz), signs_unknown_finding()
    else:
        fit, finding = fit_resonance(signed.sweep, line, near_hz=near_hz), signed.finding
    return replace(fit, findings=ranked((*fit.findings, finding)))


def _fit_batch(
    sweeps: Sequence[Sweep], line: Line | None, near_hz: float | None
) -> Iterator[Resonance]:
    """Yield the resonances of complex sweeps of equal length."""
    measured = _batch_of(sweeps)
    line_known = np.full(len(sweeps), line is not None)
    fitted = correct_drift(fit_batch(measured, line_known, near_hz), measured)
    estimates = circle_estimates(fitted)
    diagnostics = fit_diagnostics(fitted, estimates, measured)
    determined, used = estimates.determined, fitted.batch.weight > 0
    loaded = _loaded(fitted, estimates)
    unloaded = _unloaded(estimates, determined, line, [sweep.z0_ohm for sweep in sweeps])
    for row, (at_load, (without_load, notes)) in enumerate(zip(loaded, unloaded, strict=True)):
        status, findings = judge(diagnostics[row], determined[row])
        if status == "refused":
            yield Resonance("refused", tuple(findings), line=line)
            continue
        findings += _notes_on_fit(fitted, row, estimates.circles[row], line)
        yield Resonance(
            status,
            ranked((*findings, *notes)),
            points_in_bandwidth=diagnostics[row].points_in_bandwidth,
            circle=estimates.circles[row],
            covariance=estimates.covariance[row],
            kept=used[row],
            line=line,
            **at_load,
            **without_load,
        )


def _batch_of(sweeps: Sequence[Sweep]) -> SweepBatch:
    gamma = np.stack([sweep.gamma for sweep in sweeps])
    finite = np.isfinite(gamma)
    return SweepBatch.of(
        f_hz=np.stack([sweep.f_hz for sweep in sweeps]),
        gamma=np.where(finite, gamma, 0),
        weight=finite.astype(float),
    )


def _loaded(fitted: DriftCorrectedFit, estimates: CircleEstimates) -> Iterator[dict[str, Any]]:
    """Yield each row's figures with the load, as keywords of `Resonance`."""
    rms = np.sqrt(fitted.fit.rss / fitted.batch.weight.sum(axis=1)).tolist()
    for f_loaded, q_loaded, width, row_rms in zip(
        estimates.f_loaded_estimates(),
        estimates.q_loaded.estimates(),
        estimates.half_power_bandwidth.estimates(),
        rms,
        strict=True,
    ):
        yield {
            "f_loaded_hz": f_loaded,
            "q_loaded": q_loaded,
            "half_power_bandwidth_hz": width,
            "residual_rms": row_rms,
        }


def _unloaded(
    estimates: CircleEstimates,
    determined: Sequence[bool],
    line: Line | None,
    z0_ohm: Sequence[float],
) -> Iterator[tuple[dict[str, Any], list[Finding]]]:
    """Yield each row's figures without the load, as keywords of `Resonance`, and their findings."""
    pairs = zip(
        estimates.q_unloaded.estimates(), estimates.coupling_factor.estimates(), strict=True
    )
    detuned = estimates.detuned_magnitude
    u_detuned = (detuned.value * detuned.u_relative).tolist()
    has_unloaded_q = estimates.has_unloaded_q
    for row, (q0, beta) in enumerate(pairs):
        if not (has_unloaded_q[row] and determined[row]):
            yield {}, []
            continue
        circle, coupling, notes = estimates.circles[row], coupling_of(beta), []
        other = unexplained_loss(circle, u_detuned[row], q0.value, line is not None)
        if other is not None:
            q0, beta = q0.widened(other[0]), beta.widened(other[1])
            notes = [] if other[2] is None else [other[2]]
        f0 = None if line is None else _unloaded_frequency(estimates, row, q0, beta, z0_ohm[row])
        figures = {"f0_hz": f0, "q_unloaded": q0, "coupling_factor": beta, "coupling": coupling}
        yield figures, notes


def _notes_on_fit(
    fitted: DriftCorrectedFit, row: int, circle: Circle, line: Line | None
) -> Iterator[Finding]:
    """Yield what the fit of one row has to report beyond its quality."""
    points = fitted.batch.gamma.shape[1]
    if points > MOST_POINTS:
        yield drift_not_tested_finding(points)
    if row in fitted.multi:
        yield from _other_resonances(fitted.multi[row])
    if line is not None and fitted.delay_free[row]:
        yield _residual_delay(circle)


def _other_resonances(multi: MultiResonance) -> Iterator[Finding]:
    for f_hz, q, diameter in zip(
        multi.others_hz.tolist(),
        multi.others_q.tolist(),
        multi.others_diameter.tolist(),
        strict=True,
    ):
        yield Finding(
            code="another-resonance",
            level="note",
            text=(
                f"Another resonance at {f_hz / 1e6:.4g} MHz (loaded Q {q:.3g}) was told apart: the "
                "coupling loop, the line's outside, or metal nearby."
            ),
            evidence={"f_loaded_hz": f_hz, "q_loaded": q, "diameter": diameter},
            action=(
                "If that one was meant, say so with --near; else choke the line and clear the site."
            ),
        )


def _residual_delay(circle: Circle) -> Finding:
    return Finding(
        code="rest-of-line",
        level="note",
        text=(
            f"A delay of {circle.delay_s * 1e9:.1f} ns is left after the described line: the "
            "coupling loop's own reactance, or a length that is not as described. It was fitted."
        ),
        evidence={"delay_s": circle.delay_s},
        action="Nothing to do if a few ns; else check the line's length and velocity factor.",
    )


def _unloaded_frequency(
    estimates: CircleEstimates, row: int, q_unloaded: Estimate, beta: Estimate, z0_ohm: float
) -> Estimate | None:
    """Return f0, with the coupling loop's pull removed: ``fL = f0 (1 + beta Xc/(2 Q0 Z0))``.

    The coupling loop's reactance Xc follows from the detuned reflection at the loop's terminals
    (Kajfez & Hwan 1984). None where that reflection is an open.
    """
    circle, f_loaded = estimates.circles[row], estimates.f_loaded
    magnitude = max(abs(circle.detuned), 1e-300)
    gd = circle.detuned / magnitude
    if abs(1 - gd) < _OPEN:
        return None
    x_over_z0 = ((1 + gd) / (1 - gd)).imag
    pull = beta.value * x_over_z0 / (2 * q_unloaded.value)
    # The pull's uncertainty is that of Gd's angle: d(Xc/Z0) = (1 + (Xc/Z0)^2)/2 d(arg Gd).
    by_angle = np.array([0, 0, 0, -gd.imag, gd.real, 0, 0]) / magnitude
    variance = float(by_angle @ estimates.covariance[row] @ by_angle)
    u_x = (1 + x_over_z0**2) / 2 * math.sqrt(max(variance, 0.0))
    u_pull = abs(beta.value / (2 * q_unloaded.value)) * u_x
    value = circle.f_loaded_hz / (1 + pull)
    u_loaded = circle.f_loaded_hz * float(f_loaded.u_relative[row])
    return Estimate.normal(value, math.hypot(u_loaded, value * u_pull))
