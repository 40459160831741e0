"""Many noisy sweeps of one truth, fitted, against the bound."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from simulated import Truth, white

from studies.limit import bounds
from sweeplab import Line, Sweep, fit_many

NAMES = ("f_loaded_hz", "q_loaded", "q_unloaded", "coupling_factor")


@dataclass(frozen=True)
class Cell:
    """What many draws of one truth gave, per figure in the order of `NAMES`.

    Parameters
    ----------
    truth : Truth
    draws : int
    spread, bias : ndarray, shape (4,)
        Standard deviation and mean of the error, over the bound.
    coverage : ndarray, shape (4,)
        Share of 95 % intervals that hold the truth.
    bound_q_unloaded : float
        Bound on u(Q0)/Q0.
    statuses : Counter of str
    """

    truth: Truth
    draws: int
    spread: NDArray[np.float64]
    bias: NDArray[np.float64]
    coverage: NDArray[np.float64]
    bound_q_unloaded: float
    statuses: Counter[str]


def study(truth: Truth, draws: int, rng: np.random.Generator, line: Line | None = None) -> Cell:
    """Fit many draws of one truth.

    Parameters
    ----------
    truth : Truth
    draws : int
    rng : numpy Generator
    line : Line or None
        A described line (of no length) makes the delay known: the bound is then that of six
        unknowns.
    """
    clean, f = truth.reflection(), truth.f_hz
    sweeps = [Sweep(f, clean + white(rng, truth.points, truth.noise)) for _ in range(draws)]
    fits = fit_many(sweeps, line=line)
    bound = bounds(truth, delay_known=line is not None)
    answered = [fit for fit in fits if fit.q_unloaded is not None]
    errors, inside = [], []
    for name in NAMES:
        true = getattr(truth, name)
        estimates = [getattr(fit, name) for fit in answered]
        value = np.array([estimate.value for estimate in estimates])
        error = value - true if name == "f_loaded_hz" else np.log(value / true)
        errors.append(error / bound[name])
        inside.append([estimate.low <= true <= estimate.high for estimate in estimates])
    normalised = np.array(errors)
    return Cell(
        truth,
        draws,
        normalised.std(axis=1),
        normalised.mean(axis=1),
        np.mean(inside, axis=1),
        bound["q_unloaded"],
        Counter(fit.status for fit in fits),
    )


def latin_truths(count: int, seed: int) -> list[Truth]:
    """Return truths spread evenly over the whole design, every other one with an unknown line."""
    rng = np.random.default_rng(seed)
    ranks = np.array([rng.permutation(count) for _ in range(7)]).T
    u = (ranks + rng.random((count, 7))) / count

    def log(low: float, high: float, x: float) -> float:
        return math.exp(math.log(low) + x * math.log(high / low))

    truths = []
    for i, x in enumerate(u):
        width = log(2, 20, x[3])
        # Inside the span: up to one bandwidth off its middle.
        reach = min(1.0, width / 2 - 0.05)
        truths.append(Truth(
            q_loaded=log(30, 2000, x[0]), coupling_factor=log(0.1, 10, x[1]),
            points=round(log(51, 1001, x[2])), span_bandwidths=width,
            off_centre=reach * (2 * x[4] - 1), noise=log(3e-4, 1e-2, x[5]),
            theta=2 * x[6] if i % 2 else 0.0, angle=1.1,
        ))  # fmt: skip
    return truths


def binomial_half_width(draws: int, z: float = 3.29) -> float:
    """Return half of the 99.9 % range of a 95 % share over `draws`."""
    return z * math.sqrt(0.95 * 0.05 / draws)
