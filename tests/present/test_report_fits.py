"""The sweeps that a report plots: read from the log's bytes, corrected as when they were added."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from simulated import REPOSITORY, Truth

from sweeplab.builds import Build
from sweeplab.files import sweep_from_bytes
from sweeplab.log import Log, Standard, Standards
from sweeplab.reading import take_reading
from sweeplab.resonance import Resonance
from sweeplab.sweep import Sweep
from sweeplab.workflows.report import _chapter

TRUTH = Truth(noise=0)
BUILD = Build.from_toml((REPOSITORY / "samples/demo/quay-1.toml").read_text(encoding="utf-8"))


def touchstone(gamma: np.ndarray | complex) -> bytes:
    """Return a sweep by an analyzer with a directivity of 5 %."""
    measured = 0.05 + 0.9 * (gamma + 0 * TRUTH.f_hz)
    points = zip(TRUTH.f_hz, measured, strict=True)
    rows = [f"{float(f)!r} {float(g.real)!r} {float(g.imag)!r}" for f, g in points]
    return "\n".join(["# HZ S RI R 50", *rows]).encode()


def plotted(path: Path, standards: Standards | None) -> tuple[Sweep, Resonance]:
    """Return what a report plots of one sweep of the build."""
    raw = touchstone(TRUTH.reflection())
    sweep = sweep_from_bytes(raw, "balcony.s1p")
    calibration = None if standards is None else standards.calibration()
    with Log.open(path, create=True) as log:
        log.add_build(BUILD)
        reading = take_reading(sweep, BUILD, calibration=calibration)
        log.add(sweep, raw, reading, BUILD, standards=standards)
        (entry,) = _chapter(log, BUILD.name).entries
    assert entry.fitted is not None
    return entry.fitted


def test_a_calibrated_sweep_is_plotted_corrected_and_without_the_line(tmp_path: Path) -> None:
    names = ("open", "short", "load")
    files = (Standard(f"{n}.s1p", touchstone(g)) for n, g in zip(names, (1, -1, 0), strict=True))
    sweep, resonance = plotted(tmp_path / "log.db", Standards(*files))
    assert resonance.line is None
    assert sweep.gamma == pytest.approx(TRUTH.reflection(), abs=1e-9)
    assert resonance.q_loaded is not None
    assert resonance.q_loaded.value == pytest.approx(TRUTH.q_loaded, rel=1e-6)


def test_another_is_plotted_as_measured_behind_the_line(tmp_path: Path) -> None:
    sweep, resonance = plotted(tmp_path / "log.db", None)
    assert BUILD.feed is not None
    assert resonance.line == BUILD.feed.line
    assert sweep.gamma == pytest.approx(0.05 + 0.9 * TRUTH.reflection(), abs=1e-9)


def test_it_bears_its_number_and_no_file_name(tmp_path: Path) -> None:
    sweep, _ = plotted(tmp_path / "log.db", None)
    assert sweep.origin.file == "1"
