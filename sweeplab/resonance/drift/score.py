"""Kinds of movement during a sweep, and how clearly each shows in what a circle leaves.

A movement is looked for in what a circle leaves. With the tangents T of the circle's unknowns and
the derivative D of the reflection by a movement, allowing for the movement takes
``u' I^-1 u`` off the squares left, ``u = D'(r - T t)``, ``I = D'D - D'T (T'T)^-1 T'D`` (the score
test of C. R. Rao, Proc. Camb. Phil. Soc. 44, 50, 1948, memory). Over the points in the order of
their frequencies a movement is

- a step at any place: of amplitude and phase together, of the resonance, of loss and coupling;
- a course of up to eight turns to and fro: of amplitude, of phase, of both, of the resonance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from typing import Literal

import numpy as np
from numpy.linalg import eigh

from sweeplab.finding import Threshold
from sweeplab.resonance.circle.batch import CircleFit, IndexArray, SweepBatch
from sweeplab.resonance.circle.varpro import derotated, detuning
from sweeplab.sweep import FloatArray

What = Literal["reflection", "resonance", "loss"]
How = Literal["step", "course"]

# Of one row's vectors: seven tangents of the circle, three more of movements, the residual.
TANGENTS, RESIDUAL = 7, 10
_HALF_TURNS = 16
# In white noise each is reached by one sweep in some ten thousand, all together by one in two
# thousand, whatever the number of points (51 to 801, 20,000 draws).
_REFLECTION_GAIN: Threshold = 23.5
_RESONANCE_GAIN: Threshold = 22.0
_LOSS_GAIN: Threshold = 25.5
_NEEDED: dict[What, float] = {
    "reflection": _REFLECTION_GAIN,
    "resonance": _RESONANCE_GAIN,
    "loss": _LOSS_GAIN,
}
_COURSE_DEVIATIONS: Threshold = 3.75
# Of a movement, what the circle's unknowns take up but for this share is not seen.
_UNSEEN_STEP: Threshold = 1e-4
UNSEEN_COURSE: Threshold = 1e-3


@dataclass(frozen=True)
class Kind:
    """A kind of movement: what moves, along which vectors, and how.

    Parameters
    ----------
    fall : float or None
        Power by which a course's coefficients fall with the number of half-turns: those of
        swaying, of a drift, of settling. None for a step.
    """

    what: What
    along: tuple[int, ...]
    fall: float | None = None

    @property
    def how(self) -> How:
        """Step or course."""
        return "step" if self.fall is None else "course"


STEPS = (Kind("reflection", (7, 8)), Kind("resonance", (0,)), Kind("loss", (1, 9)))
LOOKED_FOR = (Kind("reflection", (7, 8), 0.0), Kind("resonance", (0,), 0.0))


@lru_cache(maxsize=16)
def courses_over(points: int) -> FloatArray:
    """Return the courses over the points, half a turn each and more, shape (m, n)."""
    turn = np.pi * (np.arange(points) + 0.5) / points
    return np.cos(np.arange(1, _HALF_TURNS + 1)[:, None] * turn)


def vectors_of(rows: SweepBatch, fit: CircleFit) -> FloatArray:
    """Return a row's tangents, movements and residual, weighted, shape (11, 2, n)."""
    x, by_x0 = (part[0] for part in detuning(rows, fit.p))
    detuned, drop = fit.linear[0]
    shape = 1 / (1 + 1j * x)
    slope = -1j * shape**2 * drop
    picture = detuned + drop * shape
    one = np.ones_like(shape)
    # A loss changes QL, and B with it; with the coupling's own change any such pair.
    columns = np.array([
        slope * by_x0, slope * x, -1j * rows.position[0] * picture, one, 1j * one, shape,
        1j * shape,
        picture, 1j * picture, drop * shape, derotated(rows, fit.p[:, 2])[0] - picture,
    ])  # fmt: skip
    columns *= np.sqrt(rows.weight[0])
    return np.stack([columns.real, columns.imag], axis=1)


@dataclass(frozen=True, eq=False)
class RowScore:
    """One row about a circle near its own.

    Parameters
    ----------
    vectors : ndarray, shape (11, 2, n)
    free : ndarray of int, shape (f,)
        Which of the circle's seven unknowns are free.
    width : int
        Points a bin.
    bins : ndarray, shape (k, 11, 11)
        The vectors' inner products, bin by bin.
    inverse : ndarray, shape (f, f)
        Of the free tangents' inner products.
    theta : ndarray, shape (f,)
        Changes of the unknowns that fit best where nothing moves.
    left : float
        Squares that they leave.
    dof : float
    dip : int
        The point nearest to the resonance: every movement is counted from there.
    products, courses : dict
        What was worked out of courses, by their vectors and by their kind.
    """

    vectors: FloatArray
    free: IndexArray
    width: int
    bins: FloatArray
    inverse: FloatArray
    theta: FloatArray
    left: float
    dof: float
    dip: int
    products: dict[tuple[int, ...], tuple[FloatArray, ...]] = field(default_factory=dict)
    courses: dict[Kind, Projection] = field(default_factory=dict)

    @classmethod
    def at(cls, rows: SweepBatch, fit: CircleFit, free: IndexArray, width: int) -> RowScore:
        """Return the look at one row from the circle of `fit`."""
        dof = 2 * float((rows.weight > 0).sum()) - free.size
        dip = int(np.abs(rows.position[0] - fit.p[0, 0]).argmin())
        return cls.upon(vectors_of(rows, fit), free, width, dof, dip)

    @classmethod
    def upon(
        cls, vectors: FloatArray, free: IndexArray, width: int, dof: float, dip: int
    ) -> RowScore:
        """Return the look that these vectors give."""
        bins = _binned(vectors, width)
        whole = bins.sum(axis=0)
        normal = whole[np.ix_(free, free)]
        scale = 1 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
        # A floor far below what any credible fit determines keeps a singular one from failing.
        scaled = normal * scale[:, None] * scale + 1e-13 * np.eye(free.size)
        inverse = np.linalg.inv(scaled) * scale[:, None] * scale
        along = whole[free, RESIDUAL]
        theta = inverse @ along
        left = float(whole[RESIDUAL, RESIDUAL] - along @ theta)
        return cls(vectors, free, width, bins, inverse, theta, left, dof, dip)

    @cached_property
    def after(self) -> FloatArray:
        """Inner products over each bin and all after it, shape (k, 11, 11)."""
        return np.asarray(np.cumsum(self.bins[::-1], axis=0)[::-1])

    def of(self, residual: FloatArray, width: int) -> RowScore:
        """Return the same look at another residual, shape (2, n)."""
        vectors = self.vectors.copy()
        vectors[RESIDUAL] = residual
        return self.upon(vectors, self.free, width, self.dof, self.dip)

    def ratio(self, gain: float, unknowns: float) -> float:
        """Return a gain as twice the likelihood's logarithm, by Bartlett's factor chi-square."""
        left = max(self.left - gain, 1e-12 * self.left)
        return (self.dof - unknowns / 2 - 1) * math.log(self.left / left)


def _binned(vectors: FloatArray, width: int) -> FloatArray:
    """Return the vectors' inner products over every `width` points, shape (k, 11, 11)."""
    count, parts, points = vectors.shape
    bins = -(-points // width)
    padded = np.zeros((count, parts, bins * width))
    padded[:, :, :points] = vectors
    blocks = padded.reshape(count, parts, bins, width).transpose(2, 0, 1, 3)
    flat = blocks.reshape(bins, count, parts * width)
    return np.asarray(flat @ flat.transpose(0, 2, 1))


@dataclass(frozen=True, eq=False)
class Projection:
    """Movements of one kind as far as the circle's unknowns do not take them up.

    Parameters
    ----------
    cross : ndarray, shape (k, f, g)
        Inner products of the free tangents with the movements.
    power : ndarray, shape (k, g)
        Of each movement's scaled coefficients' directions, rising; zero where it is not seen.
    ways : ndarray, shape (k, g, g)
        The directions, as columns, in the movements' own coefficients.
    along : ndarray, shape (k, g)
        What the residual has along them.
    """

    cross: FloatArray
    power: FloatArray
    ways: FloatArray
    along: FloatArray

    @classmethod
    def of(
        cls,
        look: RowScore,
        cross: FloatArray,
        inner: FloatArray,
        along: FloatArray,
        fall: FloatArray | float = 1.0,
    ) -> Projection:
        """Project the circle's unknowns out of movements with these inner products.

        Directions are those of the movements' coefficients over `fall`, in units of what each
        alone moves.
        """
        size = np.sqrt(np.maximum(np.einsum("kgg->kg", inner), 1e-300)) / fall
        hidden = cross.transpose(0, 2, 1) @ look.inverse @ cross
        left = (inner - hidden) / size[:, :, None] / size[:, None, :]
        power, ways = _principal(left)
        ways = ways / size[:, :, None]
        rest = along - np.einsum("kfg,f->kg", cross, look.theta)
        return cls(cross, power, ways, np.einsum("kgh,kg->kh", ways, rest))

    def above(self, share: float, least: float = 0.0) -> Projection:
        """Return the same without directions of less than a share of the strongest's power.

        The strongest counts as `least` at least, one being a movement that nothing takes up.
        """
        limit = share * np.maximum(self.power[:, -1:], least)
        return replace(self, power=np.where(self.power > limit, self.power, 0))

    @property
    def coefficients(self) -> FloatArray:
        """Least-squares coefficients along the directions, shape (k, g); zero where not seen."""
        return np.where(self.power > 0, self.along / np.where(self.power > 0, self.power, 1), 0)

    @property
    def gain(self) -> FloatArray:
        """Squares gained, shape (k,)."""
        return np.asarray((self.coefficients * self.along).sum(axis=1))

    def pull(self, look: RowScore) -> FloatArray:
        """Return how the unknowns move with each direction's coefficient, shape (k, f, g)."""
        return np.asarray(-look.inverse @ self.cross @ self.ways)


def _principal(symmetric: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return eigenvalues, rising, and eigenvectors as columns, of matrices of shape (k, g, g)."""
    size = symmetric.shape[1]
    if size == 1:
        return symmetric[:, 0], np.ones_like(symmetric)
    if size > 2:
        return eigh(symmetric)
    # Of two by two the closed form is quicker by far.
    middle = (symmetric[:, 0, 0] + symmetric[:, 1, 1]) / 2
    off, cross = (symmetric[:, 0, 0] - symmetric[:, 1, 1]) / 2, symmetric[:, 0, 1]
    radius, turn = np.hypot(off, cross), np.arctan2(cross, off) / 2
    cosine, sine = np.cos(turn), np.sin(turn)
    ways = np.stack([np.stack([-sine, cosine], axis=1), np.stack([cosine, sine], axis=1)], axis=1)
    return np.stack([middle - radius, middle + radius], axis=1), ways


def steps(look: RowScore, kind: Kind) -> Projection:
    """Return a step at every place between the points (or bins), counted from the dip."""
    group = list(kind.along)
    whole, after = look.after[0], look.after[1:]
    # A step before the dip moves what lies before it.
    before = np.arange(1, len(look.bins)) * look.width <= look.dip
    sign = np.where(before, -1.0, 1.0)[:, None, None]
    touched = np.where(before[:, None, None], whole - after, after)
    return Projection.of(
        look,
        sign * touched[:, look.free][:, :, group],
        touched[:, group][:, :, group],
        sign[:, :, 0] * touched[:, group, RESIDUAL],
    ).above(_UNSEEN_STEP, least=1.0)


def swayings(look: RowScore, kind: Kind) -> Projection:
    """Return all courses together, counted from the dip, as one movement of many coefficients."""
    if kind not in look.courses:
        # However the coefficients fall, the inner products are the same.
        if kind.along not in look.products:
            look.products[kind.along] = _products_of_courses(look, kind.along)
        cross, inner, along = look.products[kind.along]
        order = np.arange(1.0, _HALF_TURNS + 1)
        falls = np.tile(order ** -(kind.fall or 0.0), len(kind.along))
        look.courses[kind] = Projection.of(look, cross, inner, along, falls)
    return look.courses[kind]


def _products_of_courses(
    look: RowScore, vectors: tuple[int, ...]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the inner products of courses with tangents, themselves and the residual."""
    group, g = list(vectors), look.bins
    courses = _at_bins(look)
    size = len(group) * len(courses)
    cross = np.tensordot(g[:, look.free][:, :, group], courses, axes=(0, 1)).reshape(1, -1, size)
    weighed = np.einsum("mk,lk->kml", courses, courses)
    inner = np.tensordot(g[:, group][:, :, group], weighed, axes=(0, 0))
    inner = inner.transpose(0, 2, 1, 3).reshape(1, size, size)
    return cross, inner, (g[:, group, RESIDUAL].T @ courses.T).reshape(1, size)


def _at_bins(look: RowScore) -> FloatArray:
    """Return the courses at the bins' middles, shape (m, k)."""
    courses = from_the_dip(look)
    starts = np.arange(0, courses.shape[1], look.width)
    return courses[:, np.minimum(starts + (look.width - 1) // 2, courses.shape[1] - 1)]


def from_the_dip(look: RowScore) -> FloatArray:
    """Return the courses less their value at the dip, shape (m, n)."""
    courses = courses_over(look.vectors.shape[2])
    return np.asarray(courses - courses[:, look.dip, None])


def left_by_a_step(look: RowScore) -> float:
    """Return the squares that the likeliest step leaves."""
    return look.left - max(float(steps(look, kind).gain.max()) for kind in STEPS)


def noticed(look: RowScore) -> bool:
    """Say whether anything moved by more than still sweeps show."""
    for kind in STEPS:
        gain = float(steps(look, kind).gain.max())
        if look.ratio(gain, len(kind.along)) > _NEEDED[kind.what]:
            return True
    for kind in LOOKED_FOR:
        seen = swayings(look, kind).above(UNSEEN_COURSE)
        unknowns = int((seen.power > 0).sum())
        # Wilson & Hilferty's normal form of chi-square (Proc. Nat. Acad. Sci. 17, 684, 1931).
        off = 2 / (9 * max(unknowns, 1))
        root = (look.ratio(float(seen.gain[0]), unknowns) / max(unknowns, 1)) ** (1 / 3)
        if root > 1 - off + _COURSE_DEVIATIONS * math.sqrt(off):
            return True
    return False
