"""Workbooks (XLSX, XLSM, XLS, ODS): one sheet as a table of text, with the row numbers that the spreadsheet shows."""

from __future__ import annotations

import hashlib
import io
import logging
import re
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date

import fastexcel
import polars as pl

from pipeline.faults import NeedsMending
from pipeline.reading.packed_files import refuse_damaged, refuse_trap
from pipeline.reading.source import HEADER_WITHIN, SAMPLE_ROWS, Wanted
from pipeline.reading.workbook_extent import opens, refuse_far_cells

OLD_WORKBOOK = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"  # how an XLS begins, and any locked workbook

# What the library finds odd in a workbook is its own affair: it would stand between our lines on the terminal.
for _library in ("calamine", "fastexcel"):
    logging.getLogger(_library).addHandler(logging.NullHandler())
    logging.getLogger(_library).propagate = False

# What a bare number in a date column counts from (ECMA-376 part 1, 18.17.4.1). The 1900 system takes 1900 for a leap year, so
# that from 1 March 1900 on its day 0 is 30 December 1899; earlier days do not occur in an export.
EPOCH_1900, EPOCH_1904 = date(1899, 12, 30), date(1904, 1, 1)
_DATE_1904 = re.compile(rb"<(?:\w+:)?workbookPr\b[^>]*\bdate1904\s*=\s*[\"'](?:1|true|on)[\"']", re.IGNORECASE)
# In an XLS the record of the date system (0x22) stands before that of the precision (0x0e); each is 2 bytes long.
_XLS_DATE_SYSTEM = re.compile(rb"\x22\x00\x02\x00([\x00\x01])\x00\x0e\x00\x02\x00")
# How a spreadsheet shows a formula that failed. "#N/A" is no failure: it says that there is nothing.
_FAULTS = {
    "Div0": "#DIV/0!",
    "Name": "#NAME?",
    "Null": "#NULL!",
    "Num": "#NUM!",
    "Ref": "#REF!",
    "Value": "#VALUE!",
    "GettingData": "#GETTING_DATA",
}


@dataclass(frozen=True, slots=True)
class SheetSource:
    """One sheet. `cells` are all its rows below the header, as text, named by position; `first_row` is their first row."""

    name: str
    sha256: str
    headers: tuple[str, ...]
    first_row: int
    epoch: date | None
    cells: pl.DataFrame = field(repr=False)

    @property
    def encoding(self) -> str:
        """None of its own to tell."""
        return ""

    @property
    def separator(self) -> str:
        """None: a workbook has cells."""
        return ""

    def sample(self, positions: Sequence[int]) -> pl.DataFrame:
        """The first rows' values of the columns at `positions`."""
        return self.cells.select(str(position) for position in positions).head(SAMPLE_ROWS)

    def blocks(self, positions: Sequence[int]) -> Iterator[pl.DataFrame]:
        """Every row, all at once."""
        yield self.rows(positions)

    def rows(self, positions: Sequence[int]) -> pl.DataFrame:
        """Every row that holds anything: row number, no fault, and the columns at `positions`."""
        blank = pl.all_horizontal(pl.col(name).str.strip_chars().fill_null("") == "" for name in self.cells.columns)
        kept = self.cells.with_row_index("row", offset=self.first_row).filter(~blank)
        return kept.select(
            pl.col("row").cast(pl.Int64),
            pl.lit(None, dtype=pl.String).alias("fault"),
            *(pl.col(str(position)) for position in positions),
        )


def sheet_names(data: bytes, *, name: str) -> tuple[str, ...]:
    """Names of the sheets in a workbook's bytes. Raises NeedsMending when it cannot be opened."""
    return tuple(_open(data, name).sheet_names)


def open_sheet(data: bytes, *, name: str, sheet: str, wanted: Wanted, sha256: str | None = None) -> SheetSource:
    """The named sheet of a workbook's bytes, with its header row found among the first few rows.

    Cells come as text: dates as ISO text in either date system, whole numbers without a fraction, formulas as the value that
    was last shown, faulty ones as the fault ("#DIV/0!"). Rows and sheets that are hidden are read as any other. `sha256` is
    that of the file when it was packed.
    """
    reader = _open(data, name)
    label = f"{name} [{sheet}]"
    refuse_far_cells(data, sheet=sheet, name=label)
    try:
        cells = _cells(reader, sheet)
    except (fastexcel.FastExcelError, pl.exceptions.PolarsError):
        raise NeedsMending(f"{label}: the sheet cannot be read; save the workbook again, or export it as CSV") from None
    head = [[str(cell or "").strip() for cell in row] for row in cells.head(HEADER_WITHIN).rows()]
    at = _header_row(head, wanted)
    if at is None:
        raise NeedsMending(f"{label}: the sheet is empty; export it again, with its header row")
    return SheetSource(
        name=label,
        sha256=sha256 or hashlib.sha256(data).hexdigest(),
        headers=tuple(head[at]),
        first_row=at + 2,  # rows are counted from 1, and the table starts below the header
        epoch=_epoch(data),
        cells=cells.slice(at + 1),
    )


def _cells(reader: fastexcel.ExcelReader, sheet: str) -> pl.DataFrame:
    """Every cell as text, columns named by position."""
    loaded = reader.load_sheet(sheet, header_row=None, skip_rows=0, dtypes="string")
    batch, faulty = loaded.to_arrow_with_errors()
    frame = pl.from_arrow(batch)
    if not isinstance(frame, pl.DataFrame):
        raise pl.exceptions.ShapeError
    columns = [column.cast(pl.String).alias(str(i)) for i, column in enumerate(frame.get_columns())]
    found: dict[int, dict[int, str]] = {}
    for error in faulty.errors if faulty is not None else ():
        row, column = error.offset_position
        shown = next((text for kind, text in _FAULTS.items() if f"Error({kind})" in error.detail), None)
        if shown is not None:
            found.setdefault(column, {})[row] = shown
    for column, faults in found.items():
        columns[column] = columns[column].scatter(list(faults), list(faults.values()))
    return pl.DataFrame(columns)


def _header_row(head: Sequence[Sequence[str]], wanted: Wanted) -> int | None:
    """The row under which most known headers are seen; where none is known, the first that is filled as far as any; from 0."""
    candidates = [
        (wanted.score(row), 0 if wanted.score(row)[1] else sum(map(bool, row)), -number)
        for number, row in enumerate(head)
        if any(row)
    ]
    return -max(candidates)[2] if candidates else None


def _epoch(data: bytes) -> date | None:
    """Day 0 of the workbook's date system; None where it is not told (ODS has dates of its own, without numbers)."""
    if data.startswith(b"PK"):
        try:
            with zipfile.ZipFile(io.BytesIO(data)) as parts:
                book = parts.read("xl/workbook.xml")
        except (
            KeyError,
            zipfile.BadZipFile,
            zlib.error,
            NotImplementedError,
            RuntimeError,
            EOFError,
            OSError,
            ValueError,
        ):
            return None
        return EPOCH_1904 if _DATE_1904.search(book) else EPOCH_1900
    systems = set(_XLS_DATE_SYSTEM.findall(data))
    return {b"\x00": EPOCH_1900, b"\x01": EPOCH_1904}[systems.pop()] if len(systems) == 1 else None


def _open(data: bytes, name: str) -> fastexcel.ExcelReader:
    refuse_trap(data, name=name)
    refuse_damaged(data, name=name)
    try:
        if not data.startswith(OLD_WORKBOOK) or opens(data):
            return fastexcel.read_excel(data)
    except fastexcel.FastExcelError:
        pass
    raise NeedsMending(f"{name}: not a workbook that can be opened; if it has a password, save it without one")
