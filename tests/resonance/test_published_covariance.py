"""Covariances against scipy's, and a published transmission that is no one-port resonance."""

from __future__ import annotations

import numpy as np
import pytest
from corpus import MAT58
from numpy.typing import NDArray
from scipy.optimize import curve_fit
from simulated import Truth

from sweeplab import Sweep, fit_resonance

# A. P. Gregory, NPL Report MAT 58 (2021), doi 10.47120/npl.mat58, data CC0: |S21| of a resonator in
# transmission, Q0 = 7546 by its notes.
TRANSMISSION = MAT58 / "Figure6b.txt"


class TestCovarianceOfScipysCurveFit:
    # Its covariance is (J^T J)^-1 times the residual variance, J by differences.
    CASES = (
        Truth(noise=1e-3, theta=0.9, off_centre=0.3),
        Truth(noise=5e-3, q_loaded=60, coupling_factor=3.0, points=101, span_bandwidths=4, theta=1),
        Truth(noise=2e-3, q_loaded=1500, coupling_factor=0.2, points=401, span_bandwidths=12),
    )

    @pytest.mark.parametrize("truth", CASES)
    def test_is_that_of_the_same_residuals(self, truth: Truth) -> None:
        sweep = truth.sweep(np.random.default_rng(61))
        fit = fit_resonance(sweep)
        assert fit.circle is not None
        assert fit.covariance is not None
        assert fit.kept is not None
        assert fit.kept.all()
        f, f_ref = sweep.f_hz, fit.circle.f_ref_hz
        tau = 1 / (f[-1] - f[0])

        def model(_: object, *p: float) -> NDArray[np.float64]:
            # Every unknown near 1: differences by a share of next to nothing are rounding.
            f_loaded = truth.f_loaded_hz * (1 + (p[0] - 1) / truth.q_loaded)
            x = truth.q_loaded * p[1] * (f / f_loaded - f_loaded / f)
            circle = complex(p[3], p[4]) + complex(p[5], p[6]) / (1 + 1j * x)
            g = circle * np.exp(-2j * np.pi * (f - f_ref) * p[2] * tau)
            return np.concatenate([g.real, g.imag])

        gd, b = fit.circle.detuned, fit.circle.drop
        start = [1, 1, 0.1, gd.real, gd.imag, b.real, b.imag]
        y = np.concatenate([sweep.gamma.real, sweep.gamma.imag])
        best, theirs = curve_fit(model, np.arange(y.size), y, p0=start)
        scale = np.array([truth.f_loaded_hz / truth.q_loaded, truth.q_loaded, tau, 1, 1, 1, 1])
        best, theirs = best * scale, theirs * scale[:, None] * scale
        u = np.sqrt(np.diag(theirs))
        found = [
            fit.circle.f_loaded_hz - truth.f_loaded_hz + scale[0], fit.circle.q_loaded,
            fit.circle.delay_s, gd.real, gd.imag, b.real, b.imag,
        ]  # fmt: skip
        # The same minimum to a hundredth of its uncertainty, and the same ellipsoid about it.
        np.testing.assert_allclose((np.array(found) - best) / u, 0, atol=0.01)
        # Theirs takes its derivatives by differences.
        size = u[:, None] * u
        np.testing.assert_allclose(fit.covariance / size, theirs / size, atol=2e-3)


def test_the_transmission_of_mat58_has_no_unloaded_q_and_says_why() -> None:
    # Nothing comes back off resonance: a circle through the origin is a transmission.
    f_ghz, re, im = np.loadtxt(TRANSMISSION, comments="%", unpack=True)
    fit = fit_resonance(Sweep(f_ghz * 1e9, re + 1j * im))
    assert fit.status in ("doubtful", "refused")
    assert fit.q_unloaded is None
    assert fit.coupling_factor is None
    grave = [finding for finding in fit.findings if finding.level in ("warning", "problem")]
    assert grave
    assert all(finding.text and finding.action for finding in grave)
