"""The Cramer-Rao bound of the circle model, written down without sweeplab.

For complex white noise of s a quadrature the information of real unknowns p is
``Re(J^H J)/s^2``, ``J`` the model's derivative; the bound of a function is ``g C g^T``.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from simulated import Truth

_STEP = 1e-5


def bounds(truth: Truth, *, delay_known: bool = False) -> dict[str, float]:
    """Return bounds on the standard deviation of f_loaded [Hz] and of ln QL, ln Q0, ln beta."""
    unknowns = _unknowns(truth)
    free = [i for i in range(7) if not (delay_known and i == 2)]
    jacobian = np.stack([_slope(truth, unknowns, i) for i in free], axis=1)
    # Unknowns of very different size: scaled before the inverse.
    scale = np.linalg.norm(jacobian, axis=0)
    scaled = jacobian / scale
    covariance = np.linalg.inv((scaled.conj().T @ scaled).real) * truth.noise**2
    gradients = np.array([_slope_of_figures(unknowns, i) for i in free]) / scale[:, None]
    spread = np.sqrt(np.einsum("if,ij,jf->f", gradients, covariance, gradients))
    names = ("f_loaded_hz", "q_loaded", "q_unloaded", "coupling_factor")
    return dict(zip(names, spread.tolist(), strict=True))


def _unknowns(truth: Truth) -> NDArray[np.float64]:
    gd = np.exp(1j * truth.angle)
    b = -2 * truth.coupling_factor / (1 + truth.coupling_factor) * gd
    return np.array(
        [truth.f_loaded_hz, truth.q_loaded, truth.theta, gd.real, gd.imag, b.real, b.imag]
    )


def _model(truth: Truth, p: NDArray[np.float64]) -> NDArray[np.complex128]:
    f = truth.f_hz
    place = (f - (f[0] + f[-1]) / 2) / (f[-1] - f[0])
    t = f / p[0] - p[0] / f
    locus = complex(p[3], p[4]) + complex(p[5], p[6]) / (1 + 1j * p[1] * t)
    return np.asarray(locus * np.exp(-1j * p[2] * place))


def _figures(p: NDArray[np.float64]) -> NDArray[np.float64]:
    d = math.hypot(p[5], p[6]) / math.hypot(p[3], p[4])
    beta = d / (2 - d)
    return np.array([p[0], math.log(p[1]), math.log(p[1] * (1 + beta)), math.log(beta)])


def _around(
    p: NDArray[np.float64], i: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Return p with unknown i a little up, a little down, and the way between."""
    natural = (p[0] / p[1], p[1])[i] if i < 2 else 1.0
    ahead, behind = p.copy(), p.copy()
    ahead[i] += _STEP * natural
    behind[i] -= _STEP * natural
    return ahead, behind, ahead[i] - behind[i]


def _slope(truth: Truth, p: NDArray[np.float64], i: int) -> NDArray[np.complex128]:
    ahead, behind, way = _around(p, i)
    return np.asarray((_model(truth, ahead) - _model(truth, behind)) / way)


def _slope_of_figures(p: NDArray[np.float64], i: int) -> NDArray[np.float64]:
    ahead, behind, way = _around(p, i)
    return np.asarray((_figures(ahead) - _figures(behind)) / way)
