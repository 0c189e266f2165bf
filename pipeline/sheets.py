"""Workbooks (XLSX): one sheet as a table of text, with the row numbers that the spreadsheet shows."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import fastexcel
import polars as pl

from pipeline.faults import NeedsMending
from pipeline.source import HEADER_WITHIN, SAMPLE_ROWS, Wanted


@dataclass(frozen=True, slots=True)
class SheetSource:
    """One sheet. `cells` are all its rows below the header, as text, named by position; `first_row` is their first row."""

    name: str
    sha256: str
    headers: tuple[str, ...]
    first_row: int
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


def open_sheet(data: bytes, *, name: str, sheet: str, wanted: Wanted) -> SheetSource:
    """The named sheet of a workbook's bytes, with its header row found among the first few rows.

    Cells come as text: dates as ISO text, whole numbers without a fraction, faulty formulas as nothing.
    """
    reader = _open(data, name)
    label = f"{name} [{sheet}]"
    try:
        cells = reader.load_sheet(sheet, header_row=None, skip_rows=0, dtypes="string").to_polars()
    except (fastexcel.FastExcelError, pl.exceptions.PolarsError):
        raise NeedsMending(f"{label}: the sheet cannot be read; save the workbook again, or export it as CSV") from None
    cells = cells.rename({column: str(i) for i, column in enumerate(cells.columns)}).cast(pl.String)
    head = [[str(cell or "").strip() for cell in row] for row in cells.head(HEADER_WITHIN).rows()]
    candidates = [(wanted.score(row), -number) for number, row in enumerate(head) if any(row)]
    if not candidates:
        raise NeedsMending(f"{label}: the sheet is empty; export it again, with its header row")
    at = -max(candidates)[1]
    return SheetSource(
        name=label,
        sha256=hashlib.sha256(data).hexdigest(),
        headers=tuple(head[at]),
        first_row=at + 2,  # rows are counted from 1, and the table starts below the header
        cells=cells.slice(at + 1),
    )


def _open(data: bytes, name: str) -> fastexcel.ExcelReader:
    try:
        return fastexcel.read_excel(data)
    except fastexcel.FastExcelError:
        raise NeedsMending(
            f"{name}: not a workbook that can be opened; if it has a password, save it without one"
        ) from None
