"""A table's columns as a run with this draft would read them: every row, with the labels of a statistics program in place of its numbers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import polars as pl

from pipeline.draft.held import Held, counted, held, together
from pipeline.draft.tables import TableFound
from pipeline.faults import NeedsMending
from pipeline.mapping import WORKBOOK_SUFFIXES, ExportMapping, TableMapping
from pipeline.reading.export_folder import ExportFolder
from pipeline.reading.find_tables import open_table
from pipeline.reading.source import Source, fold
from pipeline.reading.stray_lines import told_apart

_MOST_COUNTED = 200_000  # different values of a column beyond which no more are counted: keys and the like


@dataclass(frozen=True, slots=True)
class AsRead:
    """The file as it is read, what each of our columns holds (by our name), and what would stop the run, "" for nothing."""

    source: Source = field(repr=False)
    columns: Mapping[str, Held] = field(repr=False)
    fault: str


def as_read(folder: ExportFolder, found: TableFound) -> AsRead:
    """Reads the columns that the table's pairs name."""
    source, positions, fault = _opened(folder, found)
    counts: dict[str, list[pl.DataFrame]] = {name: [] for name in positions}
    wanted = sorted(set(positions.values()))
    if wanted:
        for block in source.blocks(wanted):
            rows = told_apart(block, source.headers).filter(pl.col("fault").is_null())
            for name, position in positions.items():
                parts = counts[name]
                if sum(part.height for part in parts) < _MOST_COUNTED:
                    parts.append(counted(rows[str(position)]))
    columns = {
        name: held(together([counted(pl.Series([], dtype=pl.String)), *parts])) for name, parts in counts.items()
    }
    return AsRead(source, columns, fault)


def workbook_sheet(found: TableFound) -> str | None:
    """The sheet as a mapping may name it: for a workbook that is not packed."""
    return found.sheet.sheet if found.sheet.file.lower().endswith(WORKBOOK_SUFFIXES) else None


def is_found_by_name(folder: ExportFolder, found: TableFound) -> bool:
    """Whether the reader finds this file for the table by itself."""
    if fold(found.sheet.stem) != found.table.name:
        return False
    try:
        source = open_table(folder, found.table, ExportMapping())
    except NeedsMending:
        return False
    return source is not None and source.name == found.sheet.name


def _opened(folder: ExportFolder, found: TableFound) -> tuple[Source, dict[str, int], str]:
    here = {pair.column.name: pair.position for pair in found.pairs}
    part = TableMapping(
        file=found.sheet.file,
        sheet=workbook_sheet(found),
        columns={pair.column.name: pair.header for pair in found.pairs},
    )
    try:
        source = open_table(folder, found.table, ExportMapping(tables={found.table.name: part}))
    except NeedsMending as fault:
        return found.sheet.source, here, fault.lines[0]
    if source is None or any(pair.header not in source.headers for pair in found.pairs):
        return (
            found.sheet.source,
            here,
            f"{found.sheet.name}: its header line is hard to find; take titles above it out",
        )
    return source, {pair.column.name: source.headers.index(pair.header) for pair in found.pairs}, ""
