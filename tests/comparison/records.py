"""Records made by hand, and sweeps' figures drawn at random, for the study's tests."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import count

import numpy as np

from sweeplab.estimate import Estimate
from sweeplab.record import Record

_numbers = count(1)


def record(
    values: Mapping[str, float],
    *,
    u: float | Mapping[str, float] = 0.0,
    build: str = "quay-1",
    band: str = "40m",
    setting: str | None = None,
    status: str = "ok",
    set_aside: str | None = None,
    version: str = "1",
    shares: Mapping[str, Mapping[str, float]] | None = None,
    taken: str | None = None,
) -> Record:
    """Return a record; `u` is each figure's noise, `shares` its other sources of error."""
    noise = {name: u if isinstance(u, float) else u[name] for name in values}
    by_source = {
        name: {"fit": noise[name], **({} if shares is None else shares.get(name, {}))}
        for name in values
    }
    return Record(
        sweep_id=next(_numbers),
        file="by-hand.s1p",
        build=build,
        setting=setting,
        band=band,
        taken=taken,
        status=status,  # type: ignore[arg-type]
        figures={
            name: Estimate.normal(value, float(np.hypot.reduce(list(by_source[name].values()))))
            for name, value in values.items()
        },
        shares=by_source,
        program_version=version,
        set_aside=set_aside,
    )


def repeats(name: str, values: list[float], **rest: object) -> list[Record]:
    """Return repeats of one figure."""
    return [record({name: value}, **rest) for value in values]  # type: ignore[arg-type]


# A loop on three bands: total and radiation resistance [ohm], coupling factor, reactance [ohm].
STATE = {"80m": (0.045, 0.0004), "40m": (0.075, 0.006), "20m": (0.16, 0.097)}
X_OHM = {"80m": 67.0, "40m": 134.0, "20m": 284.0}
F_HZ = {"80m": 3.6e6, "40m": 7.1e6, "20m": 14.1e6}


def sweeps(
    rng: np.random.Generator,
    n: int,
    *,
    build: str,
    spread: float | Mapping[str, float] = 0.02,
    noise: float = 0.002,
    extra_ohm: float = 0.0,
) -> list[Record]:
    """Return `n` repeats a band of a loop that scatters at each plugging in.

    Parameters
    ----------
    spread : float or mapping of band to float
        Relative standard deviation of resistance and of coupling from repeat to repeat.
    noise : float
        Relative standard uncertainty of Q and coupling in one sweep.
    extra_ohm : float
        Added to the loss.
    """
    records = []
    for band, (total, radiation) in STATE.items():
        of_band = spread if isinstance(spread, float) else spread[band]
        for _ in range(n):
            r = (total + extra_ohm) * np.exp(rng.normal(0, of_band) + rng.normal(0, noise))
            beta = 1.2 * np.exp(rng.normal(0, of_band) + rng.normal(0, noise))
            records.append(_sweep(band, build, r, beta, radiation, noise, rng))
    return records


def _sweep(
    band: str,
    build: str,
    r: float,
    beta: float,
    radiation: float,
    noise: float,
    rng: np.random.Generator,
) -> Record:
    q0 = X_OHM[band] / r
    ql = q0 / (1 + beta)
    f = F_HZ[band] * (1 + rng.normal(0, 1e-4))
    eta = radiation / r
    values = {
        "f_loaded_hz": f,
        "q_loaded": ql,
        "q_unloaded": q0,
        "coupling_factor": beta,
        "half_power_bandwidth_hz": f / ql,
        "swr_min": max(beta, 1 / beta),
        "r_total_ohm": r,
        "r_loss_ohm": r - radiation,
        "r_remainder_ohm": r - radiation - 0.5 * r,
        "efficiency": eta,
        "efficiency_db": 10 * np.log10(eta),
    }
    u = {name: noise * abs(value) for name, value in values.items()}
    u |= {"r_loss_ohm": noise * r, "r_remainder_ohm": noise * r, "f_loaded_hz": 1.0}
    u |= {"efficiency_db": noise * 4.34}
    return record(
        {name: float(value) for name, value in values.items()},
        u={name: float(value) for name, value in u.items()},
        build=build,
        band=band,
    )
