"""The demo: an invented antenna's builds and sweeps, run through the commands' own functions."""

from __future__ import annotations

import hashlib
import re
import tomllib
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from importlib.resources import as_file, files
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Any, NoReturn

from sweeplab import output
from sweeplab.comparison.pooling import pooled_figures
from sweeplab.errors import SweeplabError
from sweeplab.files import read_sweep
from sweeplab.output import Kind, check, write
from sweeplab.present.labels import FIGURES, change_phrase, count_text, estimate_text, known_changes
from sweeplab.workflows.report import write_report
from sweeplab.workflows.sweeps import add_files, compare_builds, load_build

if TYPE_CHECKING:
    from sweeplab.builds import Build
    from sweeplab.log import Log

Print = Callable[[str], None]
LOG, REPORT, MARKER = "sweeplab.db", "report.html", "invented-data.txt"
_MARKER_TEXT = "Made by 'sweeplab demo' from invented data; it may be made anew at any time.\n"
_MARKER_KIND = Kind("the demo's note", re.compile(rb"Made by 'sweeplab demo'"))
_SUMMER_BUILD = ("summer", "nothing was changed: swept again through the summer")
_AUTUMN_BUILD = ("autumn", "nothing was changed: has it aged?")
_CHANGE_FIGURES = ("r_loss_ohm", "efficiency", "swr_min")
_BUDGET_FIGURES = ("r_radiation_ohm", "r_conductor_ohm", "r_parts_ohm", "r_remainder_ohm")
_WIDTH = 80


def replay(folder: Path, print_line: Print) -> None:
    """Make the demo's log in a folder, compare its builds, and write its report.

    Parameters
    ----------
    folder : Path
        Created where missing; an earlier demo in it is replaced.
    print_line : callable
        Called with each line.

    Raises
    ------
    SweeplabError
        The folder holds something else, or a log or report of the demo's that is no longer only
        the demo's.
    """
    from sweeplab.log import Log

    with ExitStack() as stack:
        samples = stack.enter_context(_samples())
        scenario = tomllib.loads((samples / "scenario.toml").read_text(encoding="utf-8"))
        _clear(folder, samples, scenario)
        log = stack.enter_context(Log.open(folder / LOG, create=True))
        print_line(fill(f"{scenario['title']} (invented). {scenario['story']}", _WIDTH))
        _add_builds(log, samples, scenario)
        _add_sweeps(log, samples, scenario)
        builds, sweeps = log.builds(), log.sweeps()
        contents = f"{count_text(len(builds), 'build')} and {count_text(len(sweeps), 'sweep')}"
        print_line(f"\nAdded {contents}.")
        for step in log.changes():
            print_line(f"\n{step.before} -> {step.after}: {step.why}")
            for line in _changes(log, step.before, step.after):
                print_line(line)
        print_line(f"\nWhere the ohms of {builds[-1].name} go:")
        for line in _budget_lines(log, builds[-1].name):
            print_line(line)
        write_report(log, folder / REPORT, title=scenario["title"])
    print_line(f"\nReport: {folder / REPORT}")
    print_line(f"Log:    {folder / LOG}")
    print_line(f"Go on:  sweeplab --log {folder / LOG} list")


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


def _clear(folder: Path, samples: Path, scenario: Mapping[str, Any]) -> None:
    """Make the folder, or remove an earlier demo from it; leave anything else alone."""
    if folder.is_dir() and any(folder.iterdir()):
        if not (folder / MARKER).is_file():
            raise SweeplabError(f"{folder}: not empty, and no earlier demo; name another folder")
        check(folder / MARKER, _MARKER_KIND)
        check(folder / REPORT, output.REPORT)
        if (folder / LOG).exists():
            # A person may have gone on with the demo's log, as the demo invites to.
            _check_log(folder / LOG, samples, scenario)
            for name in (LOG, f"{LOG}-wal", f"{LOG}-shm"):
                (folder / name).unlink(missing_ok=True)
        (folder / REPORT).unlink(missing_ok=True)
    folder.mkdir(parents=True, exist_ok=True)
    write(folder / MARKER, _MARKER_TEXT.encode(), _MARKER_KIND)


def _check_log(path: Path, samples: Path, scenario: Mapping[str, Any]) -> None:
    """Refuse a log that holds a build or a sweep which is not the demo's."""
    from sweeplab.log import Log

    names = {entry["name"] for entry in scenario["builds"]}
    names |= {f"{name}-{season}" for name in names for season, _ in (_SUMMER_BUILD, _AUTUMN_BUILD)}
    known_hashes = {hashlib.sha256(file.read_bytes()).hexdigest() for file in samples.iterdir()}
    with Log.open(path, create=True) as log:
        builds, sweeps = log.builds(), log.sweeps()
    if {build.name for build in builds} - names or {s.sha256 for s in sweeps} - known_hashes:
        raise SweeplabError(
            f"{path}: holds builds or sweeps that are not the demo's; name another folder"
        )


def _add_builds(log: Log, samples: Path, scenario: Mapping[str, Any]) -> None:
    """Add the builds: a first one as described, the others as changes of the one before."""
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
    from sweeplab.builds import difference

    removed = {part.kind for part in before.parts} - {part.kind for part in after.parts}
    settings = {f"parts.{kind}": "" for kind in removed}
    for change in difference(before, after):
        if change.key.split(".")[1] not in removed:
            settings[change.key] = change.after or ""
    return {**settings, "note": after.note}


def _add_sweeps(log: Log, samples: Path, scenario: Mapping[str, Any]) -> None:
    """Add the sweeps; those of later days under builds of their own, for an antenna ages."""
    for entry in scenario["builds"]:
        for name, why, paths in _seasons(entry, samples):
            if name != entry["name"]:
                log.change(entry["name"], name, {"note": "as before"}, why)
            for _ in add_files(log, paths, log.build(name), None, _raise):
                pass


def _seasons(entry: Mapping[str, Any], samples: Path) -> Iterator[tuple[str, str, list[str]]]:
    """Yield each build under which an entry's sweeps are added: name, reason, files."""
    days: dict[str, list[str]] = {}
    for file in entry["sweeps"]:
        path = samples / file
        days.setdefault((read_sweep(path).origin.taken or "")[:10], []).append(str(path))
    first, *later = [paths for _, paths in sorted(days.items())]
    yield entry["name"], "", first
    if later:
        between = [path for paths in later[:-1] for path in paths]
        for (season, why), paths in ((_SUMMER_BUILD, between), (_AUTUMN_BUILD, later[-1])):
            yield f"{entry['name']}-{season}", why, paths


def _raise(file: str, error: Exception) -> NoReturn:
    raise SweeplabError(f"a sample of the demo could not be read: {error}") from error


def _changes(log: Log, before: str, after: str) -> Iterator[str]:
    """Yield the changed figures, a line a band."""
    for band in compare_builds(log, before, after).bands:
        phrases = {change.name: change_phrase(change) for change in known_changes(band)}
        known = [phrases[name] for name in _CHANGE_FIGURES if name in phrases]
        yield _line(band.band, "; ".join(known))


def _budget_lines(log: Log, name: str) -> Iterator[str]:
    """Yield a build's loss budget, a line a band."""
    for band, figures in pooled_figures(log.records(build=name)).items():
        items = [
            f"{FIGURES[item].label} {estimate_text(item, figures[item])}"
            for item in _BUDGET_FIGURES
            if item in figures
        ]
        yield _line(band, ", ".join(items))


def _line(band: str, text: str) -> str:
    return fill(f"{band}: {text}", _WIDTH, initial_indent="  ", subsequent_indent=" " * 7)
