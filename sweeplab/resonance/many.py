"""Sweeps in, resonances out: one, many at once, or a stream."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from itertools import islice

import numpy as np

from sweeplab.estimate import Estimate
from sweeplab.finding import Finding, ranked
from sweeplab.line import Line, deembed
from sweeplab.resonance.brackets import unexplained_loss
from sweeplab.resonance.figures import Figures, figures
from sweeplab.resonance.fit import Fitted, fit_rows
from sweeplab.resonance.judge import judge, points_in_bandwidth, screen
from sweeplab.resonance.kernel import Rows
from sweeplab.resonance.result import Resonance
from sweeplab.sweep import Sweep

# Small enough for a processor's cache, large enough to hide the interpreter.
_BATCH = 64


def fit_resonance(sweep: Sweep, line: Line | None = None) -> Resonance:
    """Fit one sweep's resonance.

    Parameters
    ----------
    sweep : Sweep
    line : Line or None
        A described feed line is taken out first, with its loss. Without one, the delay of an
        unknown line is fitted and its loss read off the detuned reflection.

    Returns
    -------
    Resonance
        Never raises on a sweep that could be read: see `Resonance.status`.
    """
    return fit_many([sweep], line=line)[0]


def fit_many(sweeps: Iterable[Sweep], line: Line | None = None) -> list[Resonance]:
    """Fit many sweeps, in batches of equal length; the same results as one at a time.

    Returns
    -------
    list of Resonance
        In the order given.
    """
    planes = [sweep if line is None else deembed(sweep, line) for sweep in sweeps]
    results: list[Resonance | None] = [None] * len(planes)
    by_length: dict[int, list[int]] = {}
    for i, sweep in enumerate(planes):
        reason = screen(sweep)
        if reason is None:
            by_length.setdefault(len(sweep), []).append(i)
        else:
            results[i] = Resonance("refused", (reason,), line=line)
    for indices in by_length.values():
        for first in range(0, len(indices), _BATCH):
            batch = indices[first : first + _BATCH]
            for i, resonance in zip(
                batch, _fit_batch([planes[i] for i in batch], line), strict=True
            ):
                results[i] = resonance
    return [resonance for resonance in results if resonance is not None]


def iter_fit(sweeps: Iterable[Sweep], line: Line | None = None) -> Iterator[Resonance]:
    """Fit a stream of sweeps in order, holding one batch in memory at a time."""
    stream = iter(sweeps)
    while batch := list(islice(stream, _BATCH)):
        yield from fit_many(batch, line=line)


def _fit_batch(sweeps: Sequence[Sweep], line: Line | None) -> Iterator[Resonance]:
    gamma = np.stack([sweep.gamma for sweep in sweeps])
    finite = np.isfinite(gamma)
    rows = Rows.of(
        f_hz=np.stack([sweep.f_hz for sweep in sweeps]),
        gamma=np.where(finite, gamma, 0),
        weight=finite.astype(float),
    )
    fitted = fit_rows(rows, np.full(len(sweeps), line is not None))
    for row, sweep in enumerate(sweeps):
        yield _resonance(fitted, row, sweep, line)


def _resonance(fitted: Fitted, row: int, sweep: Sweep, line: Line | None) -> Resonance:
    known = np.all(np.isfinite(fitted.covariance[row]))
    found = figures(fitted, row) if known else None
    verdict = judge(fitted, row, found, sweep)
    if verdict.status == "refused" or found is None:
        return Resonance("refused", verdict.findings, line=line)
    findings = list(verdict.findings)
    q0, beta = found.q_unloaded, found.coupling_factor
    other = unexplained_loss(found, line is not None)
    if other is not None and q0 is not None and beta is not None:
        q0, beta = q0.widened(other[0]), beta.widened(other[1])
        findings.append(other[2])
    if line is not None and fitted.delay_free[row]:
        findings.append(_rest_of_line(found))
    return Resonance(
        status=verdict.status,
        findings=ranked(findings),
        f0_hz=None if line is None else _unloaded_frequency(found, sweep.z0_ohm),
        f_loaded_hz=found.f_loaded,
        q_loaded=found.q_loaded,
        q_unloaded=q0,
        coupling_factor=beta,
        coupling=found.coupling,
        half_power_bandwidth_hz=found.half_power_bandwidth,
        residual_rms=float(np.sqrt(fitted.solution.rss[row] / fitted.rows.weight[row].sum())),
        points_in_bandwidth=points_in_bandwidth(fitted, row, found.circle),
        circle=found.circle,
        covariance=found.covariance,
        kept=fitted.rows.weight[row] > 0,
        line=line,
    )


def _rest_of_line(found: Figures) -> Finding:
    delay_s = found.circle.delay_s
    return Finding(
        "rest-of-line", "note",
        f"A delay of {delay_s * 1e9:.1f} ns is left after the described line: the coupling "
        "loop's own reactance, or a length that is not as described. It was fitted.",
        {"delay_s": delay_s},
        "Nothing to do if a few ns; else check the line's length and velocity factor.",
    )  # fmt: skip


def _unloaded_frequency(found: Figures, z0_ohm: float) -> Estimate | None:
    """Undo the coupling loop's pull: ``fL = f0 (1 + beta Xc/(2 Q0 Z0))``.

    The coupling loop's reactance Xc is read off the detuned reflection at the loop's terminals
    (Kajfez & Hwan 1984).
    """
    if found.q_unloaded is None or found.coupling_factor is None:
        return None
    size = float(max(abs(found.circle.detuned), 1e-300))
    gd = found.circle.detuned / size
    if abs(1 - gd) < 1e-6:
        return None
    x_over_z0 = float(((1 + gd) / (1 - gd)).imag)
    beta, q0 = found.coupling_factor.value, found.q_unloaded.value
    pull = beta * x_over_z0 / (2 * q0)
    # The pull is uncertain by the turn of Gd: d(Xc/Z0) = (1 + (Xc/Z0)^2)/2 d(arg Gd).
    turn = np.array([0, 0, 0, -gd.imag, gd.real, 0, 0]) / size
    variance = float(turn @ found.covariance @ turn)
    u_x = (1 + x_over_z0**2) / 2 * math.sqrt(max(variance, 0.0))
    u_pull = abs(beta / (2 * q0)) * u_x
    value = found.f_loaded.value / (1 + pull)
    return Estimate.normal(value, float(np.hypot(found.f_loaded.u, value * u_pull)))
