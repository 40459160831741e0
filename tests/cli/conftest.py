"""The command line, run as a person would, in a folder of its own."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from sweeplab.cli.app import app

DEMO = Path(__file__).parents[2] / "samples" / "demo"
MINIMAL = """name = "first"
[loop]
circumference = "3.20 m ± 5 mm"
[conductor]
diameter = "12 mm"
"""


class Run:
    """Runs commands; the result contains what one printed."""

    def __call__(self, *args: str, status: int = 0, env: dict[str, str] | None = None):
        result = CliRunner().invoke(app, list(args), env=env, prog_name="sweeplab")
        assert result.exit_code == status, result.output
        return result


@pytest.fixture
def demo() -> Path:
    """The folder of the demo's samples."""
    return DEMO


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., object]:
    """Run commands in an empty folder, whatever the machine's own settings."""
    monkeypatch.chdir(tmp_path)
    for name in ("SWEEPLAB_LOG", "NO_COLOR", "FORCE_COLOR"):
        monkeypatch.delenv(name, raising=False)
    return Run()


@pytest.fixture
def first(tmp_path: Path) -> Path:
    """A build's file of five lines."""
    path = tmp_path / "first.toml"
    path.write_text(MINIMAL, encoding="utf-8")
    return path
