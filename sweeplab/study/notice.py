"""What a comparison of two builds should tell beside its figures."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from sweeplab.bands import band_order
from sweeplab.finding import Finding, ranked
from sweeplab.study.record import Record

_REPEAT = (
    "take two more sweeps of each side on these bands, with everything unplugged and plugged in "
    "again before each"
)


@dataclass(frozen=True)
class Pair:
    """The sweeps of one band that are compared: before and after, all of them counting."""

    band: str
    before: Sequence[Record]
    after: Sequence[Record]

    @property
    def sides(self) -> tuple[Sequence[Record], Sequence[Record]]:
        """Before and after."""
        return self.before, self.after


def notice(
    before: Sequence[Record],
    after: Sequence[Record],
    pairs: Sequence[Pair],
    *,
    any_repeats: bool,
    comparisons: int,
) -> tuple[Finding, ...]:
    """Return what is missing, left out, or to be read with care; worst first."""
    findings = [
        *_nothing(pairs),
        *_few_repeats(pairs, any_repeats),
        *_versions([*before, *after]),
        *_settings(before, after, pairs),
        *_one_sided(before, after),
        *_left_out([*before, *after]),
        *_doubtful(pairs),
        *_at_once(comparisons),
    ]
    return ranked(findings)


def _bands(names: Sequence[str]) -> str:
    return ", ".join(sorted(set(names), key=band_order))


def _nothing(pairs: Sequence[Pair]) -> list[Finding]:
    if pairs:
        return []
    return [
        Finding(
            "nothing-to-compare", "problem", "no band has sweeps on both sides that count", {},
            "sweep both builds on the same band",
        )
    ]  # fmt: skip


def _few_repeats(pairs: Sequence[Pair], any_repeats: bool) -> list[Finding]:
    single = [pair.band for pair in pairs if min(map(len, pair.sides)) < 2]
    if not single:
        return []
    text = f"a single sweep on a side cannot show that anything moved: {_bands(single)}"
    if not any_repeats:
        text += (
            "; without any repeats the intervals hold the sweeps' own noise only, not what "
            "plugging in again would move"
        )
    return [Finding("few-repeats", "warning", text, {"bands": _bands(single)}, _REPEAT)]


def _versions(records: Sequence[Record]) -> list[Finding]:
    versions = sorted({record.program_version for record in records if record.counts})
    if len(versions) < 2:
        return []
    return [
        Finding(
            "mixed-versions", "warning",
            f"the readings were made by different versions of sweeplab: {', '.join(versions)}",
            {"versions": ", ".join(versions)}, "make all readings anew, then compare",
        )
    ]  # fmt: skip


def _settings(
    before: Sequence[Record], after: Sequence[Record], pairs: Sequence[Pair]
) -> list[Finding]:
    findings = []
    renamed = [pair for pair in pairs if pair.before[0].setting != pair.after[0].setting]
    if renamed:
        pair = renamed[0]
        findings.append(
            Finding(
                "settings-differ", "note",
                f"the settings differ: {pair.before[0].setting or 'none'} before, "
                f"{pair.after[0].setting or 'none'} after",
                {"bands": _bands([pair.band for pair in renamed])},
                "read the figures as the change of build and setting together",
            )
        )  # fmt: skip
    paired = {id(record) for pair in pairs for side in pair.sides for record in side}
    common = {pair.band for pair in pairs} | _both(before, after)
    alone = [
        record
        for record in (*before, *after)
        if record.counts and record.band in common and id(record) not in paired
    ]
    if alone:
        words = sorted({f"{record.band} in {record.setting or 'no setting'}" for record in alone})
        findings.append(
            Finding(
                "setting-on-one-side", "note",
                f"{len(alone)} sweeps have no counterpart in the same setting: {', '.join(words)}",
                {"sweeps": len(alone)}, "sweep the other build in these settings",
            )
        )  # fmt: skip
    return findings


def _both(before: Sequence[Record], after: Sequence[Record]) -> set[str]:
    sides = [{record.band for record in side if record.counts} for side in (before, after)]
    return sides[0] & sides[1]


def _one_sided(before: Sequence[Record], after: Sequence[Record]) -> list[Finding]:
    findings = []
    both = _both(before, after)
    for side, word in ((before, "before"), (after, "after")):
        alone = [record.band for record in side if record.counts and record.band not in both]
        if alone:
            findings.append(
                Finding(
                    "band-on-one-side", "note", f"swept only {word}: {_bands(alone)}",
                    {"bands": _bands(alone)}, "sweep the other build there too",
                )
            )  # fmt: skip
    return findings


def _left_out(records: Sequence[Record]) -> list[Finding]:
    aside = sum(record.set_aside is not None for record in records)
    refused = sum(not record.counts for record in records) - aside
    if not aside + refused:
        return []
    return [
        Finding(
            "left-out", "note",
            f"sweeps that do not count: {refused} without a usable resonance, {aside} set aside",
            {"refused": refused, "set_aside": aside}, "",
        )
    ]  # fmt: skip


def _doubtful(pairs: Sequence[Pair]) -> list[Finding]:
    by_band = Counter(
        pair.band for pair in pairs for side in pair.sides for r in side if r.status == "doubtful"
    )
    if not by_band:
        return []
    return [
        Finding(
            "doubtful-sweeps", "note",
            f"{sum(by_band.values())} sweeps that count are doubtful: {_bands(list(by_band))}",
            {"sweeps": sum(by_band.values())}, "look at their findings; set aside what is wrong",
        )
    ]  # fmt: skip


def _at_once(comparisons: int) -> list[Finding]:
    if comparisons < 2:
        return []
    return [
        Finding(
            "at-once", "note",
            f"the intervals of the changes hold for {comparisons} quantities at once, together "
            f"with 95 %",
            {"quantities": comparisons}, "",
        )
    ]  # fmt: skip
