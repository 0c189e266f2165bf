"""Parquet files: typed columns, brought to the text that every other format gives."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.faults import NeedsMending
from pipeline.source import SAMPLE_ROWS
from pipeline.typed_values import as_text

# pyarrow reads, not polars: on damaged bytes polars 2.1 aborts a thread and prints its stack instead of raising.
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
        names = [self.headers[position] for position in positions]
        try:
            file = pq.ParquetFile(io.BytesIO(self.data), page_checksum_verification=True)
            if rows is None:
                table = file.read(columns=names)
            else:
                batches = file.iter_batches(batch_size=rows, columns=names)
                table = pa.Table.from_batches(
                    list(islice(batches, 1)), file.schema_arrow.empty_table().select(names).schema
                )
            frame = pl.from_arrow(table)
        except _DAMAGED:
            raise NeedsMending(f"{self.name}: the file is damaged; export it again") from None
        if not isinstance(frame, pl.DataFrame) or (rows is None and frame.height != file.metadata.num_rows):
            raise NeedsMending(f"{self.name}: the file is damaged; export it again")
        return pl.DataFrame(
            [as_text(frame[header]).alias(str(position)) for header, position in zip(names, positions, strict=True)]
        )


def open_parquet(data: bytes, *, name: str, sha256: str | None = None) -> ParquetSource:
    """A Parquet file's bytes with its column names; `sha256` is that of the file when it was packed.

    Raises NeedsMending when it is no Parquet file.
    """
    try:
        headers = tuple(pq.read_schema(io.BytesIO(data)).names)
    except _DAMAGED:
        raise NeedsMending(f"{name}: not a Parquet file, or a damaged one; export it again") from None
    return ParquetSource(name=name, sha256=sha256 or hashlib.sha256(data).hexdigest(), headers=headers, data=data)
