"""Open, short and load at the feed point."""

from __future__ import annotations

import numpy as np
import pytest
from simulated import Truth

from sweeplab import Line, Sweep, SweepError, embed, fit_resonance
from sweeplab.calibration import OnePortCalibration

F_HZ = np.linspace(6.9e6, 7.3e6, 201)
# An analyzer with faults of a few per cent, in front of five metres of lossy line.
DIRECTIVITY, TRACKING, SOURCE = 0.03 - 0.02j, 0.95 * np.exp(0.1j), 0.04 + 0.05j
LINE = Line(5.0, 0.66, ((1e6, 1.4), (10e6, 4.6)))


def faulty(gamma: np.ndarray, f_hz: np.ndarray = F_HZ) -> Sweep:
    seen = embed(Sweep(f_hz, gamma), LINE).gamma
    return Sweep(f_hz, DIRECTIVITY + TRACKING * seen / (1 - SOURCE * seen))


def standards(f_hz: np.ndarray = F_HZ) -> OnePortCalibration:
    one = np.ones(f_hz.size, dtype=complex)
    return OnePortCalibration(faulty(one, f_hz), faulty(-one, f_hz), faulty(0 * one, f_hz))


@pytest.fixture
def antenna() -> np.ndarray:
    t = F_HZ / 7.1e6 - 7.1e6 / F_HZ
    return (0.6 + 0.8j) * (1 - 1.1 / (1 + 120j * t))


def test_the_true_reflection_comes_back(antenna: np.ndarray) -> None:
    corrected = standards().correct(faulty(antenna))
    assert np.abs(corrected.gamma - antenna).max() < 1e-12


def test_agrees_with_scikit_rf_one_port_calibration(antenna: np.ndarray) -> None:
    from skrf.calibration import OnePort

    reference = standards()
    one = np.ones(F_HZ.size, dtype=complex)
    measured = [s.to_network() for s in (reference.open, reference.short, reference.load)]
    ideals = [Sweep(F_HZ, gamma).to_network() for gamma in (one, -one, 0 * one)]
    oracle = OnePort(measured=measured, ideals=ideals)
    theirs = oracle.apply_cal(faulty(antenna).to_network()).s[:, 0, 0]
    ours = reference.correct(faulty(antenna)).gamma
    assert np.abs(ours - theirs).max() < 1e-12


def test_standards_of_other_points_are_interpolated(antenna: np.ndarray) -> None:
    other = standards(np.linspace(6.8e6, 7.4e6, 301))
    corrected = other.correct(faulty(antenna))
    assert np.abs(corrected.gamma - antenna).max() < 1e-5
    assert [finding.code for finding in corrected.findings] == ["referenced"]


def test_coarse_standards_are_reported() -> None:
    coarse = standards(np.linspace(5e6, 9e6, 9))
    codes = [finding.code for finding in coarse.correct(faulty(np.ones(201, complex))).findings]
    assert codes == ["referenced", "reference-coarse"]


def test_unloaded_q_is_freed_of_the_analyzers_error() -> None:
    truth = Truth(noise=0)
    f, gamma = truth.f_hz, truth.reflection()
    with_error = fit_resonance(faulty(gamma, f))
    freed = fit_resonance(standards(f).correct(faulty(gamma, f)))
    assert freed.q_unloaded is not None
    assert with_error.q_unloaded is not None
    assert freed.q_unloaded.value == pytest.approx(truth.q_unloaded, rel=1e-6)
    assert abs(with_error.q_unloaded.value / truth.q_unloaded - 1) > 0.01


def test_standards_that_do_not_cover_the_sweep_are_refused(antenna: np.ndarray) -> None:
    with pytest.raises(SweepError, match="does not cover the sweep"):
        standards(np.linspace(7.0e6, 7.2e6, 201)).correct(faulty(antenna))


def test_files_mixed_up_are_refused(antenna: np.ndarray) -> None:
    reference = standards()
    with pytest.raises(SweepError, match="read alike"):
        OnePortCalibration(reference.open, reference.open, reference.load).correct(faulty(antenna))
