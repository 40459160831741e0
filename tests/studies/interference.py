"""Broadcasters, steps and drift during a sweep: what is set aside, what is detected.

Run by hand in tests/: ``python -m studies.interference [draws]``.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from simulated import Truth, white

from studies.cells import NAMES
from studies.convergence import valid
from studies.limit import bounds
from studies.page import write
from sweeplab import Resonance, Sweep, fit_many

Floats = NDArray[np.float64]
Rng = np.random.Generator
# Findings that count as detected: a step near an end is set aside as interference would be.
DRIFT_CODES = frozenset(
    {"step-in-sweep", "drift-in-sweep", "misfit", "another-resonance", "set-aside"}
)
# Largest change of the reflection, in standard deviations of the noise a quadrature.
SIZES = (0, 1, 2, 3, 5, 10, 30)
# The sweep during which something drifts.
BASE_TRUTH = Truth(noise=1e-3, span_bandwidths=8, theta=0.5)
# Share of the points hit: none to 8 %.
SHARES = (0.0, 0.01, 0.02, 0.04, 0.08)


def hit(truth: Truth, share: float, rng: Rng) -> tuple[Sweep, NDArray[np.bool_]]:
    """Return a sweep in which each point may be hit by a spike of 0.02 to 0.5, and which were."""
    where = rng.random(truth.points) < share
    size = np.exp(rng.uniform(math.log(0.02), math.log(0.5), truth.points))
    spikes = where * size * np.exp(2j * math.pi * rng.random(truth.points))
    return Sweep(truth.f_hz, truth.sweep(rng).gamma + spikes), where


def _least_squares(truth: Truth, gamma: NDArray[np.complex128]) -> tuple[Floats, float]:
    """Return one circle's unknowns by scipy from the truth, and its sum of squares."""
    f, middle = truth.f_hz, (truth.f_hz[0] + truth.f_hz[-1]) / 2
    position = (f - middle) / (f[-1] - f[0])
    width = truth.f_loaded_hz / truth.q_loaded

    def residual(p: Floats) -> Floats:
        f_loaded = truth.f_loaded_hz + width * p[0]
        q = truth.q_loaded * math.exp(p[1])
        shape = 1 / (1 + 1j * q * (f / f_loaded - f_loaded / f))
        locus = (complex(p[3], p[4]) + complex(p[5], p[6]) * shape) * np.exp(-1j * p[2] * position)
        off = (locus - gamma) / truth.noise
        return np.concatenate([off.real, off.imag])

    gd = np.exp(1j * truth.angle)
    b = -gd * 2 * truth.coupling_factor / (1 + truth.coupling_factor)
    start = [0, 0, truth.theta, gd.real, gd.imag, b.real, b.imag]
    found = least_squares(residual, start, xtol=1e-12, ftol=1e-12, gtol=1e-12)
    return np.asarray(found.x), 2 * float(found.cost)


def plain_fit(truth: Truth, sweep: Sweep) -> Floats:
    """Fit every point by scipy's least squares from the truth; return (f_loaded, QL, Q0, beta)."""
    p, _ = _least_squares(truth, sweep.gamma)
    d = math.hypot(p[5], p[6]) / math.hypot(p[3], p[4])
    q = truth.q_loaded * math.exp(p[1])
    f_loaded = truth.f_loaded_hz + truth.f_loaded_hz / truth.q_loaded * p[0]
    return np.array([f_loaded, q, 2 * q / (2 - d), d / (2 - d)])


def spread_ratio(truths: Sequence[Truth], rng: Rng) -> Floats:
    """Return each figure's standard deviation over that of the plain fit, without drift, (4,)."""
    sweeps = [truth.sweep(rng) for truth in truths]
    ours, theirs = [], []
    for truth, sweep, fit in zip(truths, sweeps, fit_many(sweeps), strict=True):
        true = np.array([getattr(truth, name) for name in NAMES])
        bound = np.array(list(bounds(truth).values())) * [1, *true[1:]]
        values = np.array([getattr(fit, name).value for name in NAMES])
        ours.append((values - true) / bound)
        theirs.append((plain_fit(truth, sweep) - true) / bound)
    return np.asarray(np.std(ours, axis=0) / np.std(theirs, axis=0))


def _positions(truth: Truth) -> Floats:
    return np.linspace(0, 1, truth.points)


def _step(truth: Truth, rng: Rng) -> Floats:
    return np.where(_positions(truth) > rng.uniform(0.1, 0.9), 1.0, 0.0)


def _ramp(truth: Truth, rng: Rng) -> Floats:
    return np.asarray(rng.choice([-1, 1]) * _positions(truth))


def _warming(truth: Truth, rng: Rng) -> Floats:
    # Warming that settles within the sweep.
    return 1 - np.exp(-_positions(truth) / rng.uniform(0.1, 0.4))


def _swaying(truth: Truth, rng: Rng) -> Floats:
    # Wind: some periods, by half the size to either side.
    periods, start = rng.uniform(2, 6), rng.uniform(0, 2 * math.pi)
    return np.asarray(0.5 * np.sin(2 * math.pi * periods * _positions(truth) + start))


DRIFT_SHAPES: dict[str, Callable[[Truth, Rng], Floats]] = {
    "a step": _step, "a steady drift": _ramp, "a settling drift": _warming, "swaying": _swaying,
}  # fmt: skip


def _with_amplitude(truth: Truth, shape: Floats, change: float) -> NDArray[np.complex128]:
    return np.asarray(truth.reflection() * (1 + change * shape))


def _with_phase(truth: Truth, shape: Floats, change: float) -> NDArray[np.complex128]:
    return np.asarray(truth.reflection() * np.exp(1j * change * shape))


def _with_resonance(truth: Truth, shape: Floats, change: float) -> NDArray[np.complex128]:
    # |dG| reaches the diameter times twice the shift in bandwidths.
    diameter = 2 * truth.coupling_factor / (1 + truth.coupling_factor)
    shift = change / (2 * diameter) / truth.q_loaded
    f, f_loaded = truth.f_hz, truth.f_loaded_hz * (1 + shift * shape)
    t = f / f_loaded - f_loaded / f
    position = (f - (f[0] + f[-1]) / 2) / (f[-1] - f[0])
    locus = np.exp(1j * truth.angle) * (1 - diameter / (1 + 1j * truth.q_loaded * t))
    return np.asarray(locus * np.exp(-1j * truth.theta * position))


DRIFTING = {"amplitude": _with_amplitude, "phase": _with_phase, "the resonance": _with_resonance}


def detection_and_coverage(
    quantity: str, shape: str, size: float, draws: int, rng: Rng
) -> tuple[float, float]:
    """Return the shares of sweeps in which drift is detected, and whose Q0 interval holds.

    Parameters
    ----------
    quantity, shape : str
        Keys of `DRIFTING` and `DRIFT_SHAPES`.
    size : float
        Largest change of the reflection, over the noise a quadrature.
    """
    sweeps = []
    for _ in range(draws):
        drawn = replace(BASE_TRUTH, coupling_factor=math.exp(rng.uniform(-1, 1)))
        gamma = DRIFTING[quantity](drawn, DRIFT_SHAPES[shape](drawn, rng), size * drawn.noise)
        noisy = gamma + white(rng, drawn.points, drawn.noise)
        sweeps.append((drawn, Sweep(drawn.f_hz, noisy)))
    fits = fit_many([sweep for _, sweep in sweeps])
    holds = [_covers(drawn, fit) for (drawn, _), fit in zip(sweeps, fits, strict=True)]
    return float(np.mean([flags_drift(fit) for fit in fits])), float(np.mean(holds))


def chi_square_beyond_circle(
    quantity: str, shape: str, size: float, draws: int, rng: Rng
) -> Floats:
    """Return the chi-square of a drift that no circle absorbs, without noise, (draws,).

    Where it is next to nothing no analysis of a single sweep can detect the drift.
    """
    left = []
    for _ in range(draws):
        drawn = replace(BASE_TRUTH, coupling_factor=math.exp(rng.uniform(-1, 1)))
        gamma = DRIFTING[quantity](drawn, DRIFT_SHAPES[shape](drawn, rng), size * drawn.noise)
        left.append(_least_squares(drawn, gamma)[1])
    return np.array(left)


def flags_drift(fit: Resonance) -> bool:
    """Return whether a fit has a finding of drift, or refuses the sweep."""
    return fit.status == "refused" or bool(DRIFT_CODES & {finding.code for finding in fit.findings})


def _covers(truth: Truth, fit: Resonance) -> bool:
    # A refused sweep has no wrong figure.
    q0 = fit.q_unloaded
    return q0 is None or q0.low <= truth.q_unloaded <= q0.high


def _spikes(draws: int, rng: Rng) -> list[str]:
    lines = [
        "| points hit | sweeps | refused | of those hit, set aside | of others, set aside "
        "| covered: resonance, QL, Q0, beta |",
        "|---|---|---|---|---|---|",
    ]
    for share in SHARES:
        truths = [valid(rng)[0] for _ in range(draws)]
        pairs = [hit(truth, share, rng) for truth in truths]
        fits = fit_many([sweep for sweep, _ in pairs])
        hit_points = np.concatenate([where for _, where in pairs])
        aside = np.concatenate([
            np.zeros(truth.points, dtype=bool) if fit.kept is None else ~fit.kept
            for truth, fit in zip(truths, fits, strict=True)
        ])  # fmt: skip
        caught = f"{100 * aside[hit_points].mean():.1f} %" if share else "-"
        fitted = [(t, fit) for t, fit in zip(truths, fits, strict=True) if fit.q_unloaded]
        covered = [
            np.mean([_inside(t, fit, name) for t, fit in fitted]) for name in NAMES
        ]  # fmt: skip
        lines.append(
            f"| {100 * share:.0f} % | {draws} | {draws - len(fitted)} | {caught} | "
            f"{100 * aside[~hit_points].mean():.3f} % | "
            + ", ".join(f"{100 * c:.1f} %" for c in covered) + " |"
        )  # fmt: skip
    return lines


def _inside(truth: Truth, fit: Resonance, name: str) -> bool:
    estimate = getattr(fit, name)
    return bool(estimate.low <= getattr(truth, name) <= estimate.high)


def _drifts(draws: int, rng: Rng) -> list[str]:
    heads = ["what moves", "how", *(f"{size} s" for size in SIZES)]
    lines = ["| " + " | ".join(heads) + " |", "|---" * len(heads) + "|"]
    for quantity in DRIFTING:
        for shape in DRIFT_SHAPES:
            found = [detection_and_coverage(quantity, shape, size, draws, rng) for size in SIZES]
            cells = [f"{100 * detected:.0f} / {100 * holds:.0f}" for detected, holds in found]
            lines.append("| " + " | ".join([quantity, shape, *cells]) + " |")
    return lines


def main() -> None:
    """Run the study and write it down."""
    draws = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    rng = np.random.default_rng(41)
    spikes = _spikes(draws, rng)
    ratio_of_spreads = spread_ratio([valid(rng)[0] for _ in range(draws // 2)], rng)
    ratios = ", ".join(f"{ratio:.4f}" for ratio in ratio_of_spreads)
    drifts = _drifts(draws // 10, rng)
    write("interference", "\n".join([
        *spikes, "",
        f"Without spikes, over {draws // 2} sweeps, the spread is the plain fit's times {ratios} "
        "(resonance, QL, Q0, beta).", "",
        f"Movement: noticed / Q0 interval holds the truth, in % of {draws // 10} sweeps:", "",
        *drifts,
    ]))  # fmt: skip


if __name__ == "__main__":
    main()
