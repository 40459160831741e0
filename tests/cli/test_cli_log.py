"""The log's commands: init, add, list, show, build, compare, report."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

FIRST = [f"quay-1_20m_{repeat}.s1p" for repeat in "abc"]
SECOND = [f"quay-2_20m_{repeat}.s1p" for repeat in "abc"]


@pytest.fixture
def log(run, first):
    """A log with one build."""
    run("init")
    run("build", "add", str(first))
    return run


@pytest.fixture
def compared(log, demo):
    """A log with two builds, three sweeps each."""
    log("add", *(str(demo / name) for name in FIRST), "--build", "first")
    log("build", "change", "first", "second", "--set", "note=brazed", "--why", "it ran warm")
    log("add", *(str(demo / name) for name in SECOND), "--build", "second")
    return log


def test_without_a_log_it_prints_how_to_begin(run):
    text = run().stdout
    assert "No log" in text
    assert "sweeplab init" in text


@pytest.mark.parametrize("args", [["list"], ["show", "1"], ["compare", "a", "b"], ["report"]])
def test_commands_that_need_a_log_say_so_in_one_line(run, args):
    result = run(*args, status=1)
    (line,) = result.stderr.splitlines()
    assert "sweeplab init" in line


def test_each_step_leads_to_the_next(run, first, demo):
    run("init")
    assert "build add" in run().stdout
    run("build", "add", str(first))
    assert "sweeplab add" in run().stdout
    run("add", str(demo / FIRST[0]), "--build", "first")
    assert "build change first" in run().stdout
    run("build", "change", "first", "second", "--why", "cleaned")
    assert "report" in run().stdout


def test_init_twice_leaves_the_log_as_it_is(log):
    assert "left as it is" in log("init").stdout
    assert "first" in log("build", "list").stdout


def test_add_prints_one_json_line_a_file(log, demo):
    files = [str(demo / name) for name in FIRST[:2]]
    lines = log("add", *files, "--build", "first", "--json").stdout.splitlines()
    entries = [json.loads(line) for line in lines]
    assert [entry["file"] for entry in entries] == files
    assert all(set(entry) == {"file", "id", "sha256", "new"} for entry in entries)
    assert all(entry["new"] is True for entry in entries)
    raw = (demo / FIRST[0]).read_bytes()
    assert entries[0]["sha256"] == hashlib.sha256(raw).hexdigest()


def test_the_same_bytes_are_stored_once(log, demo, tmp_path):
    (tmp_path / "copy.s1p").write_bytes((demo / FIRST[0]).read_bytes())
    log("add", str(demo / FIRST[0]), "--build", "first")
    again = json.loads(log("add", "copy.s1p", "--build", "first", "--json").stdout)
    assert (again["id"], again["new"]) == (1, False)
    assert len(json.loads(log("list", "--json").stdout)["sweeps"]) == 1


def test_what_cannot_be_read_is_named_and_the_rest_is_added(log, demo):
    files = ["missing.s1p", str(demo / FIRST[0])]
    result = log("add", *files, "--build", "first", status=1)
    (line,) = result.stderr.splitlines()
    assert "missing.s1p" in line
    assert len(json.loads(log("list", "--json").stdout)["sweeps"]) == 1


def test_an_unknown_build_is_one_line(log, demo):
    result = log("add", str(demo / FIRST[0]), "--build", "frist", status=1)
    (line,) = result.stderr.splitlines()
    assert "first" in line


def test_list_holds_the_contract(compared):
    sweeps = json.loads(compared("list", "--json").stdout)["sweeps"]
    keys = {"id", "file", "sha256", "taken", "build", "setting", "band", "status", "set_aside"}
    assert all(set(sweep) == keys for sweep in sweeps)
    assert [sweep["build"] for sweep in sweeps] == ["first"] * 3 + ["second"] * 3
    assert {sweep["band"] for sweep in sweeps} == {"20m"}
    text = compared("list").stdout
    assert all(name in text for name in (*FIRST, *SECOND))


def test_show_by_number_and_by_file(compared, demo):
    by_number = json.loads(compared("show", "2", "--json").stdout)
    by_file = json.loads(compared("show", FIRST[1], "--json").stdout)
    assert by_number == by_file
    assert by_number["sweeps"][0]["loss"] is not None
    assert "Efficiency" in compared("show", "2").stdout
    assert "nothing.s1p" in compared("show", "nothing.s1p", status=1).stderr


def test_show_reads_what_was_added(compared, demo, first):
    args = ("read", str(demo / FIRST[0]), "--build", str(first), "--json")
    read = json.loads(compared(*args).stdout)["sweeps"][0]
    shown = json.loads(compared("show", "1", "--json").stdout)["sweeps"][0]
    assert shown["loss"] == read["loss"]
    assert shown["resonance"] == read["resonance"]


def test_show_reads_with_the_standards_and_the_frequency_that_add_was_given(log, demo, first):
    from sweeplab.files import read_sweep

    sweep = read_sweep(demo / FIRST[0])
    options = ["--near", "14.1 MHz"]
    for name, gamma in (("open", 0.95), ("short", -0.93), ("load", 0.02)):
        rows = "\n".join(f"{f:.0f} {gamma} 0.01" for f in sweep.f_hz)
        Path(f"{name}.s1p").write_text(f"# HZ S RI R 50\n{rows}\n", encoding="utf-8")
        options += [f"--reference-{name}", f"{name}.s1p"]
    log("add", str(demo / FIRST[0]), "--build", "first", *options)
    for name in ("open", "short", "load"):
        Path(f"{name}.s1p").unlink()
    shown = json.loads(log("show", "1", "--json").stdout)["sweeps"][0]
    assert "referenced" in {finding["code"] for finding in shown["findings"]}
    log("add", str(demo / FIRST[1]), "--build", "first")
    plain = json.loads(log("show", "2", "--json").stdout)["sweeps"][0]
    assert "referenced" not in {finding["code"] for finding in plain["findings"]}


def test_one_standard_alone_is_wrong_usage(log, demo):
    args = ("add", str(demo / FIRST[0]), "--build", "first", "--reference-open", "open.s1p")
    assert "all three" in log(*args, status=2).stderr


def test_compare_holds_the_contract_and_finds_the_repair(compared):
    out = json.loads(compared("compare", "first", "second", "--json").stdout)
    assert (out["before"], out["after"]) == ("first", "second")
    (band,) = out["bands"]
    assert (band["band"], band["n_before"], band["n_after"]) == ("20m", 3, 3)
    # samples/demo/truth.csv (NEC-2): unloaded Q from about 925 to 1190.
    assert band["figures"]["q_unloaded"]["verdict"] == "up"
    assert band["figures"]["r_loss_ohm"]["verdict"] == "down"
    text = compared("compare", "first", "second").stdout
    assert "rose" in text
    assert "fell" in text
    assert max(map(len, text.splitlines())) <= 80


def test_build_change_names_what_is_different(log):
    change = ("build", "change", "first", "second", "--set", "loop.circumference=3.30 m ± 5 mm")
    text = log(*change, "--why", "longer").stdout
    assert "loop.circumference" in text
    assert "longer" in log("build", "list").stdout
    assert "3.30 m" in log("build", "show", "second").stdout


@pytest.mark.parametrize("words", ["loop.circumference", "=3 m"])
def test_set_without_key_and_value_is_wrong_usage(log, words):
    log("build", "change", "first", "second", "--set", words, "--why", "x", status=2)


def test_set_of_an_unknown_key_is_one_line(log):
    change = ("build", "change", "first", "second", "--set", "loop.circumfrence=3 m")
    (line,) = log(*change, "--why", "x", status=1).stderr.splitlines()
    assert "circumference" in line


def test_the_template_is_a_build(run, tmp_path):
    (tmp_path / "mine.toml").write_text(run("build", "template").stdout, encoding="utf-8")
    run("init")
    run("build", "add", "mine.toml")


def test_log_before_or_after_the_command_or_in_the_environment(run, tmp_path):
    run("--log", "a.db", "init")
    run("init", "--log", "b.db")
    run("init", env={"SWEEPLAB_LOG": str(tmp_path / "c.db")})
    assert {path.name for path in tmp_path.glob("?.db")} == {"a.db", "b.db", "c.db"}
    assert not (tmp_path / "sweeplab.db").exists()


def test_a_file_that_is_no_log_is_left_alone(run, tmp_path):
    (tmp_path / "sweeplab.db").write_bytes(b"not a log, but somebody's file" * 20)
    before = (tmp_path / "sweeplab.db").read_bytes()
    for args in (["list"], ["init"], []):
        (line,) = run(*args, status=1).stderr.splitlines()
        assert "sweeplab.db" in line
    assert (tmp_path / "sweeplab.db").read_bytes() == before


def test_report_is_written_and_a_folder_that_is_not_there_is_one_line(compared, tmp_path):
    compared("report", "--out", "out.html")
    assert "it ran warm" in (tmp_path / "out.html").read_text(encoding="utf-8")
    (line,) = compared("report", "--out", "nowhere/out.html", status=1).stderr.splitlines()
    assert "nowhere" in line


def test_report_of_an_empty_log_is_one_line(run):
    run("init")
    (line,) = run("report", status=1).stderr.splitlines()
    assert "build add" in line


def test_a_file_that_changes_after_it_was_read_is_stored_as_it_was_read(demo, first, tmp_path):
    from sweeplab.builds import Build
    from sweeplab.log import Log
    from sweeplab.workflows import sweeps as jobs

    file = tmp_path / "changing.s1p"
    read = (demo / FIRST[0]).read_bytes()
    file.write_bytes(read)
    build = Build.from_toml(first.read_text(encoding="utf-8"))

    def names():
        yield str(file)
        file.write_bytes((demo / FIRST[1]).read_bytes())

    with Log.open(tmp_path / "other.db", create=True) as opened:
        opened.add_build(build)
        ((_, added),) = jobs.add_files(opened, names(), build, None, pytest.fail)
        assert opened.raw(added.id) in (read, file.read_bytes())
        assert hashlib.sha256(opened.raw(added.id)).hexdigest() == added.sha256
