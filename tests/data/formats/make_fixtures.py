"""Makes the files of this folder that no library of the project can write; see README.md beside it. Not run by the tests.

usage: python tests/data/formats/make_fixtures.py
"""

from __future__ import annotations

import csv
import ctypes
import ctypes.util
from datetime import date
from pathlib import Path

HERE = Path(__file__).parent
NAMES = ("patients", "procedures", "lesions", "attempts", "complications", "follow_up")
TEXTS = {
    *("patient_id", "procedure_id", "lesion_id", "attempt_id", "complication_id", "follow_up_id", "operator_id"),
    *(
        "site_id",
        "sex",
        "diabetes",
        "renal",
        "smoking",
        "side",
        "urgency",
        "planned_approach",
        "prior_revascularization",
    ),
    *("segment", "calcium_scale", "calcium_grade", "proximal_cap", "distal_cap", "prior_bypass", "target_angiosome"),
    *("approach", "access_site", "route", "guidance", "sheath", "plane", "rendezvous", "stopped_because", "kind"),
    *("severity", "event"),
}
SAS_DAY_0, WORKBOOK_DAY_0, WORKBOOK_DAY_0_1904 = date(1960, 1, 1), date(1899, 12, 30), date(1904, 1, 1)
STRING, DOUBLE, ROWS = 0, 5, 1  # READSTAT_TYPE_STRING, READSTAT_TYPE_DOUBLE, READSTAT_COMPRESS_ROWS


def number(text: str, day_0: date) -> float:
    """A truth value, a date or a number as the number that SAS or a workbook keeps."""
    if text in ("true", "false"):
        return float(text == "true")
    return float((date.fromisoformat(text) - day_0).days) if text.count("-") == 2 else float(text)


def write_sas(path: Path, table: list[list[str]], *, compressed: bool) -> None:
    """A table (header first) as .sas7bdat, by ReadStat's C library: dates under the format DATE9."""
    lib = ctypes.CDLL(ctypes.util.find_library("readstat"))
    for name in ("readstat_writer_init", "readstat_add_variable"):
        getattr(lib, name).restype = ctypes.c_void_p
    out = bytearray()
    callback = ctypes.CFUNCTYPE(ctypes.c_ssize_t, ctypes.c_void_p, ctypes.c_size_t, ctypes.c_void_p)
    keep = callback(lambda data, size, _: out.extend(ctypes.string_at(data, size)) or size)
    writer = ctypes.c_void_p(lib.readstat_writer_init())
    lib.readstat_set_data_writer(writer, keep)
    lib.readstat_writer_set_file_timestamp(writer, ctypes.c_long(1_700_000_000))
    lib.readstat_writer_set_compression(writer, ROWS if compressed else 0)
    header, *rows = table
    variables = []
    for at, name in enumerate(header):
        text = name in TEXTS
        width = max(len(row[at].encode()) for row in rows) if text else 8
        variable = ctypes.c_void_p(
            lib.readstat_add_variable(writer, name.encode(), STRING if text else DOUBLE, ctypes.c_size_t(max(width, 1)))
        )
        if name.endswith("_date"):
            lib.readstat_variable_set_format(variable, b"DATE9")
        variables.append((variable, text))
    lib.readstat_begin_writing_sas7bdat(writer, None, ctypes.c_long(len(rows)))
    for row in rows:
        lib.readstat_begin_row(writer)
        for (variable, text), value in zip(variables, row, strict=True):
            if text:
                lib.readstat_insert_string_value(writer, variable, value.encode())
            elif value == "":
                lib.readstat_insert_missing_value(writer, variable)
            else:
                lib.readstat_insert_double_value(writer, variable, ctypes.c_double(number(value, SAS_DAY_0)))
        lib.readstat_end_row(writer)
    if lib.readstat_end_writing(writer) != 0:
        raise SystemExit(f"{path.name}: not written")
    lib.readstat_writer_free(writer)
    path.write_bytes(out)


def write_xls(path: Path, tables: dict[str, list[list[str]]], *, system_1904: bool, shown_as_dates: bool) -> None:
    """The tables as sheets of one old workbook, by xlwt: dates as serials, under a date format or bare."""
    import xlwt

    book = xlwt.Workbook(encoding="utf-8")
    book.dates_1904 = system_1904
    day_0 = WORKBOOK_DAY_0_1904 if system_1904 else WORKBOOK_DAY_0
    shown = xlwt.easyxf(num_format_str="dd.mm.yyyy" if shown_as_dates else "General")
    plain = xlwt.easyxf()
    for name, table in tables.items():
        sheet = book.add_sheet(name)
        for y, row in enumerate(table):
            for x, value in enumerate(row):
                if value == "":
                    continue
                if y == 0 or table[0][x] in TEXTS:
                    sheet.write(y, x, value)
                elif value in ("true", "false"):
                    sheet.write(y, x, value == "true")
                else:
                    sheet.write(y, x, number(value, day_0), shown if value.count("-") == 2 else plain)
    book.save(str(path))


def main() -> None:
    tables = {}
    for name in NAMES:
        with (HERE / "tables" / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            tables[name] = list(csv.reader(file))
        for folder, compressed in (("sas7bdat", False), ("sas7bdat_compressed", True)):
            (HERE / folder).mkdir(exist_ok=True)
            write_sas(HERE / folder / f"{name}.sas7bdat", tables[name], compressed=compressed)
    for name, system_1904, shown in (("1900", False, True), ("1904_bare", True, False)):
        folder = HERE / f"xls_{name}"
        folder.mkdir(exist_ok=True)
        write_xls(folder / "export.xls", tables, system_1904=system_1904, shown_as_dates=shown)


if __name__ == "__main__":
    main()
