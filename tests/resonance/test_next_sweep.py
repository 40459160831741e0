"""The next sweep to take, and whether it gives what it promises."""

from __future__ import annotations

import numpy as np
import pytest
from simulated import white

from sweeplab import Sweep, fit_many, fit_resonance
from sweeplab.resonance.next_sweep import expected_u, next_sweep


def test_the_sweep_advised_gives_the_uncertainty_promised() -> None:
    f0, q, d, noise = 14.1e6, 400.0, 0.8, 4e-3
    advised = next_sweep(f0, q, d, noise)
    f = np.linspace(advised.f_start_hz, advised.f_stop_hz, advised.points)
    circle = 1 - d / (1 + 1j * q * (f / f0 - f0 / f))
    rng = np.random.default_rng(4)
    draws = 400
    fits = fit_many([Sweep(f, circle + white(rng, advised.points, noise)) for _ in range(draws)])
    q0 = np.array([fit.q_unloaded.value for fit in fits if fit.q_unloaded is not None])
    assert q0.size == draws
    # The spread of a standard deviation over n draws is 1/sqrt(2n): four of these.
    spread = np.log(q0).std()
    assert spread == pytest.approx(advised.u_q_unloaded, rel=4 / np.sqrt(2 * draws))


def test_more_noise_asks_for_more_points() -> None:
    points = [next_sweep(7.1e6, 300, 0.9, noise).points for noise in (1e-3, 1e-2, 3e-2)]
    assert points == sorted(points)
    assert points[0] < points[-1]


def test_bound_agrees_with_the_closed_form_for_loaded_q() -> None:
    # sigma/|B| sqrt(4/(pi n_x)) for a wide span (derived in the reference values; background
    # free): the unloaded Q of a weakly coupled circle has the loaded one's relative uncertainty.
    f0, q, d, noise, points, half = 7.1e6, 1000.0, 1e-3, 1e-6, 4001, 60.0
    span = half * f0 / q
    u = expected_u(f0, q, d, noise, f0 - span / 2, f0 + span / 2, points)
    per_x = points / (2 * half)
    assert u == pytest.approx(noise / d * np.sqrt(4 / (np.pi * per_x)), rel=0.06)


def test_a_sweep_too_narrow_gets_the_next_one_to_take() -> None:
    f = np.linspace(7.09e6, 7.11e6, 101)
    circle = 1 - 0.9 / (1 + 60j * (f / 7.1e6 - 7.1e6 / f))
    fit = fit_resonance(Sweep(f, circle + white(np.random.default_rng(0), 101, 1e-4)))
    assert fit.status == "refused"
    (finding,) = fit.findings
    assert finding.code == "span-too-narrow"
    assert finding.action.startswith("Sweep ")
    assert "unloaded Q to about" in finding.action
