"""Expansion of paths to files to read: files, folders, zip archives, standard input."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from sweeplab.errors import ReadError
from sweeplab.files import archive
from sweeplab.files.text.decode import ports_in_suffix

STANDARD_INPUT = "-"
# Other files in a folder are skipped without an error; a file named explicitly is always tried.
_SWEEP_SUFFIXES = (".ts", ".csv", ".tsv", ".txt", ".dat", ".asc", ".prn")


@dataclass(frozen=True)
class SweepPath:
    """One file to read, or why there is none.

    Parameters
    ----------
    name : str
        The file; one in an archive as ``archive.zip/inner.s1p``.
    error : ReadError or None
        A folder or an archive that could not be looked into.
    """

    name: str
    error: ReadError | None = None


def sweep_paths(paths: Iterable[str | os.PathLike[str]]) -> list[SweepPath]:
    """Return the files to read for some paths.

    Parameters
    ----------
    paths : iterable of str or path-like
        Files as they are, whatever they hold; folders for the files in them and below that are
        named as sweeps are; zip archives likewise; ``-`` for standard input.

    Returns
    -------
    list of SweepPath
        In the order given; in a folder or an archive by name.
    """
    return [found for path in paths for found in _expand(os.fsdecode(path))]


def _expand(name: str) -> Iterator[SweepPath]:
    try:
        is_folder, is_archive = os.path.isdir(name), _is_archive(name)
    except ValueError:  # a NUL in the name; reading will say so
        is_folder = is_archive = False
    if not (is_folder or is_archive):
        yield SweepPath(name)
        return
    found = list(_in_folder(name) if is_folder else _in_archive(name))
    if not found:
        kind = "folder" if is_folder else "archive"
        found = [_failure(name, f"no sweeps in the {kind}", "name one that holds some")]
    yield from found


def _is_archive(name: str) -> bool:
    return name.lower().endswith(archive.SUFFIX) and os.path.isfile(name)


def _in_folder(name: str) -> Iterator[SweepPath]:
    failures: list[OSError] = []
    files: list[str] = []
    for folder, folders, names in os.walk(name, onerror=failures.append):
        # Changed in place: os.walk goes only into the folders left in its list.
        folders[:] = [inner for inner in folders if not inner.startswith(".")]
        files += [os.path.join(folder, file) for file in names if not file.startswith(".")]
    for error in failures:
        found = (error.strerror or "could not be opened").lower()
        yield _failure(error.filename or name, found, "change its permissions or leave it out")
    for file in sorted(files, key=lambda file: file.split(os.sep)):
        if _is_archive(file):
            yield from _in_archive(file)
        elif _is_named_as_sweep(file):
            yield SweepPath(file)


def _in_archive(name: str) -> Iterator[SweepPath]:
    try:
        names = archive.members(name)
    except ReadError as error:
        yield SweepPath(name, error)
        return
    for member in names:
        if _is_named_as_sweep(member) or member.lower().endswith(archive.SUFFIX):
            yield SweepPath(f"{name}/{member}")


def _is_named_as_sweep(name: str) -> bool:
    suffix = os.path.splitext(name)[1].lower()
    return suffix in _SWEEP_SUFFIXES or ports_in_suffix(suffix) is not None


def _failure(name: str, found: str, action: str) -> SweepPath:
    return SweepPath(name, ReadError(name, found, action))


_MEMBER = re.compile(re.escape(archive.SUFFIX) + r"[/\\]", re.IGNORECASE)


def split_member(name: str) -> tuple[str, str] | None:
    """Return the archive and its member in a name such as ``a.zip/b.s1p``."""
    for match in _MEMBER.finditer(name):
        outer = name[: match.end() - 1]
        if os.path.isfile(outer):
            return outer, name[match.end() :]
    return None
