"""A planned loop out of lengths that can be bought: in one piece, or two joined."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations_with_replacement
from typing import Any

from sweeplab.builds import Build
from sweeplab.estimate import Estimate
from sweeplab.finding import Threshold
from sweeplab.loop import LoopModel
from sweeplab.loop.model import gap_of
from sweeplab.loss.figures import skin_effect_scaled
from sweeplab.planning.cut_list import Allowance
from sweeplab.planning.plan import plan, resized
from sweeplab.planning.result import Plan
from sweeplab.quantity import Quantity

# A turn of so few gaps is more gap than loop.
_LEAST_GAPS: Threshold = 4.0
# What a joint of two lengths costs at 10 MHz where nobody says: soldered or brazed well, clamped,
# bolted (common practice, no source).
_JOINT_LOW_OHM, _JOINT_OHM, _JOINT_HIGH_OHM = 0.0005, 0.002, 0.010


@dataclass(frozen=True)
class StockBand:
    """One band of a loop made of stock.

    Parameters
    ----------
    band : str
    f_hz : float
    efficiency : Estimate
        With the joint, if there is one.
    in_one_piece : Estimate
        Without it.
    joint_cost : Estimate
        Share of the efficiency that the joint takes; zero without one.
    """

    band: str
    f_hz: float
    efficiency: Estimate
    in_one_piece: Estimate
    joint_cost: Estimate

    def to_json(self) -> dict[str, Any]:
        """Return the figures, estimates as the contract's ``E``."""
        return {
            name: value.to_json() if isinstance(value, Estimate) else value
            for name, value in vars(self).items()
        }


@dataclass(frozen=True)
class StockLoop:
    """A loop out of one stock length, or two joined.

    Parameters
    ----------
    pieces_m : tuple of float
    circumference_m : float
        Of one turn that this makes.
    joint_ohm : Estimate or None
        At 10 MHz, assumed; None in one piece.
    bands : tuple of StockBand
    """

    pieces_m: tuple[float, ...]
    circumference_m: float
    joint_ohm: Estimate | None
    bands: tuple[StockBand, ...]

    def to_json(self) -> dict[str, Any]:
        """Return the loop and its bands."""
        return {
            "pieces_m": list(self.pieces_m),
            "circumference_m": self.circumference_m,
            "joint_ohm": None if self.joint_ohm is None else self.joint_ohm.to_json(),
            "joint_assumed": self.joint_ohm is not None,
            "bands": [band.to_json() for band in self.bands],
        }


def assumed_joint(given: Quantity | None) -> Estimate:
    """Return a joint's resistance as a person assumes it, else a range [ohm at 10 MHz]."""
    if given is not None:
        return Estimate.lognormal(given.value, given.u)
    # Even in the logarithm between the ends.
    u = (_JOINT_HIGH_OHM - _JOINT_LOW_OHM) / 4
    return Estimate(_JOINT_OHM, u, _JOINT_LOW_OHM, _JOINT_HIGH_OHM)


def stock_loops(
    build: Build,
    stock_m: Sequence[float],
    *,
    bands: Sequence[str] | None = None,
    joint: Quantity | None = None,
    allowances: Sequence[Allowance] = (),
) -> tuple[StockLoop, ...]:
    """Return what each stock length makes by itself, and each two joined.

    Turns, shape, conductor and capacitor are the build's; its turns keep their proportion. Sizes
    too small for their gap and fittings are left out.

    Parameters
    ----------
    build : Build
    stock_m : sequence of float
        Lengths to be had [m].
    bands : sequence of str or None
        As in `plan`.
    joint : Quantity or None
        Assumed resistance of the joint at 10 MHz [ohm]; a range where not given.
    allowances : sequence of Allowance
        What fittings take of each piece.

    Raises
    ------
    ModelError
        As in `plan`.
    """
    lengths = sorted(set(stock_m))
    chosen = [(length,) for length in lengths] + list(combinations_with_replacement(lengths, 2))
    loops = []
    for pieces in chosen:
        around = _circumference_m(build, pieces, allowances)
        if around > _LEAST_GAPS * gap_of(build):
            loops.append(_loop(build, pieces, around, bands, joint))
    return tuple(loops)


def _circumference_m(
    build: Build, pieces: tuple[float, ...], allowances: Sequence[Allowance]
) -> float:
    """Return the circumference of one turn that the pieces make."""
    taken = sum(
        allowance.length_m * (1 if allowance.piece else len(pieces))
        for allowance in allowances
        if allowance.piece.startswith("turn") or not allowance.piece
    )
    leads = 0.0 if build.loop.leads is None else 2 * build.loop.leads.value
    return (sum(pieces) - taken - leads + gap_of(build)) / build.loop.turns


def _loop(
    build: Build,
    pieces: tuple[float, ...],
    around_m: float,
    bands: Sequence[str] | None,
    joint: Quantity | None,
) -> StockLoop:
    sized = resized(build, around_m)
    planned = plan(sized, bands, coupling=False)
    r_joint = assumed_joint(joint) if len(pieces) > 1 else None
    place = pieces[0] / sum(pieces)
    return StockLoop(pieces, around_m, r_joint, _bands(LoopModel(sized), planned, place, r_joint))


def _bands(
    model: LoopModel, planned: Plan, place: float, joint: Estimate | None
) -> tuple[StockBand, ...]:
    found = []
    for band in planned.bands:
        if band.figures is None:
            continue
        whole, r_total = band.figures.efficiency, band.figures.r_total_ohm.value
        cost = Estimate(0.0, 0.0, 0.0, 0.0)
        if joint is not None:
            weight = skin_effect_scaled(model.part_weight(band.f_hz, place), band.f_hz)
            cost = _cost(joint, weight, r_total)
        # What is left of every end of the interval; the joint widens it on top.
        left = Estimate(
            whole.value * (1 - cost.value),
            (whole.u**2 + (whole.value * cost.u) ** 2) ** 0.5,
            whole.low * (1 - cost.high),
            whole.high * (1 - cost.low),
        )
        found.append(StockBand(band.band, band.f_hz, left, whole, cost))
    return tuple(found)


def _cost(joint: Estimate, weight: float, r_total_ohm: float) -> Estimate:
    """Return the share of all resistance that a joint takes once it is there."""

    def share(r_ohm: float) -> float:
        return r_ohm * weight / (r_total_ohm + r_ohm * weight)

    value = share(joint.value)
    u = joint.u * weight * r_total_ohm / (r_total_ohm + joint.value * weight) ** 2
    return Estimate(value, u, share(joint.low), share(joint.high))
