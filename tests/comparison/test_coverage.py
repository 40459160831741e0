"""Do intervals hold as often as they say? Simulated repeats with a known truth, fixed seeds.

Bounds follow from the number of draws: a share of n trials lies within four standard deviations of
the binomial law, ``4 sqrt(p (1 - p)/n)``, but for one seed in 16,000.
"""

from __future__ import annotations

import math
from collections.abc import Collection

import numpy as np
import pytest
from records import STATE, repeats, sweeps

from sweeplab.comparison.comparison import compare
from sweeplab.record import Record


@pytest.fixture(params=[300, pytest.param(1000, marks=pytest.mark.slow)])
def trials(request: pytest.FixtureRequest) -> int:
    """How often to draw."""
    return int(request.param)


def slack(share: float, trials: int) -> float:
    return 4 * math.sqrt(share * (1 - share) / trials)


@pytest.mark.parametrize("n", [2, 3, 5])
def test_the_interval_of_one_change_covers_it_nineteen_times_in_twenty(n: int, trials: int) -> None:
    rng = np.random.default_rng(100 + n)
    covered = 0
    for _ in range(trials):
        before = repeats("r_total_ohm", list(0.075 * (1 + rng.normal(0, 0.02, n))), u=1e-5)
        after = repeats("r_total_ohm", list(0.060 * (1 + rng.normal(0, 0.02, n))), u=1e-5)
        change = compare(before, after).bands[0].figures["r_total_ohm"].change
        assert change is not None
        covered += change.low <= -0.015 <= change.high
    assert covered / trials == pytest.approx(0.95, abs=slack(0.95, trials))


def test_without_the_scatter_of_repeats_intervals_fail(trials: int) -> None:
    """The negative control: trust the sweeps' own noise alone, and the promise breaks."""
    rng = np.random.default_rng(7)
    covered = 0
    for _ in range(trials):
        # A repeat a side leaves nothing but the noise, ten times below the scatter.
        before = repeats("r_total_ohm", [0.075 * (1 + rng.normal(0, 0.02))], u=0.00015)
        after = repeats("r_total_ohm", [0.060 * (1 + rng.normal(0, 0.02))], u=0.00015)
        change = compare(before, after).bands[0].figures["r_total_ohm"].change
        assert change is not None
        covered += change.low <= -0.015 <= change.high
    assert covered / trials < 0.5


# Scatter that differs between bands, as that of a loose joint does.
UNLIKE = {"80m": 0.05, "40m": 0.02, "20m": 0.005}


def false_alarms(
    n: int,
    spread: float | dict[str, float],
    trials: int,
    bands: Collection[str] = tuple(STATE),
    builds: int = 0,
) -> float:
    """Return how often anything at all is called moved when nothing was.

    Parameters
    ----------
    bands : collection of str
        Those that are swept.
    builds : int
        Other builds of the log, two sweeps of each a band.
    """
    rng = np.random.default_rng(40 + n)

    def side(build: str, count: int) -> list[Record]:
        drawn = sweeps(rng, count, build=build, spread=spread)
        return [record for record in drawn if record.band in bands]

    alarms = 0
    for _ in range(trials):
        before, after = side("a", n), side("b", n)
        others = [record for k in range(builds) for record in side(f"other-{k}", 2)]
        compared = compare(before, after, others=others).bands
        figures = [f for band in compared for f in band.figures.values()]
        assert len(figures) == 11 * len(bands)
        alarms += any(figure.verdict in ("up", "down") for figure in figures)
    return alarms / trials


@pytest.mark.parametrize(("n", "spread"), [(2, 0.02), (3, UNLIKE)])
def test_nothing_moved_is_seldom_called_moved(n: int, spread: float | dict[str, float]) -> None:
    assert false_alarms(n, spread, 50) <= 0.05 + slack(0.05, 50)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("n", "spread"), [(2, 0.02), (2, UNLIKE), (3, 0.02), (3, 0.002), (3, UNLIKE), (5, 0.02)]
)
def test_nothing_moved_is_seldom_called_moved_over_many_trials(
    n: int, spread: float | dict[str, float]
) -> None:
    assert false_alarms(n, spread, 800) <= 0.05 + slack(0.05, 800)


# Two bands of tenfold scatter and two repeats a side: the worst where each band borrows.
TENFOLD = ("80m", "20m")


@pytest.mark.parametrize("trials", [60, pytest.param(200, marks=pytest.mark.slow)])
def test_a_band_of_large_scatter_among_small_ones_keeps_the_false_alarm_rate(trials: int) -> None:
    assert false_alarms(2, UNLIKE, trials, TENFOLD) <= 0.05 + slack(0.05, trials)


@pytest.mark.slow
def test_control_pooling_a_band_of_large_scatter_exceeds_the_false_alarm_rate(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(
        "sweeplab.comparison.repeatability._moderated",
        lambda own, elsewhere, everything: everything,
    )
    assert false_alarms(2, UNLIKE, 200, TENFOLD) > 0.05 + slack(0.05, 200)


@pytest.mark.parametrize("trials", [40, pytest.param(200, marks=pytest.mark.slow)])
@pytest.mark.parametrize("spread", [0.02, UNLIKE])
def test_other_builds_scatter_keeps_the_promise(
    spread: float | dict[str, float], trials: int
) -> None:
    assert false_alarms(2, spread, trials, builds=3) <= 0.05 + slack(0.05, trials)


def test_other_builds_repeats_narrow_the_interval_of_two() -> None:
    rng = np.random.default_rng(9)
    wide, narrow = [], []
    for _ in range(20):
        before, after = (sweeps(rng, 2, build=build) for build in "ab")
        others = [record for k in range(4) for record in sweeps(rng, 2, build=f"other-{k}")]
        for halves, lent in ((wide, []), (narrow, others)):
            (change,) = [
                band.figures["r_total_ohm"].change
                for band in compare(before, after, others=lent).bands
                if band.band == "40m"
            ]
            assert change is not None
            halves.append(change.high - change.low)
    assert np.median(narrow) < 0.9 * np.median(wide)


@pytest.mark.parametrize("trials", [40, pytest.param(100, marks=pytest.mark.slow)])
def test_the_intervals_of_all_changes_hold_at_once(trials: int) -> None:
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
