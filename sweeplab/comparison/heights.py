"""Several heights of one build: the ground's loss separated from the loop's own.

The conductor's resistance does not change with height, the ground's does:

    R_total(h) = R_loss + Rrad [1 + a (T(h) - 1)]

`T` follows from the described ground (power accepted over power radiated in free space), `a` is
the factor by which the real ground differs: 1 within the uncertainty of the described constants.
Two heights determine both unknowns, more overdetermine them. A quantity common to the heights has
one error; height readings and the ground model at each height have errors of their own. Anything
else that changes with height, a mast or a railing, counts as ground.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

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

# Half the 95 % interval of the ground's factor below which the described ground, factor 1, is
# distinguished from none, factor 0.
_SEPARATED: Threshold = 1.0


@dataclass(frozen=True)
class HeightSweeps:
    """Sweeps of a build at one height; builds at other heights differ in nothing else."""

    height: Quantity
    records: Sequence[Record]


@dataclass(frozen=True)
class HeightResult:
    """Figures at one height.

    Parameters
    ----------
    height_m : float
    n : int
        Sweeps that count.
    r_total_ohm : Estimate
    r_ground_ohm : Estimate or None
        As measured: the described ground's times the factor. None where not separated.
    efficiency : Estimate or None
        The ground's measured share taken out. None where not separated.
    efficiency_over_ground : Estimate or None
        The sky's share is the described ground's, its constants corrected by the factor found.
        None where not separated, or where the ground is not the one described.
    """

    height_m: float
    n: int
    r_total_ohm: Estimate
    r_ground_ohm: Estimate | None = None
    efficiency: Estimate | None = None
    efficiency_over_ground: Estimate | None = None


@dataclass(frozen=True)
class GroundSeparation:
    """Ground and loop separated on one band, in one setting.

    Parameters
    ----------
    band : str
    setting : str or None
    f_hz : float
        Reference frequency of the loss, which is scaled by the square root of frequency.
    heights : tuple of HeightResult
        From the lowest up.
    ground_difference_ohm : Estimate
        The ground's resistance at the lowest height less that at the highest.
    separated : bool
        Whether the heights distinguish the described ground from none.
    r_loss_ohm, r_remainder_ohm : Estimate or None
        Without the ground's share. None where not separated.
    ground_factor : Estimate or None
        The factor `a`; None without a described ground, or where its resistance is the same at all
        heights. Its uncertainty is that of the measurement alone.
    u_ground_factor_described : float or None
        Standard uncertainty of the factor from the described constants.
    as_described : bool or None
        Whether the factor is 1 within both; None where not separated.
    misfit : float or None
        Residual in units of its standard uncertainty, from three heights on.
    next_height_m, u_r_loss_then_ohm : float or None
        Height where another sweep would reduce the loss's uncertainty most, and that uncertainty.
    """

    band: str
    setting: str | None
    f_hz: float
    heights: tuple[HeightResult, ...]
    ground_difference_ohm: Estimate
    separated: bool = False
    r_loss_ohm: Estimate | None = None
    r_remainder_ohm: Estimate | None = None
    ground_factor: Estimate | None = None
    u_ground_factor_described: float | None = None
    as_described: bool | None = None
    misfit: float | None = None
    next_height_m: float | None = None
    u_r_loss_then_ohm: float | None = None


def separate_ground(sweeps: Sequence[HeightSweeps]) -> list[GroundSeparation]:
    """Separate the ground's resistance from the loop's own, band by band.

    Parameters
    ----------
    sweeps : sequence of HeightSweeps

    Returns
    -------
    list of GroundSeparation
        In rising frequency: the bands and settings swept at two heights or more.
    """
    groups: dict[tuple[str, str | None], list[tuple[Quantity, list[Record]]]] = {}
    for of_height in sorted(sweeps, key=lambda one: one.height.value):
        complete: dict[tuple[str, str | None], list[Record]] = {}
        for record in of_height.records:
            if record.counts and all(name in record.figures for name in REQUIRED):
                complete.setdefault((record.band, record.setting), []).append(record)
        for key, records in complete.items():
            groups.setdefault(key, []).append((of_height.height, records))
    groups = {key: group for key, group in groups.items() if len({h.value for h, _ in group}) > 1}
    bands: dict[str, list[Repeats]] = {}
    for (band, _), group in groups.items():
        bands.setdefault(band, []).extend(total_resistance(records) for _, records in group)
    scatters = moderated_scatter(bands)
    order = sorted(groups, key=lambda key: (band_order(key[0]), key[1] or ""))
    return [
        _of_band(key, [HeightMeans.of(*piece, scatters[key[0]]) for piece in groups[key]])
        for key in order
    ]


def _of_band(key: tuple[str, str | None], means: Sequence[HeightMeans]) -> GroundSeparation:
    errors = ErrorColumns(means)
    figures = HeightFigures.of(errors)
    f_hz, y, of_y = figures.value["f_loaded_hz"], figures.value["y"], figures.share["y"]
    # Retuned between the heights: the highest's loss, scaled to the lowest's frequency.
    scale = math.sqrt(f_hz[0] / f_hz[-1])
    of_total = figures.share["r_total_ohm"]
    difference = GroundSeparation(
        *key,
        f_hz=float(np.mean(f_hz)),
        heights=tuple(
            HeightResult(s.height.value, s.n, errors.estimate(s.values["r_total_ohm"], of_total[i]))
            for i, s in enumerate(means)
        ),
        ground_difference_ohm=errors.estimate(
            float(y[0] - scale * y[-1]), of_y[0] - scale * of_y[-1]
        ),
    )
    fit = GroundFit.of(figures) if figures.ground_known else None
    return difference if fit is None else _separated(difference, errors, figures, fit)


def _separated(
    difference: GroundSeparation, errors: ErrorColumns, figures: HeightFigures, fit: GroundFit
) -> GroundSeparation:
    of_loss, of_factor = fit.shares
    of_ground = figures.share["r_ground_ohm"]
    u_described = root_sum_square(fit.weights[1] @ of_ground[:, errors.constants])
    measured = np.where(errors.constants, 0.0, of_factor)
    factor = errors.estimate(fit.factor, measured)
    height_m, u_then = next_height(errors, figures, fit)
    fitted = replace(
        difference,
        ground_factor=factor,
        u_ground_factor_described=u_described,
        misfit=fit.misfit,
        next_height_m=height_m,
        u_r_loss_then_ohm=u_then,
    )
    coverage = student_factor(errors.dof(measured))
    if coverage * factor.u >= _SEPARATED:
        return fitted
    agrees = abs(fit.factor - 1) <= coverage * math.hypot(factor.u, u_described)
    # Described conductor and parts are the same at every height.
    described = figures.value["r_loss_ohm"] - figures.value["r_remainder_ohm"]
    of_described = figures.share["r_loss_ohm"] - figures.share["r_remainder_ohm"]
    return replace(
        fitted,
        separated=True,
        as_described=agrees,
        r_loss_ohm=errors.estimate(fit.loss_ohm, of_loss),
        r_remainder_ohm=errors.estimate(
            fit.loss_ohm - float(described.mean()), of_loss - of_described.mean(axis=0)
        ),
        heights=tuple(
            _at_height(result, i, errors, figures, fit, agrees)
            for i, result in enumerate(difference.heights)
        ),
    )


def _at_height(
    result: HeightResult,
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
    r_ground = errors.estimate(
        fit.factor * ground, ground * of_factor + fit.factor * share["r_ground_ohm"]
    )
    over = _over_ground(i, errors, figures, fit) if agrees else None
    loss_scale = float(fit.design[i, 0])
    r_free_ohm = radiation + loss_scale * fit.loss_ohm
    if r_free_ohm <= 0:
        return replace(result, r_ground_ohm=r_ground, efficiency_over_ground=over)
    # The coupling loop's share stays as measured.
    coupling = value["efficiency"] * (value["r_total_ohm"] - ground) / radiation
    efficiency = coupling * radiation / r_free_ohm
    numerator = loss_scale * (fit.loss_ohm / radiation * share["r_radiation_ohm"] - of_loss)
    shares = efficiency / r_free_ohm * numerator
    return replace(
        result,
        r_ground_ohm=r_ground,
        efficiency=Estimate.share(efficiency, root_sum_square(shares), errors.dof(shares)),
        efficiency_over_ground=over,
    )


def _over_ground(i: int, errors: ErrorColumns, figures: HeightFigures, fit: GroundFit) -> Estimate:
    """Return efficiency over ground given the factor found (normal errors, conditioned on it)."""
    value = float(figures.value["efficiency_over_ground"][i])
    shares = figures.share["efficiency_over_ground"][i].copy()
    shares[errors.own[-1][i]] = (
        -value * errors.heights[i].u_repeat / figures.value["r_total_ohm"][i]
    )
    # The factor's deviation from 1 for the ground described, within its uncertainty.
    deviation = fit.weights[1] @ (figures.share["y"] - figures.share["r_ground_ohm"])
    slope = float(shares @ deviation) / float(deviation @ deviation)
    remaining = shares - slope * deviation
    return Estimate.share(
        value - slope * (fit.factor - 1), root_sum_square(remaining), errors.dof(remaining)
    )
