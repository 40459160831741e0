"""Broadcasters, steps and drifts during a sweep: what is set aside, what is noticed.

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
# What in a fit says that something moved; a step near an end is set aside as interference would be.
MOVED = frozenset({"step-in-sweep", "drift-in-sweep", "misfit", "another-resonance", "set-aside"})
# Largest change of the reflection, in standard deviations of the noise a quadrature.
SIZES = (0, 1, 2, 3, 5, 10, 30)
# The sweep during which something moves.
MOVING = Truth(noise=1e-3, span_bandwidths=8, theta=0.5)
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
    place = (f - middle) / (f[-1] - f[0])
    width = truth.f_loaded_hz / truth.q_loaded

    def residual(p: Floats) -> Floats:
        f_loaded = truth.f_loaded_hz + width * p[0]
        q = truth.q_loaded * math.exp(p[1])
        shape = 1 / (1 + 1j * q * (f / f_loaded - f_loaded / f))
        picture = (complex(p[3], p[4]) + complex(p[5], p[6]) * shape) * np.exp(-1j * p[2] * place)
        off = (picture - gamma) / truth.noise
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


def cost_of_watching(truths: Sequence[Truth], rng: Rng) -> Floats:
    """Return each figure's spread over that of the plain fit of the same quiet sweeps, (4,)."""
    sweeps = [truth.sweep(rng) for truth in truths]
    ours, theirs = [], []
    for truth, sweep, fit in zip(truths, sweeps, fit_many(sweeps), strict=True):
        true = np.array([getattr(truth, name) for name in NAMES])
        bound = np.array(list(bounds(truth).values())) * [1, *true[1:]]
        values = np.array([getattr(fit, name).value for name in NAMES])
        ours.append((values - true) / bound)
        theirs.append((plain_fit(truth, sweep) - true) / bound)
    return np.asarray(np.std(ours, axis=0) / np.std(theirs, axis=0))


def _places(truth: Truth) -> Floats:
    return np.linspace(0, 1, truth.points)


def _step(truth: Truth, rng: Rng) -> Floats:
    return np.where(_places(truth) > rng.uniform(0.1, 0.9), 1.0, 0.0)


def _ramp(truth: Truth, rng: Rng) -> Floats:
    return np.asarray(rng.choice([-1, 1]) * _places(truth))


def _warming(truth: Truth, rng: Rng) -> Floats:
    # A heat that settles within the sweep.
    return 1 - np.exp(-_places(truth) / rng.uniform(0.1, 0.4))


def _swaying(truth: Truth, rng: Rng) -> Floats:
    # Wind: some turns to and fro, half of them to either side.
    turns, start = rng.uniform(2, 6), rng.uniform(0, 2 * math.pi)
    return np.asarray(0.5 * np.sin(2 * math.pi * turns * _places(truth) + start))


COURSES: dict[str, Callable[[Truth, Rng], Floats]] = {
    "a step": _step, "a steady drift": _ramp, "a settling drift": _warming, "swaying": _swaying,
}  # fmt: skip


def _of_size(truth: Truth, course: Floats, change: float) -> NDArray[np.complex128]:
    return np.asarray(truth.reflection() * (1 + change * course))


def _of_phase(truth: Truth, course: Floats, change: float) -> NDArray[np.complex128]:
    return np.asarray(truth.reflection() * np.exp(1j * change * course))


def _of_resonance(truth: Truth, course: Floats, change: float) -> NDArray[np.complex128]:
    # |dG| reaches the diameter times twice the shift in bandwidths.
    diameter = 2 * truth.coupling_factor / (1 + truth.coupling_factor)
    shift = change / (2 * diameter) / truth.q_loaded
    f, f_loaded = truth.f_hz, truth.f_loaded_hz * (1 + shift * course)
    t = f / f_loaded - f_loaded / f
    place = (f - (f[0] + f[-1]) / 2) / (f[-1] - f[0])
    picture = np.exp(1j * truth.angle) * (1 - diameter / (1 + 1j * truth.q_loaded * t))
    return np.asarray(picture * np.exp(-1j * truth.theta * place))


WHAT = {"amplitude": _of_size, "phase": _of_phase, "the resonance": _of_resonance}


def moved(what: str, course: str, size: float, draws: int, rng: Rng) -> tuple[float, float]:
    """Return the shares of sweeps in which a movement is noticed, and whose Q0 interval holds.

    Parameters
    ----------
    what, course : str
        Keys of `WHAT` and `COURSES`.
    size : float
        Largest change of the reflection, over the noise a quadrature.
    """
    sweeps = []
    for _ in range(draws):
        drawn = replace(MOVING, coupling_factor=math.exp(rng.uniform(-1, 1)))
        gamma = WHAT[what](drawn, COURSES[course](drawn, rng), size * drawn.noise)
        noisy = gamma + white(rng, drawn.points, drawn.noise)
        sweeps.append((drawn, Sweep(drawn.f_hz, noisy)))
    fits = fit_many([sweep for _, sweep in sweeps])
    holds = [_holds(drawn, fit) for (drawn, _), fit in zip(sweeps, fits, strict=True)]
    return float(np.mean([noticed(fit) for fit in fits])), float(np.mean(holds))


def left_by_a_circle(what: str, course: str, size: float, draws: int, rng: Rng) -> Floats:
    """Return the chi-square that no circle takes up of a movement, without noise, (draws,).

    Where it is next to nothing a single sweep cannot show the movement, however it is looked at.
    """
    left = []
    for _ in range(draws):
        drawn = replace(MOVING, coupling_factor=math.exp(rng.uniform(-1, 1)))
        gamma = WHAT[what](drawn, COURSES[course](drawn, rng), size * drawn.noise)
        left.append(_least_squares(drawn, gamma)[1])
    return np.array(left)


def noticed(fit: Resonance) -> bool:
    """Say whether a fit tells that something moved, or refuses the sweep."""
    return fit.status == "refused" or bool(MOVED & {finding.code for finding in fit.findings})


def _holds(truth: Truth, fit: Resonance) -> bool:
    # A sweep that is refused misleads nobody.
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
        struck = np.concatenate([where for _, where in pairs])
        aside = np.concatenate([
            np.zeros(truth.points, dtype=bool) if fit.kept is None else ~fit.kept
            for truth, fit in zip(truths, fits, strict=True)
        ])  # fmt: skip
        caught = f"{100 * aside[struck].mean():.1f} %" if share else "-"
        answered = [(t, fit) for t, fit in zip(truths, fits, strict=True) if fit.q_unloaded]
        covered = [
            np.mean([_inside(t, fit, name) for t, fit in answered]) for name in NAMES
        ]  # fmt: skip
        lines.append(
            f"| {100 * share:.0f} % | {draws} | {draws - len(answered)} | {caught} | "
            f"{100 * aside[~struck].mean():.3f} % | "
            + ", ".join(f"{100 * c:.1f} %" for c in covered) + " |"
        )  # fmt: skip
    return lines


def _inside(truth: Truth, fit: Resonance, name: str) -> bool:
    estimate = getattr(fit, name)
    return bool(estimate.low <= getattr(truth, name) <= estimate.high)


def _movements(draws: int, rng: Rng) -> list[str]:
    heads = ["what moves", "how", *(f"{size} s" for size in SIZES)]
    lines = ["| " + " | ".join(heads) + " |", "|---" * len(heads) + "|"]
    for what in WHAT:
        for course in COURSES:
            found = [moved(what, course, size, draws, rng) for size in SIZES]
            cells = [f"{100 * seen:.0f} / {100 * holds:.0f}" for seen, holds in found]
            lines.append("| " + " | ".join([what, course, *cells]) + " |")
    return lines


def main() -> None:
    """Run the study and write it down."""
    draws = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    rng = np.random.default_rng(41)
    spikes = _spikes(draws, rng)
    cost = cost_of_watching([valid(rng)[0] for _ in range(draws // 2)], rng)
    told = ", ".join(f"{ratio:.4f}" for ratio in cost)
    movements = _movements(draws // 10, rng)
    write("interference", "\n".join([
        *spikes, "",
        f"Without spikes, over {draws // 2} sweeps, the spread is the plain fit's times {told} "
        "(resonance, QL, Q0, beta).", "",
        f"Movement: noticed / Q0 interval holds the truth, in % of {draws // 10} sweeps:", "",
        *movements,
    ]))  # fmt: skip


if __name__ == "__main__":
    main()
