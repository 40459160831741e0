"""Zip archives as folders of sweeps: checked before anything is unpacked, and only into memory.

What an archive states is checked first: its size and that of its central directory, each member's
unpacked size and compression ratio, names that lead out of the archive, archives inside. Reading
then stops at the stated size.
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
from sweeplab.files.text.limits import SIZE_LIMIT_BYTES, file_too_large
from sweeplab.finding import Threshold

SUFFIX = ".zip"
# A sweep's text is compressed to a third; a constant one, of a dummy load, to a fiftieth.
_MAX_COMPRESSION_RATIO: Threshold = 200
_RATIO_CHECKED_BYTES: Threshold = 1_000_000
_MAX_UNPACKED_BYTES: Threshold = 1_000_000_000
# Some 100,000 files; in memory the central directory takes twenty times as much.
_MAX_DIRECTORY_BYTES: Threshold = 8_000_000
_END_RECORD = struct.Struct("<4s4H2LH")
_END_SIGNATURE, _ZIP64_SIGNATURE = b"PK\x05\x06", b"PK\x06\x07"
_ZIP64_LOCATOR_BYTES = 20
_MAX_COMMENT_BYTES = 65_535
_ENCRYPTED = 0x1
_COMPRESSION_METHODS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
_ZIP_ERRORS = (
    zipfile.BadZipFile,
    zlib.error,
    struct.error,
    EOFError,
    ValueError,
    KeyError,
    NotImplementedError,
    RuntimeError,
    OverflowError,
)


@dataclass(frozen=True, eq=False)
class _OpenArchive:
    """An open archive and its entries by name."""

    file: zipfile.ZipFile
    entries: dict[str, list[zipfile.ZipInfo]]


def members(path: str) -> list[str]:
    """Return the names of an archive's files, in order, folders left out.

    Raises
    ------
    ReadError
        It is not an archive, or would unpack to more than the limit.
    """
    entries = _open(path).entries
    unpacked_bytes = sum(info.file_size for infos in entries.values() for info in infos)
    if unpacked_bytes > _MAX_UNPACKED_BYTES:
        raise ReadError(
            path,
            f"would unpack to {unpacked_bytes / 1e6:.0f} MB, over the limit of "
            f"{_MAX_UNPACKED_BYTES // 1_000_000} MB",
            "unpack it yourself if you trust it",
        )
    return sorted(name for name in entries if not name.endswith("/"))


def read_member(path: str, member: str) -> tuple[bytes, str | None]:
    """Return a member's bytes and its modification time, ISO 8601.

    Raises
    ------
    ReadError
        It is missing, leads out of the archive, is an archive itself, is compressed by another
        method, or unpacks to more than it states or than the limit.
    """
    name = f"{path}/{member}" if member.isprintable() else f"{path}/{quoted(member)[1:-1]}"
    archive = _open(path)
    infos = archive.entries.get(member)
    if not infos:
        raise ReadError(name, "no such file in the archive", "check the name")
    for finding, action in _objections(infos):
        raise ReadError(name, finding, action)
    if infos[0].file_size > SIZE_LIMIT_BYTES:
        raise file_too_large(name, infos[0].file_size)
    try:
        with archive.file.open(infos[0]) as file:
            data = file.read(infos[0].file_size)
    except (*_ZIP_ERRORS, OSError) as error:
        raise ReadError(name, "is damaged in the archive", "make the archive again") from error
    return data, _modification_time(infos[0])


def _objections(infos: list[zipfile.ZipInfo]) -> Iterator[tuple[str, str]]:
    """Yield each objection to unpacking a member, with what to do about it."""
    info = infos[0]
    path = PurePosixPath(info.filename.replace("\\", "/"))
    unpack = "unpack it yourself if you trust it"
    if path.is_absolute() or ".." in path.parts or ":" in info.filename:
        yield "the name leads out of the archive", "rename it"
    if not info.filename.isprintable():
        yield "the name holds characters that do not print", "rename it"
    if len(infos) > 1:
        yield f"stands {len(infos)} times in the archive", "give each file its own name"
    if path.suffix.lower() == SUFFIX:
        yield "is an archive inside an archive", "unpack the outer one first"
    if info.flag_bits & _ENCRYPTED:
        yield "is encrypted", "unpack it with its password first"
    if info.compress_type not in _COMPRESSION_METHODS:
        yield "is packed by a rare method", "pack it by the common one, deflate"
    ratio = info.file_size / max(info.compress_size, 1)
    if info.file_size > _RATIO_CHECKED_BYTES and ratio > _MAX_COMPRESSION_RATIO:
        yield f"would unpack to {ratio:.0f} times its size, as no sweep does", unpack


def _open(path: str) -> _OpenArchive:
    try:
        status = os.stat(path)
        if status.st_size > SIZE_LIMIT_BYTES:
            raise file_too_large(path, status.st_size)
        return _open_cached(path, status.st_size, status.st_mtime_ns)
    except OSError as error:
        found = (error.strerror or "could not be opened").lower()
        raise ReadError(path, found, "check the name and the drive") from error
    except _ZIP_ERRORS as error:
        raise ReadError(path, "is no whole zip archive", "make the archive again") from error


@lru_cache(maxsize=1)
def _open_cached(path: str, size: int, modified_ns: int) -> _OpenArchive:
    """Open an archive, and keep it open for the next member: each opening reads the directory."""
    with open(path, "rb") as file:
        file.seek(max(0, size - _MAX_COMMENT_BYTES - _END_RECORD.size))
        tail = file.read()
    offset = tail.rfind(_END_SIGNATURE)
    if offset < 0 or len(tail) - offset < _END_RECORD.size:
        raise zipfile.BadZipFile
    directory_bytes = _END_RECORD.unpack_from(tail, offset)[5]
    is_zip64 = tail[:offset][-_ZIP64_LOCATOR_BYTES:].startswith(_ZIP64_SIGNATURE)
    if is_zip64 or directory_bytes > _MAX_DIRECTORY_BYTES:
        raise ReadError(path, "lists more files than is sane", "split it, or unpack it yourself")
    archive = _OpenArchive(zipfile.ZipFile(path), {})
    for info in archive.file.infolist():
        archive.entries.setdefault(info.filename, []).append(info)
    return archive


def _modification_time(info: zipfile.ZipInfo) -> str | None:
    """Return a member's modification time, which has no time zone; taken as UTC everywhere."""
    try:
        return datetime(*info.date_time, tzinfo=UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    except ValueError:
        return None
