"""Stated uncertainties and intervals against the Cramer-Rao bound, neither above it nor below.

The bound is worked out here from the sweep's formula alone (H. Cramer, Mathematical Methods of
Statistics, 1946, ch. 32): slopes by central differences, white noise of known size. Means over a
few sweeps of the stated uncertainty know the noise to ``1/sqrt(2 dof)`` a sweep.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import optimize, stats
from simulated import Truth
from test_power_fit import without_sign

from sweeplab import Match, Resonance, find_match, fit_many
from sweeplab.sweep import Content, Sweep

Array = NDArray[np.float64]
SWEEPS = 6
TRUTHS = {
    "under": Truth(coupling_factor=0.65, noise=1e-3, off_centre=0.3),
    "over": Truth(coupling_factor=1.7, noise=2e-3, q_loaded=80.0, angle=-1.0),
    "turned": Truth(coupling_factor=0.8, noise=1e-3, theta=0.8, span_bandwidths=5.0),
}


def unknowns(truth: Truth) -> Array:
    """(fL, ln QL, Re Gd, Im Gd, Re B, Im B, theta) of a truth."""
    gd = np.exp(1j * truth.angle)
    b = -2 * truth.coupling_factor / (1 + truth.coupling_factor) * gd
    q = math.log(truth.q_loaded)
    return np.array([truth.f_loaded_hz, q, gd.real, gd.imag, b.real, b.imag, truth.theta])


def locus(p: Array, f_hz: Array) -> NDArray[np.complex128]:
    """The circle without its delay."""
    t = f_hz / p[0] - p[0] / f_hz
    return np.asarray(p[2] + 1j * p[3] + (p[4] + 1j * p[5]) / (1 + 1j * math.exp(p[1]) * t))


def curve(p: Array, f_hz: Array) -> Array:
    place = (f_hz - (f_hz[0] + f_hz[-1]) / 2) / (f_hz[-1] - f_hz[0])
    gamma = locus(p, f_hz) * np.exp(-1j * p[6] * place)
    return np.concatenate([gamma.real, gamma.imag])


def slopes(function: Callable[[Array], Array], p: Array) -> Array:
    steps = np.where(np.arange(p.size) == 0, 1e-7 * p[0], 1e-5)
    columns = []
    for i, step in enumerate(steps):
        ahead, behind = p.copy(), p.copy()
        ahead[i] += step
        behind[i] -= step
        columns.append(
            (np.atleast_1d(function(ahead)) - np.atleast_1d(function(behind))) / step / 2
        )
    return np.stack(columns, axis=-1)


def beta_of(p: Array) -> float:
    d = math.hypot(p[4], p[5]) / math.hypot(p[2], p[3])
    return d / (2 - d)


def swr_edge(p: Array, level: float, side: int) -> float:
    """Where SWR is at a level, to one side of the lowest."""
    rho, lowest = (level - 1) / (level + 1), lowest_hz(p)

    def above(f: float) -> float:
        return abs(complex(locus(p, np.array([f]))[0])) - rho

    return float(
        optimize.brentq(above, lowest, lowest * (1 + side * 3 / math.exp(p[1])), xtol=1e-4)
    )


def lowest_hz(p: Array) -> float:
    width = p[0] / math.exp(p[1])
    found = optimize.minimize_scalar(
        lambda x: abs(complex(locus(p, np.array([p[0] + x * width]))[0])) ** 2,
        bounds=(-1, 1), method="bounded", options={"xatol": 1e-10},
    )  # fmt: skip
    return float(p[0] + found.x * width)


def swr_min(p: Array) -> float:
    size = abs(complex(locus(p, np.array([lowest_hz(p)]))[0]))
    return (1 + size) / (1 - size)


FIGURES: dict[str, Callable[[Array], float]] = {
    "f_loaded_hz": lambda p: p[0],
    "q_loaded": lambda p: math.exp(p[1]),
    "half_power_bandwidth_hz": lambda p: p[0] / math.exp(p[1]),
    "q_unloaded": lambda p: math.exp(p[1]) * (1 + beta_of(p)),
    "coupling_factor": beta_of,
}
MATCHED: dict[str, Callable[[Array], float]] = {
    "swr_min": swr_min,
    "f_swr_min_hz": lowest_hz,
    "2": lambda p: swr_edge(p, 2.0, 1) - swr_edge(p, 2.0, -1),
    "3": lambda p: swr_edge(p, 3.0, 1) - swr_edge(p, 3.0, -1),
}


def bound(truth: Truth, figure: Callable[[Array], float]) -> float:
    p = unknowns(truth)
    of_curve = slopes(lambda q: curve(q, truth.f_hz), p)
    scale = np.abs(of_curve).max(axis=0)
    covariance = np.linalg.inv((of_curve / scale).T @ (of_curve / scale)) * truth.noise**2
    lean = slopes(lambda q: np.array([figure(q)]), p)[0] / scale
    return math.sqrt(float(lean @ covariance @ lean))


Fits = dict[str, list[tuple[Sweep, Resonance]]]


@pytest.fixture(scope="module")
def fits() -> Fits:
    rng = np.random.default_rng(17)
    found = {}
    for name, truth in TRUTHS.items():
        sweeps = [truth.sweep(rng) for _ in range(SWEEPS)]
        found[name] = list(zip(sweeps, fit_many(sweeps), strict=True))
    return found


def slack(truth: Truth) -> float:
    """Four standard deviations of the mean of so many stated uncertainties, and curvature."""
    return 4 / math.sqrt(2 * (2 * truth.points - 7) * SWEEPS) + 0.03


@pytest.mark.parametrize("name", TRUTHS)
class TestACircle:
    @pytest.mark.parametrize("figure", FIGURES)
    def test_uncertainties_are_the_bound(self, fits: Fits, name: str, figure: str) -> None:
        truth = TRUTHS[name]
        stated = np.mean([getattr(fit, figure).u for _, fit in fits[name]])
        assert stated == pytest.approx(bound(truth, FIGURES[figure]), rel=slack(truth))

    @pytest.mark.parametrize("figure", MATCHED)
    def test_of_the_match_they_are_too(self, fits: Fits, name: str, figure: str) -> None:
        truth = TRUTHS[name]

        def stated(match: Match) -> float | None:
            if figure in match.u_swr_bandwidth_hz:
                return match.u_swr_bandwidth_hz[figure]
            u: float | None = getattr(match, f"u_{figure}")
            return u

        found = [stated(find_match(*pair)) for pair in fits[name]]
        mean = np.mean([u for u in found if u is not None])
        # A minimum is flat: its place leans on the noise a little more than to first order.
        assert mean == pytest.approx(bound(truth, MATCHED[figure]), rel=slack(truth) + 0.05)

    @pytest.mark.parametrize("figure", FIGURES)
    def test_intervals_are_students_t_on_both_sides(
        self, fits: Fits, name: str, figure: str
    ) -> None:
        for sweep, fit in fits[name]:
            assert fit.kept is not None
            estimate = getattr(fit, figure)
            k = stats.t.ppf(0.975, 2 * int(fit.kept.sum()) - 7)
            if figure == "f_loaded_hz":
                ends = estimate.value - k * estimate.u, estimate.value + k * estimate.u
            else:
                stretch = math.exp(k * estimate.u / estimate.value)
                ends = estimate.value / stretch, estimate.value * stretch
            assert (estimate.low, estimate.high) == pytest.approx(ends, rel=1e-6), len(sweep)


def sizes(p: Array, f_hz: Array) -> Array:
    """abs(G) = sqrt((a + b x + c x^2)/(1 + x^2)), x = QL t: all that sizes know of a circle."""
    x = math.exp(p[1]) * (f_hz / p[0] - p[0] / f_hz)
    return np.asarray(np.sqrt((p[2] + p[3] * x + p[4] * x**2) / (1 + x**2)))


@pytest.mark.parametrize("name", ["under", "over"])
@pytest.mark.parametrize("figure", ["f_loaded_hz", "q_loaded", "half_power_bandwidth_hz"])
def test_of_sizes_alone_they_are_the_bound_of_sizes(name: str, figure: str) -> None:
    truth = replace(TRUTHS[name], noise=1e-3)
    f, q, re_d, im_d, re_b, im_b, _ = unknowns(truth)
    gd, b = complex(re_d, im_d), complex(re_b, im_b)
    p = np.array([
        f, q, abs(gd + b) ** 2, 2 * (gd * b.conjugate()).imag * -1, abs(gd) ** 2
    ])  # fmt: skip
    np.testing.assert_allclose(sizes(p, truth.f_hz), abs(truth.reflection()), rtol=1e-9)
    of_curve = slopes(lambda r: sizes(r, truth.f_hz), p)
    scale = np.abs(of_curve).max(axis=0)
    # Noise along the reflection is all that its size sees.
    covariance = np.linalg.inv((of_curve / scale).T @ (of_curve / scale)) * truth.noise**2
    lean = slopes(lambda r: np.array([FIGURES[figure](r)]), p)[0] / scale
    expected = math.sqrt(float(lean @ covariance @ lean))
    rng = np.random.default_rng(5)
    fits = fit_many([without_sign(truth.sweep(rng), "magnitude") for _ in range(SWEEPS)])
    stated = np.mean([getattr(fit, figure).u for fit in fits])
    assert stated == pytest.approx(
        expected, rel=4 / math.sqrt(2 * (truth.points - 5) * SWEEPS) + 0.05
    )


def test_with_signs_recovered_they_are_the_circles(fits: Fits) -> None:
    content: Content = "unsigned"
    found = fit_many([without_sign(sweep, content) for sweep, _ in fits["under"][:3]])
    for (_, signed), fit in zip(fits["under"], found, strict=False):
        assert "signs-recovered" in [finding.code for finding in fit.findings]
        for figure in FIGURES:
            ours, theirs = getattr(signed, figure), getattr(fit, figure)
            assert theirs.value == pytest.approx(ours.value, abs=0.5 * ours.u)
            for end in ("u", "low", "high"):
                assert getattr(theirs, end) == pytest.approx(getattr(ours, end), rel=0.05)
