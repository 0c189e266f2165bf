"""Workbooks: what a cell shows and what it holds are two things, and only what it holds is read."""

from __future__ import annotations

import io
from collections.abc import Callable
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

import polars as pl
import pytest
import xlsxwriter
from export_files import csv_bytes, write_csvs, write_workbook, zipped
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.check import Accepted, check
from pipeline.faults import NeedsMending
from pipeline.mapping import load_mapping
from pipeline.read import read_export
from pipeline.reading.sheets import EPOCH_1900, EPOCH_1904, open_sheet, sheet_names
from pipeline.reading.source import Wanted
from pipeline.reading.stray_lines import HEADER_AGAIN, TOTAL
from pipeline.reading.workbook_extent import MOST_CELLS, _extent
from synthetic_data.rows import valid_tables

TABLES = valid_tables(procedures=[{}] * 10, lesions=[{}] * 10, attempts=[], complications=[], follow_up=[])

Write = Callable[[Any, xlsxwriter.Workbook], None]  # writes onto the sheet after the table is there


def checked(folder: Path, table: str, change: Write, *, suffix: str = ".xlsx", **options: object) -> Accepted:
    """The service as read from CSVs and one workbook for `table`, changed cell by cell before it is saved."""
    write_csvs(folder, {name: frame for name, frame in TABLES.items() if name != table})
    book = xlsxwriter.Workbook(str(folder / f"{table}{suffix}"), options)
    sheet = book.add_worksheet(table)
    frame = TABLES[table].cast({pl.Date: pl.String})
    sheet.write_row(0, 0, frame.columns)
    for at, row in enumerate(frame.rows(), start=1):
        sheet.write_row(at, 0, row)
    change(sheet, book)
    book.close()
    return check(read_export(folder, load_mapping(None)).frames)


def column(table: str, name: str) -> int:
    return TABLES[table].columns.index(name)


def lesion_lengths(folder: Path, change: Write) -> tuple[list[float | None], list[int]]:
    """The lengths as read, and the file rows in which one was blanked and listed."""
    accepted = checked(folder, "lesions", change)
    blanked = accepted.blanked.filter(pl.col("column") == "length_mm")
    return accepted.frames["lesions"]["length_mm"].to_list()[:4], blanked["row"].to_list()


LENGTH = column("lesions", "length_mm")


def test_a_formula_counts_as_the_value_that_was_last_shown(tmp_path: Path) -> None:
    def change(sheet: Any, book: xlsxwriter.Workbook) -> None:
        sheet.write_formula(1, LENGTH, "=70+5", None, 75)
        sheet.write_formula(2, LENGTH, "=A1", None, "75")

    assert lesion_lengths(tmp_path, change) == ([75.0, 75.0, 120.0, 120.0], [])


def test_a_formula_that_failed_is_blanked_and_listed_and_one_that_found_nothing_is_nothing(tmp_path: Path) -> None:
    def change(sheet: Any, book: xlsxwriter.Workbook) -> None:
        for row, (formula, shown) in enumerate((("=1/0", "#DIV/0!"), ("=A0", "#REF!"), ("=NA()", "#N/A")), start=1):
            sheet.write_formula(row, LENGTH, formula, None, shown)

    assert lesion_lengths(tmp_path, change) == ([None, None, None, 120.0], [2, 3])


def test_a_failed_formula_is_no_key(tmp_path: Path) -> None:
    accepted = checked(tmp_path, "lesions", lambda sheet, _: sheet.write_formula(1, 0, "=A0", None, "#REF!"))
    assert accepted.frames["lesions"].height == 9
    assert accepted.set_aside.filter(pl.col("table") == "lesions")["row"].to_list() == [2]


def test_numbers_stored_as_text_and_numbers_far_down_are_read(tmp_path: Path) -> None:
    def change(sheet: Any, book: xlsxwriter.Workbook) -> None:
        sheet.write_string(1, LENGTH, "75.5")
        sheet.write_string(2, LENGTH, " 80 ")

    assert lesion_lengths(tmp_path, change)[0] == [75.5, 80.0, 120.0, 120.0]
    many = 3000  # beyond what libraries look at to guess a column's type
    tables = valid_tables(lesions=[{"length_mm": None}] * many + [{"length_mm": 75.0}], attempts=[], complications=[])
    write_workbook(tmp_path / "late" / "export.xlsx", tables)
    late = check(read_export(tmp_path / "late", load_mapping(None)).frames).frames["lesions"]["length_mm"]
    assert late.drop_nulls().to_list() == [75.0] and len(late) == many + 1


def test_a_percentage_is_the_share_that_it_holds(tmp_path: Path) -> None:
    def change(sheet: Any, book: xlsxwriter.Workbook) -> None:
        sheet.write_number(1, column("procedures", "abi"), 0.45, book.add_format({"num_format": "0%"}))

    accepted = checked(tmp_path, "procedures", change)
    assert accepted.frames["procedures"]["abi"][0] == 0.45


def test_a_time_a_duration_or_a_date_where_a_number_belongs_is_not_read_as_one(tmp_path: Path) -> None:
    def change(sheet: Any, book: xlsxwriter.Workbook) -> None:
        for row, (value, shown) in enumerate(((0.5, "hh:mm"), (1.5, "[h]:mm"), (75, "dd.mm.yyyy")), start=1):
            sheet.write_number(row, LENGTH, value, book.add_format({"num_format": shown}))

    assert lesion_lengths(tmp_path, change) == ([None, None, None, 120.0], [2, 3, 4])


def test_truth_values_are_cells_text_or_numbers(tmp_path: Path) -> None:
    stent = column("lesions", "in_stent")

    def change(sheet: Any, book: xlsxwriter.Workbook) -> None:
        sheet.write_boolean(1, stent, True)
        sheet.write_string(2, stent, "TRUE")
        sheet.write_number(3, stent, 1)
        sheet.write_number(4, stent, 0)

    accepted = checked(tmp_path, "lesions", change)
    assert accepted.frames["lesions"]["in_stent"].to_list()[:4] == [True, True, True, False]


@pytest.mark.parametrize(("system", "serial"), [(False, 45379), (True, 43917)])
def test_a_day_is_the_same_day_in_both_date_systems(tmp_path: Path, system: bool, serial: int) -> None:
    # 28 March 2024 is day 45379 of the 1900 system and 43917 of that of 1904 (they differ by 1462 days; ECMA-376, 18.17.4.1).
    at = column("procedures", "procedure_date")

    def change(sheet: Any, book: xlsxwriter.Workbook) -> None:
        shown = book.add_format({"num_format": "d mmm yy"})
        sheet.write_datetime(1, at, datetime(2024, 3, 28, 23, 59), shown)
        sheet.write_number(2, at, serial)
        sheet.write_number(3, at, serial + 0.999)
        sheet.write_string(4, at, "2024-03-28")

    accepted = checked(tmp_path, "procedures", change, date_1904=system)
    assert accepted.frames["procedures"]["procedure_date"].to_list()[:4] == [date(2024, 3, 28)] * 4


def test_days_before_march_1900_and_times_without_a_day_are_no_procedure_dates(tmp_path: Path) -> None:
    at = column("procedures", "procedure_date")

    def change(sheet: Any, book: xlsxwriter.Workbook) -> None:
        shown = book.add_format({"num_format": "dd.mm.yyyy"})
        for row, day in enumerate((59, 60, 61), start=1):  # day 60 is 29 February 1900, which there never was
            sheet.write_number(row, at, day, shown)
        sheet.write_datetime(4, at, time(14, 5), book.add_format({"num_format": "hh:mm"}))

    accepted = checked(tmp_path, "procedures", change)
    assert accepted.frames["procedures"].height == 6
    assert accepted.set_aside.filter(pl.col("table") == "procedures")["row"].to_list() == [2, 3, 4, 5]


def test_a_merged_title_hidden_rows_and_a_footer_are_taken_as_what_they_are(tmp_path: Path) -> None:
    write_csvs(tmp_path, {name: frame for name, frame in TABLES.items() if name != "lesions"})
    book = xlsxwriter.Workbook(str(tmp_path / "export.xlsx"))
    book.add_worksheet("Notes").write_string(0, 0, "Invented.")
    sheet = book.add_worksheet("Lesions")
    frame = TABLES["lesions"]
    sheet.merge_range(0, 0, 0, 5, "Occlusions of the ward")
    sheet.write_row(2, 0, frame.columns)
    for at, row in enumerate((*frame.rows()[:2], frame.columns, *frame.rows()[2:]), start=3):
        sheet.write_row(at, 0, row)
    sheet.set_row(4, None, None, {"hidden": True})
    sheet.write_string(15, 0, "Total: 10")
    sheet.hide()
    book.get_worksheet_by_name("Notes").activate()
    book.close()
    lesions = read_export(tmp_path, load_mapping(None)).frames["lesions"]
    assert lesions.select("row", "fault").rows() == [
        *((4, None), (5, None), (6, HEADER_AGAIN), *((row, None) for row in range(7, 15)), (16, TOTAL)),
    ]


@pytest.mark.parametrize("suffix", [".xlsx", ".xlsm", ".XLSX"])
def test_a_workbook_with_macros_is_read_as_any_other(tmp_path: Path, suffix: str) -> None:
    assert checked(tmp_path, "lesions", lambda *_: None, suffix=suffix).frames["lesions"].height == 10


def test_headers_that_are_not_known_are_found_in_the_fullest_row(tmp_path: Path) -> None:
    frame = pl.DataFrame({"Title": ["Fallnr", "1", "2"], "b": ["Seite", "li", "re"], "c": ["Länge", "1", None]})
    write_workbook(tmp_path / "x.xlsx", {"x": frame.rename({"b": " ", "c": "  "})})
    data = (tmp_path / "x.xlsx").read_bytes()
    source = open_sheet(data, name="x.xlsx", sheet="x", wanted=Wanted(frozenset(), frozenset()))
    assert source.headers == ("Fallnr", "Seite", "Länge")


@pytest.mark.parametrize(
    "text", [csv_bytes(TABLES["lesions"], separator="\t"), csv_bytes(TABLES["lesions"], encoding="utf-16")]
)
def test_text_under_the_name_of_an_old_workbook_is_read_as_text(tmp_path: Path, text: bytes) -> None:
    write_csvs(tmp_path, {name: frame for name, frame in TABLES.items() if name != "lesions"})
    (tmp_path / "lesions.xls").write_bytes(text)
    assert read_export(tmp_path, load_mapping(None)).frames["lesions"].height == 10


@pytest.mark.parametrize(
    ("name", "data", "told"),
    [
        ("lesions.xls", b"<html><table><tr><td>lesion_id</td></tr></table></html>", "a web page or XML"),
        ("lesions.xls", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(2000), "not a workbook that can be opened"),
        (
            "lesions.xlsx",
            b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(2000),
            "if it has a password, save it without one",
        ),
        ("lesions.ods", zipped({"content.xml": b"<x/>"}), "lesions.ods"),
        ("lesions.xlsx", zipped({"xl/workbook.xml": b"<workbook/>"}), "lesions.xlsx"),
        ("lesions.xlsx", b"lesion_id;segment\n", "not a workbook that can be opened"),
    ],
)
def test_what_is_no_workbook_is_one_line(tmp_path: Path, name: str, data: bytes, told: str) -> None:
    write_csvs(tmp_path, {table: frame for table, frame in TABLES.items() if table != "lesions"})
    (tmp_path / name).write_bytes(data)
    with pytest.raises(NeedsMending) as caught:
        read_export(tmp_path, load_mapping(None))
    (line,) = caught.value.lines
    assert told in line and "\n" not in line


def test_day_0_is_told_from_the_workbook_itself(tmp_path: Path) -> None:
    for system, day in ((False, EPOCH_1900), (True, EPOCH_1904)):
        write_workbook(tmp_path / "x.xlsx", TABLES, system_1904=system)
        data = (tmp_path / "x.xlsx").read_bytes()
        assert "lesions" in sheet_names(data, name="x.xlsx")
        assert open_sheet(data, name="x", sheet="lesions", wanted=Wanted(frozenset(), frozenset())).epoch == day


def test_a_cell_at_the_far_end_of_the_sheet_is_told_and_does_not_fill_the_memory(tmp_path: Path) -> None:
    write_csvs(tmp_path, {table: frame for table, frame in TABLES.items() if table != "lesions"})
    book = xlsxwriter.Workbook(str(tmp_path / "lesions.xlsx"))
    book.add_worksheet("lesions & more").write_row(0, 0, TABLES["lesions"].columns)
    book.worksheets()[0].write_string(1_048_575, 16_383, " ")  # the last cell there is
    book.close()
    with pytest.raises(NeedsMending) as caught:
        read_export(tmp_path, load_mapping(None))
    assert caught.value.lines == (
        "lesions.xlsx [lesions & more]: something stands far from the table (the sheet reaches to row 1048576); "
        "delete the rows and columns beyond the table, or export it as CSV",
    )


def test_an_old_workbook_that_would_end_the_program_is_one_line(tmp_path: Path) -> None:
    data = (Path(__file__).parent / "data" / "formats" / "xls_1900" / "export.xls").read_bytes()
    # A text cell (LABELSST) is put at row and column 65535: 4,294,967,296 cells to make room for.
    at = data.index(b"\xfd\x00\x0a\x00", len(data) // 2)
    (tmp_path / "export.xls").write_bytes(data[: at + 4] + b"\xff\xff\xff\xff" + data[at + 8 :])
    with pytest.raises(NeedsMending) as caught:
        read_export(tmp_path, load_mapping(None))
    assert caught.value.lines == (
        "export.xls: not a workbook that can be opened; if it has a password, save it without one",
    )


def test_a_long_sheet_with_a_title_to_its_right_is_not_refused() -> None:
    rows, columns = _extent(b'<row r="1"><c r="A1"/><c r="BZ1"/></row><row r="900000"><c r="C900000"/></row>')
    assert rows == 900_000 and columns >= 78 and rows * columns <= MOST_CELLS  # BZ is column 78
    assert _extent(b'<row r="1"><c r="XFD1"/></row><row r="5000"><c r="C5000"/></row>') == (5000, 16_384)
    far = _extent(b'<row r="1"><c r="XFD1"/></row><row r="900000"><c r="C900000"/></row>')
    assert far == (900_000, 16_384)


BOOK = io.BytesIO()
with xlsxwriter.Workbook(BOOK, {"in_memory": True}) as small:
    small.set_properties({"created": datetime(2024, 3, 28)})  # the same bytes, and so the same damages, in every run
    for_damage = small.add_worksheet("lesions")
    for_damage.write_row(0, 0, TABLES["lesions"].columns)
    for at, lesion in enumerate(TABLES["lesions"].rows(), start=1):
        for_damage.write_row(at, 0, lesion)
WHOLE = BOOK.getvalue()
AS_WRITTEN = open_sheet(WHOLE, name="x.xlsx", sheet="lesions", wanted=Wanted(frozenset(), frozenset()))


@settings(max_examples=250, deadline=None, derandomize=True)
@given(st.integers(0, len(WHOLE) - 1), st.integers(0, 7), st.sampled_from(["flip", "cut", "repeat"]))
def test_no_damage_to_a_workbook_is_a_traceback_or_another_value(at: int, bit: int, how: str) -> None:
    broken = {
        "flip": WHOLE[:at] + bytes([WHOLE[at] ^ 1 << bit]) + WHOLE[at + 1 :],
        "cut": WHOLE[:at],
        "repeat": WHOLE[:at] + WHOLE[max(at - 40, 0) :],
    }[how]
    try:
        for sheet in sheet_names(broken, name="x.xlsx"):
            source = open_sheet(broken, name="x.xlsx", sheet=sheet, wanted=Wanted(frozenset(), frozenset()))
            assert source.cells.equals(AS_WRITTEN.cells)
    except NeedsMending as fault:
        assert len(fault.lines) == 1 and "\n" not in fault.lines[0]
