"""Several heights of one build: what the ground draws, and what is the loop's own.

The conductor's ohms do not change with height, the ground's do:

    R_total(h) = R_loss + Rrad [1 + a (T(h) - 1)]

`T` is what the described ground lets expect (power drawn over power radiated in free space), `a`
the factor by which the real one differs from it: 1 within what the described constants are good
for. Two heights settle both unknowns, more hold them to account. A quantity that the heights have
in common has one error; the tape's and the ground's model at each height are errors of their own.
What else changes with height, a mast or a railing, counts as ground.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from sweeplab.bands import band_order
from sweeplab.comparison.heights_fit import (
    REQUIRED,
    ErrorColumns,
    GroundFit,
    HeightFigures,
    HeightMeans,
    next_height,
    root_sum_square,
    total_resistance,
)
from sweeplab.comparison.repeatability import Repeats, moderated_scatter, student_factor
from sweeplab.estimate import Estimate
from sweeplab.finding import Threshold
from sweeplab.quantity import Quantity
from sweeplab.record import Record

# Half the 95 % interval of the ground's factor below which the described ground, factor 1, is told
# from none, factor 0.
_SEPARATED: Threshold = 1.0


@dataclass(frozen=True)
class HeightSweeps:
    """Sweeps of a build at one height; the builds of several stands differ in nothing else."""

    height: Quantity
    records: Sequence[Record]


@dataclass(frozen=True)
class HeightResult:
    """What is known at one height.

    Parameters
    ----------
    height_m : float
    n : int
        Sweeps that count.
    r_total_ohm : Estimate
    r_ground_ohm : Estimate or None
        As measured: the described ground's times the factor. None where not parted.
    efficiency : Estimate or None
        The ground's measured share taken out. None where not parted.
    efficiency_over_ground : Estimate or None
        The sky's share is the described ground's, its constants corrected by what the heights say
        of them. None where not parted, or where the ground is not the one described.
    """

    height_m: float
    n: int
    r_total_ohm: Estimate
    r_ground_ohm: Estimate | None = None
    efficiency: Estimate | None = None
    efficiency_over_ground: Estimate | None = None


@dataclass(frozen=True)
class GroundSeparation:
    """What several heights say on one band, in one setting.

    Parameters
    ----------
    band : str
    setting : str or None
    f_hz : float
        To which the loss is referred, by the square root of frequency.
    at : tuple of HeightResult
        From the lowest up.
    ground_difference_ohm : Estimate
        What the ground draws at the lowest height less what it draws at the highest.
    parted : bool
        Whether the heights are unlike enough to tell the described ground from none.
    r_loss_ohm, r_remainder_ohm : Estimate or None
        Without the ground's share. None where not parted.
    ground_factor : Estimate or None
        The factor `a`; None without a described ground, or where that draws the same at all
        heights. Its uncertainty is that of the measurement alone.
    u_ground_factor_described : float or None
        How far from 1 the described constants let it be, as a standard uncertainty.
    as_described : bool or None
        Whether the factor is 1 within both; None where not parted.
    misfit : float or None
        Residual in units of its standard uncertainty, from three heights on.
    next_height_m, u_r_loss_then_ohm : float or None
        Where another sweep would tell most of the loss, and its standard uncertainty then.
    """

    band: str
    setting: str | None
    f_hz: float
    at: tuple[HeightResult, ...]
    ground_difference_ohm: Estimate
    parted: bool = False
    r_loss_ohm: Estimate | None = None
    r_remainder_ohm: Estimate | None = None
    ground_factor: Estimate | None = None
    u_ground_factor_described: float | None = None
    as_described: bool | None = None
    misfit: float | None = None
    next_height_m: float | None = None
    u_r_loss_then_ohm: float | None = None

    def to_json(self) -> dict[str, Any]:
        """Return all figures, estimates as the contract's ``E``."""
        return {**_plain(self), "at": [_plain(at) for at in self.at]}


def _plain(value: GroundSeparation | HeightResult) -> dict[str, Any]:
    held = {field.name: getattr(value, field.name) for field in fields(value)}
    return {k: v.to_json() if isinstance(v, Estimate) else v for k, v in held.items()}


def separate_ground(stands: Sequence[HeightSweeps]) -> list[GroundSeparation]:
    """Part the ground's ohms from the loop's own, band by band.

    Parameters
    ----------
    stands : sequence of Stand

    Returns
    -------
    list of Heights
        In rising frequency: the bands and settings swept at two heights or more.
    """
    groups: dict[tuple[str, str | None], list[tuple[Quantity, list[Record]]]] = {}
    for stand in sorted(stands, key=lambda stand: stand.height.value):
        kept: dict[tuple[str, str | None], list[Record]] = {}
        for record in stand.records:
            if record.counts and all(name in record.figures for name in REQUIRED):
                kept.setdefault((record.band, record.setting), []).append(record)
        for key, records in kept.items():
            groups.setdefault(key, []).append((stand.height, records))
    groups = {key: group for key, group in groups.items() if len({h.value for h, _ in group}) > 1}
    bands: dict[str, list[Repeats]] = {}
    for (band, _), group in groups.items():
        bands.setdefault(band, []).extend(total_resistance(records) for _, records in group)
    scatters = moderated_scatter(bands)
    order = sorted(groups, key=lambda key: (band_order(key[0]), key[1] or ""))
    return [
        _heights(key, [HeightMeans.of(*piece, scatters[key[0]]) for piece in groups[key]])
        for key in order
    ]


def _heights(key: tuple[str, str | None], seen: Sequence[HeightMeans]) -> GroundSeparation:
    errors = ErrorColumns(seen)
    figures = HeightFigures.of(errors)
    f_hz, y, of_y = figures.value["f_loaded_hz"], figures.value["y"], figures.share["y"]
    # Retuned between the heights: the highest's loss, as it were at the lowest's frequency.
    again = math.sqrt(f_hz[0] / f_hz[-1])
    of_total = figures.share["r_total_ohm"]
    plain = GroundSeparation(
        *key,
        f_hz=float(np.mean(f_hz)),
        at=tuple(
            HeightResult(s.height.value, s.n, errors.estimate(s.values["r_total_ohm"], of_total[i]))
            for i, s in enumerate(seen)
        ),
        ground_difference_ohm=errors.estimate(
            float(y[0] - again * y[-1]), of_y[0] - again * of_y[-1]
        ),
    )
    fit = GroundFit.of(figures) if figures.ground_known else None
    return plain if fit is None else _separated(plain, errors, figures, fit)


def _separated(
    plain: GroundSeparation, errors: ErrorColumns, figures: HeightFigures, fit: GroundFit
) -> GroundSeparation:
    of_loss, of_factor = fit.shares
    of_ground = figures.share["r_ground_ohm"]
    u_described = root_sum_square(fit.weights[1] @ of_ground[:, errors.constants])
    measured = np.where(errors.constants, 0.0, of_factor)
    factor = errors.estimate(fit.factor, measured)
    where, u_then = next_height(errors, figures, fit)
    told = replace(
        plain,
        ground_factor=factor,
        u_ground_factor_described=u_described,
        misfit=fit.misfit,
        next_height_m=where,
        u_r_loss_then_ohm=u_then,
    )
    reach = student_factor(errors.dof(measured))
    if reach * factor.u >= _SEPARATED:
        return told
    agrees = abs(fit.factor - 1) <= reach * math.hypot(factor.u, u_described)
    # Described conductor and parts are the same at every height.
    described = figures.value["r_loss_ohm"] - figures.value["r_remainder_ohm"]
    of_described = figures.share["r_loss_ohm"] - figures.share["r_remainder_ohm"]
    return replace(
        told,
        parted=True,
        as_described=agrees,
        r_loss_ohm=errors.estimate(fit.loss_ohm, of_loss),
        r_remainder_ohm=errors.estimate(
            fit.loss_ohm - float(described.mean()), of_loss - of_described.mean(axis=0)
        ),
        at=tuple(
            _at_height(here, i, errors, figures, fit, agrees) for i, here in enumerate(plain.at)
        ),
    )


def _at_height(
    here: HeightResult,
    i: int,
    errors: ErrorColumns,
    figures: HeightFigures,
    fit: GroundFit,
    agrees: bool,
) -> HeightResult:
    value = {name: float(values[i]) for name, values in figures.value.items()}
    share = {name: shares[i] for name, shares in figures.share.items()}
    of_loss, of_factor = fit.shares
    radiation, ground = value["r_radiation_ohm"], value["r_ground_ohm"]
    drawn = errors.estimate(
        fit.factor * ground, ground * of_factor + fit.factor * share["r_ground_ohm"]
    )
    over = _over_ground(i, errors, figures, fit) if agrees else None
    grown = float(fit.design[i, 0])
    without = radiation + grown * fit.loss_ohm
    if without <= 0:
        return replace(here, r_ground_ohm=drawn, efficiency_over_ground=over)
    # What the coupling loop keeps for itself stays as the sweep told it.
    coupling = value["efficiency"] * (value["r_total_ohm"] - ground) / radiation
    efficiency = coupling * radiation / without
    moved = grown * (fit.loss_ohm / radiation * share["r_radiation_ohm"] - of_loss)
    shares = efficiency / without * moved
    return replace(
        here,
        r_ground_ohm=drawn,
        efficiency=Estimate.share(efficiency, root_sum_square(shares), errors.dof(shares)),
        efficiency_over_ground=over,
    )


def _over_ground(i: int, errors: ErrorColumns, figures: HeightFigures, fit: GroundFit) -> Estimate:
    """Return efficiency over ground given the factor found (normal errors, conditioned on it)."""
    here = float(figures.value["efficiency_over_ground"][i])
    shares = figures.share["efficiency_over_ground"][i].copy()
    shares[errors.own[-1][i]] = -here * errors.seen[i].u_repeat / figures.value["r_total_ohm"][i]
    # How the factor would miss 1 if the ground were the one described, within its uncertainty.
    missed = fit.weights[1] @ (figures.share["y"] - figures.share["r_ground_ohm"])
    lean = float(shares @ missed) / float(missed @ missed)
    left = shares - lean * missed
    return Estimate.share(here - lean * (fit.factor - 1), root_sum_square(left), errors.dof(left))
