"""Folders, archives, standard input and several sweeps in one file, given to the commands."""

from __future__ import annotations

import json
import os
import shutil
import zipfile

import pytest
from typer.testing import CliRunner

from sweeplab.cli.app import app

NAMES = ["quay-1_20m_a.s1p", "quay-1_20m_b.s1p", "quay-2_20m_a.s1p"]


@pytest.fixture
def folder(demo, tmp_path):
    """A folder of three sweeps, one broken file and one that is no sweep."""
    top = tmp_path / "day"
    top.mkdir()
    for name in NAMES:
        shutil.copy(demo / name, top / name)
    (top / "quay-1_20m_aa.s1p").write_text("# Hz S RI R 50\n7e6 half 0\n8e6 0 0\n")
    (top / "photo.jpg").write_bytes(b"\xff\xd8\xff")
    return top


def sweeps(result):
    return [sweep["file"] for sweep in json.loads(result.stdout)["sweeps"]]


def test_a_folder_is_read_by_name_and_a_bad_file_stops_no_other(run, folder):
    result = run("read", str(folder), "--json", status=1)
    assert sweeps(result) == [str(folder / name) for name in NAMES]
    (line,) = result.stderr.splitlines()
    assert line.startswith(f"{folder / 'quay-1_20m_aa.s1p'}:2: 'half' where a number")


def test_an_archive_is_read_as_a_folder_is(run, folder):
    path = folder.parent / "day.zip"
    with zipfile.ZipFile(path, "w") as archive:
        for name in NAMES:
            archive.write(folder / name, f"in/{name}")
    assert sweeps(run("read", str(path), "--json")) == [f"{path}/in/{name}" for name in NAMES]


def test_standard_input_is_read_for_a_dash(demo):
    data = (demo / NAMES[0]).read_bytes()
    result = CliRunner().invoke(app, ["read", "-", "--json"], input=data)
    assert result.exit_code == 0
    assert sweeps(result) == ["-"]


def test_sweeps_of_an_archive_are_stored_and_read_again(run, folder, first):
    path = folder.parent / "day.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.write(folder / NAMES[0], NAMES[0])
    run("init")
    run("build", "add", str(first))
    run("add", str(path), "--build", "first")
    (sweep,) = json.loads(run("list", "--json").stdout)["sweeps"]
    assert sweep["file"] == f"{path}/{NAMES[0]}"
    path.unlink()
    assert sweeps(run("show", "1", "--json")) == [sweep["file"]]


def test_two_sweeps_of_one_table_are_two_in_the_log(run, folder, first):
    table = folder.parent / "day.csv"
    rows = [f"{7000 + k},{0.5 + k / 100},{k / 50}" for k in range(9)]
    later = [row.replace("0.5", "0.4") for row in rows]
    table.write_text("\n".join(["f (kHz),S11 re,S11 im", *rows, *later, ""]))
    run("init")
    run("build", "add", str(first))
    run("add", str(table), "--build", "first")
    stored = json.loads(run("list", "--json").stdout)["sweeps"]
    assert [sweep["file"] for sweep in stored] == [f"{table}#1", f"{table}#2"]
    assert len({sweep["sha256"] for sweep in stored}) == 2
    assert sweeps(run("show", "2", "--json")) == [f"{table}#2"]


def test_another_port_is_read_and_remembered(run, tmp_path, first):
    file = tmp_path / "a.s2p"
    rows = [f"{7 + k / 100} 0.5 0 0 0 0 0 0.25 {k / 100}" for k in range(20)]
    file.write_text("\n".join(["# MHz S RI R 50 75", *rows, ""]))
    run("init")
    run("build", "add", str(first))
    run("add", str(file), "--build", "first", "--port", "2")
    (sweep,) = json.loads(run("show", "1", "--json").stdout)["sweeps"]
    assert sweep["z0_ohm"] == 75
    assert "port 3 asked of 2 port(s)" in run("read", str(file), "--port", "3", status=1).stderr


@pytest.mark.skipif(os.name == "nt", reason="such names are not to be had there")
@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("new\nline", "new\\nline"),
        pytest.param("\x1b[31mred", "\\x1b[31mred", marks=pytest.mark.slow),
        pytest.param("lat\udce9in", "lat\\udce9in", marks=pytest.mark.slow),
    ],
)
def test_a_name_that_does_not_print_is_shown_as_escapes(run, first, demo, tmp_path, name, shown):
    path = f"{name}.s1p"
    shutil.copy(demo / NAMES[0], tmp_path / path)
    for command in (["read", path], ["read", path, "--plot", "a.png"]):
        assert run(*command).stdout.startswith(f"{shown}.s1p  20m, ")
    run("init")
    run("build", "add", str(first))
    assert run("add", path, "--build", "first").stdout.startswith(f"{shown}.s1p: ")
    assert f"{shown}.s1p" in run("list").stdout
    assert f"{shown}.s1p" in run("show", "1").stdout
