"""Sweeps with a resonance, none lost; sweeps without one, none believed.

Run by hand in tests/: ``python -m studies.convergence [sweeps]``.
"""

from __future__ import annotations

import math
import sys
import time
from collections import Counter
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from simulated import Truth, white

from studies.page import write
from sweeplab import Resonance, Sweep, fit_many, fit_resonance

Gamma = NDArray[np.complex128]
Rng = np.random.Generator


def valid(rng: Rng, hit_share: float = 0.0) -> tuple[Truth, Sweep]:
    """Draw a sweep over the whole design; up to `hit_share` of its points hit by broadcasters."""
    width = _log(rng, 2, 20)
    truth = Truth(
        f_loaded_hz=_log(rng, 3.5e6, 30e6), q_loaded=_log(rng, 30, 2000),
        coupling_factor=_log(rng, 0.1, 10), points=int(rng.choice([51, 101, 201, 401, 1001])),
        span_bandwidths=width, off_centre=min(1.0, width / 2 - 0.05) * rng.uniform(-1, 1),
        noise=_log(rng, 3e-4, 1e-2), theta=rng.choice([0.0, rng.uniform(0, 2)]),
        angle=rng.uniform(-math.pi, math.pi),
    )  # fmt: skip
    hit = rng.random(truth.points) < hit_share * rng.random()
    size = np.exp(rng.uniform(math.log(0.02), math.log(0.5), truth.points))
    spikes = hit * size * np.exp(2j * math.pi * rng.random(truth.points))
    return truth, Sweep(
        truth.f_hz, truth.reflection() + white(rng, truth.points, truth.noise) + spikes
    )


def _log(rng: Rng, low: float, high: float) -> float:
    return math.exp(rng.uniform(math.log(low), math.log(high)))


def _flat(rng: Rng, u: NDArray[np.float64]) -> Gamma:
    return np.full(u.size, rng.uniform(0.1, 1) + 0j)


def _noise(rng: Rng, u: NDArray[np.float64]) -> Gamma:
    return white(rng, u.size, _log(rng, 1e-3, 0.5))


def _level(rng: Rng, u: NDArray[np.float64]) -> Gamma:
    return _flat(rng, u) + white(rng, u.size, _log(rng, 3e-4, 3e-2))


def _slope(rng: Rng, u: NDArray[np.float64]) -> Gamma:
    slope = complex(rng.uniform(-0.3, 0.3), rng.uniform(-0.3, 0.3))
    return rng.uniform(0.3, 0.7) + slope * u + white(rng, u.size, _log(rng, 3e-4, 3e-2))


def _line(rng: Rng, u: NDArray[np.float64]) -> Gamma:
    return _flat(rng, u) * np.exp(-1j * rng.uniform(0, 6) * u) + white(rng, u.size, 1e-3)


def _ripple(rng: Rng, u: NDArray[np.float64]) -> Gamma:
    ripple = rng.uniform(0.01, 0.1) * np.exp(-1j * rng.uniform(1, 25) * u)
    whole = (rng.uniform(0.5, 0.9) + ripple) * np.exp(-1j * rng.uniform(0, 4) * u)
    return whole + white(rng, u.size, _log(rng, 3e-4, 3e-2))


def _outside(rng: Rng, u: NDArray[np.float64]) -> Gamma:
    width = _log(rng, 2, 20)
    place = rng.choice([-1, 1]) * (0.5 + rng.uniform(1, 8) / width)
    circle = 1 - rng.uniform(0.2, 1.8) / (1 + 2j * width * (u - place))
    return circle + white(rng, u.size, _log(rng, 3e-4, 3e-2))


def _nan(rng: Rng, u: NDArray[np.float64]) -> Gamma:
    return np.full(u.size, complex(math.nan, 0))


def _spike(rng: Rng, u: NDArray[np.float64]) -> Gamma:
    gamma = _level(rng, u)
    gamma[rng.integers(0, u.size, rng.integers(1, 4))] += rng.uniform(0.02, 0.5)
    return gamma


def _step(rng: Rng, u: NDArray[np.float64]) -> Gamma:
    step = np.where(u > rng.uniform(-0.4, 0.4), rng.uniform(0.01, 0.1), 0)
    return 0.8 + step + white(rng, u.size, _log(rng, 3e-4, 3e-2))


INVALID: dict[str, Callable[[Rng, NDArray[np.float64]], Gamma]] = {
    "flat": _flat, "noise alone": _noise, "a level in noise": _level, "slope": _slope,
    "a line alone": _line, "a line's ripple": _ripple, "resonance outside the span": _outside,
    "NaN": _nan, "spikes": _spike, "a step": _step,
}  # fmt: skip


def invalid(rng: Rng, kind: str) -> Sweep:
    """Draw a sweep that holds no resonance; now and then of two points."""
    points = 2 if rng.random() < 0.02 else int(rng.choice([51, 101, 201, 401]))
    f = np.linspace(7e6, 7e6 + rng.uniform(2e4, 1e6), points)
    return Sweep(f, INVALID[kind](rng, np.linspace(-0.5, 0.5, points)))


def covered(pairs: list[tuple[Truth, Resonance]], name: str) -> float:
    """Return the share of truths inside their 95 % interval; a figure not given is a miss."""
    estimates = [(getattr(truth, name), getattr(fit, name)) for truth, fit in pairs]
    return float(np.mean([e is not None and e.low <= true <= e.high for true, e in estimates]))


def main() -> None:
    """Run the study and write it down."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    rng = np.random.default_rng(15)
    lines = ["| sweeps | ok | doubtful | refused | resonance covered | unloaded Q covered |",
             "|---|---|---|---|---|---|"]  # fmt: skip
    for label, share in (("clean", 0.0), ("up to 8 % of points hit", 0.08)):
        drawn = [valid(rng, share) for _ in range(count)]
        fits = fit_many([sweep for _, sweep in drawn])
        pairs = [(truth, fit) for (truth, _), fit in zip(drawn, fits, strict=True)]
        statuses = Counter(fit.status for fit in fits)
        shares = [f"{100 * covered(pairs, n):.1f} %" for n in ("f_loaded_hz", "q_unloaded")]
        lines.append(f"| {count}, {label} | {statuses['ok']} | {statuses['doubtful']} "
                     f"| {statuses['refused']} | {shares[0]} | {shares[1]} |")  # fmt: skip
    lines += ["", "| no resonance | ok | doubtful | refused | slowest of 40 alone |",
              "|---|---|---|---|---|"]  # fmt: skip
    each = count // len(INVALID)
    for kind in INVALID:
        sweeps = [invalid(rng, kind) for _ in range(each)]
        statuses = Counter(fit.status for fit in fit_many(sweeps))
        slowest = max(milliseconds(sweep) for sweep in sweeps[:40])
        lines.append(f"| {each}, {kind} | {statuses['ok']} | {statuses['doubtful']} "
                     f"| {statuses['refused']} | {slowest:.0f} ms |")  # fmt: skip
    write("convergence", "\n".join(lines))


def milliseconds(sweep: Sweep) -> float:
    """Return the processor time that one fit takes alone, the median of three."""
    times = []
    for _ in range(3):
        start = time.process_time()
        fit_resonance(sweep)
        times.append(time.process_time() - start)
    return 1e3 * sorted(times)[1]


if __name__ == "__main__":
    main()
