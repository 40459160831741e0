"""Which figures changed from one build to the next, and how significantly."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from sweeplab.bands import band_order
from sweeplab.comparison import metrics
from sweeplab.comparison.findings import BandPair, comparison_findings
from sweeplab.comparison.heights_findings import height_findings
from sweeplab.comparison.repeatability import (
    Mean,
    Repeats,
    Scatter,
    effective_dof,
    moderated_scatter,
    student_factor,
    weighted_mean,
)
from sweeplab.estimate import Estimate
from sweeplab.finding import Finding, ranked
from sweeplab.record import Record

if TYPE_CHECKING:
    from sweeplab.builds.diff import Change

Verdict = Literal["up", "down", "same", "unsure"]
PairRepeats = tuple[Repeats | None, Repeats | None]


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
        Largest change within which the figure counts as the same.
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
    """Two builds compared.

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


@dataclass(frozen=True)
class _Scope:
    """Keys of the descriptions that the change touched, and how many quantities are compared."""

    changed: Collection[str]
    comparisons: int

    def touches(self, source: str) -> bool:
        """Return whether a source of error is another quantity after the change than before.

        The loop model's error is another one where the loop changed, the ground model's where loop
        or site did; a named metal's conductivity where the metal did.
        """
        changed = self.changed
        if source.startswith("model."):
            sections = ("loop.", "site.") if source == "model.ground" else ("loop.",)
            return any(key.startswith(sections) for key in changed)
        if source == "conductor.conductivity" and "conductor.material" in changed:
            return True
        return any(source == key or source.startswith(f"{key}.") for key in changed)


def compare(
    before: Sequence[Record],
    after: Sequence[Record],
    changes: Sequence[Change] = (),
    *,
    others: Sequence[Record] = (),
    names: tuple[str, str] | None = None,
) -> Comparison:
    """Compare the figures of two builds: which changed, and how significantly.

    Sweeps of one build, setting and band are repeats; see `sweeplab.comparison.repeatability` for
    how they are pooled. A quantity of the build, such as its circumference, is one quantity with
    one error before and after: it cancels in the change as far as the figure depends on it equally.
    Only where the change touched that very quantity are there two errors.

    The intervals of all changes hold together with 95 % (Bonferroni over bands times families of
    figures that are functions of one quantity, see `sweeplab.comparison.metrics`). 'up' and 'down'
    need an interval clear of zero, 'same' one inside the margin; with a single sweep on a side, or
    no repeats anywhere, the verdict is 'unsure'.

    Parameters
    ----------
    before, after : sequence of Record
        Those set aside or refused are left out, and counted in a finding.
    changes : sequence of Change
        What differs in the descriptions.
    others : sequence of Record
        Sweeps of other builds, for the scatter of repeats alone.
    names : tuple of (str, str) or None
        The builds' names; None to take them from the records.
    """
    pairs = _pairs(before, after)
    bands, families, any_repeats = _compared(pairs, others, {change.key for change in changes})
    findings = [
        *comparison_findings(before, after, pairs, any_repeats=any_repeats, comparisons=families),
        *height_findings(before, after, changes),
    ]
    return Comparison(
        *(names or (_name(before), _name(after))),
        changes=tuple(changes),
        bands=tuple(bands),
        comparisons=max(families, 1),
        findings=ranked(findings),
    )


def _compared(
    pairs: Sequence[BandPair], others: Sequence[Record], changed: Collection[str]
) -> tuple[list[BandChange], int, bool]:
    """Return the bands compared, how many independent quantities, and whether any has repeats."""
    repeats = {name: [_pair_repeats(name, pair) for pair in pairs] for name in metrics.NAMES}
    scatters = {name: _scatters(name, pairs, repeats[name], others) for name in metrics.NAMES}
    families = sum(
        any(_testable(repeats[name][i], scatters[name][pair.band]) for name in family)
        for i, pair in enumerate(pairs)
        for family in metrics.FAMILIES
    )
    scope = _Scope(changed, max(families, 1))
    bands = []
    for i, pair in enumerate(pairs):
        of_pair = {name: repeats[name][i] for name in metrics.NAMES}
        of_band = {name: scatters[name][pair.band] for name in metrics.NAMES}
        bands.append(_band(pair, of_pair, of_band, scope))
    any_repeats = any(scatter is not None for s in scatters.values() for scatter in s.values())
    return bands, families, any_repeats


def _name(records: Sequence[Record]) -> str:
    return ", ".join(dict.fromkeys(record.build for record in records))


def _pairs(before: Sequence[Record], after: Sequence[Record]) -> list[BandPair]:
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
            pairs.append(BandPair(band, *old.values(), *new.values()))
        pairs += [BandPair(band, old[setting], new[setting]) for setting in shared]
    return pairs


def _pair_repeats(name: str, pair: BandPair) -> PairRepeats:
    return metrics.repeats(name, pair.before), metrics.repeats(name, pair.after)


def _scatters(
    name: str, pairs: Sequence[BandPair], sides: Sequence[PairRepeats], others: Sequence[Record]
) -> dict[str, Scatter | None]:
    """Return the scatter of a figure over repeats, band by band."""
    bands: dict[str, list[Repeats]] = {pair.band: [] for pair in pairs}
    for pair, groups in zip(pairs, sides, strict=True):
        bands[pair.band] += [group for group in groups if group is not None]
    repeated: dict[tuple[str, str | None, str, str], list[Record]] = {}
    for record in others:
        if record.counts:
            # Of one day: ageing over months is no scatter of reconnecting.
            day = (record.taken or "")[:10]
            key = record.band, record.setting, record.build, day
            repeated.setdefault(key, []).append(record)
    history: dict[str, list[Repeats]] = {}
    for (band, *_), records in repeated.items():
        group = metrics.repeats(name, records)
        if group is not None:
            history.setdefault(band, []).append(group)
    return moderated_scatter(bands, history)


def _testable(sides: PairRepeats, scatter: Scatter | None) -> bool:
    """Return whether a verdict other than 'unsure' is possible."""
    return scatter is not None and all(side is not None and side.dof > 0 for side in sides)


def _band(
    pair: BandPair,
    groups: Mapping[str, PairRepeats],
    scatters: Mapping[str, Scatter | None],
    scope: _Scope,
) -> BandChange:
    means = {
        name: tuple(None if side is None else weighted_mean(side, scatters[name]) for side in sides)
        for name, sides in groups.items()
    }
    values = {name: old.value for name, (old, _) in means.items() if old is not None}
    figures = {
        name: _figure(
            name,
            old,
            new,
            metrics.margin(name, values),
            scope,
            testable=_testable(groups[name], scatters[name]),
        )
        for name, (old, new) in means.items()
    }
    setting = pair.after[0].setting
    return BandChange(pair.band, setting, len(pair.before), len(pair.after), figures)


def _figure(
    name: str,
    old: Mean | None,
    new: Mean | None,
    margin: float | None,
    scope: _Scope,
    *,
    testable: bool,
) -> FigureChange:
    before = None if old is None else _estimate(name, old)
    after = None if new is None else _estimate(name, new)
    if old is None or new is None:
        return FigureChange(before, after, None, "unsure", margin)
    change = _change(old, new, scope)
    return FigureChange(
        before, after, change, _verdict(change, margin) if testable else "unsure", margin
    )


def _estimate(name: str, mean: Mean) -> Estimate:
    """Return a mean with its own 95 % interval, common quantities included."""
    if name not in metrics.BOUNDS and name not in ("r_loss_ohm", "r_remainder_ohm"):
        return Estimate.lognormal(mean.value, mean.u, mean.dof_of_u)
    low, high = metrics.BOUNDS.get(name, (-math.inf, math.inf))
    # A mean beyond its bounds stays inside its interval.
    return Estimate.normal(mean.value, mean.u, mean.dof_of_u).clipped(
        min(low, mean.value), max(high, mean.value)
    )


def _change(old: Mean, new: Mean, scope: _Scope) -> Estimate:
    """Return after less before: scatter adds, sources common to both cancel (GUM eq. 13)."""
    u_repeat = math.hypot(old.u_repeat, new.u_repeat)
    parts = [u_repeat]
    for source in sorted(old.shares.keys() | new.shares.keys()):
        share_old, share_new = old.shares.get(source, 0.0), new.shares.get(source, 0.0)
        if scope.touches(source):
            parts.append(math.hypot(share_old, share_new))
        else:
            parts.append(share_new - share_old)
    u = math.hypot(*parts)
    half = student_factor(effective_dof(u_repeat, old.dof, u), scope.comparisons) * u
    value = new.value - old.value
    return Estimate(value, u, value - half, value + half)


def _verdict(change: Estimate, margin: float | None) -> Verdict:
    if change.low > 0:
        return "up"
    if change.high < 0:
        return "down"
    if margin is not None and -margin <= change.low and change.high <= margin:
        return "same"
    return "unsure"
