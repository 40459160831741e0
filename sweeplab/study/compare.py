"""Which figures moved from one build to the next, and how surely."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from sweeplab.bands import band_order
from sweeplab.estimate import Estimate
from sweeplab.finding import Finding
from sweeplab.study import figures as fig
from sweeplab.study.notice import Pair, notice
from sweeplab.study.record import Record
from sweeplab.study.repeats import (
    Mean,
    Repeats,
    Scatter,
    effective_dof,
    mean,
    moderated,
    student_factor,
)

if TYPE_CHECKING:
    from sweeplab.build.difference import Change

Verdict = Literal["up", "down", "same", "unsure"]


@dataclass(frozen=True)
class FigureChange:
    """One figure before and after.

    Parameters
    ----------
    before, after : Estimate or None
        Means over repeats with their 95 % intervals; None where not known.
    change : Estimate or None
        After less before. Its interval holds with 95 % for all figures and bands of the
        comparison at once; `u` is its own.
    verdict : {'up', 'down', 'same', 'unsure'}
    margin : float or None
        Within which the figure would be called the same.
    """

    before: Estimate | None
    after: Estimate | None
    change: Estimate | None
    verdict: Verdict
    margin: float | None

    def to_json(self) -> dict[str, Any]:
        """Return the figure as the contract of ``compare`` has it."""
        ends = {"before": self.before, "after": self.after, "change": self.change}
        plain = {key: None if end is None else end.to_json() for key, end in ends.items()}
        return {**plain, "verdict": self.verdict}


@dataclass(frozen=True)
class BandChange:
    """All figures of one band (and setting) before and after.

    Parameters
    ----------
    band : str
    setting : str or None
        The setting after the change.
    n_before, n_after : int
        Sweeps that count.
    figures : mapping of str to FigureChange
        By contract name, all of them.
    """

    band: str
    setting: str | None
    n_before: int
    n_after: int
    figures: Mapping[str, FigureChange]

    def to_json(self) -> dict[str, Any]:
        """Return the band as the contract of ``compare`` has it, the setting where there is one."""
        setting = {} if self.setting is None else {"setting": self.setting}
        return {
            "band": self.band,
            **setting,
            "n_before": self.n_before,
            "n_after": self.n_after,
            "figures": {name: figure.to_json() for name, figure in self.figures.items()},
        }


@dataclass(frozen=True)
class Comparison:
    """Two builds side by side.

    Parameters
    ----------
    before, after : str
        Names of the builds.
    changes : tuple of Change
        What differs in their descriptions.
    bands : tuple of BandChange
        In rising frequency.
    comparisons : int
        How many independent quantities the intervals of the changes account for at once.
    findings : tuple of Finding
    """

    before: str
    after: str
    changes: tuple[Change, ...]
    bands: tuple[BandChange, ...]
    comparisons: int
    findings: tuple[Finding, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Return the comparison as the contract of ``compare`` has it, with its findings."""
        return {
            "before": self.before,
            "after": self.after,
            "changes": [
                {"key": change.key, "before": change.before, "after": change.after}
                for change in self.changes
            ],
            "bands": [band.to_json() for band in self.bands],
            "findings": [finding.to_json() for finding in self.findings],
        }


def compare(
    before: Sequence[Record],
    after: Sequence[Record],
    changes: Sequence[Change] = (),
    *,
    others: Sequence[Record] = (),
    names: tuple[str, str] | None = None,
) -> Comparison:
    """Say which figures moved from one build to the next, and how surely.

    Sweeps of one build, setting and band are repeats; see `sweeplab.study.repeats` for what is
    made of them. A quantity of the build, such as its circumference, is one quantity with one
    error before and after: it cancels in the change as far as the figure leans on it equally. Only
    where the change touched that very quantity are there two errors.

    The intervals of all changes hold together with 95 % (Bonferroni over bands times families of
    figures that are functions of one quantity, see `sweeplab.study.figures`). 'up' and 'down' need
    an interval clear of zero, 'same' one inside the margin; with a single sweep on a side, or no
    repeats anywhere, the verdict is 'unsure'.

    Parameters
    ----------
    before, after : sequence of Record
        Those set aside or refused are left out, and counted in a finding.
    changes : sequence of Change
        What differs in the descriptions.
    others : sequence of Record
        Sweeps of other builds: they only tell how far repeats scatter.
    names : tuple of (str, str) or None
        The builds' names; None to take them from the records.
    """
    pairs = _pairs(before, after)
    keys = {change.key for change in changes}
    groups = _groups(others)
    scatters = {name: _scatters(name, pairs, groups) for name in fig.NAMES}
    families = sum(
        any(_testable(name, pair, scatters[name]) for name in family)
        for pair in pairs
        for family in fig.FAMILIES
    )
    bands = tuple(_band(pair, scatters, keys, max(families, 1)) for pair in pairs)
    before_name, after_name = names or (_name(before), _name(after))
    findings = notice(before, after, pairs, any_repeats=_any(scatters), comparisons=families)
    return Comparison(before_name, after_name, tuple(changes), bands, max(families, 1), findings)


def _name(records: Sequence[Record]) -> str:
    return ", ".join(dict.fromkeys(record.build for record in records))


def _any(scatters: Mapping[str, Mapping[str, Scatter | None]]) -> bool:
    return any(scatter is not None for bands in scatters.values() for scatter in bands.values())


def _groups(records: Sequence[Record]) -> dict[tuple[str, str | None, str], list[Record]]:
    """Return what counts, repeats together: by band, setting and build."""
    groups: dict[tuple[str, str | None, str], list[Record]] = {}
    for record in records:
        if record.counts:
            groups.setdefault((record.band, record.setting, record.build), []).append(record)
    return groups


def _pairs(before: Sequence[Record], after: Sequence[Record]) -> list[Pair]:
    """Return what is compared with what: the same band in the same setting.

    Where a band has one setting on each side and they go by different names, those two.
    """
    sides: list[dict[str, dict[str | None, list[Record]]]] = [{}, {}]
    for side, records in zip(sides, (before, after), strict=True):
        for record in records:
            if record.counts:
                side.setdefault(record.band, {}).setdefault(record.setting, []).append(record)
    pairs = []
    for band in sorted(sides[0].keys() & sides[1].keys(), key=band_order):
        old, new = sides[0][band], sides[1][band]
        shared = [setting for setting in old if setting in new]
        if not shared and len(old) == len(new) == 1:
            pairs.append(Pair(band, *old.values(), *new.values()))
        pairs += [Pair(band, old[setting], new[setting]) for setting in shared]
    return pairs


def _scatters(
    name: str,
    pairs: Sequence[Pair],
    groups: Mapping[tuple[str, str | None, str], Sequence[Record]],
) -> dict[str, Scatter | None]:
    """Return how far a figure scatters over repeats, band by band."""
    bands: dict[str, list[Repeats]] = {pair.band: [] for pair in pairs}
    for pair in pairs:
        bands[pair.band] += [g for side in pair.sides if (g := fig.repeats(name, side))]
    for (band, _, _), records in groups.items():
        group = fig.repeats(name, records)
        if group is not None:
            bands.setdefault(band, []).append(group)
    return moderated(bands)


def _testable(name: str, pair: Pair, scatters: Mapping[str, Scatter | None]) -> bool:
    """Say whether a verdict on a figure may be other than 'unsure'."""
    repeated = all(sum(name in record.figures for record in side) > 1 for side in pair.sides)
    return repeated and scatters[pair.band] is not None


def _band(
    pair: Pair,
    scatters: Mapping[str, Mapping[str, Scatter | None]],
    changed: Collection[str],
    comparisons: int,
) -> BandChange:
    means: dict[str, list[Mean | None]] = {}
    for name in fig.NAMES:
        scatter = scatters[name][pair.band]
        groups = [fig.repeats(name, side) for side in pair.sides]
        means[name] = [None if group is None else mean(group, scatter) for group in groups]
    values = {name: old.value for name, (old, _) in means.items() if old is not None}
    figures = {
        name: _figure(
            name, old, new, changed, comparisons,
            margin=fig.margin(name, values),
            testable=_testable(name, pair, scatters[name]),
        )
        for name, (old, new) in means.items()
    }  # fmt: skip
    setting = pair.after[0].setting
    return BandChange(pair.band, setting, len(pair.before), len(pair.after), figures)


def _figure(
    name: str,
    old: Mean | None,
    new: Mean | None,
    changed: Collection[str],
    comparisons: int,
    *,
    margin: float | None,
    testable: bool,
) -> FigureChange:
    before = None if old is None else _estimate(name, old)
    after = None if new is None else _estimate(name, new)
    if old is None or new is None:
        return FigureChange(before, after, None, "unsure", margin)
    change = _change(old, new, changed, comparisons)
    verdict = _verdict(change, margin) if testable else "unsure"
    return FigureChange(before, after, change, verdict, margin)


def _estimate(name: str, side: Mean) -> Estimate:
    """Return a mean with its own 95 % interval, common quantities included."""
    u = math.hypot(side.u_repeat, *side.shares.values())
    dof = effective_dof(side.u_repeat, side.dof, u)
    if name not in fig.BOUNDS and name not in ("r_loss_ohm", "r_remainder_ohm"):
        return Estimate.lognormal(side.value, u, dof)
    low, high = fig.BOUNDS.get(name, (-math.inf, math.inf))
    # A mean beyond what can be keeps its place in its interval.
    return Estimate.normal(side.value, u, dof).clipped(min(low, side.value), max(high, side.value))


def _change(old: Mean, new: Mean, changed: Collection[str], comparisons: int) -> Estimate:
    """Return after less before: scatter adds up, what both sides share cancels (GUM eq. 13)."""
    u_repeat = math.hypot(old.u_repeat, new.u_repeat)
    parts = [u_repeat]
    for source in old.shares.keys() | new.shares.keys():
        share_old, share_new = old.shares.get(source, 0.0), new.shares.get(source, 0.0)
        if _touched(source, changed):
            parts.append(math.hypot(share_old, share_new))
        else:
            parts.append(share_new - share_old)
    u = math.hypot(*parts)
    half = student_factor(effective_dof(u_repeat, old.dof, u), comparisons) * u
    value = new.value - old.value
    return Estimate(value, u, value - half, value + half)


def _touched(source: str, changed: Collection[str]) -> bool:
    """Say whether a source is another quantity after the change than before.

    The loop model's own error is taken as another one where the loop is.
    """
    if source.startswith("model."):
        return any(key.startswith("loop.") for key in changed)
    return any(source == key or source.startswith(f"{key}.") for key in changed)


def _verdict(change: Estimate, margin: float | None) -> Verdict:
    if change.low > 0:
        return "up"
    if change.high < 0:
        return "down"
    if margin is not None and -margin <= change.low and change.high <= margin:
        return "same"
    return "unsure"
