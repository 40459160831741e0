"""A reading: all figures and findings of one sweep, with those of its build where given."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from sweeplab.bands import band_of
from sweeplab.finding import Finding, Status, ranked
from sweeplab.isolation import find_unforeseen
from sweeplab.loss import FIGURES as LOSS_FIGURES
from sweeplab.loss import LossBudget
from sweeplab.resonance import Match, Resonance, find_matches, fit_many
from sweeplab.sweep import Sweep

if TYPE_CHECKING:
    from sweeplab.builds import Build
    from sweeplab.calibration import OnePortCalibration
    from sweeplab.estimate import Estimate

RESONANCE_FIGURES = (
    "f_loaded_hz",
    "q_loaded",
    "q_unloaded",
    "coupling_factor",
    "half_power_bandwidth_hz",
)
_SEVERITY: dict[Status, int] = {"ok": 0, "doubtful": 1, "refused": 2}


@dataclass(frozen=True, eq=False)
class Reading:
    """All figures and findings of one sweep.

    Parameters
    ----------
    sweep : Sweep
    resonance : Resonance
    match : Match
    loss : LossBudget or None
        None where no build was given.
    """

    sweep: Sweep
    resonance: Resonance
    match: Match
    loss: LossBudget | None = None

    @property
    def status(self) -> Status:
        """The worse of the resonance's status and, with a build, the budget's.

        Refused too where the match's computation broke off.
        """
        statuses = [self.resonance.status]
        if self.unforeseen is not None:
            return "refused"
        if self.loss is not None:
            statuses.append(self.loss.status)
        return max(statuses, key=_SEVERITY.__getitem__)

    @property
    def unforeseen(self) -> Finding | None:
        """The finding of a computation that broke off on this sweep; None where none did."""
        loss = () if self.loss is None else self.loss.findings
        return find_unforeseen((*self.resonance.findings, *self.match.findings, *loss))

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Findings of reader, fit and budget, each once, problems first."""
        findings = [*self.sweep.findings, *self.resonance.findings, *self.match.findings]
        if self.loss is not None:
            findings += self.loss.findings
        unique: list[Finding] = []
        for finding in findings:
            if finding not in unique:
                unique.append(finding)
        return ranked(unique)

    @property
    def band(self) -> str:
        """Name of the band of the resonance, else of the sweep's middle."""
        if self.resonance.f_loaded_hz is not None:
            return band_of(self.resonance.f_loaded_hz.value)
        return band_of(float(self.sweep.f_hz[0] + self.sweep.f_hz[-1]) / 2)

    def figures(self) -> dict[str, Estimate]:
        """Return every figure known, by its contract name."""
        from sweeplab.estimate import Estimate

        figures: dict[str, Estimate] = {}
        for name in RESONANCE_FIGURES:
            estimate = getattr(self.resonance, name)
            if estimate is not None:
                figures[name] = estimate
        if self.match.swr_min is not None and self.match.u_swr_min is not None:
            swr = Estimate.normal(self.match.swr_min, self.match.u_swr_min)
            figures["swr_min"] = swr.clipped(1.0, float("inf"))
        for name in LOSS_FIGURES if self.loss is not None else ():
            estimate = getattr(self.loss, name)
            if estimate is not None:
                figures[name] = estimate
        return figures

    def shares(self) -> dict[str, dict[str, float]]:
        """Return each figure's standard uncertainty by source, signed; see `LossBudget.shares`.

        A figure of the resonance or the match has the sweep's noise alone: source ``'fit'``.
        """
        budget = {} if self.loss is None else self.loss.shares
        return {
            name: dict(budget[name]) if name in budget else {"fit": estimate.u}
            for name, estimate in self.figures().items()
        }

    def to_json(self) -> dict[str, Any]:
        """Return one entry of ``sweeps`` in the contract of ``read``."""
        return {
            **self.sweep.describe(),
            "status": self.status,
            "findings": [finding.to_json() for finding in self.findings],
            "resonance": self.resonance.to_json(),
            "match": self.match.to_json(),
            "loss": None if self.loss is None else self.loss.to_json(),
        }


def take_reading(
    sweep: Sweep,
    build: Build | None = None,
    setting: str | None = None,
    *,
    near_hz: float | None = None,
    calibration: OnePortCalibration | None = None,
) -> Reading:
    """Fit a sweep and, with the build it was taken on, infer its losses.

    Parameters
    ----------
    sweep : Sweep
    build : Build or None
        Where given, its feed line is taken out and a loss budget made.
    setting : str or None
        Name of the build's setting the sweep was taken in.
    near_hz : float or None
        Frequency near the resonance that is meant, if the sweep shows several [Hz].
    calibration : OnePortCalibration or None
        Open, short and load at the coupling loop's terminals, in place of a described line.

    Raises
    ------
    BuildError
        The build has no such setting.
    SweepError
        The calibration does not fit the sweep.
    """
    return take_readings([sweep], build, setting, near_hz=near_hz, calibration=calibration)[0]


def take_readings(
    sweeps: Sequence[Sweep],
    build: Build | None = None,
    setting: str | None = None,
    *,
    near_hz: float | None = None,
    calibration: OnePortCalibration | None = None,
) -> list[Reading]:
    """Take the readings of many sweeps of one build at once, in the order given.

    Raises
    ------
    BuildError
        The build has no such setting.
    SweepError
        The calibration does not fit a sweep.
    """
    state = None if build is None else build.in_setting(setting)
    if calibration is not None:
        sweeps = [calibration.correct(sweep) for sweep in sweeps]
        if state is not None and state.feed is not None:
            # Corrected sweeps refer to the line's far end.
            state = replace(state, feed=replace(state.feed, line=None))
    line = None if state is None or state.feed is None else state.feed.line
    resonances = fit_many(sweeps, line=line, near_hz=near_hz)
    matches = find_matches(sweeps, resonances)
    budgets: Sequence[LossBudget | None] = [None] * len(sweeps)
    if state is not None:
        from sweeplab.loss import loss_budget

        budgets = [
            loss_budget(sweep, state, resonance=resonance)
            for sweep, resonance in zip(sweeps, resonances, strict=True)
        ]
    return [Reading(*parts) for parts in zip(sweeps, resonances, matches, budgets, strict=True)]
