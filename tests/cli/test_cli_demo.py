"""The demo: the whole job on samples that a full-wave engine made."""

from __future__ import annotations

import csv
import json

import pytest


@pytest.fixture(scope="module", params=[False, pytest.param(True, marks=pytest.mark.slow)])
def replayed(request, tmp_path_factory):
    """The demo's folder and what it printed; with all its drawings it is slow."""
    from sweeplab.demo import replay
    from sweeplab.workflows import report

    folder = tmp_path_factory.mktemp("demo") / "made"
    printed: list[str] = []
    with pytest.MonkeyPatch.context() as patch:
        if not request.param:
            patch.setattr(report, "render", lambda *_: "<!doctype html>")
        replay(folder, printed.append)
    return folder, "\n".join(printed)


def truth(demo):
    """What the engine says of each sweep: samples/demo/truth.csv (NEC-2, samples/recipe)."""
    lines = (demo / "truth.csv").read_text(encoding="utf-8").splitlines()
    return {row["file"]: row for row in csv.DictReader(lines[1:])}


def test_it_prints_the_scenario_and_where_its_files_are(replayed):
    folder, text = replayed
    assert (folder / "report.html").is_file()
    assert str(folder / "report.html") in text
    assert "invented" in text
    assert "quay-1 -> quay-2" in text
    assert max(map(len, text.splitlines()[:5])) <= 80


def test_it_finds_what_was_repaired_and_what_aged(replayed, run):
    log = str(replayed[0] / "sweeplab.db")
    verdicts = {}
    for before, after in [("quay-1", "quay-2"), ("quay-2", "quay-3"), ("quay-3", "quay-3-autumn")]:
        out = json.loads(run("--log", log, "compare", before, after, "--json").stdout)
        band = next(band for band in out["bands"] if band["band"] == "20m")
        verdicts[after] = {name: moved["verdict"] for name, moved in band["figures"].items()}
    assert verdicts["quay-2"]["r_loss_ohm"] == "down"
    assert verdicts["quay-2"]["efficiency"] == "up"
    assert verdicts["quay-3"]["swr_min"] == "down"
    assert verdicts["quay-3"]["efficiency"] == "same"
    assert verdicts["quay-3-autumn"]["r_loss_ohm"] == "up"


def test_efficiency_is_the_engines_within_two_percent(replayed, run, demo):
    log, expected = str(replayed[0] / "sweeplab.db"), truth(demo)
    sweeps = json.loads(run("--log", log, "list", "--json").stdout)["sweeps"]
    assert len(sweeps) == len(expected)
    for sweep in sweeps[::5]:
        shown = json.loads(run("--log", log, "show", str(sweep["id"]), "--json").stdout)
        found = shown["sweeps"][0]["loss"]["efficiency"]["value"]
        name = sweep["file"].replace("\\", "/").rpartition("/")[2]
        assert found == pytest.approx(float(expected[name]["efficiency"]), rel=0.02), name


@pytest.mark.parametrize("mine", ["sweeplab.db", "report.html", "invented-data.txt"])
def test_what_a_person_put_in_the_place_of_the_demos_files_stays(run, tmp_path, monkeypatch, mine):
    from sweeplab import demo as module

    monkeypatch.setattr(module, "_add_sweeps", lambda *args: None)
    run("demo", "here")
    (tmp_path / "here" / mine).write_text("my own")
    before = {path: path.read_bytes() for path in (tmp_path / "here").iterdir()}
    (line,) = run("demo", "here", status=1).stderr.splitlines()
    assert mine in line
    assert {path: path.read_bytes() for path in (tmp_path / "here").iterdir()} == before


def test_a_demos_log_that_a_person_went_on_with_stays(run, tmp_path, monkeypatch, first, demo):
    from sweeplab import demo as module

    monkeypatch.setattr(module, "_add_sweeps", lambda *args: None)
    log = ("--log", "here/sweeplab.db")
    sample = (demo / "quay-1_20m_a.s1p").read_bytes()
    (tmp_path / "mine.s1p").write_bytes(b"! mine\n" + sample)
    steps = (
        (["add", "mine.s1p", "--build", "quay-1"], ["list"], "mine.s1p"),
        (["build", "add", str(first)], ["build", "list"], "first"),
    )
    for step, look, found in steps:
        run("demo", "here")
        run(*log, *step)
        (line,) = run("demo", "here", status=1).stderr.splitlines()
        assert "not the demo's" in line
        assert found in run(*log, *look).stdout
        (tmp_path / "here" / "sweeplab.db").unlink()


def test_an_earlier_demo_is_replaced_and_anything_else_left_alone(run, tmp_path, monkeypatch):
    from sweeplab import demo as module

    monkeypatch.setattr(module, "_add_sweeps", lambda *args: None)
    run("demo", "here")
    run("demo", "here")
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "sweeplab.db").write_text("my own")
    (line,) = run("demo", "mine", status=1).stderr.splitlines()
    assert "mine" in line
    assert (tmp_path / "mine" / "sweeplab.db").read_text() == "my own"
    assert [path.name for path in (tmp_path / "mine").iterdir()] == ["sweeplab.db"]
