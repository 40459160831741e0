"""Repeats: how far one state of the antenna scatters from sweep to sweep, and means over repeats.

A repeat is another sweep of the same build, setting and band, with everything unplugged and
plugged in again. What a sweep's own noise cannot explain of the scatter is the between-repeat
variance. With two or three repeats it is badly known, so it is pooled over bands, as far as the
bands are alike:

- within a group of repeats the mean weighs each sweep by ``1/(between + noise^2)``, the random
  effects of R. DerSimonian & N. Laird (Controlled Clinical Trials 7, 177, 1986), the between-repeat
  variance being scatter less mean noise (L. V. Hedges, Psychological Bulletin 93, 388, 1983);
- the interval is Student's t, as G. Knapp & J. Hartung have it (Statistics in Medicine 22, 2693,
  2003), and never narrower than the noise alone says (C. Röver, G. Knapp & T. Friede, BMC Medical
  Research Methodology 15, 99, 2015);
- a band that scatters no more than the others is moderated by all of them, as if a sample of two
  more degrees of freedom had shown the pooled scatter (the posterior variance of G. K. Smyth,
  Statistical Applications in Genetics and Molecular Biology 3(1), 3, 2004); one that scatters more
  than the others keeps its own variance: to pool it would raise false alarms;
- where the log holds repeats of other builds on the band, three degrees of freedom or more, they
  are pooled with its own and other bands are not used, unless it scatters more than twice as much
  (in variance) as they did.

False alarm rate at a nominal 5 % (simulated, four quantities, two and three repeats a side): 0 to
3 % where scatter is alike over bands, 2 to 5 %
where it differs tenfold (two, three and five bands), 2 to 4.5 % with four or eight other builds
whose scatter is alike or differs by a factor of three. Pooling every band gave 8 to 16 % in the
worst of these. Each band on its own would keep to 5 % too, with intervals 1.2 times as wide at
three repeats a side and 1.9 times at two, where scatter is alike.

All citations but that of Röver from memory.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sweeplab.finding import Threshold

FloatArray = NDArray[np.float64]

# Degrees of freedom of the scatter of all bands, as a prior of a band's own.
_PRIOR_DOF = 2.0
# Degrees of freedom below which other builds' repeats on a band are too few.
_ENOUGH_DOF: Threshold = 3.0
# A band whose variance is so many times that of other builds' repeats is not pooled with them.
_OTHER_VARIANCE_RATIO: Threshold = 2.0
# False alarm rate on either side: intervals of 95 %.
_TAIL: Threshold = 0.025


@dataclass(frozen=True)
class Repeats:
    """One figure over repeats of one state.

    Parameters
    ----------
    values, noise : ndarray, shape (n,)
        The figure in each sweep, and the standard uncertainty that is that sweep's own.
    scale : float
        Unit of the scatter, same unit: the figure's magnitude where scatter is proportional to it.
    shares : tuple of mapping, length n
        Signed contributions of quantities that are not the sweep's own, by name.
    """

    values: FloatArray
    noise: FloatArray
    scale: float
    shares: tuple[Mapping[str, float], ...] = ()

    @property
    def dof(self) -> int:
        """Degrees of freedom: one less than there are repeats."""
        return max(self.values.size - 1, 0)


@dataclass(frozen=True)
class Scatter:
    """How far repeats scatter, in units of a group's scale, noise included.

    Parameters
    ----------
    variance : float
    dof : float
        Degrees of freedom of `variance`.
    noise : float
        Mean variance that the sweeps' own noise explains.
    """

    variance: float
    dof: float
    noise: float

    @property
    def between(self) -> float:
        """Between-repeat variance: what the noise does not explain."""
        return max(self.variance - self.noise, 0.0)


@dataclass(frozen=True)
class Mean:
    """A mean over repeats.

    Parameters
    ----------
    value : float
    u_repeat : float
        Standard uncertainty from scatter and noise.
    dof : float
        Degrees of freedom of `u_repeat`.
    n : int
    shares : mapping of str to float
        Signed contributions of the quantities that all repeats have in common.
    """

    value: float
    u_repeat: float
    dof: float
    n: int
    shares: Mapping[str, float]

    @property
    def u(self) -> float:
        """Standard uncertainty, common quantities included."""
        return math.hypot(self.u_repeat, *self.shares.values())

    @property
    def dof_of_u(self) -> float:
        """Degrees of freedom of `u`."""
        return effective_dof(self.u_repeat, self.dof, self.u)


def pooled_scatter(groups: Sequence[Repeats]) -> Scatter | None:
    """Return the scatter pooled over groups; None where no group has two repeats."""
    repeated = [group for group in groups if group.dof > 0]
    dof = sum(group.dof for group in repeated)
    if dof == 0:
        return None
    squares = sum(
        float(np.sum((group.values - group.values.mean()) ** 2)) / group.scale**2
        for group in repeated
    )
    noise = sum(group.dof * float(np.mean(group.noise**2)) / group.scale**2 for group in repeated)
    return Scatter(squares / dof, float(dof), noise / dof)


def moderated_scatter(
    bands: Mapping[str, Sequence[Repeats]],
    history: Mapping[str, Sequence[Repeats]] | None = None,
) -> dict[str, Scatter | None]:
    """Return each band's scatter, moderated by other bands and other builds.

    Parameters
    ----------
    bands : mapping of str to sequence of Repeats
        Groups whose scatter is one and the same; between bands it may differ.
    history : mapping of str to sequence of Repeats, or None
        Groups of other builds on the same bands.

    Returns
    -------
    dict of str to (Scatter or None)
        None for every band where no group in any has two repeats.
    """
    past = {} if history is None else history
    everything = pooled_scatter([group for groups in bands.values() for group in groups])
    if everything is None:
        everything = pooled_scatter([group for groups in past.values() for group in groups])
    result: dict[str, Scatter | None] = {}
    for band, groups in bands.items():
        others = pooled_scatter(past.get(band, ()))
        own = pooled_scatter(groups)
        elsewhere = [group for other in bands if other != band for group in bands[other]]
        if own is None:
            result[band] = everything if others is None else others
        elif others is not None and others.dof >= _ENOUGH_DOF:
            alike = own.variance <= _OTHER_VARIANCE_RATIO * others.variance
            result[band] = pooled_scatter([*groups, *past[band]]) if alike else own
        else:
            result[band] = _moderated(own, pooled_scatter(elsewhere), everything)
    return result


def _moderated(own: Scatter, elsewhere: Scatter | None, everything: Scatter | None) -> Scatter:
    """Return a band's scatter moderated by all bands', its own where that is larger."""
    if elsewhere is None or everything is None or own.variance > elsewhere.variance:
        return own
    dof = own.dof + _PRIOR_DOF
    variance = (own.dof * own.variance + _PRIOR_DOF * everything.variance) / dof
    return Scatter(variance, min(dof, everything.dof), own.noise)


def weighted_mean(group: Repeats, scatter: Scatter | None) -> Mean:
    """Return the mean over repeats under a scatter; without one, of the noise alone.

    The weights are ``1/(between * scale^2 + noise^2)``, and the shares of common quantities are
    averaged with the same weights.
    """
    between = 0.0 if scatter is None else scatter.between * group.scale**2
    variances = between + group.noise**2
    if np.any(variances == 0):
        variances = np.full(group.values.size, float(np.mean(variances)))
    weights = np.ones(group.values.size)
    if variances[0] > 0:
        weights = 1 / variances
    u = math.sqrt(float(np.sum(weights**2 * variances))) / float(weights.sum())
    weights = weights / weights.sum()
    shares: dict[str, float] = {}
    for weight, by_source in zip(weights, group.shares, strict=False):
        for source, share in by_source.items():
            shares[source] = shares.get(source, 0.0) + float(weight) * share
    value = float(np.sum(weights * group.values))
    dof = math.inf if scatter is None else scatter.dof
    return Mean(value, u, dof, group.values.size, shares)


def effective_dof(u_repeat: float, dof: float, u: float) -> float:
    """Return the degrees of freedom of `u`, of which `u_repeat` has `dof` and the rest is known.

    Welch-Satterthwaite: JCGM 100:2008, eq. G.2b.
    """
    if u_repeat == 0 or math.isinf(dof):
        return math.inf
    return dof * (u / u_repeat) ** 4


def student_factor(dof: float, comparisons: int = 1) -> float:
    """Return k so that ``+- k u`` holds for all of `comparisons` quantities at once with 95 %.

    Bonferroni's inequality (O. J. Dunn, J. Amer. Statist. Assoc. 56, 52, 1961): each gets 5 % over
    their number. It holds however they are correlated.
    """
    from scipy.special import ndtri, stdtrit

    tail = 1 - _TAIL / comparisons
    return float(ndtri(tail) if math.isinf(dof) else stdtrit(dof, tail))
