"""Writes small exports to disk in the formats and encodings met in hospitals, for tests to read back."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from datetime import date
from pathlib import Path

import polars as pl
import xlsxwriter


def text(value: object, *, decimal: str = ".", dates: str = "%Y-%m-%d") -> str:
    """One value as a CSV file holds it."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, date):
        return value.strftime(dates)
    return str(value).replace(".", decimal) if isinstance(value, float) else str(value)


def csv_bytes(
    frame: pl.DataFrame,
    *,
    encoding: str = "utf-8",
    separator: str = ",",
    decimal: str = ".",
    dates: str = "%Y-%m-%d",
    line_end: str = "\n",
) -> bytes:
    """A frame as the bytes of a CSV file with a header line."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=separator, lineterminator=line_end)
    writer.writerow(frame.columns)
    writer.writerows([text(value, decimal=decimal, dates=dates) for value in row] for row in frame.rows())
    return out.getvalue().encode(encoding)


def write_csvs(folder: Path, tables: Mapping[str, pl.DataFrame], **how: str) -> Path:
    """A CSV file a table."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in tables.items():
        (folder / f"{name}.csv").write_bytes(csv_bytes(frame, **how))
    return folder


def write_parquets(folder: Path, tables: Mapping[str, pl.DataFrame]) -> Path:
    """A Parquet file a table, typed."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in tables.items():
        frame.write_parquet(folder / f"{name}.parquet")
    return folder


def write_workbook(path: Path, tables: Mapping[str, pl.DataFrame]) -> Path:
    """One workbook with a sheet a table; dates, numbers and truth values as typed cells. Gives the folder."""
    path.parent.mkdir(parents=True, exist_ok=True)
    book = xlsxwriter.Workbook(str(path))
    shown = book.add_format({"num_format": "dd.mm.yyyy"})
    for name, frame in tables.items():
        sheet = book.add_worksheet(name)
        for column, header in enumerate(frame.columns):
            sheet.write_string(0, column, header)
            for row, value in enumerate(frame[header], start=1):
                if isinstance(value, date):
                    sheet.write_datetime(row, column, value, shown)
                elif isinstance(value, str):
                    sheet.write_string(row, column, value)
                elif value is not None:
                    sheet.write(row, column, value)
    book.close()
    return path.parent
