"""Bandwidth and Q as published: A. D. Yaghjian & S. R. Best, IEEE Trans. AP 53, 1298, 2005."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sweeplab import Sweep, find_match, fit_resonance

F0 = 7.1e6


def series_circuit(q_unloaded: float, coupling_factor: float, widths: float = 10.0) -> Sweep:
    """A series resonance of resistance z0/beta in front of z0, exact detuning."""
    span = widths * F0 / q_unloaded * (1 + coupling_factor)
    f = np.linspace(F0 - span / 2, F0 + span / 2, 401)
    r = 50 / coupling_factor
    z = r * (1 + 1j * q_unloaded * (f / F0 - F0 / f))
    return Sweep(f, (z - 50) / (z + 50))


# Q0 FBW of a perfect match: (s - 1)/sqrt(s), their eq. for the fractional VSWR bandwidth.
IDENTITIES = {1.5: 0.408248, 2.0: 0.707107, 2.618034: 1.0, 3.0: 1.154701, 5.828427: 2.0}


@pytest.mark.parametrize("level", IDENTITIES)
def test_matched_swr_bandwidth_times_q(level: float) -> None:
    q = 500.0
    match = find_match(series_circuit(q, 1.0), levels=(level,))
    (width,) = match.swr_bandwidth_hz.values()
    assert width is not None
    assert q * width / F0 == pytest.approx(IDENTITIES[level], rel=1e-5)


@pytest.mark.parametrize("beta", [0.5, 0.8, 1.3, 2.2])
@pytest.mark.parametrize("level", [3.0, 5.0])
def test_mismatched_swr_bandwidth_times_q(beta: float, level: float) -> None:
    # Q0 FBW = sqrt((rho^2 (1+beta)^2 - (1-beta)^2)/(1 - rho^2)), exact for a series circuit.
    q, rho = 500.0, (level - 1) / (level + 1)
    match = find_match(series_circuit(q, beta), levels=(level,))
    (width,) = match.swr_bandwidth_hz.values()
    expected = math.sqrt((rho**2 * (1 + beta) ** 2 - (1 - beta) ** 2) / (1 - rho**2))
    assert width is not None
    assert q * width / F0 == pytest.approx(expected, rel=1e-5)


@pytest.mark.parametrize(("beta", "half_power_khz"), [(1.1, 30), (1 / 1.1, 33)])
def test_a_worked_field_example_tells_the_branches_apart(
    beta: float, half_power_khz: float
) -> None:
    # An informal source's worked example: 7.175 MHz, SWR 1.1 at best, 36 kHz between SWR 3: 30 kHz
    # of "half power" (SWR 2.618) if R < Z0, "more like 33" otherwise; 29.83 and 32.81 computed.
    # Half power of the antenna alone is f0/Q0, Q0 from the SWR 3 bandwidth and the branch.
    rho = 0.5
    factor = math.sqrt((rho**2 * (1 + beta) ** 2 - (1 - beta) ** 2) / (1 - rho**2))
    q = factor * 7.175e6 / 36e3
    fit = fit_resonance(series_circuit(q, beta))
    assert fit.q_unloaded is not None
    assert 7.175e3 / fit.q_unloaded.value == pytest.approx(half_power_khz, rel=0.01)


def test_loaded_half_power_width_is_that_of_swr_5_8_when_matched() -> None:
    # s = 5.828427 gives 2 f0/Q0 = fL/QL.
    sweep = series_circuit(500.0, 1.0)
    fit = fit_resonance(sweep)
    (width,) = find_match(sweep, fit, levels=(3 + 2 * math.sqrt(2),)).swr_bandwidth_hz.values()
    assert fit.half_power_bandwidth_hz is not None
    assert width == pytest.approx(fit.half_power_bandwidth_hz.value, rel=1e-6)
