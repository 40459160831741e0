"""What a movement makes of a fitted circle, averaged over all that it may have been.

The answers of all kinds are averaged by how likely each is (J. A. Hoeting et al., Statistical
Science 14, 382, 1999, memory). Of a step, place and size are not known; a course has normal
coefficients whose size the data choose.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sweeplab.resonance.drift.score import (
    LOOKED_FOR,
    RESIDUAL,
    STEPS,
    UNSEEN_COURSE,
    Kind,
    Projection,
    RowScore,
    from_the_dip,
    steps,
    swayings,
)
from sweeplab.sweep import FloatArray

# Of a course, what the circle's unknowns take up but for this share is rounding.
_ROUNDING = 1e-10
# Sizes of a course's coefficients that are tried, as chi-square of the best seen one.
_SIZES = np.exp(np.linspace(math.log(0.1), math.log(1e7), 55))
# Amplitude and phase may sway together or either alone.
KINDS = STEPS + tuple(
    Kind(what, along, fall)
    for what, along in (*((kind.what, kind.along) for kind in LOOKED_FOR),
                        ("reflection", (7,)), ("reflection", (8,)))
    for fall in (0.0, 1.0, 2.0)
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class DriftPosterior:
    """What allowing for one kind of movement makes of the circle's free unknowns.

    Parameters
    ----------
    likelihood : float
        Its logarithm, over that of none.
    mean : ndarray, shape (f,)
        Of the unknowns' changes, and `square` the mean of their products, shape (f, f).
    best : ndarray, shape (f,)
        Changes at the likeliest place, and `change` the movement's reflection there, weighted,
        shape (2, n).
    """

    kind: Kind
    likelihood: float
    mean: FloatArray
    square: FloatArray
    best: FloatArray
    change: FloatArray
    place: int | None


def answers_of(look: RowScore, kinds: tuple[Kind, ...]) -> tuple[list[DriftPosterior], float]:
    """Return what each kind of movement makes of the circle, and the noise's variance."""
    jumps = {kind: steps(look, kind) for kind in kinds if kind.fall is None}
    widest = [swayings(look, kind).above(UNSEEN_COURSE) for kind in LOOKED_FOR]
    rests = [
        (look.left - float(seen.gain.max()), look.dof - int((seen.power > 0).sum(axis=1).max()))
        for seen in (*jumps.values(), *widest)
    ]
    # As many movements as points explain everything, and say nothing of the noise.
    told = [left / dof for left, dof in rests if dof > 0]
    noise2 = min(told, default=look.left / look.dof)
    noise2 = max(noise2, 1e-12 * look.left / look.dof)
    answers = [_stepped(look, kind, seen, noise2) for kind, seen in jumps.items()]
    answers += [_swayed(look, kind, noise2) for kind in kinds if kind.fall is not None]
    return answers, noise2


def _stepped(look: RowScore, kind: Kind, seen: Projection, noise2: float) -> DriftPosterior:
    chi2 = seen.gain / noise2
    unknowns = np.maximum((seen.power > 0).sum(axis=1), 1)
    # Its size is of the order that fits best: the logarithm of what a normal prior leaves.
    size = np.maximum(chi2 / unknowns, 1)
    likelihood = (chi2 - unknowns * (1 + np.log(size))) / 2
    top = float(likelihood.max())
    weight = np.exp(likelihood - top)
    total = float(weight.sum())
    weight = weight / total
    pull = seen.pull(look)
    means = look.theta + np.einsum("kfg,kg->kf", pull, seen.coefficients)
    spread = np.where(seen.power > 0, noise2 / np.where(seen.power > 0, seen.power, 1), 0)
    pulls = pull.transpose(1, 0, 2).reshape(pull.shape[1], -1)
    spread = (pulls * (weight[:, None] * spread).ravel()) @ pulls.T
    best = int(weight.argmax())
    change = np.zeros_like(look.vectors[0])
    place = (best + 1) * look.width
    touched, sign = (np.s_[place:], 1) if place > look.dip else (np.s_[:place], -1)
    coefficients = seen.ways[best] @ seen.coefficients[best]
    change[:, touched] = sign * np.tensordot(
        coefficients, look.vectors[list(kind.along)][:, :, touched], axes=1
    )
    return DriftPosterior(
        kind, top + math.log(total / weight.size), weight @ means,
        look.inverse * noise2 + spread + (means.T * weight) @ means, means[best], change, place,
    )  # fmt: skip


def _swayed(look: RowScore, kind: Kind, noise2: float) -> DriftPosterior:
    seen, group = swayings(look, kind).above(_ROUNDING), list(kind.along)
    power, along = seen.power[0], seen.along[0]
    # Coefficients of variance v along every way: the v that makes the residual likeliest.
    sizes = _SIZES[:, None] * noise2 / max(float(power.max()), 1e-300)
    gained = sizes * power / (noise2 + sizes * power)
    chi2 = np.where(power > 0, along**2 / np.where(power > 0, power, 1), 0) / noise2
    likelihood = (gained * chi2 + np.log1p(-gained)).sum(axis=1) / 2
    best = int(likelihood.argmax())
    variance = float(sizes[best, 0])
    coefficients = along / (power + noise2 / variance)
    pull = seen.pull(look)[0]
    mean = look.theta + pull @ coefficients
    spread = noise2 * (pull / (power + noise2 / variance)) @ pull.T
    courses = from_the_dip(look)
    own = (seen.ways[0] @ coefficients).reshape(len(group), -1) @ courses
    change = np.einsum("gi,gci->ci", own, look.vectors[group])
    return DriftPosterior(
        kind, float(likelihood[best]), mean,
        look.inverse * noise2 + spread + np.outer(mean, mean), mean, change, None,
    )  # fmt: skip


def averaged(answers: list[DriftPosterior]) -> tuple[FloatArray, FloatArray]:
    """Return mean and covariance of the unknowns' changes over all answers."""
    likelihood = np.array([answer.likelihood for answer in answers])
    weight = np.exp(likelihood - likelihood.max())
    weight /= weight.sum()
    mean = np.einsum("a,af->f", weight, np.array([answer.mean for answer in answers]))
    square = np.einsum("a,afe->fe", weight, np.array([answer.square for answer in answers]))
    return mean, square - np.outer(mean, mean)


def left_by(look: RowScore, answer: DriftPosterior) -> FloatArray:
    """Return the residual that an answer leaves, weighted, shape (2, n)."""
    circle = np.tensordot(answer.best, look.vectors[look.free], axes=1)
    return np.asarray(look.vectors[RESIDUAL] - circle - answer.change)
