"""Parquet files: typed columns, brought to the text that every other format gives."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Sequence
from dataclasses import dataclass, field

import polars as pl

from pipeline.faults import NeedsMending
from pipeline.source import SAMPLE_ROWS
from pipeline.typed_values import as_text


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

    def sample(self, positions: Sequence[int]) -> pl.DataFrame:
        """The first rows' values of the columns at `positions`."""
        return self._text(positions, rows=SAMPLE_ROWS)

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
            frame = pl.read_parquet(io.BytesIO(self.data), columns=list(positions), n_rows=rows)
        except pl.exceptions.PolarsError:
            raise NeedsMending(f"{self.name}: the file is damaged; export it again") from None
        names = {self.headers[position]: str(position) for position in positions}
        return frame.select(as_text(frame[header]).alias(position) for header, position in names.items())


def open_parquet(data: bytes, *, name: str) -> ParquetSource:
    """A Parquet file's bytes with its column names. Raises NeedsMending when it is no Parquet file."""
    try:
        headers = tuple(pl.read_parquet_schema(io.BytesIO(data)))
    except (pl.exceptions.PolarsError, OSError):
        raise NeedsMending(f"{name}: not a Parquet file, or a damaged one; export it again") from None
    return ParquetSource(name=name, sha256=hashlib.sha256(data).hexdigest(), headers=headers, data=data)
