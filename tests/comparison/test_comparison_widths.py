"""Intervals of a comparison held from both sides: Student's t by scipy, and the stated margins."""

from __future__ import annotations

import math

import numpy as np
import pytest
from records import record
from scipy import stats
from uncertainties import ufloat

from sweeplab.builds.diff import Change
from sweeplab.comparison import metrics
from sweeplab.comparison.comparison import FigureChange, compare
from sweeplab.estimate import Estimate
from sweeplab.record import Record

# One build on one band; the figures of one sweep.
SWEEP = {
    "f_loaded_hz": 7.1e6,
    "q_loaded": 300.0,
    "q_unloaded": 500.0,
    "coupling_factor": 0.7,
    "half_power_bandwidth_hz": 23_700.0,
    "swr_min": 1.45,
    "r_total_ohm": 0.130,
    "r_loss_ohm": 0.080,
    "r_remainder_ohm": 0.030,
    "efficiency": 0.38,
    "efficiency_db": -4.2,
}
# A twentieth of Q, resistance and efficiency (0.21 dB), a tenth of SWR and coupling, half the
# half-power bandwidth; ohms of loss by the total they are a part of.
MARGINS = {
    "f_loaded_hz": 23_700.0 / 2,
    "q_loaded": 15.0,
    "q_unloaded": 25.0,
    "coupling_factor": 0.07,
    "half_power_bandwidth_hz": 1185.0,
    "swr_min": 0.10,
    "r_total_ohm": 0.0065,
    "r_loss_ohm": 0.0065,
    "r_remainder_ohm": 0.0065,
    "efficiency": 0.019,
    "efficiency_db": 0.2118930,
}


def side(name: str, values: list[float], **rest: object) -> list[Record]:
    """Sweeps in which one figure scatters and the others are known without repeats."""
    return [record({**SWEEP, name: value}, **rest) for value in values]  # type: ignore[arg-type]


def one(name: str, before: list[float], after: list[float], **rest: object) -> FigureChange:
    found = compare(
        side(name, before, build="quay-1", **rest), side(name, after, build="quay-2", **rest)
    )
    (band,) = found.bands
    return band.figures[name]


@pytest.mark.parametrize("name", MARGINS)
class TestTheMarginOfTheSame:
    def test_is_as_stated(self, name: str) -> None:
        middle = SWEEP[name]
        assert one(name, [middle, middle], [middle, middle]).margin == pytest.approx(MARGINS[name])

    @pytest.mark.parametrize(("part", "verdict"), [(0.93, "same"), (1.07, "unsure")])
    @pytest.mark.parametrize("sign", [1, -1])
    def test_parts_the_same_from_the_unsure(
        self, name: str, part: float, verdict: str, sign: int
    ) -> None:
        # Two repeats a side, apart by 2 d; five families of figures are compared at once.
        half = part * MARGINS[name]
        k = stats.t.ppf(1 - 0.025 / 5, 2) * math.sqrt(2)
        # The change's own value takes a tenth of the room.
        shift, d = sign * 0.1 * half, 0.9 * half / k
        middle = SWEEP[name]
        found = one(name, [middle - d, middle + d], [middle + shift - d, middle + shift + d])
        assert found.change is not None
        reach = found.change.high if sign > 0 else -found.change.low
        assert reach == pytest.approx(half, rel=2e-3)
        assert found.verdict == verdict

    def test_a_change_clear_of_zero_is_up_or_down_however_small(self, name: str) -> None:
        middle, d = SWEEP[name], 1e-3 * MARGINS[name]
        for sign, verdict in ((1, "up"), (-1, "down")):
            moved = middle + sign * 0.2 * MARGINS[name]
            assert one(name, [middle - d, middle + d], [moved - d, moved + d]).verdict == verdict


BEFORE, AFTER = [0.97, 1.00, 1.06], [1.07, 1.10]


class TestBeforeAndAfter:
    """Each side's own interval: scatter pooled over both, Student's t with three degrees."""

    @pytest.mark.parametrize("name", MARGINS)
    def test_reach_both_ways_as_far_as_students_t(self, name: str) -> None:
        scale = 0.02 * abs(SWEEP[name]) if name != "swr_min" else 0.1
        sides = [[SWEEP[name] + scale * (x - 1) for x in xs] for xs in (BEFORE, AFTER)]
        found = one(name, *sides)
        # Scatter counts relative to the figure; ohms of loss relative to the total, decibels as is.
        relative = name not in ("r_loss_ohm", "r_remainder_ohm", "efficiency_db")
        squares = sum(np.var(x) * len(x) / (np.mean(x) ** 2 if relative else 1) for x in sides) / 3
        k = stats.t.ppf(0.975, 3)
        for values, estimate in zip(sides, (found.before, found.after), strict=True):
            assert estimate is not None
            mean = float(np.mean(values))
            u = math.sqrt(squares / len(values)) * (mean if relative else 1)
            assert estimate.value == pytest.approx(mean)
            assert estimate.u == pytest.approx(u, rel=1e-9)
            symmetric = not relative or name in metrics.BOUNDS
            if symmetric:
                ends = mean - k * u, mean + k * u
            else:
                stretch = math.exp(k * u / mean)
                ends = mean / stretch, mean * stretch
            assert (estimate.low, estimate.high) == pytest.approx(ends, rel=1e-9)
            assert estimate.low < mean < estimate.high

    def test_are_cut_at_what_can_be_and_nowhere_else(self) -> None:
        found = one("swr_min", [1.02, 1.06], [1.3, 1.5])
        assert found.before is not None
        assert found.before.low == 1.0
        assert found.before.high > 1.04 + found.before.u
        found = one("efficiency", [0.95, 0.99], [0.02, 0.05])
        assert found.before is not None
        assert found.after is not None
        assert found.before.high == 1.0
        assert found.after.low == 0.0
        assert found.before.low < 0.97 - found.before.u
        assert found.after.high > 0.035 + found.after.u


class TestSharesOfCommonQuantities:
    """Values leaning on quantities of the build, against the uncertainties package."""

    def found(self, old: dict[str, float], new: dict[str, float], *keys: str) -> FigureChange:
        (band,) = compare(
            side("r_loss_ohm", [0.079, 0.081], build="a", shares={"r_loss_ohm": old}),
            side("r_loss_ohm", [0.089, 0.091], build="b", shares={"r_loss_ohm": new}),
            [Change(key, "1", "2") for key in keys],
        ).bands
        return band.figures["r_loss_ohm"]

    # Pooled variance of the two sides: 2e-6 over two degrees of freedom; a mean of two.
    repeat = math.sqrt(2e-6 / 2)

    @pytest.mark.parametrize(
        ("key", "sources"),
        [
            ("feed.offset", ("loop.gap", "conductor.diameter")),
            ("loop.gap", ("loop.gap", "conductor.diameter")),
            ("conductor", ("loop.gap", "conductor.diameter")),
            ("loop.shape", ("model.radiation", "loop.gap")),
            ("conductor.material", ("conductor.conductivity", "conductor.diameter")),
            ("site.ground", ("model.ground", "model.reactance")),
        ],
    )
    def test_cancel_or_add_by_what_the_change_touched(
        self, key: str, sources: tuple[str, str]
    ) -> None:
        touched = {
            "loop.gap": {"loop.gap"},
            "conductor": {"conductor.diameter"},
            "loop.shape": {"model.radiation"},
            # Another metal has another conductivity; another place another ground.
            "conductor.material": {"conductor.conductivity"},
            "site.ground": {"model.ground"},
            "feed.offset": set(),
        }[key]
        old, new = (
            dict(zip(sources, (0.004, -0.003), strict=True)),
            dict(zip(sources, (0.005, 0.002), strict=True)),
        )
        result = self.found(old, new, key)
        before, after = ufloat(0.080, self.repeat), ufloat(0.090, self.repeat)
        for source in sources:
            errors = ufloat(0, 1), ufloat(0, 1)
            if source not in touched:
                errors = errors[0], errors[0]
            before += old[source] * errors[0]
            after += new[source] * errors[1]
        oracle = after - before
        assert result.change is not None
        assert result.change.value == pytest.approx(oracle.n)
        assert result.change.u == pytest.approx(oracle.s, rel=1e-9)
        for held, expected in ((result.before, before), (result.after, after)):
            assert held is not None
            assert held.u == pytest.approx(expected.s, rel=1e-9)

    def test_are_known_better_than_a_scatter_of_two_repeats(self) -> None:
        # Welch and Satterthwaite (GUM eq. G.2b): 2 degrees for the scatter, none for the share.
        result = self.found({"loop.gap": 0.002}, {"loop.gap": -0.001}).change
        assert result is not None
        u = math.hypot(math.sqrt(2) * self.repeat, 0.003)
        dof = 2 * (u / (math.sqrt(2) * self.repeat)) ** 4
        k = stats.t.ppf(1 - 0.025 / 5, dof)
        assert result.u == pytest.approx(u)
        assert (result.low, result.high) == pytest.approx((0.01 - k * u, 0.01 + k * u))

    def test_of_one_source_twice_as_large_count_twice(self) -> None:
        once = self.found({"loop.gap": 0.003}, {"loop.gap": 0.001}, "loop.gap").change
        twice = self.found({"loop.gap": 0.006}, {"loop.gap": 0.002}, "loop.gap").change
        none = self.found({}, {}, "loop.gap").change
        assert once is not None
        assert twice is not None
        assert none is not None
        assert twice.u**2 - none.u**2 == pytest.approx(4 * (once.u**2 - none.u**2))
        assert once.u**2 - none.u**2 == pytest.approx(0.003**2 + 0.001**2)


def test_noise_known_beforehand_is_not_counted_twice() -> None:
    # Scatter over repeats holds the noise already: with a tenth of it noise, u is the scatter's.
    quiet = one("q_loaded", [295.0, 305.0], [315.0, 325.0])
    noisy = one(
        "q_loaded", [295.0, 305.0], [315.0, 325.0], u={**dict.fromkeys(SWEEP, 0.0), "q_loaded": 1.0}
    )
    assert quiet.change is not None
    assert noisy.change is not None
    assert noisy.change.u == pytest.approx(quiet.change.u, rel=1e-3)


def test_noise_above_the_scatter_is_the_least_there_is() -> None:
    # Repeats that agree better than their noise allows: the noise, two sweeps a side.
    found = one(
        "q_loaded", [300.0, 300.1], [301.0, 301.1], u={**dict.fromkeys(SWEEP, 0.0), "q_loaded": 2.0}
    )
    assert found.change is not None
    assert found.change.u == pytest.approx(2.0, rel=1e-6)


def test_weights_go_with_the_noise() -> None:
    # Two sweeps of known noise and no scatter beyond it: the weighted mean of any textbook.
    values, noise = [300.0, 301.0], [1.0, 3.0]
    records = [record({"q_loaded": v}, u=float(s)) for v, s in zip(values, noise, strict=True)]
    (band,) = compare(records, records).bands
    found = band.figures["q_loaded"].before
    assert isinstance(found, Estimate)
    weights = 1 / np.array(noise) ** 2
    assert found.value == pytest.approx(float(weights @ values / weights.sum()))
    assert found.u == pytest.approx(1 / math.sqrt(weights.sum()))
