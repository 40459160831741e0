"""A computation that breaks off on one sweep: that sweep is refused, the others never know."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from simulated import Truth
from typer.testing import CliRunner

from sweeplab import (
    Build,
    Resonance,
    Sweep,
    analyze,
    find_match,
    fit_many,
    fit_resonance,
    iter_fit,
    loss_budget,
    read_sweep,
)
from sweeplab.cli.app import app
from sweeplab.isolation import isolated
from sweeplab.log import Log, refit_readings
from sweeplab.reading import take_reading, take_readings
from sweeplab.resonance import api, match

DEMO = Path(__file__).parents[1] / "samples" / "demo"
GOOD = [DEMO / f"quay-1_20m_{repeat}.s1p" for repeat in "abc"]
BUILD = Build.from_toml((DEMO / "quay-1.toml").read_text(encoding="utf-8"))
# Where the planted fault strikes: the sweep that starts here.
STRUCK_HZ = 7.000123e6
STRUCK = Sweep(
    np.linspace(STRUCK_HZ, 7.2e6, 201), Truth(noise=1e-3).sweep(np.random.default_rng(1)).gamma
)
Plant = Callable[[type[BaseException]], None]


@pytest.fixture
def bad(tmp_path: Path) -> Path:
    """A readable file on which the planted fault strikes."""
    path = tmp_path / "bad.s1p"
    rows = zip(STRUCK.f_hz.tolist(), STRUCK.gamma.tolist(), strict=True)
    text = "".join(f"{f:.3f} {g.real:.9f} {g.imag:.9f}\n" for f, g in rows)
    path.write_text(f"# Hz S RI R 50\n{text}", encoding="utf-8")
    return path


@pytest.fixture
def plant(monkeypatch: pytest.MonkeyPatch) -> Plant:
    """Plant a fault in the fit that strikes any batch which holds the one sweep."""
    sound = api._fit_batch

    def planted(error: type[BaseException]) -> None:
        def struck(sweeps: Sequence[Sweep], *rest: Any) -> Any:
            if any(abs(sweep.f_hz[0] - STRUCK_HZ) < 1 for sweep in sweeps):
                raise error("planted")
            return sound(sweeps, *rest)

        monkeypatch.setattr(api, "_fit_batch", struck)

    return planted


def _as_json(fit: Resonance) -> str:
    return json.dumps([fit.status, fit.to_json(), [f.to_json() for f in fit.findings]])


def test_the_sweep_is_refused_with_what_to_do(plant: Plant) -> None:
    plant(ZeroDivisionError)
    fit = fit_resonance(STRUCK)
    (finding,) = fit.findings
    assert (fit.status, fit.q_loaded, finding.code) == ("refused", None, "unforeseen")
    assert finding.level == "problem"
    assert finding.evidence["error"] == "ZeroDivisionError"
    assert "201 points" in finding.text
    assert "send it with the version" in finding.action


@pytest.mark.parametrize("place", [0, 2, 6])
def test_the_others_are_the_same_to_the_last_digit(plant: Plant, place: int) -> None:
    rng = np.random.default_rng(5)
    others = [Truth(noise=1e-3, q_loaded=q).sweep(rng) for q in (100, 200, 300, 400, 500, 600)]
    without = [_as_json(fit) for fit in fit_many(others)]
    plant(np.linalg.LinAlgError)
    among = [*others[:place], STRUCK, *others[place:]]
    for fits in (fit_many(among), list(iter_fit(among))):
        assert [finding.code for finding in fits[place].findings] == ["unforeseen"]
        assert [_as_json(fit) for fit in fits if fit is not fits[place]] == without


@pytest.mark.parametrize("error", [KeyboardInterrupt, MemoryError])
def test_an_interrupt_and_want_of_memory_pass(plant: Plant, error: type[BaseException]) -> None:
    plant(error)
    with pytest.raises(error):
        fit_many([STRUCK])


def test_a_fault_in_the_match_alone_refuses_the_reading(monkeypatch: pytest.MonkeyPatch) -> None:
    sweep = read_sweep(GOOD[0])
    monkeypatch.setattr(match, "_match_of", lambda *_: 1 / 0)
    found = find_match(sweep)
    assert (found.swr_min, found.impedance_ohm, found.swr_bandwidth_hz["2"]) == (None, None, None)
    reading = take_reading(sweep)
    assert reading.status == "refused"
    assert reading.findings[0].code == "unforeseen"
    assert "quay-1_20m_a.s1p" in reading.findings[0].text
    assert str(DEMO) not in reading.findings[0].text


def test_a_fault_in_one_budget_leaves_the_others(monkeypatch: pytest.MonkeyPatch) -> None:
    from sweeplab.loss import budget

    sweeps = [read_sweep(path) for path in GOOD]
    before = [reading.to_json() for reading in take_readings(sweeps, BUILD)]
    sound = budget._unloaded

    def struck(sweep: Sweep, *rest: Any) -> Any:
        if sweep is sweeps[1]:
            raise ValueError("math domain error")
        return sound(sweep, *rest)

    monkeypatch.setattr(budget, "_unloaded", struck)
    assert loss_budget(sweeps[1], BUILD).status == "refused"
    first, second, third = take_readings(sweeps, BUILD)
    assert [first.to_json(), third.to_json()] == [before[0], before[2]]
    assert second.status == "refused"
    assert second.findings[0].code == "unforeseen"
    # The figures of the sweep alone are still there.
    assert second.resonance.q_loaded is not None


@pytest.mark.parametrize("pool", [None, ThreadPoolExecutor])
def test_a_table_has_the_other_rows_unchanged(plant: Plant, bad: Path, pool: Any) -> None:
    without = analyze(GOOD, BUILD)
    plant(ZeroDivisionError)
    paths = [GOOD[0], bad, *GOOD[1:]]
    if pool is None:
        frame = analyze(paths, BUILD)
    else:
        with pool(2) as executor:
            frame = analyze(paths, BUILD, executor=executor)
    assert (frame["status"][1], frame["findings"][1]) == ("refused", "unforeseen")
    rest = frame.drop(index=1).reset_index(drop=True)
    pd.testing.assert_frame_equal(rest, without, check_exact=True, check_dtype=False)


class TestOnTheCommandLine:
    @pytest.fixture(autouse=True)
    def planted(self, plant: Plant, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.chdir(tmp_path)
        monkeypatch.delenv("SWEEPLAB_LOG", raising=False)
        plant(ZeroDivisionError)

    def _run(self, *args: object) -> Any:
        return CliRunner().invoke(app, [str(arg) for arg in args], prog_name="sweeplab")

    def test_read_says_one_line_and_does_the_rest(self, bad: Path) -> None:
        result = self._run("read", GOOD[0], bad, GOOD[1], "--json")
        (line,) = result.stderr.splitlines()
        assert line.startswith(f"{bad}: ")
        assert "ZeroDivisionError" in line
        assert result.exit_code == 1
        output = json.loads(result.stdout)
        assert [sweep["status"] == "refused" for sweep in output["sweeps"]] == [False, True, False]
        assert [entry["file"] for entry in output["failed"]] == [str(bad)]

    def test_add_keeps_the_bytes_and_adds_the_rest(self, bad: Path, tmp_path: Path) -> None:
        self._run("init")
        self._run("build", "add", DEMO / "quay-1.toml")
        result = self._run("add", GOOD[0], bad, GOOD[1], "--build", BUILD.name, "--json")
        assert (result.exit_code, len(result.stderr.splitlines())) == (1, 1)
        entries = [json.loads(line) for line in result.stdout.splitlines()]
        assert [entry["new"] for entry in entries] == [True, True, True]
        with Log.open(tmp_path / "sweeplab.db") as log:
            assert log.sweep(entries[1]["id"]).status == "refused"
            raw = log.raw(entries[1]["id"])
            assert raw == bad.read_bytes()
            assert entries[1]["sha256"] == hashlib.sha256(raw).hexdigest()

    def test_a_refit_that_breaks_off_keeps_the_old_reading(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        self._run("init")
        self._run("build", "add", DEMO / "quay-1.toml")
        assert self._run("add", GOOD[0], "--build", BUILD.name).exit_code == 0
        with Log.open(tmp_path / "sweeplab.db") as log:
            before = log.reading(1)
            broken = take_reading(STRUCK)
            monkeypatch.setattr("sweeplab.reading.take_reading", lambda *_, **__: broken)
            outcome = refit_readings(log, [1])
            assert outcome.done == ()
            assert [finding.code for finding in outcome.failed] == ["log-unreadable"]
            assert log.reading(1) == before


def test_pieces_that_raise_only_in_company_are_done_alone() -> None:
    def together(pieces: Sequence[int]) -> list[int]:
        if len(pieces) > 1:
            raise ValueError
        return [10 * piece for piece in pieces]

    assert isolated([1, 2, 3], together, lambda _piece, _error: -1) == [10, 20, 30]


def test_nothing_given_is_nothing_answered() -> None:
    assert isolated([], list, lambda _piece, _error: -1) == []
    assert fit_many([]) == []
