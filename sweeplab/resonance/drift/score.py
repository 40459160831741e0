"""Score tests for drift during a sweep: which kinds there are, and how clearly each one shows.

Each kind is tested on the residual of the fitted circle. With the tangents T of the circle's
unknowns (the nuisance parameters), the derivative D of the reflection with respect to the drift
and the residual r, allowing for the drift reduces the sum of squares by ``U' I^-1 U`` with
``U = D'(r - T t)``, ``I = D'D - D'T (T'T)^-1 T'D`` and t the best change of the circle's unknowns
alone (the score test of C. R. Rao, Proc. Camb. Phil. Soc. 44, 50, 1948, memory). Over the points
in order of frequency a drift is

- a step between any two points: of amplitude and phase together, of the resonance, or of loss and
  coupling;
- a smooth drift of up to eight periods over the span: of amplitude, of phase, of both, or of the
  resonance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from typing import Literal

import numpy as np
from numpy.linalg import eigh

from sweeplab.finding import Threshold
from sweeplab.resonance.circle.batch import CircleFit, SweepBatch
from sweeplab.resonance.circle.varpro import derotated, detuning
from sweeplab.sweep import FloatArray, IndexArray

DriftQuantity = Literal["reflection", "resonance", "loss"]
DriftShape = Literal["step", "smooth"]
_SmoothProducts = tuple[FloatArray, FloatArray, FloatArray]

# Of a row's vectors: seven tangents of the circle, three more derivatives by drift, the residual.
TANGENTS, RESIDUAL = 7, 10
# Cosines of a smooth drift, the k-th of k half periods over the span.
_COSINES = 16
# In white noise each is reached by one sweep in some ten thousand, all together by one in two
# thousand, whatever the number of points (51 to 801, 20,000 draws).
_REFLECTION_STEP_CHI2: Threshold = 23.5
_RESONANCE_STEP_CHI2: Threshold = 22.0
_LOSS_STEP_CHI2: Threshold = 25.5
_STEP_CHI2: dict[DriftQuantity, float] = {
    "reflection": _REFLECTION_STEP_CHI2,
    "resonance": _RESONANCE_STEP_CHI2,
    "loss": _LOSS_STEP_CHI2,
}
_SMOOTH_DEVIATIONS: Threshold = 3.75
# A drift that the circle's unknowns absorb but for this share of its power is not identifiable.
_MIN_STEP_SHARE: Threshold = 1e-4
MIN_SMOOTH_SHARE: Threshold = 1e-3


@dataclass(frozen=True)
class DriftModel:
    """A kind of drift: what drifts, along which vectors, and how.

    Parameters
    ----------
    quantity : {'reflection', 'resonance', 'loss'}
    vectors : tuple of int
        Which of the row's vectors the reflection changes along.
    decay : float or None
        Power by which a smooth drift's coefficients fall with the number of half periods: 0 for
        swaying, more for slow drift and settling. None for a step.
    """

    quantity: DriftQuantity
    vectors: tuple[int, ...]
    decay: float | None = None

    @property
    def shape(self) -> DriftShape:
        """Step or smooth."""
        return "step" if self.decay is None else "smooth"


STEP_MODELS = (
    DriftModel("reflection", (7, 8)),
    DriftModel("resonance", (0,)),
    DriftModel("loss", (1, 9)),
)
SMOOTH_MODELS = (DriftModel("reflection", (7, 8), 0.0), DriftModel("resonance", (0,), 0.0))


@lru_cache(maxsize=16)
def cosine_basis(points: int) -> FloatArray:
    """Return cosines of half a period over the points and more, shape (m, n)."""
    half_period = np.pi * (np.arange(points) + 0.5) / points
    return np.cos(np.arange(1, _COSINES + 1)[:, None] * half_period)


def row_vectors(batch: SweepBatch, fit: CircleFit) -> FloatArray:
    """Return one row's tangents, drift derivatives and residual, weighted, shape (11, 2, n)."""
    x, by_x0 = (part[0] for part in detuning(batch, fit.p))
    detuned, drop = fit.linear[0]
    lorentzian = 1 / (1 + 1j * x)
    slope = -1j * lorentzian**2 * drop
    model = detuned + drop * lorentzian
    one = np.ones_like(lorentzian)
    columns = np.array(
        [
            slope * by_x0,
            slope * x,
            -1j * batch.position[0] * model,
            one,
            1j * one,
            lorentzian,
            1j * lorentzian,
            model,
            1j * model,
            # Loss changes QL, and B with it; with the coupling's own change any pair of the two.
            drop * lorentzian,
            derotated(batch, fit.p[:, 2])[0] - model,
        ]
    )
    columns *= np.sqrt(batch.weight[0])
    return np.stack([columns.real, columns.imag], axis=1)


@dataclass(frozen=True, eq=False)
class RowScore:
    """What the score tests of one row need, at a circle near the fitted one.

    Parameters
    ----------
    vectors : ndarray, shape (11, 2, n)
        Tangents, drift derivatives and residual.
    free : ndarray of int, shape (f,)
        Which of the circle's seven unknowns are free.
    bin_points : int
        Points per bin: steps are tried between bins.
    bin_products : ndarray, shape (k, 11, 11)
        The vectors' inner products in each bin.
    inverse_information : ndarray, shape (f, f)
        Inverse of the free tangents' inner products.
    shift : ndarray, shape (f,)
        Changes of the unknowns that fit best where nothing drifts.
    rss : float
        Sum of squares with that shift.
    dof : float
        Its degrees of freedom.
    origin : int
        The point nearest to the resonance, where every drift is zero.
    smooth_products, smooth_projections : dict
        Results for smooth drift so far, by the vectors and by the model.
    """

    vectors: FloatArray
    free: IndexArray
    bin_points: int
    bin_products: FloatArray
    inverse_information: FloatArray
    shift: FloatArray
    rss: float
    dof: float
    origin: int
    smooth_products: dict[tuple[int, ...], _SmoothProducts] = field(default_factory=dict)
    smooth_projections: dict[DriftModel, Projection] = field(default_factory=dict)

    @classmethod
    def from_fit(
        cls, batch: SweepBatch, fit: CircleFit, free: IndexArray, bin_points: int
    ) -> RowScore:
        """Return the score of a batch of one row at the circle `fit`."""
        dof = 2 * float((batch.weight > 0).sum()) - free.size
        origin = int(np.abs(batch.position[0] - fit.p[0, 0]).argmin())
        return cls.from_vectors(row_vectors(batch, fit), free, bin_points, dof, origin)

    @classmethod
    def from_vectors(
        cls, vectors: FloatArray, free: IndexArray, bin_points: int, dof: float, origin: int
    ) -> RowScore:
        """Return the score that these vectors give."""
        bin_products = _bin_products(vectors, bin_points)
        total = bin_products.sum(axis=0)
        normal = total[np.ix_(free, free)]
        scale = 1 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
        # A floor far below what any credible fit determines lets a singular matrix be inverted.
        scaled = normal * scale[:, None] * scale + 1e-13 * np.eye(free.size)
        inverse = np.linalg.inv(scaled) * scale[:, None] * scale
        gradient = total[free, RESIDUAL]
        shift = inverse @ gradient
        rss = float(total[RESIDUAL, RESIDUAL] - gradient @ shift)
        return cls(vectors, free, bin_points, bin_products, inverse, shift, rss, dof, origin)

    @cached_property
    def tail_products(self) -> FloatArray:
        """Inner products over each bin and all after it, shape (k, 11, 11)."""
        return np.asarray(np.cumsum(self.bin_products[::-1], axis=0)[::-1])

    def with_residual(self, residual: FloatArray, bin_points: int) -> RowScore:
        """Return the score of the same circle for another residual, shape (2, n)."""
        vectors = self.vectors.copy()
        vectors[RESIDUAL] = residual
        return self.from_vectors(vectors, self.free, bin_points, self.dof, self.origin)

    def likelihood_ratio(self, rss_reduction: float, parameters: float) -> float:
        """Return twice the log likelihood ratio of a drift, chi-square by Bartlett's factor."""
        rss = max(self.rss - rss_reduction, 1e-12 * self.rss)
        return (self.dof - parameters / 2 - 1) * math.log(self.rss / rss)


def _bin_products(vectors: FloatArray, bin_points: int) -> FloatArray:
    """Return the vectors' inner products in bins of so many points, shape (k, 11, 11)."""
    count, parts, points = vectors.shape
    bins = -(-points // bin_points)
    padded = np.zeros((count, parts, bins * bin_points))
    padded[:, :, :points] = vectors
    blocks = padded.reshape(count, parts, bins, bin_points).transpose(2, 0, 1, 3)
    flat = blocks.reshape(bins, count, parts * bin_points)
    return np.asarray(flat @ flat.transpose(0, 2, 1))


@dataclass(frozen=True, eq=False)
class Projection:
    """Drifts of one kind, projected orthogonally to the tangents of the circle's unknowns.

    Parameters
    ----------
    cross_products : ndarray, shape (k, f, g)
        Inner products of the free tangents with the drifts' derivatives.
    information : ndarray, shape (k, g)
        Eigenvalues of the projected information, ascending; zero where not identifiable.
    eigenvectors : ndarray, shape (k, g, g)
        As columns, in the drifts' own coefficients.
    score : ndarray, shape (k, g)
        Inner products of the residual with the projected derivatives along the eigenvectors.
    """

    cross_products: FloatArray
    information: FloatArray
    eigenvectors: FloatArray
    score: FloatArray

    @classmethod
    def from_products(
        cls,
        row_score: RowScore,
        cross_products: FloatArray,
        products: FloatArray,
        residual_products: FloatArray,
        scale: FloatArray | float = 1.0,
    ) -> Projection:
        """Project the circle's unknowns out of drifts with these inner products.

        The eigenvectors are those of the coefficients over `scale`, in units of what each alone
        changes.

        Parameters
        ----------
        row_score : RowScore
        cross_products : ndarray, shape (k, f, g)
            Of the free tangents with the drifts' derivatives.
        products : ndarray, shape (k, g, g)
            Of the derivatives with one another.
        residual_products : ndarray, shape (k, g)
            Of the derivatives with the residual.
        scale : ndarray, shape (g,), or float
        """
        norm = np.sqrt(np.maximum(np.einsum("kgg->kg", products), 1e-300)) / scale
        absorbed = cross_products.transpose(0, 2, 1) @ row_score.inverse_information
        absorbed = absorbed @ cross_products
        projected = (products - absorbed) / norm[:, :, None] / norm[:, None, :]
        information, eigenvectors = _eigen(projected)
        eigenvectors = eigenvectors / norm[:, :, None]
        score = residual_products - np.einsum("kfg,f->kg", cross_products, row_score.shift)
        score = np.einsum("kgh,kg->kh", eigenvectors, score)
        return cls(cross_products, information, eigenvectors, score)

    def identifiable(self, share: float, floor: float = 0.0) -> Projection:
        """Return the same without directions of less than a share of the largest information.

        The largest counts as `floor` at least, one being a drift of which nothing is absorbed.
        """
        limit = share * np.maximum(self.information[:, -1:], floor)
        return replace(self, information=np.where(self.information > limit, self.information, 0))

    @property
    def coefficients(self) -> FloatArray:
        """Least-squares coefficients along the eigenvectors, (k, g); zero if not identifiable."""
        seen = self.information > 0
        return np.where(seen, self.score / np.where(seen, self.information, 1), 0)

    @property
    def rss_reduction(self) -> FloatArray:
        """What each drift takes off the sum of squares, shape (k,)."""
        return np.asarray((self.coefficients * self.score).sum(axis=1))

    def sensitivity(self, row_score: RowScore) -> FloatArray:
        """Return how the circle's unknowns shift with each coefficient, shape (k, f, g)."""
        inverse = row_score.inverse_information
        return np.asarray(-inverse @ self.cross_products @ self.eigenvectors)


def _eigen(symmetric: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return eigenvalues, ascending, and eigenvectors as columns, of matrices (k, g, g)."""
    order = symmetric.shape[1]
    if order == 1:
        return symmetric[:, 0], np.ones_like(symmetric)
    if order > 2:
        return eigh(symmetric)
    # For two by two the closed form is far quicker.
    mean = (symmetric[:, 0, 0] + symmetric[:, 1, 1]) / 2
    half_difference = (symmetric[:, 0, 0] - symmetric[:, 1, 1]) / 2
    off_diagonal = symmetric[:, 0, 1]
    radius = np.hypot(half_difference, off_diagonal)
    angle = np.arctan2(off_diagonal, half_difference) / 2
    cosine, sine = np.cos(angle), np.sin(angle)
    first, second = np.stack([-sine, cosine], axis=1), np.stack([cosine, sine], axis=1)
    return np.stack([mean - radius, mean + radius], axis=1), np.stack([first, second], axis=1)


def step_projection(row_score: RowScore, model: DriftModel) -> Projection:
    """Return steps between all neighbouring bins, each zero at the resonance."""
    group = list(model.vectors)
    total, tail = row_score.tail_products[0], row_score.tail_products[1:]
    # A step below the resonance changes the points before it.
    ends = np.arange(1, len(row_score.bin_products)) * row_score.bin_points
    before = ends <= row_score.origin
    sign = np.where(before, -1.0, 1.0)[:, None, None]
    changed = np.where(before[:, None, None], total - tail, tail)
    return Projection.from_products(
        row_score,
        sign * changed[:, row_score.free][:, :, group],
        changed[:, group][:, :, group],
        sign[:, :, 0] * changed[:, group, RESIDUAL],
    ).identifiable(_MIN_STEP_SHARE, floor=1.0)


def smooth_projection(row_score: RowScore, model: DriftModel) -> Projection:
    """Return a smooth drift, zero at the resonance, as one drift of many coefficients."""
    if model not in row_score.smooth_projections:
        # The inner products are the same whatever the decay.
        if model.vectors not in row_score.smooth_products:
            row_score.smooth_products[model.vectors] = _smooth_products(row_score, model.vectors)
        products = row_score.smooth_products[model.vectors]
        order = np.arange(1.0, _COSINES + 1)
        scale = np.tile(order ** -(model.decay or 0.0), len(model.vectors))
        projection = Projection.from_products(row_score, *products, scale)
        row_score.smooth_projections[model] = projection
    return row_score.smooth_projections[model]


def _smooth_products(row_score: RowScore, vectors: tuple[int, ...]) -> _SmoothProducts:
    """Return the inner products of cosines times vectors as `Projection.from_products` has them."""
    group, products = list(vectors), row_score.bin_products
    basis = _binned_basis(row_score)
    size = len(group) * len(basis)
    with_tangents = products[:, row_score.free][:, :, group]
    cross_products = np.tensordot(with_tangents, basis, axes=(0, 1)).reshape(1, -1, size)
    pairs = np.einsum("mk,lk->kml", basis, basis)
    inner = np.tensordot(products[:, group][:, :, group], pairs, axes=(0, 0))
    inner = inner.transpose(0, 2, 1, 3).reshape(1, size, size)
    with_residual = (products[:, group, RESIDUAL].T @ basis.T).reshape(1, size)
    return cross_products, inner, with_residual


def _binned_basis(row_score: RowScore) -> FloatArray:
    """Return the cosines at the middle of each bin, shape (m, k)."""
    basis = basis_from_origin(row_score)
    starts = np.arange(0, basis.shape[1], row_score.bin_points)
    return basis[:, np.minimum(starts + (row_score.bin_points - 1) // 2, basis.shape[1] - 1)]


def basis_from_origin(row_score: RowScore) -> FloatArray:
    """Return the cosines less their values at the resonance, shape (m, n)."""
    basis = cosine_basis(row_score.vectors.shape[2])
    return np.asarray(basis - basis[:, row_score.origin, None])


def rss_with_step(row_score: RowScore) -> float:
    """Return the sum of squares with the best step allowed for."""
    return row_score.rss - max(
        float(step_projection(row_score, model).rss_reduction.max()) for model in STEP_MODELS
    )


def drift_detected(row_score: RowScore) -> bool:
    """Return whether a step or a smooth drift is significant."""
    for model in STEP_MODELS:
        reduction = float(step_projection(row_score, model).rss_reduction.max())
        ratio = row_score.likelihood_ratio(reduction, len(model.vectors))
        if ratio > _STEP_CHI2[model.quantity]:
            return True
    for model in SMOOTH_MODELS:
        projection = smooth_projection(row_score, model).identifiable(MIN_SMOOTH_SHARE)
        parameters = int((projection.information > 0).sum())
        ratio = row_score.likelihood_ratio(float(projection.rss_reduction[0]), parameters)
        # Wilson & Hilferty's normal form of chi-square (Proc. Nat. Acad. Sci. 17, 684, 1931).
        variance = 2 / (9 * max(parameters, 1))
        cube_root = (ratio / max(parameters, 1)) ** (1 / 3)
        if cube_root > 1 - variance + _SMOOTH_DEVIATIONS * math.sqrt(variance):
            return True
    return False
