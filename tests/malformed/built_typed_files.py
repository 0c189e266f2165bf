"""Builds Parquet files and files of statistics programs of a sound export, and what is to be wrong with them."""

from __future__ import annotations

import io
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pyreadstat

from tests.malformed.changes import from_cells
from tests.malformed.draft import Change
from tests.malformed.sound import typed_frame

Frame = Callable[[pl.DataFrame], pl.DataFrame]


def same(frame: pl.DataFrame) -> pl.DataFrame:
    """The frame as it is."""
    return frame


def parquet(
    table: str, make: Frame = same, spoil: Callable[[bytes], bytes] = bytes, name: str = "", **options: object
) -> Change:
    """The table as a Parquet file; `make` changes the typed frame, `spoil` the file's bytes."""

    def build(rows: list[list[str]]) -> bytes:
        out = io.BytesIO()
        make(typed_frame(table, rows)).write_parquet(out, **options)  # type: ignore[arg-type]
        return spoil(out.getvalue())

    return from_cells(table, name or f"{table}.parquet", build)


def arrow(
    table: str, make: Callable[[pa.Table], pa.Table], spoil: Callable[[bytes], bytes] = bytes, **options: object
) -> Change:
    """The table as a Parquet file of another library; `make` changes its columns."""

    def build(rows: list[list[str]]) -> bytes:
        out = io.BytesIO()
        pq.write_table(make(typed_frame(table, rows).to_arrow()), out, **options)
        return spoil(out.getvalue())

    return from_cells(table, f"{table}.parquet", build)


def same_table(table: pa.Table) -> pa.Table:
    """The table as it is."""
    return table


def statistics(
    table: str, suffix: str, make: Frame = same, spoil: Callable[[bytes], bytes] = bytes, **options: object
) -> Change:
    """The table as a statistics program's file; truth values as 0 and 1."""
    write = {
        ".sav": pyreadstat.write_sav,
        ".zsav": pyreadstat.write_sav,
        ".dta": pyreadstat.write_dta,
        ".xpt": pyreadstat.write_xport,
    }[suffix]

    def build(rows: list[list[str]]) -> bytes:
        frame = make(typed_frame(table, rows).with_columns(pl.col(pl.Boolean).cast(pl.Int8)))
        more = {"row_compress": True} if suffix == ".zsav" else {}
        with tempfile.TemporaryDirectory() as place:
            path = Path(place) / f"table{suffix}"
            write(frame, path, **more, **options)  # type: ignore[operator]
            return spoil(path.read_bytes())

    return from_cells(table, f"{table}{suffix}", build)


def with_columns(**columns: Callable[[pl.Expr], pl.Expr]) -> Frame:
    """Other values in some columns."""
    return lambda frame: frame.with_columns(make(pl.col(name)).alias(name) for name, make in columns.items())


def cut(content: bytes) -> bytes:
    """The first two thirds of a file."""
    return content[: len(content) * 2 // 3]


def flipped(at: float) -> Callable[[bytes], bytes]:
    """The file with every bit of one byte turned, at a share of its length."""

    def spoil(content: bytes) -> bytes:
        place = int(len(content) * at)
        return content[:place] + bytes([content[place] ^ 0xFF]) + content[place + 1 :]

    return spoil


def with_lengths(values: Mapping[int, float | None]) -> Frame:
    """Other lengths on some rows, which are counted as in a sheet: the first is row 2."""

    def make(frame: pl.DataFrame) -> pl.DataFrame:
        lengths = frame["length_mm"].to_list()
        for row, value in values.items():
            lengths[row - 2] = value
        return frame.with_columns(pl.Series("length_mm", lengths, dtype=pl.Float64))

    return make


def moments(zone: str | None) -> Frame:
    """Procedure dates as moments at half past eleven at night."""
    return with_columns(
        procedure_date=lambda day: (
            day.cast(pl.Datetime("us")) + pl.duration(hours=23, minutes=30)
        ).dt.replace_time_zone(zone)
    )
