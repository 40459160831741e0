"""What general-purpose libraries do for the same: read a file, fit a resonance."""

from __future__ import annotations

import warnings

import lmfit
import numpy as np
import skrf
from scipy.optimize import curve_fit, least_squares

from sweeplab.sweep import Sweep


def loadtxt(path: str) -> object:
    """numpy.loadtxt, with the one-character comment that keeps it on its fast path."""
    return np.loadtxt(path, comments="#", skiprows=2)


def bare(path: str) -> object:
    """The least that could be done: split, convert, reshape."""
    with open(path, "rb") as file:
        data = file.read()
    start = data.index(b"\n", data.index(b"#"))
    return np.array(data[start:].split(), dtype=float).reshape(-1, 3)


def network(path: str) -> object:
    """scikit-rf's Network."""
    return skrf.Network(path)


def _model(f: np.ndarray, f0: float, q: float, ar: float, ai: float, br: float, bi: float):
    """Background and a circle, as in A. P. Gregory, NPL Report MAT 58 (2021)."""
    return (ar + 1j * ai) + (br + 1j * bi) / (1 + 1j * q * (f / f0 - f0 / f))


def start(sweep: Sweep) -> list[float]:
    """One first guess for all: the lowest reflection and the span it takes."""
    f0 = float(sweep.f_hz[np.argmin(abs(sweep.gamma))])
    q = 3 * f0 / float(sweep.f_hz[-1] - sweep.f_hz[0])
    edge = complex(sweep.gamma[0] + sweep.gamma[-1]) / 2
    depth = complex(sweep.gamma[np.argmin(abs(sweep.gamma))]) - edge
    return [f0, q, edge.real, edge.imag, depth.real, depth.imag]


def _stacked(values: np.ndarray) -> np.ndarray:
    return np.concatenate((values.real, values.imag))


def fit_curve_fit(sweep: Sweep) -> float:
    """scipy's curve_fit with derivatives by differences; covariance included."""
    f, y = sweep.f_hz, _stacked(sweep.gamma)
    found, _ = curve_fit(lambda f, *p: _stacked(_model(f, *p)), f, y, p0=start(sweep))
    return float(found[1])


def fit_least_squares(sweep: Sweep) -> float:
    """scipy's least_squares with derivatives written out."""
    f, y = sweep.f_hz, sweep.gamma

    def residual(p: np.ndarray) -> np.ndarray:
        return _stacked(_model(f, *p) - y)

    def jacobian(p: np.ndarray) -> np.ndarray:
        f0, q, _, _, br, bi = p
        detuning = f / f0 - f0 / f
        pole = 1 / (1 + 1j * q * detuning)
        slope = -(br + 1j * bi) * pole**2 * 1j
        one = np.ones_like(pole)
        columns = (slope * q * (-f / f0**2 - 1 / f), slope * detuning, one, 1j * one, pole,
                   1j * pole)  # fmt: skip
        return np.stack([_stacked(column) for column in columns], axis=1)

    return float(least_squares(residual, start(sweep), jac=jacobian, x_scale="jac").x[1])


def fit_lmfit(sweep: Sweep) -> float:
    """An lmfit Model of complex data."""
    model = lmfit.Model(_model, independent_vars=["f"])
    names = ("f0", "q", "ar", "ai", "br", "bi")
    guess = dict(zip(names, start(sweep), strict=True))
    return float(model.fit(sweep.gamma, model.make_params(**guess), f=sweep.f_hz).params["q"].value)


def fit_qfactor(sweep: Sweep) -> float:
    """scikit-rf's Q-factor fit."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        q = skrf.qfactor.Qfactor(sweep.to_network(), res_type="reflection")
        return float(q.fit(method="NLQFIT6")["Q_L"])


def fit_qfactor_of(path: str) -> float:
    """scikit-rf from file to Q."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        q = skrf.qfactor.Qfactor(skrf.Network(path), res_type="reflection")
        return float(q.fit(method="NLQFIT6")["Q_L"])
