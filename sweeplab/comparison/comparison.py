"""Which figures moved from one build to the next, and how surely."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from sweeplab.bands import band_order
from sweeplab.comparison import metrics as fig
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


@dataclass(frozen=True)
class _Scope:
    """What the change touched, by dotted key, and how many quantities are compared at once."""

    changed: Collection[str]
    comparisons: int

    def touches(self, source: str) -> bool:
        """Say whether a source is another quantity after the change than before.

        The loop model's own error is taken as another one where the loop is, the ground model's
        where loop or site is; a named metal's conductivity where the metal is.
        """
        changed = self.changed
        if source.startswith("model."):
            rooms = ("loop.", "site.") if source == "model.ground" else ("loop.",)
            return any(key.startswith(rooms) for key in changed)
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
    """Say which figures moved from one build to the next, and how surely.

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
        Sweeps of other builds: they only tell how far repeats scatter.
    names : tuple of (str, str) or None
        The builds' names; None to take them from the records.
    """
    pairs = _pairs(before, after)
    sides = {name: [_pair_repeats(name, pair) for pair in pairs] for name in fig.NAMES}
    scatters = {name: _scatters(name, pairs, sides[name], others) for name in fig.NAMES}
    families = sum(
        any(_testable(sides[name][i], scatters[name][pair.band]) for name in family)
        for i, pair in enumerate(pairs)
        for family in fig.FAMILIES
    )
    rule = _Scope({change.key for change in changes}, max(families, 1))
    bands = []
    for i, pair in enumerate(pairs):
        groups = {name: sides[name][i] for name in fig.NAMES}
        of_band = {name: scatters[name][pair.band] for name in fig.NAMES}
        bands.append(_band(pair, groups, of_band, rule))
    return Comparison(
        *(names or (_name(before), _name(after))),
        tuple(changes),
        tuple(bands),
        rule.comparisons,
        ranked(
            (
                *comparison_findings(
                    before, after, pairs, any_repeats=_any_repeats(scatters), comparisons=families
                ),
                *height_findings(before, after, changes),
            )
        ),
    )


def _name(records: Sequence[Record]) -> str:
    return ", ".join(dict.fromkeys(record.build for record in records))


def _any_repeats(scatters: Mapping[str, Mapping[str, Scatter | None]]) -> bool:
    return any(scatter is not None for bands in scatters.values() for scatter in bands.values())


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
    return fig.repeats(name, pair.before), fig.repeats(name, pair.after)


def _scatters(
    name: str, pairs: Sequence[BandPair], sides: Sequence[PairRepeats], others: Sequence[Record]
) -> dict[str, Scatter | None]:
    """Return how far a figure scatters over repeats, band by band."""
    bands: dict[str, list[Repeats]] = {pair.band: [] for pair in pairs}
    for pair, groups in zip(pairs, sides, strict=True):
        bands[pair.band] += [group for group in groups if group is not None]
    states: dict[tuple[str, str | None, str, str], list[Record]] = {}
    for record in others:
        if record.counts:
            # Of one day: what months do to an antenna is no scatter of plugging in.
            day = (record.taken or "")[:10]
            key = record.band, record.setting, record.build, day
            states.setdefault(key, []).append(record)
    history: dict[str, list[Repeats]] = {}
    for (band, *_), records in states.items():
        group = fig.repeats(name, records)
        if group is not None:
            history.setdefault(band, []).append(group)
    return moderated_scatter(bands, history)


def _testable(sides: PairRepeats, scatter: Scatter | None) -> bool:
    """Say whether a verdict may be other than 'unsure'."""
    return scatter is not None and all(side is not None and side.dof > 0 for side in sides)


def _band(
    pair: BandPair,
    groups: Mapping[str, PairRepeats],
    scatters: Mapping[str, Scatter | None],
    rule: _Scope,
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
            fig.margin(name, values),
            rule,
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
    rule: _Scope,
    *,
    testable: bool,
) -> FigureChange:
    before = None if old is None else _estimate(name, old)
    after = None if new is None else _estimate(name, new)
    if old is None or new is None:
        return FigureChange(before, after, None, "unsure", margin)
    change = _change(old, new, rule)
    return FigureChange(
        before, after, change, _verdict(change, margin) if testable else "unsure", margin
    )


def _estimate(name: str, side: Mean) -> Estimate:
    """Return a mean with its own 95 % interval, common quantities included."""
    u = math.hypot(side.u_repeat, *side.shares.values())
    dof = effective_dof(side.u_repeat, side.dof, u)
    if name not in fig.BOUNDS and name not in ("r_loss_ohm", "r_remainder_ohm"):
        return Estimate.lognormal(side.value, u, dof)
    low, high = fig.BOUNDS.get(name, (-math.inf, math.inf))
    # A mean beyond what can be keeps its place in its interval.
    return Estimate.normal(side.value, u, dof).clipped(min(low, side.value), max(high, side.value))


def _change(old: Mean, new: Mean, rule: _Scope) -> Estimate:
    """Return after less before: scatter adds up, what both sides share cancels (GUM eq. 13)."""
    u_repeat = math.hypot(old.u_repeat, new.u_repeat)
    parts = [u_repeat]
    for source in sorted(old.shares.keys() | new.shares.keys()):
        share_old, share_new = old.shares.get(source, 0.0), new.shares.get(source, 0.0)
        if rule.touches(source):
            parts.append(math.hypot(share_old, share_new))
        else:
            parts.append(share_new - share_old)
    u = math.hypot(*parts)
    half = student_factor(effective_dof(u_repeat, old.dof, u), rule.comparisons) * u
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
