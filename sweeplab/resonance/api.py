"""Sweeps in, resonances out: one, many at once, or a stream."""

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
from sweeplab.resonance.diagnostics import gather
from sweeplab.resonance.drift.correct import MOST_POINTS, correct_drift, drift_not_tested_finding
from sweeplab.resonance.quality import judge, screen
from sweeplab.resonance.result import Circle, Resonance
from sweeplab.resonance.scalar.magnitude import fit_magnitude
from sweeplab.resonance.scalar.sign_recovery import recover_signs, signs_unknown_finding
from sweeplab.resonance.unexplained_loss import unexplained_loss
from sweeplab.runtime import one_blas_thread
from sweeplab.sweep import Sweep

# Large enough to hide the interpreter, small enough for a processor's cache.
_BATCH = 256
_BATCH_POINTS = 2**16
# A detuned reflection this near to an open shows no reactance of the coupling loop.
_OPEN: Threshold = 1e-6


def fit_resonance(
    sweep: Sweep, line: Line | None = None, *, near_hz: float | None = None
) -> Resonance:
    """Fit one sweep's resonance.

    Parameters
    ----------
    sweep : Sweep
    line : Line or None
        A described feed line is taken out first, with its loss. Without one, the delay of an
        unknown line is fitted and its loss read off the detuned reflection.
    near_hz : float or None
        Where the wanted resonance is expected, if the sweep shows several. Without it: the one in
        an amateur band, else the deepest; the others are reported.

    Returns
    -------
    Resonance
        Never raises on a sweep that could be read: see `Resonance.status`.
    """
    return fit_many([sweep], line=line, near_hz=near_hz)[0]


def fit_many(
    sweeps: Iterable[Sweep], line: Line | None = None, *, near_hz: float | None = None
) -> list[Resonance]:
    """Fit many sweeps, in batches of equal length; the same results as one at a time.

    Returns
    -------
    list of Resonance
        In the order given. A sweep whose computation breaks off is refused, alone.
    """
    given = list(sweeps)

    def refused(sweep: Sweep, error: Exception) -> Resonance:
        return Resonance("refused", (unforeseen_finding(sweep, error),), line=line)

    with one_blas_thread():
        return isolated(given, lambda some: _fit_all(some, line, near_hz), refused)


def _fit_all(given: Sequence[Sweep], line: Line | None, near_hz: float | None) -> list[Resonance]:
    planes = [sweep if line is None else deembed(sweep, line) for sweep in given]
    results: list[Resonance | None] = [None] * len(planes)
    by_length: dict[int, list[int]] = {}
    for i, sweep in enumerate(planes):
        # Without its phase a sweep is fitted as measured.
        reason = screen(sweep if sweep.content == "complex" else given[i])
        if reason is None and sweep.content != "complex":
            results[i] = _fit_without_phase(given[i], line, near_hz)
        elif reason is None:
            by_length.setdefault(len(sweep), []).append(i)
        else:
            results[i] = Resonance("refused", (reason,), line=line)
    for indices in by_length.values():
        size = max(1, _BATCH_POINTS // len(planes[indices[0]]))
        for first in range(0, len(indices), size):
            batch = indices[first : first + size]
            for i, resonance in zip(
                batch, _fit_batch([planes[i] for i in batch], line, near_hz), strict=True
            ):
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
        fit, told = fit_magnitude(sweep, line, near_hz=near_hz), signs_unknown_finding()
    else:
        fit, told = fit_resonance(signed.sweep, line, near_hz=near_hz), signed.finding
    return replace(fit, findings=ranked((*fit.findings, told)))


def _fit_batch(
    sweeps: Sequence[Sweep], line: Line | None, near_hz: float | None
) -> Iterator[Resonance]:
    gamma = np.stack([sweep.gamma for sweep in sweeps])
    finite = np.isfinite(gamma)
    rows = SweepBatch.of(
        f_hz=np.stack([sweep.f_hz for sweep in sweeps]),
        gamma=np.where(finite, gamma, 0),
        weight=finite.astype(float),
    )
    fitted = correct_drift(fit_batch(rows, np.full(len(sweeps), line is not None), near_hz), rows)
    found = circle_estimates(fitted)
    known, kept = found.known, fitted.rows.weight > 0
    rms = np.sqrt(fitted.solution.rss / fitted.rows.weight.sum(axis=1)).tolist()
    loaded = zip(
        found.f_loaded_estimates(), found.q_loaded.estimates(),
        found.half_power_bandwidth.estimates(), strict=True,
    )  # fmt: skip
    unloaded = _unloaded(found, known, line, [sweep.z0_ohm for sweep in sweeps])
    evidence = gather(fitted, found, rows)
    for row, (sweep, told, at_load, without) in enumerate(
        zip(sweeps, evidence, loaded, unloaded, strict=True)
    ):
        status, findings = judge(told, known[row])
        if status == "refused":
            yield Resonance("refused", tuple(findings), line=line)
            continue
        figures_alone, notes = without
        if len(sweep) > MOST_POINTS:
            findings.append(drift_not_tested_finding(len(sweep)))
        if row in fitted.told:
            findings += _other_resonances(fitted.told[row])
        if line is not None and fitted.delay_free[row]:
            findings.append(_rest_of_line(found.circles[row]))
        yield Resonance(
            status,
            ranked((*findings, *notes)),
            f_loaded_hz=at_load[0],
            q_loaded=at_load[1],
            half_power_bandwidth_hz=at_load[2],
            residual_rms=rms[row],
            points_in_bandwidth=told.points,
            circle=found.circles[row],
            covariance=found.covariance[row],
            kept=kept[row],
            line=line,
            **figures_alone,
        )


def _unloaded(
    found: CircleEstimates, known: Sequence[bool], line: Line | None, z0_ohm: Sequence[float]
) -> Iterator[tuple[dict[str, Any], list[Finding]]]:
    """Yield each row's figures without the load, where there are any, and what they need said."""
    pairs = zip(found.q_unloaded.estimates(), found.coupling_factor.estimates(), strict=True)
    u_size = (found.detuned_size.value * found.detuned_size.u_relative).tolist()
    coupled = found.coupled
    for row, (q0, beta) in enumerate(pairs):
        if not (coupled[row] and known[row]):
            yield {}, []
            continue
        circle, coupling, notes = found.circles[row], coupling_of(beta), []
        other = unexplained_loss(circle, u_size[row], q0.value, line is not None)
        if other is not None:
            q0, beta = q0.widened(other[0]), beta.widened(other[1])
            notes = [] if other[2] is None else [other[2]]
        pulled = None if line is None else _unloaded_frequency(found, row, q0, beta, z0_ohm[row])
        yield {
            "f0_hz": pulled, "q_unloaded": q0, "coupling_factor": beta, "coupling": coupling,
        }, notes  # fmt: skip


def _other_resonances(told: MultiResonance) -> Iterator[Finding]:
    for f_hz, q, diameter in zip(
        told.others_hz.tolist(), told.others_q.tolist(), told.others_diameter.tolist(), strict=True
    ):
        yield Finding(
            "another-resonance", "note",
            f"Another resonance at {f_hz / 1e6:.4g} MHz (loaded Q {q:.3g}) was told apart: the "
            "coupling loop, the line's outside, or metal nearby.",
            {"f_loaded_hz": f_hz, "q_loaded": q, "diameter": diameter},
            "If that one was meant, say so with --near; else choke the line and clear the site.",
        )  # fmt: skip


def _rest_of_line(circle: Circle) -> Finding:
    return Finding(
        "rest-of-line", "note",
        f"A delay of {circle.delay_s * 1e9:.1f} ns is left after the described line: the coupling "
        "loop's own reactance, or a length that is not as described. It was fitted.",
        {"delay_s": circle.delay_s},
        "Nothing to do if a few ns; else check the line's length and velocity factor.",
    )  # fmt: skip


def _unloaded_frequency(
    found: CircleEstimates, row: int, q_unloaded: Estimate, beta: Estimate, z0_ohm: float
) -> Estimate | None:
    """Undo the coupling loop's pull: ``fL = f0 (1 + beta Xc/(2 Q0 Z0))``.

    The coupling loop's reactance Xc is read off the detuned reflection at the loop's terminals
    (Kajfez & Hwan 1984).
    """
    circle, f_loaded = found.circles[row], found.f_loaded
    size = max(abs(circle.detuned), 1e-300)
    gd = circle.detuned / size
    if abs(1 - gd) < _OPEN:
        return None
    x_over_z0 = ((1 + gd) / (1 - gd)).imag
    pull = beta.value * x_over_z0 / (2 * q_unloaded.value)
    # The pull is uncertain by the turn of Gd: d(Xc/Z0) = (1 + (Xc/Z0)^2)/2 d(arg Gd).
    turn = np.array([0, 0, 0, -gd.imag, gd.real, 0, 0]) / size
    variance = float(turn @ found.covariance[row] @ turn)
    u_x = (1 + x_over_z0**2) / 2 * math.sqrt(max(variance, 0.0))
    u_pull = abs(beta.value / (2 * q_unloaded.value)) * u_x
    value = circle.f_loaded_hz / (1 + pull)
    u_loaded = circle.f_loaded_hz * float(f_loaded.u_relative[row])
    return Estimate.normal(value, math.hypot(u_loaded, value * u_pull))
