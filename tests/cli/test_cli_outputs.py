"""What the commands write: never in the place of the log, a sweep, a build or anything else."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

PNG = b"\x89PNG\r\n\x1a\nmine"
SWEEP = "quay-1_20m_a.s1p"
posix = pytest.mark.skipif(os.name == "nt", reason="links and descriptors of POSIX")


@pytest.fixture
def log(run, first):
    """A log with one build."""
    run("init")
    run("build", "add", str(first))
    return run


def refused(run, path: str, *args: str) -> str:
    """Run a command that must end in one line naming the path, and leave every file as it was."""
    before = {file: file.read_bytes() for file in Path().rglob("*") if file.is_file()}
    result = run(*args, status=1)
    (line,) = result.stderr.splitlines()
    assert line.startswith(f"{path}: ")
    assert {file: file.read_bytes() for file in Path().rglob("*") if file.is_file()} == before
    assert result.stdout == ""
    return line


class TestReport:
    @pytest.mark.parametrize("name", ["sweeplab.db", "sweeplab.db-wal", "sweeplab.db-journal"])
    def test_it_never_takes_the_logs_place(self, log, name):
        assert "log" in refused(log, name, "report", "--out", name)

    @posix
    def test_nor_by_another_name_of_the_log(self, log):
        Path("hard.html").hardlink_to("sweeplab.db")
        Path("soft.html").symlink_to("sweeplab.db")
        for name in ("hard.html", "soft.html"):
            assert "log" in refused(log, name, "report", "--out", name)

    def test_it_takes_the_place_of_a_report_alone(self, log, first):
        refused(log, str(first), "report", "--out", str(first))
        log("report", "--out", "out.html")
        before = Path("out.html").read_bytes()
        Path("out.html").write_bytes(before.replace(b"</html>", b"older</html>"))
        log("report", "--out", "out.html")
        assert Path("out.html").read_bytes() == before

    def test_another_log_stays(self, log):
        log("init", "--log", "other.db")
        refused(log, "other.db", "report", "--out", "other.db")

    @posix
    def test_a_full_disk_is_one_line_and_leaves_the_earlier_report(self, log, monkeypatch):
        import resource

        from sweeplab.workflows import report

        log("report", "--out", "out.html")
        # Larger than what the log's own files need.
        monkeypatch.setattr(report, "render", lambda *_: "x" * 2_000_000)
        soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (1_000_000, hard))
        try:
            refused(log, "out.html", "report", "--out", "out.html")
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@posix
class TestStandardOutput:
    def program(self, *args: str, **streams):
        return subprocess.run(
            [sys.executable, "-m", "sweeplab.cli", *args],
            env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
            timeout=60,
            check=False,
            **streams,
        )

    def test_the_report_can_be_printed(self, log):
        done = self.program("report", "--out", "/dev/stdout", capture_output=True)
        assert done.returncode == 0
        assert done.stdout.startswith(b"<!doctype html>")
        assert done.stdout.endswith(b"</html>")

    def test_a_plot_does_not_go_where_the_figures_do(self, run, demo):
        with open("out.png", "wb") as out:
            args = ["read", str(demo / SWEEP), "--plot", "out.png"]
            done = self.program(*args, stdout=out, stderr=subprocess.PIPE)
        assert done.returncode == 1
        assert done.stderr.startswith(b"out.png: ")
        assert Path("out.png").read_bytes() == b""


class TestPlots:
    @pytest.fixture
    def commands(self, demo, first):
        return (["read", str(demo / SWEEP)], ["plan", str(first), "--band", "20m"])

    @pytest.mark.parametrize(
        ("which", "ending", "earlier"),
        [(0, "png", PNG), (1, "svg", b"<svg>mine</svg>"), (1, "pdf", b"%PDF-1.4\nmine")],
    )
    def test_a_plot_takes_the_place_of_one_of_its_format(
        self, run, commands, which, ending, earlier
    ):
        path = Path(f"out.{ending}")
        path.write_bytes(earlier)
        run(*commands[which], "--plot", str(path))
        assert path.read_bytes().startswith(earlier[:4] if ending != "svg" else b"<?xml")
        assert path.stat().st_size > 5000

    def test_a_plot_of_another_format_stays(self, run, commands):
        Path("out.svg").write_bytes(PNG)
        for command in commands:
            refused(run, "out.svg", *command, "--plot", "out.svg")

    def test_a_sweep_a_build_and_a_log_stay(self, run, commands, demo):
        run("init", "--log", "log.svg")
        Path("sweep.svg").write_bytes((demo / SWEEP).read_bytes())
        Path("build.svg").write_text("name = 'x'\n", encoding="utf-8")
        for command in (*commands, ["read", "sweep.svg"]):
            for name in ("log.svg", "sweep.svg", "build.svg"):
                refused(run, name, *command, "--plot", name)

    def test_a_missing_folder_is_refused_before_the_work(self, run, commands):
        for command in commands:
            refused(run, "nowhere/out.png", *command, "--plot", "nowhere/out.png")

    def test_capital_letters_do_not_matter(self, run, commands):
        for name in ("a.svg", "b.SVG"):
            run(*commands[1], "--plot", name)
        assert Path("a.svg").read_bytes() == Path("b.SVG").read_bytes()
