"""A record: one sweep's figures as comparisons take them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sweeplab.estimate import Estimate
from sweeplab.finding import Status

FIT = "fit"


@dataclass(frozen=True)
class Record:
    """One sweep's figures, with what is needed to compare them with other sweeps'.

    Parameters
    ----------
    sweep_id : int
    file : str
    build : str
        Name of the build it was taken on.
    setting : str or None
        The build's setting.
    band : str
        Such as '40m'.
    taken : str or None
        ISO 8601 in UTC.
    status : {'ok', 'doubtful', 'refused'}
    figures : mapping of str to Estimate
        By contract name; unknown figures are left out.
    shares : mapping of str to mapping of str to float
        For each figure, the signed contribution of each source of uncertainty to its standard
        uncertainty. ``'fit'`` is this sweep's own noise; any other source is one quantity with
        one error wherever its name appears.
    program_version : str
        The version that made the reading; a comparison of different versions has a finding.
    set_aside : str or None
        Why the sweep does not count; None where it does.
    """

    sweep_id: int
    file: str
    build: str
    setting: str | None
    band: str
    taken: str | None
    status: Status
    figures: Mapping[str, Estimate]
    shares: Mapping[str, Mapping[str, float]]
    program_version: str = ""
    set_aside: str | None = None

    @property
    def counts(self) -> bool:
        """Whether the figures count: neither set aside nor refused."""
        return self.set_aside is None and self.status != "refused"

    def noise(self, figure: str) -> float:
        """Return the part of a figure's standard uncertainty that is this sweep's own."""
        return abs(self.shares.get(figure, {}).get(FIT, 0.0))
