"""What the report is made of: a chapter for each build, an entry for each sweep."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sweeplab.builds import Build
    from sweeplab.comparison.comparison import Comparison
    from sweeplab.estimate import Estimate
    from sweeplab.finding import Finding
    from sweeplab.planning.safety import Distances, ElectricalStress
    from sweeplab.resonance import Resonance
    from sweeplab.sweep import Sweep

POWER_W = 100.0


@dataclass(frozen=True, eq=False)
class Entry:
    """One sweep of a build, as the report shows it.

    Parameters
    ----------
    number : int
        Its number in the log.
    column : str
        Band, and setting where there is one: what figures are grouped by.
    status : str
        'ok', 'doubtful', 'refused' or 'set aside'.
    taken : str or None
        ISO 8601 in UTC.
    points : int
    sha256 : str
    findings : sequence of Finding
    fitted : tuple of (Sweep, Resonance), or None
        Sweep and fit to plot; None where another sweep of the band is plotted.
    """

    number: int
    column: str
    status: str
    taken: str | None
    points: int
    sha256: str
    findings: Sequence[Finding] = ()
    fitted: tuple[Sweep, Resonance] | None = None

    @property
    def counts(self) -> bool:
        """Whether its figures may be used."""
        return self.status in ("ok", "doubtful")


@dataclass(frozen=True, eq=False)
class Chapter:
    """One build: its origin and the figures of its sweeps.

    Parameters
    ----------
    build : Build
    entries : sequence of Entry
    figures : mapping of str to mapping of str to Estimate
        For each band (and setting) the figures of all its sweeps together.
    strains : mapping of str to Strain
        For each band, voltage and current at `POWER_W`.
    distances : mapping of str to Distances
        For each band, where its fields fall to reference levels at `POWER_W`.
    came_from, why : str
        The build before and the reason; empty for a first build.
    comparison : Comparison or None
        With the build before.
    """

    build: Build
    entries: Sequence[Entry]
    figures: Mapping[str, Mapping[str, Estimate]]
    strains: Mapping[str, ElectricalStress] = field(default_factory=dict)
    distances: Mapping[str, Distances] = field(default_factory=dict)
    came_from: str = ""
    why: str = ""
    comparison: Comparison | None = None
