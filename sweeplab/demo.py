"""The demo: replays the story of an invented antenna with the commands' own functions."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from importlib.resources import as_file, files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sweeplab.cli.chapters import write_report
from sweeplab.cli.jobs import add_file, compare_builds
from sweeplab.cli.read import load_build
from sweeplab.errors import SweeplabError
from sweeplab.present.words import counted, moves, sentence

if TYPE_CHECKING:
    from sweeplab.build import Build
    from sweeplab.log import Log

Say = Callable[[str], None]
LOG, REPORT, MARK = "sweeplab.db", "report.html", "invented-data.txt"
_MARK_TEXT = "Made by 'sweeplab demo' from invented data; it may be made anew at any time.\n"
_TOLD = ("r_loss_ohm", "efficiency", "coupling_factor")


def replay(folder: Path, say: Say) -> None:
    """Make the demo's log in a folder, run the whole job on it, and say what was found.

    Parameters
    ----------
    folder : Path
        Made where it is not there; an earlier demo in it is replaced.
    say : callable
        Called with each line.

    Raises
    ------
    SweeplabError
        The folder holds something else.
    """
    _make_room(folder)
    with _samples() as samples:
        scenario = tomllib.loads((samples / "scenario.toml").read_text(encoding="utf-8"))
        say(f"{scenario['title']} (invented). {scenario['story']}")
        with _fresh_log(folder) as log:
            _add_builds(log, samples, scenario)
            count = _add_sweeps(log, samples, scenario)
            say(f"\nAdded {counted(len(scenario['builds']), 'build')}, {counted(count, 'sweep')}.")
            for step in log.changes():
                say(f"\n{step.before} -> {step.after}: {step.why}")
                for line in _findings(log, step.before, step.after):
                    say(f"  {line}")
            write_report(log, folder / REPORT, title=scenario["title"])
    say(f"\nReport: {folder / REPORT}")
    say(f"Log:    {folder / LOG}")
    say(f"Go on:  sweeplab --log {folder / LOG} list")


@contextmanager
def _samples() -> Iterator[Path]:
    """Yield the samples' folder: inside the installed package, else in the checkout."""
    packed = files("sweeplab") / "samples"
    if packed.is_dir():
        with as_file(packed) as folder:
            yield folder
        return
    folder = Path(__file__).parents[1] / "samples" / "demo"
    if not folder.is_dir():
        raise SweeplabError("the demo's samples are missing; install sweeplab again")
    yield folder


def _make_room(folder: Path) -> None:
    """Make the folder, or take an earlier demo out of it; leave anything else alone."""
    if folder.is_dir() and any(folder.iterdir()):
        if not (folder / MARK).is_file():
            raise SweeplabError(f"{folder}: not empty, and no earlier demo; name another folder")
        for name in (LOG, f"{LOG}-wal", f"{LOG}-shm", REPORT):
            (folder / name).unlink(missing_ok=True)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / MARK).write_text(_MARK_TEXT, encoding="utf-8")


def _fresh_log(folder: Path) -> Log:
    from sweeplab.log import Log

    return Log.open(folder / LOG, create=True)


def _add_builds(log: Log, samples: Path, scenario: Mapping[str, Any]) -> None:
    """Add the builds: a first one as it is described, the others as changes of theirs before."""
    described = {entry["name"]: load_build(samples / entry["file"]) for entry in scenario["builds"]}
    steps = {step["new"]: step for step in scenario["changes"]}
    for name, build in described.items():
        if name in steps:
            old = steps[name]["old"]
            log.change(old, name, _settings(described[old], build), steps[name]["why"])
        else:
            log.add_build(build)


def _settings(before: Build, after: Build) -> dict[str, str]:
    """Return what ``build change`` must set to lead from one build to another."""
    from sweeplab.build import difference

    gone = {part.kind for part in before.parts} - {part.kind for part in after.parts}
    settings = {f"parts.{kind}": "" for kind in gone}
    for change in difference(before, after):
        if change.key.split(".")[1] not in gone:
            settings[change.key] = change.after or ""
    return {**settings, "note": after.note}


def _add_sweeps(log: Log, samples: Path, scenario: Mapping[str, Any]) -> int:
    count = 0
    for entry in scenario["builds"]:
        build = log.build(entry["name"])
        for name in entry["sweeps"]:
            add_file(log, str(samples / name), build)
            count += 1
    return count


def _findings(log: Log, before: str, after: str) -> Iterator[str]:
    """Yield what a change did, in plain sentences."""
    for band in compare_builds(log, before, after).bands:
        for move in moves(band):
            if move.name in _TOLD:
                yield sentence(band.band, move)
