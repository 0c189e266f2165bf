"""Which file of an export holds which table, and that file opened in the way of its kind. Where it cannot be known, the mapping is asked."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path, PurePath

from pipeline.case_tables import Table
from pipeline.faults import NeedsMending
from pipeline.mapping import ExportMapping, TableMapping
from pipeline.reading.export_folder import (
    PARQUET_SUFFIXES,
    STATISTICS_SUFFIXES,
    TABLE_SUFFIXES,
    ExportFile,
    ExportFolder,
    is_table,
    listed,
)
from pipeline.reading.packed_files import ZIP_SUFFIX
from pipeline.reading.parquet_files import open_parquet
from pipeline.reading.sheets import open_sheet, sheet_names
from pipeline.reading.source import Source, Wanted, fold
from pipeline.reading.statistics_files import open_statistics
from pipeline.reading.text_files import open_text
from pipeline.rules import MAY_BE_ABSENT

Place = tuple[ExportFile, str | None]  # the file, and the sheet when it is a workbook


def open_table(folder: ExportFolder, table: Table, mapping: ExportMapping) -> Source | None:
    """The file that holds the table, opened; None when a table that may be absent is. Raises NeedsMending otherwise."""
    part = mapping.table(table.name)
    found = _find(folder, table, part, mapping.source)
    if found is None:
        return None
    file, sheet = found
    if sheet is None and part.sheet is not None:
        raise NeedsMending(
            f"{mapping.source}: [{table.name}] sheet is given, but {file.name} is not a workbook (.xlsx); "
            "leave sheet out, or name the workbook under file"
        )
    wanted = Wanted(
        known=frozenset(fold(part.header(column.name)) for column in table.columns),
        needed=frozenset(
            fold(part.header(column.name))
            for column in table.columns
            if column.needed and column.name not in part.constants
        ),
    )
    data = folder.content(file)
    name, sha256 = file.name, folder.sha256(file)
    if sheet is not None:
        return open_sheet(data, name=name, sheet=sheet, wanted=wanted, sha256=sha256)
    if file.suffix in PARQUET_SUFFIXES:
        return open_parquet(data, name=name, sha256=sha256)
    if file.suffix in STATISTICS_SUFFIXES:
        return open_statistics(data, name=name, suffix=file.suffix, sha256=sha256, table=table, mapping=part)
    return open_text(data, name=name, encoding=part.encoding, separator=part.separator, wanted=wanted, sha256=sha256)


def _find(folder: ExportFolder, table: Table, part: TableMapping, mapping_name: str) -> Place | None:
    if part.file is not None:
        return _stated(folder, table, part, mapping_name)
    files = folder.files()
    found = _holding(folder, files, table, part, mapping_name)
    if not found:
        found = _in_archive_of_its_name(folder, table, part, mapping_name)
    if found:
        return _only(found, table)
    folder.tell_unreadable()  # it may well be in there
    if table.name in MAY_BE_ABSENT:
        return None
    looked_for = ", ".join(f"{table.name}{suffix}" for suffix in (".csv", ".parquet", ".xlsx"))
    others = [file for file in files if file.stem == table.name and not is_table(file)]
    there = f"; {listed(others)} is of a kind that is not read" if others else ""
    raise NeedsMending(
        f"{table.name}: no file holds this table (looked for {looked_for} and other kinds, and a sheet '{table.name}' in any "
        f'workbook{there}); add it, or name it in the mapping: [{table.name}] file = "..."'
    )


def _stated(folder: ExportFolder, table: Table, part: TableMapping, mapping_name: str) -> Place:
    """The file that the mapping names: in the folder, in an archive ("all.zip/patients.csv"), or an archive with one table in it."""
    stated = str(part.file)
    path = folder.folder / stated
    if path.is_file() and path.suffix.lower() != ZIP_SUFFIX:
        return _place(folder, ExportFile(path), table, part, mapping_name)
    archive, member = _archive_in(folder.folder, stated)
    if archive is None:
        raise NeedsMending(
            f"{mapping_name}: [{table.name}] file '{stated}' is not in the folder of tables; mend its name"
        )
    inside = folder.inside(archive)
    if not inside:
        folder.tell_unreadable()
    if not member:
        found = _holding(folder, inside, table, part, mapping_name) or _single(
            folder, inside, table, part, mapping_name
        )
        if not found:
            raise NeedsMending(_which(archive, inside, table))
        return _only(found, table)
    named = [file for file in inside if PurePath(file.member) == PurePath(member)]
    if not named:
        raise NeedsMending(
            f"{mapping_name}: [{table.name}] file '{stated}': {archive.name} holds no file of that name; mend it"
        )
    return _place(folder, named[0], table, part, mapping_name)


def _archive_in(folder: Path, stated: str) -> tuple[Path | None, str]:
    """The zip archive among the folders of a path, and the rest of the path inside it."""
    parts = PurePath(stated).parts
    for count in range(1, len(parts) + 1):
        path = folder.joinpath(*parts[:count])
        if path.suffix.lower() == ZIP_SUFFIX and path.is_file():
            return path, "/".join(parts[count:])
    return None, ""


def _holding(
    folder: ExportFolder, files: Sequence[ExportFile], table: Table, part: TableMapping, mapping_name: str
) -> list[Place]:
    """The files named after the table, and the workbooks with a sheet named after it."""
    found: list[Place] = []
    for file in files:
        named = file.stem == table.name
        if folder.is_workbook(file):
            try:
                sheets = sheet_names(folder.content(file), name=file.name)
            except NeedsMending as fault:
                if named:
                    raise
                folder.unreadable += fault.lines
                continue
            held = [sheet for sheet in sheets if fold(sheet) == fold(part.sheet or table.name)]
            if held:
                found += [(file, sheet) for sheet in held]
            elif named:
                found.append(_place(folder, file, table, part, mapping_name))
        elif named and is_table(file):
            found.append((file, None))
    return found


def _in_archive_of_its_name(folder: ExportFolder, table: Table, part: TableMapping, mapping_name: str) -> list[Place]:
    """What an archive named after the table (patients.zip, patients.csv.zip) holds, under whatever name."""
    for path in folder.paths:
        name = path.name.casefold().removesuffix(ZIP_SUFFIX)
        if path.suffix.lower() == ZIP_SUFFIX and name in (table.name, *(table.name + kind for kind in TABLE_SUFFIXES)):
            inside = folder.inside(path)
            if not inside:
                folder.tell_unreadable()
            found = _single(folder, inside, table, part, mapping_name)
            if not found:
                raise NeedsMending(_which(path, inside, table))
            return found
    return []


def _single(
    folder: ExportFolder, inside: Sequence[ExportFile], table: Table, part: TableMapping, mapping_name: str
) -> list[Place]:
    tables = [file for file in inside if is_table(file)]
    return [_place(folder, tables[0], table, part, mapping_name)] if len(tables) == 1 else []


def _place(folder: ExportFolder, file: ExportFile, table: Table, part: TableMapping, mapping_name: str) -> Place:
    if not folder.is_workbook(file):
        return file, None
    sheets = sheet_names(folder.content(file), name=file.name)
    for sheet in sheets:
        if fold(sheet) == fold(part.sheet or table.name):
            return file, sheet
    if part.sheet is not None:
        raise NeedsMending(f"{mapping_name}: [{table.name}] {file.name} has no sheet '{part.sheet}'; mend its name")
    if len(sheets) == 1:
        return file, sheets[0]
    raise NeedsMending(
        f'{file.name}: which of its {len(sheets)} sheets holds {table.name}? Say so in the mapping: [{table.name}] sheet = "..."'
    )


def _only(found: Sequence[Place], table: Table) -> Place:
    if len(found) == 1:
        return found[0]
    names = ", ".join(file.name + (f" [{sheet}]" if sheet else "") for file, sheet in found)
    raise NeedsMending(
        f'{table.name}: several files hold this table ({names}); name one in the mapping: [{table.name}] file = "..."'
    )


def _which(archive: Path, inside: Sequence[ExportFile], table: Table) -> str:
    tables = [file for file in inside if is_table(file)]
    name = ExportFile(archive).name
    if not tables:
        return f"{name}: holds no table; pack {table.name} as CSV"
    return (
        f"{name}: which of its {len(tables)} files holds {table.name}? Say so in the mapping: "
        f'[{table.name}] file = "{archive.name}/..."'
    )
