"""A resonance where no capacitor tunes the loop described: no budget, and the reason."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from simulated import Truth

from sweeplab import Build, LoopModel, Sweep, fit_resonance, loss_budget

DEMO = Path(__file__).parents[2] / "samples" / "demo"
TRUTH = Truth(q_loaded=150, coupling_factor=0.7, span_bandwidths=5, points=101, noise=1e-3)


def _build(name: str) -> Build:
    return Build.from_toml((DEMO / f"{name}.toml").read_text(encoding="utf-8"))


def _at(f_hz: float) -> Sweep:
    return replace(TRUTH, f_loaded_hz=f_hz).sweep(np.random.default_rng(1))


def test_no_sweep_about_the_loops_own_resonance_raises() -> None:
    """Figures below it, a refusal where reactance or effective reactance are not positive."""
    build = _build("quay-3")
    model = LoopModel(build)
    seen = set()
    for f_hz in (42e6, 43.33e6, 43.43e6, 43.6e6, 47e6):
        sweep = _at(f_hz)
        budget = loss_budget(sweep, build)
        refused = any(finding.code == "outside-model" for finding in budget.findings)
        f_loaded = fit_resonance(sweep, build.feed.line if build.feed else None).f_loaded_hz
        assert f_loaded is not None
        at = f_loaded.value
        tunable = min(model.impedance(at).imag, model.effective_reactance(at)) > 0
        assert refused is not tunable
        assert (budget.efficiency is not None) is tunable
        seen.add(tunable)
    assert seen == {True, False}


def test_it_says_what_to_check_and_the_resonance_stands() -> None:
    sweep = _at(46e6)
    build = _build("quay-3")
    (finding,) = (f for f in loss_budget(sweep, build).findings if f.code == "outside-model")
    assert "past its own resonance" in finding.text
    assert "check its size and turns" in finding.text
    assert "resonance's figures stand" in finding.action
    assert fit_resonance(sweep).q_loaded is not None
