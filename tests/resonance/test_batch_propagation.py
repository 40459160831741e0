"""The match's batch propagation of uncertainties agrees with the general one, row by row."""

from __future__ import annotations

import numpy as np
import pytest
from simulated import Truth

from sweeplab import fit_many
from sweeplab.estimate import propagate
from sweeplab.resonance.match import Plane, _MatchBatch


@pytest.mark.parametrize("plane", ["analyzer", "antenna"])
def test_uncertainties_are_those_of_the_general_propagation(plane: Plane) -> None:
    rng = np.random.default_rng(5)
    truths = [Truth(coupling_factor=beta, noise=1e-3) for beta in (0.4, 0.7, 1.4)]
    fits = fit_many([truth.sweep(rng) for truth in truths])
    batch = _MatchBatch.of(fits, [50.0] * len(fits), (2.0, 3.0), plane)
    found = batch.uncertainties()
    for row in range(len(fits)):
        one = _MatchBatch(
            batch.unknowns[row : row + 1],
            batch.covariance[row : row + 1],
            batch.mapping[row : row + 1],
            batch.rho,
        )
        _, covariance = propagate(
            lambda x, one=one: one._outputs(x[None])[0],  # type: ignore[misc]
            batch.unknowns[row],
            batch.covariance[row],
        )
        expected = np.sqrt(np.diag(covariance))
        known = np.isfinite(expected)
        np.testing.assert_allclose(found[row][known], expected[known], rtol=1e-6)
        assert known[:2].all()
