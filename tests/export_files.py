"""Writes small exports to disk in the formats and encodings met in hospitals, for tests to read back."""

from __future__ import annotations

import csv
import gzip
import io
import zipfile
from collections.abc import Callable, Mapping
from datetime import date
from pathlib import Path
from xml.sax.saxutils import quoteattr

import polars as pl
import pyreadstat
import xlsxwriter

Tables = Mapping[str, pl.DataFrame]


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
    above: str = "",
    quoted: bool = False,
    trailing: bool = False,
) -> bytes:
    """A frame as the bytes of a CSV file with a header line.

    `above` stands before it, `quoted` puts every value in quotation marks, `trailing` ends every line in a separator.
    """
    out = io.StringIO(newline="")
    out.write(above)
    quoting = csv.QUOTE_ALL if quoted else csv.QUOTE_MINIMAL
    writer = csv.writer(out, delimiter=separator, lineterminator=line_end, quoting=quoting)
    more = [""] if trailing else []
    writer.writerow([*frame.columns, *more])
    writer.writerows([*(text(value, decimal=decimal, dates=dates) for value in row), *more] for row in frame.rows())
    return out.getvalue().encode(encoding)


def write_csvs(
    folder: Path,
    tables: Tables,
    *,
    suffix: str = ".csv",
    packed: Callable[[bytes], bytes] = lambda data: data,
    **how: object,
) -> Path:
    """A CSV file a table, under `suffix`, its bytes put through `packed`; `how` goes to `csv_bytes`."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in tables.items():
        (folder / f"{name}{suffix}").write_bytes(packed(csv_bytes(frame, **how)))  # type: ignore[arg-type]
    return folder


def gzipped(data: bytes) -> bytes:
    """The bytes packed with gzip."""
    return gzip.compress(data, mtime=0)


def zipped(members: Mapping[str, bytes]) -> bytes:
    """A zip archive's bytes, with its members by their name."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return out.getvalue()


def write_parquets(folder: Path, tables: Tables) -> Path:
    """A Parquet file a table, typed."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in tables.items():
        frame.write_parquet(folder / f"{name}.parquet")
    return folder


def write_workbook(path: Path, tables: Tables, *, system_1904: bool = False, bare: bool = False) -> Path:
    """One workbook with a sheet a table; dates, numbers and truth values as typed cells. Gives the folder.

    `system_1904`: days are counted from 1904; `bare`: dates are numbers without a date format.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    book = xlsxwriter.Workbook(str(path), {"date_1904": system_1904})
    shown = book.add_format({"num_format": "General" if bare else "dd.mm.yyyy"})
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


def write_ods(path: Path, tables: Tables) -> Path:
    """One OpenDocument workbook (OASIS ODF 1.3) with a sheet a table and typed cells. Gives the folder."""
    path.parent.mkdir(parents=True, exist_ok=True)
    sheets = "".join(
        f"<table:table table:name={quoteattr(name)}>{_ods_rows(frame)}</table:table>" for name, frame in tables.items()
    )
    names = " ".join(
        f'xmlns:{short}="urn:oasis:names:tc:opendocument:xmlns:{short}:1.0"' for short in ("office", "table", "text")
    )
    content = (
        f'<?xml version="1.0" encoding="UTF-8"?><office:document-content {names} office:version="1.3">'
        f"<office:body><office:spreadsheet>{sheets}</office:spreadsheet></office:body></office:document-content>"
    )
    kind = "application/vnd.oasis.opendocument.spreadsheet"
    manifest = (
        '<manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0">'
        f'<manifest:file-entry manifest:full-path="/" manifest:media-type="{kind}"/></manifest:manifest>'
    )
    path.write_bytes(
        zipped({"mimetype": kind.encode(), "content.xml": content.encode(), "META-INF/manifest.xml": manifest.encode()})
    )
    return path.parent


def _ods_rows(frame: pl.DataFrame) -> str:
    lines = [
        [_ods_cell(header) for header in frame.columns],
        *([_ods_cell(value) for value in row] for row in frame.rows()),
    ]
    return "".join(f"<table:table-row>{''.join(cells)}</table:table-row>" for cells in lines)


def _ods_cell(value: object) -> str:
    if value is None:
        return "<table:table-cell/>"
    if isinstance(value, str):
        return f'<table:table-cell office:value-type="string"><text:p>{value}</text:p></table:table-cell>'
    kind, name = ("boolean", "boolean-value") if isinstance(value, bool) else ("float", "value")
    if isinstance(value, date):
        kind, name = "date", "date-value"
    return f'<table:table-cell office:value-type="{kind}" office:{name}="{text(value)}"/>'


def write_stata(folder: Path, tables: Tables) -> Path:
    """A .dta file a table."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in tables.items():
        pyreadstat.write_dta(frame, str(folder / f"{name}.dta"))
    return folder


def write_spss(folder: Path, tables: Tables, *, packed: bool = False) -> Path:
    """A .sav file a table, or a .zsav."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in tables.items():
        pyreadstat.write_sav(frame, str(folder / f"{name}{'.zsav' if packed else '.sav'}"), compress=packed)
    return folder


def write_sas_transport(folder: Path, tables: Tables, *, version: int = 8) -> Path:
    """A .xpt file a table; version 5 takes no names of columns above eight letters (see `short_names`)."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in tables.items():
        named = frame.rename(short_names(frame)) if version == 5 else frame
        pyreadstat.write_xport(named, str(folder / f"{name}.xpt"), file_format_version=version)
    return folder


def short_names(frame: pl.DataFrame) -> dict[str, str]:
    """The frame's columns with a different name of eight letters at most for each, as a clerk would cut them."""
    short: dict[str, str] = {}
    for column in frame.columns:
        cut = column[:8]
        short[column] = cut if cut not in short.values() else f"{cut[:7]}{len(short)}"[-8:]
    return short
