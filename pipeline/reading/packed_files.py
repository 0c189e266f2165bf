"""Packed files (gz, zip), unpacked in memory alone and never to disk, and refused where they are damaged or a trap."""

from __future__ import annotations

import hashlib
import io
import lzma
import zipfile
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import IO

from pipeline.faults import NeedsMending

PACKED_SUFFIXES = (".gz", ".zip", ".tgz", ".bz2", ".xz", ".zst", ".7z", ".rar")
GZIP_SUFFIX, ZIP_SUFFIX = ".gz", ".zip"
# A table of text packs to a tenth or so of its size; a file made to fill the memory packs to a thousandth. Measured on the
# invented service: 9 times.
MOST_TIMES_LARGER = 200
ALWAYS_ALLOWED = 64 * 1024 * 1024  # bytes unpacked that do no harm, however well they were packed
LARGEST = 16 * 1024**3  # bytes unpacked: beyond any export's table, and beyond the memory of most machines
MOST_MEMBERS = 10_000
_PART = 1024 * 1024
_DAMAGED = (zipfile.BadZipFile, zlib.error, lzma.LZMAError, EOFError, OSError, ValueError, IndexError, RuntimeError)
# What zipfile raises for a way of packing that it does not know is NotImplementedError: nothing of ours is unfinished.
_UNREADABLE = (*_DAMAGED, NotImplementedError)

_whole: dict[
    bytes, bool
] = {}  # whether every part agrees with its checksum, by the hash of a workbook: it is opened once a sheet


@dataclass(frozen=True, slots=True)
class Archive:
    """A zip archive's bytes. `members` are the files in it, by their name with folders, and whether each is locked by a password."""

    name: str
    members: Mapping[str, bool]
    data: bytes = field(repr=False)

    def content(self, member: str) -> bytes:
        """The member's bytes, checked against their checksum. Raises NeedsMending when they cannot be had."""
        label = f"{self.name}/{member}"
        if member not in self.members:
            raise NeedsMending(f"{label}: no longer there; run again once the export is finished")
        if self.members[member]:
            raise NeedsMending(f"{label}: locked by a password; pack it again without one")
        if PurePosixPath(member).suffix.lower() in PACKED_SUFFIXES:
            raise NeedsMending(f"{label}: packed inside a packed file; pack the tables themselves")
        try:
            with zipfile.ZipFile(io.BytesIO(self.data)) as archive:
                info = archive.getinfo(member)
                _refuse_too_large(label, info.file_size, info.compress_size)
                with archive.open(info) as packed:
                    return packed.read(info.file_size + 1)
        except NotImplementedError:
            raise NeedsMending(
                f"{label}: packed in a way that is not read; pack it again as a plain zip or gz file"
            ) from None
        except _DAMAGED:
            raise NeedsMending(f"{label}: damaged; pack it again, or copy it again") from None


def open_archive(data: bytes, *, name: str) -> Archive:
    """A zip archive's bytes with the names of its files; nothing is unpacked. Raises NeedsMending when it is none."""
    return Archive(name, members(io.BytesIO(data), name=name), data)


def members(file: Path | IO[bytes], *, name: str) -> dict[str, bool]:
    """The files in a zip archive, by name, and whether each is locked; reads its list alone. Raises NeedsMending when it is none."""
    try:
        with zipfile.ZipFile(file) as archive:
            found = [info for info in archive.infolist() if not info.is_dir()]
    except _UNREADABLE:
        raise NeedsMending(f"{name}: not a zip archive, or a damaged one; pack it again, or copy it again") from None
    if len(found) > MOST_MEMBERS:
        raise NeedsMending(f"{name}: holds more than {MOST_MEMBERS} files; pack the tables alone")
    if len({info.filename for info in found}) < len(found):
        raise NeedsMending(f"{name}: holds two files under one name; pack it again")
    # Names that start so are locks and leavings of office programs and of one system's own packer.
    kept = [info for info in found if not PurePosixPath(info.filename).name.startswith((".", "~$"))]
    return {info.filename: bool(info.flag_bits & 1) for info in kept}


def refuse_trap(data: bytes, *, name: str) -> None:
    """Raises NeedsMending when a workbook, which is a zip archive as well, would unpack to far more than a table holds."""
    if not data.startswith(b"PK"):
        return
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            parts = [(info.file_size, info.compress_size) for info in archive.infolist()]
    except _UNREADABLE:
        return  # whoever opens the workbook says so
    for unpacked_bytes, packed_bytes in parts:
        _refuse_too_large(name, unpacked_bytes, packed_bytes)


def refuse_damaged(data: bytes, *, name: str) -> None:
    """Raises NeedsMending when a part of a workbook does not agree with its checksum: one changed bit can be another value.

    The library that reads workbooks does not look. What cannot be unpacked at all is left to whoever opens it. Call `refuse_trap` first.
    """
    if not data.startswith(b"PK"):
        return
    digest = hashlib.sha256(data).digest()
    if digest not in _whole:
        try:
            with zipfile.ZipFile(io.BytesIO(data)) as archive:
                _whole[digest] = archive.testzip() is None
        except zlib.error:
            _whole[digest] = False
        except _UNREADABLE:
            return
    if not _whole[digest]:
        raise NeedsMending(f"{name}: damaged; save the workbook again, or copy it again")


def unpacked(data: bytes, *, name: str) -> bytes:
    """What a gzip file's bytes hold, whole and checked. Raises NeedsMending when it is damaged, cut short or a trap."""
    out = io.BytesIO()
    view, position = memoryview(data), 0
    try:
        while position < len(data):
            if position and data[position : position + 2] != b"\x1f\x8b":
                if data[position:].strip(b"\x00"):  # tapes and block devices pad with NULs; anything else is damage
                    raise zlib.error("something stands behind the end")
                break
            position = _member(view, position, out, name)
    except (zlib.error, EOFError):
        raise NeedsMending(f"{name}: damaged or cut short; pack it again, or copy it again") from None
    return out.getvalue()


def _member(view: memoryview, position: int, out: io.BytesIO, name: str) -> int:
    """Unpacks the gzip member at `position` into `out`; gives the position behind it."""
    inflate = zlib.decompressobj(wbits=16 + zlib.MAX_WBITS)  # with gzip's header, length and checksum
    while not inflate.eof:
        if inflate.unconsumed_tail:
            part: bytes | memoryview = inflate.unconsumed_tail
        else:
            part = view[position : position + _PART]
            position += len(part)
            if not part:
                raise EOFError
        out.write(inflate.decompress(part, _PART))
        # Held against what was unpacked so far, so that a trap is left before it fills the memory.
        _refuse_too_large(name, out.tell(), position - len(inflate.unconsumed_tail))
    return position - len(inflate.unused_data) - len(inflate.unconsumed_tail)


def _refuse_too_large(label: str, unpacked_bytes: int, packed_bytes: int) -> None:
    if unpacked_bytes > LARGEST or unpacked_bytes > max(ALWAYS_ALLOWED, MOST_TIMES_LARGER * packed_bytes):
        raise NeedsMending(f"{label}: unpacks to far more than a table holds; unpack it and look at it first")
