"""Do intervals hold as often as they say? Simulated repeats with a known truth, fixed seeds.

Bounds follow from the number of draws: a share of n trials lies within four standard deviations of
the binomial law, ``4 sqrt(p (1 - p)/n)``, but for one seed in 16,000.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hand_made import STATE, repeats, sweeps

from sweeplab.study.compare import compare

TRIALS = 1000


def slack(share: float, trials: int) -> float:
    return 4 * math.sqrt(share * (1 - share) / trials)


@pytest.mark.parametrize("n", [2, 3, 5])
def test_the_interval_of_one_change_covers_it_nineteen_times_in_twenty(n: int) -> None:
    rng = np.random.default_rng(100 + n)
    covered = 0
    for _ in range(TRIALS):
        before = repeats("r_total_ohm", list(0.075 * (1 + rng.normal(0, 0.02, n))), u=1e-5)
        after = repeats("r_total_ohm", list(0.060 * (1 + rng.normal(0, 0.02, n))), u=1e-5)
        change = compare(before, after).bands[0].figures["r_total_ohm"].change
        assert change is not None
        covered += change.low <= -0.015 <= change.high
    assert covered / TRIALS == pytest.approx(0.95, abs=slack(0.95, TRIALS))


def test_without_the_scatter_of_repeats_intervals_fail() -> None:
    """The negative control: trust the sweeps' own noise alone, and the promise breaks."""
    rng = np.random.default_rng(7)
    covered = 0
    for _ in range(TRIALS):
        # A repeat a side leaves nothing but the noise, ten times below the scatter.
        before = repeats("r_total_ohm", [0.075 * (1 + rng.normal(0, 0.02))], u=0.00015)
        after = repeats("r_total_ohm", [0.060 * (1 + rng.normal(0, 0.02))], u=0.00015)
        change = compare(before, after).bands[0].figures["r_total_ohm"].change
        assert change is not None
        covered += change.low <= -0.015 <= change.high
    assert covered / TRIALS < 0.5


# Scatter that differs between bands, as that of a loose joint does.
UNLIKE = {"80m": 0.05, "40m": 0.02, "20m": 0.005}


def false_alarms(n: int, spread: float | dict[str, float], trials: int) -> float:
    """Return how often anything at all is called moved when nothing was."""
    rng = np.random.default_rng(40 + n)
    alarms = 0
    for _ in range(trials):
        before = sweeps(rng, n, build="a", spread=spread)
        after = sweeps(rng, n, build="b", spread=spread)
        figures = [f for band in compare(before, after).bands for f in band.figures.values()]
        assert len(figures) == 11 * len(STATE)
        alarms += any(figure.verdict in ("up", "down") for figure in figures)
    return alarms / trials


@pytest.mark.parametrize(("n", "spread"), [(2, 0.02), (3, UNLIKE)])
def test_nothing_moved_is_seldom_called_moved(n: int, spread: float | dict[str, float]) -> None:
    assert false_alarms(n, spread, 100) <= 0.05 + slack(0.05, 100)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("n", "spread"), [(2, 0.02), (2, UNLIKE), (3, 0.02), (3, 0.002), (3, UNLIKE), (5, 0.02)]
)
def test_nothing_moved_is_seldom_called_moved_over_many_trials(
    n: int, spread: float | dict[str, float]
) -> None:
    assert false_alarms(n, spread, 800) <= 0.05 + slack(0.05, 800)


def test_scatter_pooled_over_unlike_bands_cries_wolf(monkeypatch: pytest.MonkeyPatch) -> None:
    """The negative control of the moderated scatter: pool all bands as one, and alarms abound."""
    monkeypatch.setattr("sweeplab.study.repeats._PRIOR_DOF", 1e9)
    assert false_alarms(3, UNLIKE, 100) > 0.05 + slack(0.05, 100)


def test_the_intervals_of_all_changes_hold_at_once() -> None:
    trials = 100
    rng = np.random.default_rng(77)
    held = 0
    for _ in range(trials):
        before = sweeps(rng, 3, build="a")
        after = sweeps(rng, 3, build="b", extra_ohm=0.01)
        changes = [band.figures["r_loss_ohm"].change for band in compare(before, after).bands]
        held += all(change is not None and change.low <= 0.01 <= change.high for change in changes)
    assert held / trials >= 0.95 - slack(0.95, trials)


def test_a_lossy_joint_put_in_is_found() -> None:
    """Power, so that caution is not bought with blindness: 15 % of the resistance, 1 % scatter."""
    trials = 60
    rng = np.random.default_rng(8)
    found = 0
    for _ in range(trials):
        before = sweeps(rng, 3, build="a", spread=0.01)
        after = sweeps(rng, 3, build="b", spread=0.01, extra_ohm=0.15 * 0.075)
        bands = {band.band: band for band in compare(before, after).bands}
        found += bands["40m"].figures["r_total_ohm"].verdict == "up"
    assert found / trials > 0.95
