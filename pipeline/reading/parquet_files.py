"""Parquet files: typed columns, brought to the text that every other format gives."""

from __future__ import annotations

import hashlib
import io
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from itertools import islice

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.faults import NeedsMending
from pipeline.reading.source import SAMPLE_ROWS
from pipeline.typed_values import as_text

# pyarrow reads, not polars: on damaged bytes polars 2.1 aborts a thread and prints its stack instead of raising.
_OFFSET = re.compile(r"([+-])(\d{2}):?(\d{2})$")
_DAMAGED = (pa.ArrowException, pl.exceptions.PolarsError, OSError, ValueError, KeyError)


@dataclass(frozen=True, slots=True)
class ParquetSource:
    """One Parquet file. Rows are counted as in a sheet: the first is row 2, under a header."""

    name: str
    sha256: str
    headers: tuple[str, ...]
    data: bytes = field(repr=False)

    @property
    def encoding(self) -> str:
        """None of its own to tell."""
        return ""

    @property
    def separator(self) -> str:
        """None: a Parquet file has columns."""
        return ""

    @property
    def epoch(self) -> None:
        """None: a Parquet file has columns of dates."""
        return None

    def sample(self, positions: Sequence[int]) -> pl.DataFrame:
        """The first rows' values of the columns at `positions`."""
        return self._text(positions, rows=SAMPLE_ROWS)

    def blocks(self, positions: Sequence[int]) -> Iterator[pl.DataFrame]:
        """Every row, all at once."""
        yield self.rows(positions)

    def rows(self, positions: Sequence[int]) -> pl.DataFrame:
        """Every row: row number, no fault, and the columns at `positions`."""
        frame = self._text(positions, rows=None)
        return frame.select(
            pl.int_range(pl.len(), dtype=pl.Int64).alias("row") + 2,
            pl.lit(None, dtype=pl.String).alias("fault"),
            *(pl.col(str(position)) for position in positions),
        )

    def _text(self, positions: Sequence[int], *, rows: int | None) -> pl.DataFrame:
        try:
            file = pq.ParquetFile(io.BytesIO(self.data), page_checksum_verification=True)
            # A file with a column that cannot be asked for by its name is read whole.
            names = [self.headers[position] for position in positions]
            named = len(set(file.schema_arrow.names)) == len(file.schema_arrow.names) and "" not in names
            asked = names if named else None
            if rows is None:
                table = file.read(columns=asked)
            else:
                batches = list(islice(file.iter_batches(batch_size=rows, columns=asked), 1))
                table = pa.Table.from_batches(batches) if batches else file.schema_arrow.empty_table()
            columns = [table.column(name) for name in names] if named else [table.column(at) for at in positions]
            series = [_series(column) for column in columns]
        except _DAMAGED:
            raise NeedsMending(f"{self.name}: the file is damaged; export it again") from None
        if rows is None and table.num_rows != file.metadata.num_rows:
            raise NeedsMending(f"{self.name}: the file is damaged; export it again")
        unknown = [self.headers[at] for at, column in zip(positions, series, strict=True) if column is None]
        if unknown:
            raise NeedsMending(
                *(
                    f"{self.name}: column '{header}' has a time zone that is not known; export dates"
                    for header in unknown
                )
            )
        return pl.DataFrame(
            [
                as_text(column).alias(str(position))
                for column, position in zip(series, positions, strict=True)
                if column is not None
            ]
        )


def _series(column: pa.ChunkedArray) -> pl.Series | None:
    """The column for polars; None when its time zone is not known. A zone such as +02:00 is turned into moments without one."""
    kind = column.type
    if pa.types.is_timestamp(kind) and kind.tz is not None:
        offset = _OFFSET.match(kind.tz)
        if offset is None:
            try:
                pl.Series([None], dtype=pl.Datetime("us", kind.tz)).dt.strftime("%Y")
            except pl.exceptions.PolarsError:
                return None
        else:
            sign, hours, minutes = offset.groups()
            minutes_east = (int(hours) * 60 + int(minutes)) * (-1 if sign == "-" else 1)
            moments = pl.from_arrow(column.cast(pa.timestamp(kind.unit)))
            return moments + timedelta(minutes=minutes_east) if isinstance(moments, pl.Series) else None
    series = pl.from_arrow(column)
    return series if isinstance(series, pl.Series) else None


def open_parquet(data: bytes, *, name: str, sha256: str | None = None) -> ParquetSource:
    """A Parquet file's bytes with its column names; `sha256` is that of the file when it was packed.

    Raises NeedsMending when it is no Parquet file.
    """
    try:
        headers = tuple(pq.read_schema(io.BytesIO(data)).names)
    except _DAMAGED:
        raise NeedsMending(f"{name}: not a Parquet file, or a damaged one; export it again") from None
    return ParquetSource(name=name, sha256=sha256 or hashlib.sha256(data).hexdigest(), headers=headers, data=data)
