"""The tables that stand in an export's folder, whatever they are called: every file, and every sheet of a workbook."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path, PurePath

from pipeline.case_tables import TABLES
from pipeline.draft.held import Held, counted, held
from pipeline.draft.phrasebook import column_book
from pipeline.faults import NeedsMending
from pipeline.mapping import TableMapping
from pipeline.reading.export_folder import PARQUET_SUFFIXES, STATISTICS_SUFFIXES, ExportFile, ExportFolder, is_table
from pipeline.reading.parquet_files import open_parquet
from pipeline.reading.sheets import open_sheet, sheet_names
from pipeline.reading.source import Source, Wanted, fold
from pipeline.reading.statistics_files import open_statistics
from pipeline.reading.text_files import open_text

# A number, a date, an address, or a key: what stands in a row and hardly over a column.
_OF_A_ROW = re.compile(r"^[+-]?[\d.,:/ -]+$|\d{4}|\d{3}$|\d[./-]\d{1,2}[./-]\d|@|^\w{8}-\w{4}-")
_MOST_OF_A_ROW = 0.1


@dataclass(frozen=True, slots=True)
class Sheet:
    """A file, or a sheet of a workbook: `file` and `sheet` as a mapping names them, with what each column holds by position."""

    file: str
    sheet: str | None
    stem: str
    source: Source = field(repr=False)
    columns: tuple[Held, ...] = field(repr=False)

    @property
    def headers(self) -> tuple[str, ...]:
        """The headers, stripped; "" for a blank one."""
        return self.source.headers

    @property
    def headed(self) -> bool:
        """Whether its first line is one of headings; else its headers are a patient's row, to be told to nobody."""
        return is_headed(self.source.headers)

    @property
    def name(self) -> str:
        """As it is told to the user."""
        return self.source.name


@dataclass(frozen=True, slots=True)
class Seen:
    """The sheets that could be opened, and one sentence for each file that could not."""

    sheets: tuple[Sheet, ...]
    faults: tuple[str, ...]


def see(folder: ExportFolder) -> Seen:
    """Opens everything in the folder that can hold a table, and looks at the first rows of every column."""
    sheets: list[Sheet] = []
    faults: list[str] = []
    for file in folder.files():
        if not is_table(file):
            continue
        if not _can_be_named(file):
            faults.append(f"{file.name}: the file's name cannot be written in a mapping; rename it")
            continue
        try:
            sheets += [_sheet(file, sheet, source) for sheet, source in _opened(folder, file, faults)]
        except NeedsMending as fault:
            faults += fault.lines
    return Seen(tuple(sheets), tuple(faults))


def _opened(folder: ExportFolder, file: ExportFile, faults: list[str]) -> list[tuple[str | None, Source]]:
    data, name = folder.content(file), file.name
    if folder.is_workbook(file):
        found: list[tuple[str | None, Source]] = []
        for sheet in sheet_names(data, name=name):
            try:
                found.append((sheet, open_sheet(data, name=name, sheet=sheet, wanted=_wanted())))
            except NeedsMending as fault:
                faults += fault.lines
        return found
    if file.suffix in PARQUET_SUFFIXES:
        return [(None, open_parquet(data, name=name))]
    if file.suffix in STATISTICS_SUFFIXES:
        # Which table it holds is not known yet, so value labels stay unread here.
        return [(None, open_statistics(data, name=name, suffix=file.suffix, table=TABLES[0], mapping=TableMapping()))]
    return [(None, open_text(data, name=name, encoding=None, separator=None, wanted=_wanted()))]


class _AnyHeading(Wanted):
    """Looks for a line of headings, whatever table it is of, and takes no patient's row for one: codes are words of the trade too."""

    def score(self, headers: Sequence[str]) -> tuple[bool, int]:
        """Whether it is a line of headings at all, and how many of the trade's are among them."""
        return is_headed(headers), len({fold(header) for header in headers} & self.known)


def is_headed(headers: Sequence[str]) -> bool:
    """Whether a line looks like one of headings, and not like a row: hardly a cell that is blank, a number, a date or a key."""
    rows = sum(not header.strip() or bool(_OF_A_ROW.search(header.strip())) for header in headers)
    return len(headers) > 1 and rows <= _MOST_OF_A_ROW * len(headers)


def _wanted() -> Wanted:
    return _AnyHeading(known=column_book().known_headings, needed=frozenset())


def _sheet(file: ExportFile, sheet: str | None, source: Source) -> Sheet:
    sample = source.sample(range(len(source.headers)))
    named = f"{file.path.name}/{file.member}" if file.member else file.path.name
    return Sheet(
        file=named,
        sheet=sheet,
        stem=sheet if sheet is not None else Path(file.stem).name,
        source=source,
        columns=tuple(held(counted(sample[str(position)])) for position in range(len(source.headers))),
    )


def _can_be_named(file: ExportFile) -> bool:
    named = f"{file.path.name}/{file.member}"
    try:
        named.encode()
    except UnicodeEncodeError:
        return False
    return ".." not in PurePath(named).parts


def repeated(headers: tuple[str, ...]) -> frozenset[str]:
    """The folded headers that stand over more than one column, which no mapping can tell apart."""
    folded = [fold(header) for header in headers]
    return frozenset(header for header in folded if folded.count(header) > 1)
