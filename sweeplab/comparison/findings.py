"""Findings of a comparison of two builds."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise

from sweeplab.bands import band_order
from sweeplab.finding import Finding, Threshold, ranked
from sweeplab.quantity import format_quantity
from sweeplab.record import Record

_REPEAT = (
    "take two more sweeps of each side on these bands, with everything unplugged and plugged in "
    "again before each"
)
# Weather and corrosion act over more than a weekend of measuring (own choice, no source).
_AGED_DAYS: Threshold = 7.0
# Successive sweeps at most so far apart, whose resonances differ by so many times their noise.
_SUCCESSION_S: Threshold = 600.0
_MOVED_NOISE: Threshold = 5.0
# Bandwidths from which a resonance counts as retuned.
_RETUNED_BANDWIDTHS: Threshold = 0.5


@dataclass(frozen=True)
class BandPair:
    """The sweeps of one band that are compared, before and after; those that count."""

    band: str
    before: Sequence[Record]
    after: Sequence[Record]

    @property
    def sides(self) -> tuple[Sequence[Record], Sequence[Record]]:
        """Before and after."""
        return self.before, self.after


def comparison_findings(
    before: Sequence[Record],
    after: Sequence[Record],
    pairs: Sequence[BandPair],
    *,
    any_repeats: bool,
    comparisons: int,
) -> tuple[Finding, ...]:
    """Return what is missing, left out, or to be read with care; problems first."""
    findings = [
        *_no_common_band(pairs),
        *_few_repeats(pairs, any_repeats),
        *_versions([*before, *after]),
        *_settings(before, after, pairs),
        *_one_sided(before, after),
        *_left_out([*before, *after]),
        *_doubtful(pairs),
        *_days_apart(pairs),
        *_moved_between(pairs),
        *_at_once(comparisons),
    ]
    return ranked(findings)


def _bands(names: Sequence[str]) -> str:
    return ", ".join(sorted(set(names), key=band_order))


def _no_common_band(pairs: Sequence[BandPair]) -> list[Finding]:
    if pairs:
        return []
    return [
        Finding(
            code="nothing-to-compare",
            level="problem",
            text="no band has sweeps on both sides that count",
            evidence={},
            action="sweep both builds on the same band",
        )
    ]


def _few_repeats(pairs: Sequence[BandPair], any_repeats: bool) -> list[Finding]:
    single = [pair.band for pair in pairs if min(map(len, pair.sides)) < 2]
    if not single:
        return []
    text = f"a single sweep on a side cannot show that anything moved: {_bands(single)}"
    if not any_repeats:
        text += (
            "; without any repeats the intervals hold the sweeps' own noise only, not what "
            "plugging in again would move"
        )
    return [
        Finding(
            code="few-repeats",
            level="warning",
            text=text,
            evidence={"bands": _bands(single)},
            action=_REPEAT,
        )
    ]


def _versions(records: Sequence[Record]) -> list[Finding]:
    versions = sorted({record.program_version for record in records if record.counts})
    if len(versions) < 2:
        return []
    return [
        Finding(
            code="mixed-versions",
            level="warning",
            text=f"the readings were made by different versions of sweeplab: {', '.join(versions)}",
            evidence={"versions": ", ".join(versions)},
            action="make all readings anew, then compare",
        )
    ]


def _settings(
    before: Sequence[Record], after: Sequence[Record], pairs: Sequence[BandPair]
) -> list[Finding]:
    findings = []
    renamed = [pair for pair in pairs if pair.before[0].setting != pair.after[0].setting]
    if renamed:
        pair = renamed[0]
        findings.append(
            Finding(
                code="settings-differ",
                level="note",
                text=f"the settings differ: {pair.before[0].setting or 'none'} before, "
                f"{pair.after[0].setting or 'none'} after",
                evidence={"bands": _bands([pair.band for pair in renamed])},
                action="read the figures as the change of build and setting together",
            )
        )
    paired = {id(record) for pair in pairs for side in pair.sides for record in side}
    common = {pair.band for pair in pairs} | _common_bands(before, after)
    unpaired = [
        record
        for record in (*before, *after)
        if record.counts and record.band in common and id(record) not in paired
    ]
    if unpaired:
        words = sorted(
            {f"{record.band} in {record.setting or 'no setting'}" for record in unpaired}
        )
        findings.append(
            Finding(
                code="setting-on-one-side",
                level="note",
                text=f"{len(unpaired)} sweeps have no counterpart in the same setting: "
                f"{', '.join(words)}",
                evidence={"sweeps": len(unpaired)},
                action="sweep the other build in these settings",
            )
        )
    return findings


def _common_bands(before: Sequence[Record], after: Sequence[Record]) -> set[str]:
    sides = [{record.band for record in side if record.counts} for side in (before, after)]
    return sides[0] & sides[1]


def _one_sided(before: Sequence[Record], after: Sequence[Record]) -> list[Finding]:
    findings = []
    common = _common_bands(before, after)
    for side, word in ((before, "before"), (after, "after")):
        bands = [record.band for record in side if record.counts and record.band not in common]
        if bands:
            findings.append(
                Finding(
                    code="band-on-one-side",
                    level="note",
                    text=f"swept only {word}: {_bands(bands)}",
                    evidence={"bands": _bands(bands)},
                    action="sweep the other build there too",
                )
            )
    return findings


def _left_out(records: Sequence[Record]) -> list[Finding]:
    aside = sum(record.set_aside is not None for record in records)
    refused = sum(not record.counts for record in records) - aside
    if not aside + refused:
        return []
    return [
        Finding(
            code="left-out",
            level="note",
            text=f"sweeps that do not count: {refused} without a usable resonance, {aside} set "
            "aside",
            evidence={"refused": refused, "set_aside": aside},
            action="",
        )
    ]


def _doubtful(pairs: Sequence[BandPair]) -> list[Finding]:
    by_band = Counter(
        pair.band for pair in pairs for side in pair.sides for r in side if r.status == "doubtful"
    )
    if not by_band:
        return []
    return [
        Finding(
            code="doubtful-sweeps",
            level="note",
            text=f"{sum(by_band.values())} sweeps that count are doubtful: {_bands(list(by_band))}",
            evidence={"sweeps": sum(by_band.values())},
            action="look at their findings; set aside what is wrong",
        )
    ]


def _days_apart(pairs: Sequence[BandPair]) -> list[Finding]:
    """Report sweeps of one build taken so far apart that it may have aged."""
    longest, band, build = 0.0, "", ""
    for pair in pairs:
        for side in pair.sides:
            times = [taken for record in side if (taken := _time(record)) is not None]
            days = (max(times) - min(times)).total_seconds() / 86400 if times else 0.0
            if days > longest:
                longest, band, build = days, pair.band, side[0].build
    if longest < _AGED_DAYS:
        return []
    return [
        Finding(
            code="days-apart",
            level="note",
            text=f"the sweeps of {build} on {band} were taken over {longest:.0f} days: whatever "
            "changed meanwhile is in their scatter and in their mean",
            evidence={"days": longest, "band": band, "build": build},
            action="if the antenna aged or was touched, give the later sweeps a build of their "
            "own: 'sweeplab build change'",
        )
    ]


def _moved_between(pairs: Sequence[BandPair]) -> list[Finding]:
    """Report successive sweeps whose resonances differ by less than a bandwidth.

    A larger difference is a retuning; a smaller one may be one too, which only the user knows.
    """
    worst, found = 0.0, None
    for first, second in _successive(pairs):
        old, new = (record.figures.get("f_loaded_hz") for record in (first, second))
        width = first.figures.get("half_power_bandwidth_hz")
        if old is None or new is None or width is None:
            continue
        noise = math.hypot(first.noise("f_loaded_hz"), second.noise("f_loaded_hz"))
        moved = abs(new.value - old.value)
        retuned = moved >= _RETUNED_BANDWIDTHS * width.value
        if noise > 0 and moved / noise > max(worst, _MOVED_NOISE) and not retuned:
            worst, found = moved / noise, (first, second, new.value - old.value, noise, width.value)
    if found is None:
        return []
    first, second, moved_hz, u_hz, width_hz = found
    return [
        Finding(
            code="moved-between-sweeps",
            level="note",
            text=f"sweeps {first.sweep_id} and {second.sweep_id}, taken in succession, differ by "
            f"{format_quantity(abs(moved_hz), 'Hz', u_hz)} in the resonance: if it was not tuned "
            f"afresh between them it moved, and may have moved during them",
            evidence={
                "moved_hz": moved_hz,
                "u_moved_hz": u_hz,
                "of_bandwidth": abs(moved_hz) / width_hz,
            },
            action="if nobody tuned, let the loop settle; sweep up and down in turn: a steady "
            "drift passes for another Q",
        )
    ]


def _successive(pairs: Sequence[BandPair]) -> Iterator[tuple[Record, Record]]:
    """Yield pairs of successive sweeps of one side, minutes apart."""
    for pair in pairs:
        for side in pair.sides:
            timed = sorted(
                ((taken, record.sweep_id, record) for record in side if (taken := _time(record))),
                key=lambda entry: entry[:2],
            )
            for (before, _, first), (after, _, second) in pairwise(timed):
                if (after - before).total_seconds() <= _SUCCESSION_S:
                    yield first, second


def _time(record: Record) -> datetime | None:
    """Return the time of a sweep; UTC where no time zone is given."""
    try:
        taken = datetime.fromisoformat(record.taken or "")
    except ValueError:
        return None
    return taken if taken.tzinfo is not None else taken.replace(tzinfo=UTC)


def _at_once(comparisons: int) -> list[Finding]:
    if comparisons < 2:
        return []
    return [
        Finding(
            code="at-once",
            level="note",
            text=f"the intervals of the changes hold for {comparisons} quantities at once, "
            "together with 95 %",
            evidence={"quantities": comparisons},
            action="",
        )
    ]
