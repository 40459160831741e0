"""What the README shows is what happens."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def blocks(kind: str) -> list[str]:
    """Return the fenced blocks of a kind, in order."""
    fenced = README.split("```")[1::2]
    return [body for word, _, body in (block.partition("\n") for block in fenced) if word == kind]


def test_two_commands_of_one_line_each_for_a_fresh_machine():
    plain = blocks("")
    assert len(plain) == 2
    assert all(block.startswith("python3 -m venv") and block.count("\n") == 1 for block in plain)
    assert "sweeplab demo" in plain[0]
    assert "'.[test]'" in plain[1]
    assert "pytest" in plain[1]


def test_the_build_file_has_five_lines():
    (toml,) = blocks("toml")
    assert len(toml.splitlines()) == 5


def test_the_walk_from_a_first_sweep_to_a_comparison(run, demo, tmp_path):
    shutil.copytree(demo, tmp_path / "samples" / "demo")
    (toml,) = blocks("toml")
    (tmp_path / "first.toml").write_text(toml, encoding="utf-8")
    lines = [line for block in blocks("console") for line in block.splitlines()]
    assert len(lines) >= 8
    printed = {}
    for line in lines:
        words = shlex.split(line.removeprefix("$ "))
        assert words[0] == "sweeplab"
        printed[line] = run(*words[1:]).stdout
    compared = next(text for line, text in printed.items() if "compare" in line)
    assert "rose" in compared
    assert (tmp_path / "first-loop.html").is_file()


def test_the_python_example_runs(demo, tmp_path, monkeypatch, capsys):
    shutil.copytree(demo, tmp_path / "samples" / "demo")
    monkeypatch.chdir(tmp_path)
    (code,) = blocks("python")
    exec(compile(code, "README.md", "exec"), {})
    assert capsys.readouterr().out.count("Estimate(") == 2


def test_links_lead_somewhere():
    for target in re.findall(r"\]\(([^)#]+)\)", README):
        assert (ROOT / target).exists(), target
