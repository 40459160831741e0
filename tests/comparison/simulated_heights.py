"""Records of one loop at several heights, drawn at random around a known truth."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from records import record

from sweeplab.comparison.heights import HeightSweeps
from sweeplab.quantity import Quantity
from sweeplab.record import Record

Shares = dict[str, float]


@dataclass(frozen=True)
class Loop:
    """A loop on 40 m over average ground; the numbers are of the size such a loop has [ohm]."""

    loss: float = 0.053
    conductor: float = 0.033
    radiation: float = 0.007
    factor: float = 1.0
    f_hz: float = 7.1e6
    # Described at each height: ground's ohms, sky over free space.
    ground: Mapping[float, tuple[float, float]] = None  # type: ignore[assignment]

    def __post_init__(self) -> None:
        if self.ground is None:
            object.__setattr__(
                self, "ground", {1.5: (0.0190, 0.80), 2.5: (0.0095, 0.75), 4.0: (0.0043, 0.70)}
            )


# Relative to the figure: what one standard uncertainty of each source does.
SIZE = "loop.circumference"
SIGMA, EPS = "site.ground.sigma", "site.ground.eps_r"
CONSTANTS = {1.5: (0.18, 0.03), 2.5: (0.20, 0.05), 4.0: (0.24, 0.07)}
TAPE = {1.5: 0.05, 2.5: 0.03, 4.0: 0.02}
NEAR = 0.004


@dataclass(frozen=True)
class Truth:
    """What the records should lead to, by height where it goes with it."""

    loss: float
    factor: float
    remainder: float
    drawn: dict[float, float]
    efficiency: dict[float, float]
    over_ground: dict[float, float]


def draw(
    rng: np.random.Generator,
    heights: Sequence[float] = (1.5, 4.0),
    loop: Loop | None = None,
    *,
    n: int = 2,
    noise: float = 0.003,
    spread: float = 0.0,
    constants: bool = True,
    size: bool = True,
) -> tuple[list[HeightSweeps], Truth]:
    """Return records at several heights, every stated source of error drawn, and their truth.

    Parameters
    ----------
    heights : sequence of float
        Of those in `loop.ground`.
    n : int
        Repeats a height.
    noise, spread : float
        Relative standard deviations of one sweep's resistance, stated and not stated.
    constants, size : bool
        Whether the ground's constants and the loop's size are off, as stated.
    """
    loop = loop or Loop()
    common = {SIZE: rng.normal() * size}
    common |= {SIGMA: rng.normal() * constants, EPS: rng.normal() * constants}
    by_height, drawn, efficiency, over = [], {}, {}, {}
    for height in heights:
        described, sky = loop.ground[height]
        off = {**common, "site.height": rng.normal(), "model.ground": rng.normal()}
        by_source = shares_at(loop, height, described, sky)
        # Truth is what is described plus every source's share as often as it is off.
        moved = {
            name: sum(share * off[source] for source, share in shares.items())
            for name, shares in by_source.items()
        }
        radiation = loop.radiation + moved["r_radiation_ohm"]
        drawn[height] = loop.factor * (described + moved["r_ground_ohm"])
        total = loop.loss + radiation + drawn[height]
        efficiency[height] = radiation / (radiation + loop.loss)
        ratio = sky + moved["sky"]
        over[height] = ratio * radiation / total
        totals = [
            (total - moved["r_total_ohm"]) * (1 + rng.normal(0, spread) + rng.normal(0, noise))
            for _ in range(n)
        ]
        records = [one(loop, height, described, sky, float(r), noise) for r in totals]
        by_height.append(HeightSweeps(Quantity(height), records))
    truth = Truth(loop.loss, loop.factor, loop.loss - loop.conductor, drawn, efficiency, over)
    return by_height, truth


def shares_at(loop: Loop, height: float, described: float, sky: float) -> dict[str, Shares]:
    """Return each figure's shares, [ohm] or none."""
    sigma, eps = CONSTANTS[height]
    return {
        "r_total_ohm": {SIZE: 0.004 * (loop.loss + loop.radiation + described)},
        "r_radiation_ohm": {SIZE: 0.012 * loop.radiation},
        "r_ground_ohm": {
            SIZE: 0.012 * described,
            SIGMA: sigma * described,
            EPS: -eps * described,
            "site.height": -TAPE[height] * described,
            "model.ground": NEAR * (described + loop.radiation),
        },
        "sky": {SIGMA: 0.04 * sky, EPS: 0.01 * sky},
    }


def one(
    loop: Loop, height: float, described: float, sky: float, total: float, noise: float
) -> Record:
    """Return one sweep's record as a reading would tell it."""
    by_source = shares_at(loop, height, described, sky)
    radiation = loop.radiation
    alone = total - described
    efficiency, over = radiation / alone, sky * radiation / total
    values = {
        "f_loaded_hz": loop.f_hz,
        "r_total_ohm": total,
        "r_radiation_ohm": radiation,
        "r_ground_ohm": described,
        "r_loss_ohm": alone - radiation,
        "r_remainder_ohm": alone - radiation - loop.conductor,
        "efficiency": efficiency,
        "efficiency_over_ground": over,
    }
    names = sorted({source for shares in by_source.values() for source in shares})
    shares: dict[str, Shares] = {name: dict(by_source.get(name, {})) for name in values}
    for source in names:
        of_total, of_radiation, of_ground, of_sky = (
            by_source[name].get(source, 0.0)
            for name in ("r_total_ohm", "r_radiation_ohm", "r_ground_ohm", "sky")
        )
        of_loss = of_total - of_radiation - of_ground
        shares["r_loss_ohm"][source] = shares["r_remainder_ohm"][source] = of_loss
        of_radiation /= radiation
        shares["efficiency"][source] = efficiency * (of_radiation - (of_total - of_ground) / alone)
        shares["efficiency_over_ground"][source] = over * (
            of_radiation + of_sky / sky - of_total / total
        )
    u = dict.fromkeys(values, noise * total)
    u |= {"f_loaded_hz": 1.0, "r_radiation_ohm": 0.0, "r_ground_ohm": 0.0}
    u |= {"efficiency": noise * efficiency * total / alone, "efficiency_over_ground": noise * over}
    return record(values, u=u, build=f"at-{height}", shares=shares)
