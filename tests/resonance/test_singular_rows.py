"""A row of equations that cannot be solved leaves its neighbours exactly as they were."""

from __future__ import annotations

import numpy as np
import pytest

from sweeplab import Sweep, fit_resonance
from sweeplab.resonance.circle.varpro import solve_rows


def test_a_singular_row_has_the_least_solution_and_the_others_their_own() -> None:
    rng = np.random.default_rng(2)
    matrix, right = rng.standard_normal((5, 3, 3)), rng.standard_normal((5, 3, 2))
    expected = np.linalg.solve(matrix, right)
    matrix[2] = np.diag([1.0, 2.0, 0.0])
    right[2, 2] = 0
    found = solve_rows(matrix, right)
    others = [0, 1, 3, 4]
    assert np.array_equal(found[others], expected[others])
    assert found[2] == pytest.approx(right[2] / np.array([[1.0], [2.0], [1.0]]))


def test_one_point_that_is_not_zero_is_no_resonance() -> None:
    """Eleven zeros about a one: no circle, and nothing that overflows or divides by zero."""
    f_hz, gamma = np.linspace(90e3, 110e3, 12), np.zeros(12, dtype=complex)
    f_hz[-1], gamma[3] = 1e6, 1
    (finding,) = fit_resonance(Sweep(f_hz, gamma)).findings
    assert finding.code != "unforeseen"
    assert finding.level == "problem"
