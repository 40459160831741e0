"""Zip archives as folders of sweeps: looked at before anything is unpacked, and never onto a disk.

What an archive says of itself is checked first: its own size and that of its table of contents, how
many bytes each file would unpack to and at what ratio, names that lead elsewhere, archives inside.
Reading then stops at the size stated.
"""

from __future__ import annotations

import os
import struct
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import PurePosixPath

from sweeplab.errors import ReadError, quoted
from sweeplab.files.text.limits import SIZE_LIMIT_BYTES, too_large
from sweeplab.finding import Threshold

SUFFIX = ".zip"
# A sweep's text packs to a third; a constant one, of a dummy, to a fiftieth.
_LARGEST_RATIO: Threshold = 200
_RATIO_MATTERS_BYTES: Threshold = 1_000_000
_ALL_TOGETHER_BYTES: Threshold = 1_000_000_000
# Some 100,000 files; unpacked in memory the table takes twenty times as much.
_CONTENTS_BYTES: Threshold = 8_000_000
_END = struct.Struct("<4s4H2LH")
_END_MARK, _LARGE_MARK = b"PK\x05\x06", b"PK\x06\x07"
_LARGE_LOCATOR_BYTES = 20
_LONGEST_REMARK = 65_535
_ENCRYPTED = 0x1
_PLAIN_WAYS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
_BROKEN = (zipfile.BadZipFile, zlib.error, struct.error, EOFError, ValueError, KeyError,
           NotImplementedError, RuntimeError, OverflowError)  # fmt: skip


@dataclass(frozen=True, eq=False)
class _Archive:
    """An open archive and what it lists, by name."""

    file: zipfile.ZipFile
    listed: dict[str, list[zipfile.ZipInfo]]


def members(path: str) -> list[str]:
    """Return the names of an archive's files, in order, folders left out.

    Raises
    ------
    ReadError
        It is no archive, or would unpack to more than is sane.
    """
    listed = _opened(path).listed
    everything = sum(info.file_size for infos in listed.values() for info in infos)
    if everything > _ALL_TOGETHER_BYTES:
        raise ReadError(
            path,
            f"would unpack to {everything / 1e6:.0f} MB, over the limit of "
            f"{_ALL_TOGETHER_BYTES // 1_000_000} MB",
            "unpack it yourself if you trust it",
        )
    return sorted(name for name in listed if not name.endswith("/"))


def read_member(path: str, member: str) -> tuple[bytes, str | None]:
    """Return an archived file's bytes and when it was written, ISO 8601.

    Raises
    ------
    ReadError
        It is not there, leads out of the archive, is an archive itself, is packed in a way that
        is not read, or unpacks to more than it says or than is sane.
    """
    name = f"{path}/{member}" if member.isprintable() else f"{path}/{quoted(member)[1:-1]}"
    archive = _opened(path)
    found = archive.listed.get(member)
    if not found:
        raise ReadError(name, "no such file in the archive", "check the name")
    for finding, action in _objections(found):
        raise ReadError(name, finding, action)
    if found[0].file_size > SIZE_LIMIT_BYTES:
        raise too_large(name, found[0].file_size)
    try:
        with archive.file.open(found[0]) as file:
            data = file.read(found[0].file_size)
    except (*_BROKEN, OSError) as error:
        raise ReadError(name, "is damaged in the archive", "make the archive again") from error
    return data, _written(found[0])


def _objections(found: list[zipfile.ZipInfo]) -> Iterator[tuple[str, str]]:
    """Yield what speaks against unpacking a file, and what to do about it."""
    info = found[0]
    place = PurePosixPath(info.filename.replace("\\", "/"))
    unpack = "unpack it yourself if you trust it"
    if place.is_absolute() or ".." in place.parts or ":" in info.filename:
        yield "the name leads out of the archive", "rename it"
    if not info.filename.isprintable():
        yield "the name holds characters that do not print", "rename it"
    if len(found) > 1:
        yield f"stands {len(found)} times in the archive", "give each file its own name"
    if place.suffix.lower() == SUFFIX:
        yield "is an archive inside an archive", "unpack the outer one first"
    if info.flag_bits & _ENCRYPTED:
        yield "is encrypted", "unpack it with its password first"
    if info.compress_type not in _PLAIN_WAYS:
        yield "is packed by a rare method", "pack it by the common one, deflate"
    ratio = info.file_size / max(info.compress_size, 1)
    if info.file_size > _RATIO_MATTERS_BYTES and ratio > _LARGEST_RATIO:
        yield f"would unpack to {ratio:.0f} times its size, as no sweep does", unpack


def _opened(path: str) -> _Archive:
    try:
        status = os.stat(path)
        if status.st_size > SIZE_LIMIT_BYTES:
            raise too_large(path, status.st_size)
        return _archive(path, status.st_size, status.st_mtime_ns)
    except OSError as error:
        found = (error.strerror or "could not be opened").lower()
        raise ReadError(path, found, "check the name and the drive") from error
    except _BROKEN as error:
        raise ReadError(path, "is no whole zip archive", "make the archive again") from error


@lru_cache(maxsize=1)
def _archive(path: str, size: int, written_ns: int) -> _Archive:
    """Open an archive; kept open for the next file, since the contents are read anew each time."""
    with open(path, "rb") as file:
        file.seek(max(0, size - _LONGEST_REMARK - _END.size))
        tail = file.read()
    place = tail.rfind(_END_MARK)
    if place < 0 or len(tail) - place < _END.size:
        raise zipfile.BadZipFile
    contents_bytes = _END.unpack_from(tail, place)[5]
    is_large = tail[:place][-_LARGE_LOCATOR_BYTES:].startswith(_LARGE_MARK)
    if is_large or contents_bytes > _CONTENTS_BYTES:
        raise ReadError(path, "lists more files than is sane", "split it, or unpack it yourself")
    archive = _Archive(zipfile.ZipFile(path), {})
    for info in archive.file.infolist():
        archive.listed.setdefault(info.filename, []).append(info)
    return archive


def _written(info: zipfile.ZipInfo) -> str | None:
    """Return the time an archive notes, which has no zone; taken as UTC on every machine alike."""
    try:
        return datetime(*info.date_time, tzinfo=UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    except ValueError:
        return None
