"""Builds workbooks of a sound export, with dates, numbers and truth values as typed cells, and what is to be wrong with them."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable
from datetime import date
from typing import Any

import xlsxwriter

from tests.malformed.changes import all_in, from_cells
from tests.malformed.draft import Change
from tests.malformed.sound import Cells, sound_tables

Rows = list[list[str]]


def _typed(table: str, header: str, value: str) -> object:
    """A cell's value as a spreadsheet would hold it; text where it is nothing else."""
    kind = sound_tables()[table].schema.get(header)
    if value == "":
        return None
    try:
        if kind is not None and kind.is_numeric():
            return float(value)
        if kind is not None and kind.is_temporal():
            return date.fromisoformat(value)
    except ValueError:
        return value
    return {"true": True, "false": False}.get(value, value)


def write_rows(
    book: Any, sheet: Any, table: str, rows: Rows, *, down: int = 0, right: int = 0, dates: Any = None
) -> None:
    shown = dates or book.add_format({"num_format": "dd.mm.yyyy"})
    for number, row in enumerate(rows):
        for at, value in enumerate(row):
            held = value if number == 0 else _typed(table, rows[0][at], value)
            place = (number + down, at + right)
            if isinstance(held, date):
                sheet.write_datetime(*place, held, shown)
            elif isinstance(held, bool):
                sheet.write_boolean(*place, held)
            elif isinstance(held, str):
                sheet.write_string(*place, held)
            elif held is not None:
                sheet.write(*place, held)


def _book(make: Callable[[Any], None], **options: object) -> bytes:
    out = io.BytesIO()
    book = xlsxwriter.Workbook(out, {"in_memory": True, **options})
    make(book)
    book.close()
    return out.getvalue()


def every_table(**options: object) -> Change:
    """Every table in one workbook."""

    def build(cells: Cells) -> bytes:
        def make(book: Any) -> None:
            for name, rows in cells.items():
                write_rows(book, book.add_worksheet(name), name, rows)

        return _book(make, **options)

    return all_in("export.xlsx", build)


def lesions_book(
    make: Callable[[Any, Any, Rows], None], *, sheet: str = "lesions", name: str = "lesions.xlsx", **options: object
) -> Change:
    """The lesions in a workbook of their own: `make` gets the workbook, its sheet and the rows."""

    def build(rows: Rows) -> bytes:
        return _book(lambda book: make(book, book.add_worksheet(sheet), rows), **options)

    return from_cells("lesions", name, build)


def plain(book: Any, sheet: Any, rows: Rows) -> None:
    write_rows(book, sheet, "lesions", rows)


def plain_and(more: Callable[[Any, Any, Rows], None]) -> Callable[[Any, Any, Rows], None]:
    """The plain sheet, and something done to it."""

    def make(book: Any, sheet: Any, rows: Rows) -> None:
        plain(book, sheet, rows)
        more(book, sheet, rows)

    return make


def moved(*, down: int = 0, right: int = 0) -> Callable[[Any, Any, Rows], None]:
    return lambda book, sheet, rows: write_rows(book, sheet, "lesions", rows, down=down, right=right)


def as_text(book: Any, sheet: Any, rows: Rows) -> None:
    for number, row in enumerate(rows):
        for at, value in enumerate(row):
            sheet.write_string(number, at, value)


def more_sheet(name: str, *, chart: bool = False, hidden: bool = False) -> Callable[[Any, Any, Rows], None]:
    def make(book: Any, sheet: Any, rows: Rows) -> None:
        more = book.add_chartsheet(name) if chart else book.add_worksheet(name)
        if chart:
            drawn = book.add_chart({"type": "line"})
            drawn.add_series({"values": "=lesions!$D$2:$D$9"})
            more.set_chart(drawn)
        if hidden:
            more.hide()

    return plain_and(make)


def procedures_book(shown_as: str | None, *, text: bool = False, **options: object) -> Change:
    """The procedures in a workbook, their dates shown in some way, as bare numbers (None) or as text."""

    def build(rows: Rows) -> bytes:
        def make(book: Any) -> None:
            sheet = book.add_worksheet("procedures")
            at = rows[0].index("procedure_date")
            write_rows(
                book,
                sheet,
                "procedures",
                [[*row[:at], "" if number else row[at], *row[at + 1 :]] for number, row in enumerate(rows)],
            )
            form = book.add_format({"num_format": shown_as} if shown_as else {})
            for number, row in enumerate(rows[1:], start=1):
                day = date.fromisoformat(row[at])
                if text:
                    sheet.write_string(number, at, day.strftime("%d.%m.%Y"))
                elif shown_as is None:
                    epoch = date(1904, 1, 1) if options.get("date_1904") else date(1899, 12, 30)
                    sheet.write_number(number, at, (day - epoch).days)
                else:
                    sheet.write_datetime(number, at, day, form)

        return _book(make, **options)

    return from_cells("procedures", "procedures.xlsx", build)


def rezipped(content: bytes, make: Callable[[str, bytes], bytes | None]) -> bytes:
    """A workbook with its parts changed, or left out where `make` gives None."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            part = make(name, old.read(name))
            if part is not None:
                new.writestr(name, part)
    return out.getvalue()


def with_parts(make: Callable[[str, bytes], bytes | None]) -> Change:
    def build(rows: Rows) -> bytes:
        return rezipped(_book(lambda book: plain(book, book.add_worksheet("lesions"), rows)), make)

    return from_cells("lesions", "lesions.xlsx", build)


def with_bytes(make: Callable[[bytes], bytes]) -> Change:
    return from_cells(
        "lesions",
        "lesions.xlsx",
        lambda rows: make(_book(lambda book: plain(book, book.add_worksheet("lesions"), rows))),
    )
