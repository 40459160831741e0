"""Loss and ground factor by least squares over heights, with the records' covariance."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sweeplab.comparison.repeatability import FloatArray, Repeats, Scatter, effective_dof
from sweeplab.estimate import Estimate
from sweeplab.finding import Threshold
from sweeplab.line import C0_M_PER_S
from sweeplab.quantity import Quantity
from sweeplab.record import FIT, Record

REQUIRED = ("f_loaded_hz", "r_total_ohm", "r_radiation_ohm")
GROUND = ("r_ground_ohm", "r_loss_ohm", "r_remainder_ohm", "efficiency", "efficiency_over_ground")
_CONSTANTS = "site.ground."
# Errors that each height has of its own: of the height measured, and of the ground's model, which
# comes from the current's change near the ground.
_OWN = ("site.height", "model.ground")
# Assumed exponent of the ground's resistance over height, where the heights do not show it: the
# near field of a small loop's image goes with the third power of distance.
_STEEPEST: Threshold = 3.0
_FLATTEST: Threshold = 1.0
# Candidate heights, as multiples of the lowest and of the highest: within a person's reach.
_LOWER, _HIGHER = (0.5, 0.7, 1.0), (1.0, 1.5, 2.0)
# Farther up the ground's resistance oscillates about zero, and no power law holds.
_HIGHEST_WAVELENGTHS: Threshold = 0.25


@dataclass(frozen=True)
class HeightMeans:
    """Means over the repeats at one height, equally weighted.

    Parameters
    ----------
    height : Quantity
    n : int
    values : mapping of str to float
    shares : mapping of str to mapping of str to float
        For each figure, what every source that is not the sweeps' own contributes, signed.
    u_repeat : float
        The rest of the total resistance's uncertainty: noise, and scatter of repeats.
    dof : float
        Degrees of freedom of `u_repeat`.
    """

    height: Quantity
    n: int
    values: Mapping[str, float]
    shares: Mapping[str, Mapping[str, float]]
    u_repeat: float
    dof: float

    @classmethod
    def of(
        cls, height: Quantity, records: Sequence[Record], scatter: Scatter | None
    ) -> HeightMeans:
        """Return the means of records at one height."""
        n = len(records)
        names = [name for name in (*REQUIRED, *GROUND) if all(name in r.figures for r in records)]
        shares: dict[str, dict[str, float]] = {name: {} for name in names}
        for name, by_source in shares.items():
            for record in records:
                for source, share in record.shares.get(name, {}).items():
                    if source != FIT:
                        by_source[source] = by_source.get(source, 0.0) + share / n
        group = total_resistance(records)
        between = 0.0 if scatter is None else scatter.between * group.scale**2
        u = math.sqrt((between + float(np.mean(group.noise**2))) / n)
        values = {name: float(np.mean([r.figures[name].value for r in records])) for name in names}
        return cls(height, n, values, shares, u, math.inf if scatter is None else scatter.dof)


def total_resistance(records: Sequence[Record]) -> Repeats:
    """Return the total resistance over repeats."""
    values = np.array([record.figures["r_total_ohm"].value for record in records])
    noise = np.array([record.noise("r_total_ohm") for record in records])
    return Repeats(values, noise, float(np.mean(values)))


class ErrorColumns:
    """Every source of error as one column: a figure's signed shares in it, by height.

    A source common to all heights is one column; one of a height's own, or its repeats, one each.

    Parameters
    ----------
    heights : sequence of HeightMeans
    """

    def __init__(self, heights: Sequence[HeightMeans]) -> None:
        self.heights = heights
        names = {source for h in heights for shares in h.shares.values() for source in shares}
        self._common = sorted(names - set(_OWN))
        first, n = len(self._common), len(heights)
        own = [np.arange(first + j * n, first + (j + 1) * n) for j in range(len(_OWN) + 1)]
        #: Columns of the heights' own errors, each shape (heights,): height, model, repeats.
        self.own: list[NDArray[np.int_]] = own
        self.columns = first + n * len(own)
        #: Whether a column is one of the ground's constants.
        self.constants = np.zeros(self.columns, dtype=bool)
        self.constants[:first] = [name.startswith(_CONSTANTS) for name in self._common]

    def of(self, name: str) -> FloatArray:
        """Return a figure's shares, shape (heights, columns)."""
        shares = np.zeros((len(self.heights), self.columns))
        for i, means in enumerate(self.heights):
            by_source = means.shares.get(name, {})
            for j, source in enumerate(self._common):
                shares[i, j] = by_source.get(source, 0.0)
            for columns, source in zip(self.own, _OWN, strict=False):
                shares[i, columns[i]] = by_source.get(source, 0.0)
            if name == "r_total_ohm":
                shares[i, self.own[-1][i]] = means.u_repeat
        return shares

    def estimate(self, value: float, shares: FloatArray) -> Estimate:
        """Return an estimate of a value with its shares, shape (columns,)."""
        return Estimate.normal(value, root_sum_square(shares), self.dof(shares))

    def dof(self, shares: FloatArray) -> float:
        """Return the degrees of freedom of a value's standard uncertainty."""
        least = min(means.dof for means in self.heights)
        return effective_dof(root_sum_square(shares[self.own[-1]]), least, root_sum_square(shares))


def root_sum_square(shares: FloatArray) -> float:
    """Return the standard uncertainty of independent shares."""
    return float(np.linalg.norm(shares))


@dataclass(frozen=True, eq=False)
class HeightFigures:
    """Means and shares of the fit's inputs, by height.

    Parameters
    ----------
    value : mapping of str to ndarray, shape (heights,)
        NaN where a figure is not known.
    share : mapping of str to ndarray, shape (heights, columns)
    """

    value: Mapping[str, FloatArray]
    share: Mapping[str, FloatArray]

    @classmethod
    def of(cls, errors: ErrorColumns) -> HeightFigures:
        """Return the figures of all heights; ``'y'`` is the total less radiation in free space."""
        names = (*REQUIRED, *GROUND)
        value = {n: np.array([s.values.get(n, math.nan) for s in errors.heights]) for n in names}
        share = {n: errors.of(n) for n in names}
        value["y"] = value["r_total_ohm"] - value["r_radiation_ohm"]
        share["y"] = share["r_total_ohm"] - share["r_radiation_ohm"]
        return cls(value, share)

    @property
    def ground_known(self) -> bool:
        """Whether the ground is described at every height."""
        return not any(np.isnan(self.value[name]).any() for name in GROUND)


@dataclass(frozen=True, eq=False)
class GroundFit:
    """Loss and ground's factor from the heights.

    Parameters
    ----------
    design : ndarray, shape (heights, 2)
        Frequency scale of the loss; the described ground's resistance [ohm].
    weights : ndarray, shape (2, heights)
        Loss and factor are these times ``y``.
    loss_ohm, factor : float
    shares : ndarray, shape (2, columns)
        Of loss and factor.
    misfit : float or None
        Root of chi-square over degrees of freedom, from three heights on.
    """

    design: FloatArray
    weights: FloatArray
    loss_ohm: float
    factor: float
    shares: FloatArray
    misfit: float | None

    @classmethod
    def of(cls, figures: HeightFigures) -> GroundFit | None:
        """Return the fit; None where the described ground's resistance is equal at all heights."""
        f_hz, ground = figures.value["f_loaded_hz"], figures.value["r_ground_ohm"]
        y = figures.value["y"]
        design = np.stack([np.sqrt(f_hz / np.mean(f_hz)), ground], axis=1)
        if np.ptp(ground / design[:, 0]) <= 1e-9 * float(np.max(np.abs(y))):
            return None
        factor = 1.0
        # The ground's shares are proportional to the factor: iterated once.
        for _ in range(2):
            shares = figures.share["y"] - factor * figures.share["r_ground_ohm"]
            weights = _weights(design, shares)
            loss, factor = (float(x) for x in weights @ y)
        misfit = _misfit(y - design @ np.array([loss, factor]), shares)
        return cls(design, weights, loss, factor, weights @ shares, misfit)


def _weights(design: FloatArray, shares: FloatArray) -> FloatArray:
    """Return ``(X^T C^-1 X)^-1 X^T C^-1``, C the shares' covariance (generalized least squares).

    A. C. Aitken, Proc. R. Soc. Edinb. 55, 42, 1935, memory. Two heights are solved exactly.
    """
    if len(design) == 2:
        return np.asarray(np.linalg.inv(design))
    whitened = np.linalg.solve(_covariance(shares), design)
    return np.asarray(np.linalg.solve(design.T @ whitened, whitened.T))


def _covariance(shares: FloatArray) -> FloatArray:
    covariance = shares @ shares.T
    # Heights without errors of their own would make it singular.
    return np.asarray(covariance + 1e-12 * np.trace(covariance) * np.eye(len(covariance)))


def _misfit(residual: FloatArray, shares: FloatArray) -> float | None:
    if residual.size < 3:
        return None
    chi2 = float(residual @ np.linalg.solve(_covariance(shares), residual))
    return math.sqrt(chi2 / (residual.size - 2))


def next_height(
    errors: ErrorColumns, figures: HeightFigures, fit: GroundFit
) -> tuple[float, float]:
    """Return the height [m] where one more sweep reduces the loss's u most, and that u.

    The ground's resistance at another height is extrapolated by the power law through the lowest
    and the highest: good enough to choose a height.
    """
    heights = [means.height.value for means in errors.heights]
    ground = figures.value["r_ground_ohm"]
    power = _STEEPEST
    if ground[0] > 0 and ground[-1] > 0:
        fall = math.log(ground[0] / ground[-1]) / math.log(heights[-1] / heights[0])
        power = min(max(fall, _FLATTEST), _STEEPEST)
    most = _HIGHEST_WAVELENGTHS * C0_M_PER_S / float(np.max(figures.value["f_loaded_hz"]))
    candidates = []
    for end, multiples in ((0, _LOWER), (-1, _HIGHER)):
        for times in multiples:
            if times > 1 and heights[end] * times > most:
                continue
            u = _u_loss_with(errors, figures, fit, end, times, times**-power)
            candidates.append((u, heights[end] * times))
    u, height = min(candidates)
    return height, u


def _u_loss_with(
    errors: ErrorColumns,
    figures: HeightFigures,
    fit: GroundFit,
    end: int,
    times: float,
    ratio: float,
) -> float:
    """Return the loss's u with another sweep at `times` the height of an end, of equal quality."""
    of_ground = figures.share["r_ground_ohm"]
    common = figures.share["y"][end] - ratio * of_ground[end]
    own = np.zeros(len(errors.own))
    for j, columns in enumerate(errors.own):
        own[j] = common[columns[end]]
        common[columns] = 0.0
    # The height's error is a length: it acts through the slope, one power steeper.
    own[0] /= times
    shares = np.zeros((len(errors.heights) + 1, errors.columns + own.size))
    shares[:-1, : errors.columns] = figures.share["y"] - of_ground
    shares[-1] = [*common, *own]
    r_ground = ratio * figures.value["r_ground_ohm"][end]
    design = np.concatenate([fit.design, [[fit.design[end, 0], r_ground]]])
    return root_sum_square((_weights(design, shares) @ shares)[0])
