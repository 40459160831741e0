"""Help is quick, complete, and written down."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
import typer

from sweeplab import __version__
from sweeplab.cli.app import app, root_options_first
from sweeplab.cli.reference import reference

SLOW = {"numpy", "scipy", "pandas", "skrf", "matplotlib", "jinja2"}


def commands(command=None, words=()):
    command = command or typer.main.get_command(app)
    yield words, command
    for name, child in getattr(command, "commands", {}).items():
        yield from commands(child, (*words, name))


@pytest.mark.parametrize("args", [["--help"], ["--version"], ["build", "--help"]])
def test_help_loads_nothing_slow(args):
    script = (
        "import sys\n"
        f"sys.argv = ['sweeplab', *{args!r}]\n"
        "from sweeplab.cli import main\n"
        "try:\n    main()\n"
        "except SystemExit as end:\n    assert not end.code\n"
        f"print(sorted({SLOW!r} & set(sys.modules)), file=sys.stderr)\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert done.stderr.strip() == "[]"


def test_every_command_and_option_has_help():
    for words, command in commands():
        assert command.help, words
        for param in command.params:
            assert param.help, (words, param.name)


def test_help_fits_80_columns(run):
    for words, _ in commands():
        for line in run(*words, "--help").output.splitlines():
            assert len(line) <= 80, line


def test_reference_in_the_docs_is_true():
    written = (Path(__file__).parents[2] / "docs" / "cli.md").read_text(encoding="utf-8")
    assert written == reference(), "run: python -m sweeplab.cli.reference > docs/cli.md"


def test_version(run):
    assert run("--version").output == f"sweeplab {__version__}\n"


@pytest.mark.parametrize(
    ("given", "moved"),
    [
        (["list", "--log", "a.db"], ["--log", "a.db", "list"]),
        (["list", "--log=a.db", "--json"], ["--log=a.db", "list", "--json"]),
        (["read", "f", "--no-color"], ["--no-color", "read", "f"]),
        (["read", "--", "--log", "f"], ["read", "--", "--log", "f"]),
        (["list", "--log"], ["--log", "list"]),
    ],
)
def test_root_options_may_stand_before_or_after_the_command(given, moved):
    assert root_options_first(given) == moved


def test_unknown_command_is_wrong_usage(run):
    assert "nonsense" in run("nonsense", status=2).output
