"""The files of an export: those of its folder, and those inside its zip archives, read once and hashed as they stand on the disk."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from pipeline.faults import NeedsMending
from pipeline.mapping import WORKBOOK_SUFFIXES
from pipeline.reading.packed_files import (
    GZIP_SUFFIX,
    PACKED_SUFFIXES,
    ZIP_SUFFIX,
    Archive,
    members,
    open_archive,
    unpacked,
)

TEXT_SUFFIXES = (".csv", ".tsv", ".txt")
PARQUET_SUFFIXES = (".parquet",)
STATISTICS_SUFFIXES = (".sas7bdat", ".xpt", ".dta", ".sav", ".zsav")
TABLE_SUFFIXES = (*TEXT_SUFFIXES, *PARQUET_SUFFIXES, *STATISTICS_SUFFIXES, *WORKBOOK_SUFFIXES)
# How the workbooks begin that are read; what only bears the name of one is text or a web page.
_WORKBOOK_SIGNATURES = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1")


@dataclass(frozen=True, slots=True)
class ExportFile:
    """One file: in the folder itself, or `member` of a zip archive there. `suffix` and `stem` are those of what is packed."""

    path: Path
    member: str = ""

    @property
    def name(self) -> str:
        """The file's name as messages show it."""
        name = f"{self.path.name}/{self.member}" if self.member else self.path.name
        return "".join(sign if sign.isprintable() else "?" for sign in name)

    @property
    def packed(self) -> bool:
        """Whether it is packed with gzip by itself."""
        return not self.member and self.path.suffix.lower() == GZIP_SUFFIX

    @property
    def suffix(self) -> str:
        """What kind of file it is, in lower case: ".csv" of patients.csv.gz."""
        return self._unpacked_name.suffix.lower()

    @property
    def stem(self) -> str:
        """The name that a table is known by: "patients" of 2024/Patients.CSV in an archive."""
        name = self._unpacked_name
        return PurePosixPath(name.stem).stem.casefold() if self.nested else name.stem.casefold()

    @property
    def nested(self) -> bool:
        """Whether it is packed inside a packed file, which is not unpacked."""
        return bool(self.member) and self.suffix in PACKED_SUFFIXES

    @property
    def _unpacked_name(self) -> PurePosixPath:
        name = PurePosixPath(self.member.replace("\\", "/")).name if self.member else self.path.name
        return PurePosixPath(name[: -len(GZIP_SUFFIX)] if self.packed else name)


class ExportFolder:
    """The folder's files. Raises NeedsMending when it cannot be read.

    A workbook or an archive is kept once it is read, as it may hold several tables; other files are not. `unreadable` are the
    faults of files that may have nothing to do with the export, to be told when a table is not found.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._workbooks: dict[ExportFile, bytes] = {}
        self._archives: dict[Path, Archive] = {}
        self._hashes: dict[Path, str] = {}
        self._inside: dict[Path, list[ExportFile]] = {}
        self.unreadable: list[str] = []
        try:
            found = sorted(path for path in folder.iterdir() if path.is_file())
        except OSError as error:
            raise NeedsMending(
                f"{folder}: the folder of tables cannot be read ({error.strerror}); check --tables"
            ) from None
        # Names that start so are locks and leavings of office programs.
        self.paths = [path for path in found if not path.name.startswith((".", "~$"))]

    def files(self) -> list[ExportFile]:
        """Every file, those in archives included, in the order of their names."""
        return [file for path in self.paths for file in self.inside(path)]

    def inside(self, path: Path) -> list[ExportFile]:
        """The files of the archive at `path`, none when it cannot be opened; the file itself when it is no archive."""
        if path.suffix.lower() != ZIP_SUFFIX:
            return [ExportFile(path)]
        if path not in self._inside:
            try:
                names = sorted(members(path, name=ExportFile(path).name))
            except NeedsMending as fault:
                names = []
                self.unreadable += fault.lines
            self._inside[path] = [ExportFile(path, name) for name in names]
        return self._inside[path]

    def content(self, file: ExportFile) -> bytes:
        """The file's bytes, unpacked. Raises NeedsMending when they cannot be had whole."""
        if file in self._workbooks:
            return self._workbooks[file]
        if file.member:
            data = self._archive(file.path).content(file.member)
        else:
            data = self._read(file.path)
            if file.packed:
                data = unpacked(data, name=file.name)
        if file.suffix in WORKBOOK_SUFFIXES:
            self._workbooks[file] = data
        return data

    def sha256(self, file: ExportFile) -> str:
        """SHA-256 of the bytes on the disk, packed as they are; known once the file has been read."""
        return self._hashes[file.path]

    def tell_unreadable(self) -> None:
        """Raises NeedsMending with what is wrong with each file that could not be looked into."""
        if self.unreadable:
            raise NeedsMending(*dict.fromkeys(self.unreadable))

    def is_workbook(self, file: ExportFile) -> bool:
        """Whether it is a workbook, and not text or a web page under the name of one."""
        return file.suffix in WORKBOOK_SUFFIXES and (
            file.suffix != ".xls" or self.content(file).startswith(_WORKBOOK_SIGNATURES)
        )

    def _archive(self, path: Path) -> Archive:
        if path not in self._archives:
            self._archives[path] = open_archive(self._read(path), name=ExportFile(path).name)
        return self._archives[path]

    def _read(self, path: Path) -> bytes:
        name = ExportFile(path).name
        try:
            before = path.stat()
            data = path.read_bytes()
            after = path.stat()
        except OSError as error:
            raise NeedsMending(
                f"{name}: the file cannot be read ({error.strerror}); close it elsewhere and check its permissions"
            ) from None
        if _state(before) != _state(after) or len(data) != after.st_size:
            raise NeedsMending(f"{name}: the file changed while it was read; run again once the export is finished")
        self._hashes[path] = hashlib.sha256(data).hexdigest()
        return data


def is_table(file: ExportFile) -> bool:
    """Whether the file is of a kind that can hold a table; one packed twice counts, and is refused when it is read."""
    return file.suffix in TABLE_SUFFIXES or file.nested


def listed(files: Sequence[ExportFile]) -> str:
    """Their names in a row, for a message."""
    return ", ".join(file.name for file in files)


def _state(stat: os.stat_result) -> tuple[int, int, int]:
    return stat.st_size, stat.st_mtime_ns, stat.st_ino
