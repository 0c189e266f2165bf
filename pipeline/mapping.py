"""The mapping file: how one site's export is written, translated to the data dictionary.

Every part is optional; a table that is left out is taken in the default layout. The whole file is checked before any
table is read, and every fault is told at once.
"""

from __future__ import annotations

import codecs
import math
import tomllib
from collections.abc import Iterator, Mapping
from datetime import date, datetime
from pathlib import Path, PurePath
from typing import Any

import polars as pl
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from pipeline.case_tables import TABLES, Column, Table
from pipeline.faults import NeedsMending
from pipeline.guard.identifiers import kind_of_used
from pipeline.reading.source import fold
from pipeline.rules import CALCIUM_GRADES

Constant = str | int | float | bool

# Factor from a site's unit to the dictionary's. kPa: 1 mmHg = 133.322 Pa (NIST SP 811, 2008, appendix B.8).
UNIT_FACTORS: Mapping[str, Mapping[str, float]] = {
    "mm": {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4},
    "mGy": {"mGy": 1.0, "cGy": 10.0, "Gy": 1000.0},
    "min": {"min": 1.0, "s": 1 / 60, "h": 60.0},
    "mL": {"mL": 1.0, "cL": 10.0, "L": 1000.0},
    "mmHg": {"mmHg": 1.0, "kPa": 1000 / 133.322},
}
WORKBOOK_SUFFIXES = (".xlsx", ".xlsm", ".xls", ".ods")
# Files that people keep tables in, and that are not read.
_NOT_READ = frozenset(
    [
        *(
            ".xlsb",
            ".numbers",
            ".doc",
            ".docx",
            ".rtf",
            ".pdf",
            ".html",
            ".htm",
            ".xml",
            ".json",
            ".mdb",
            ".accdb",
            ".sqlite",
        ),
        *(
            ".dbf",
            ".por",
            ".sas7bcat",
            ".rds",
            ".rda",
            ".rdata",
            ".jmp",
            ".rar",
            ".7z",
            ".tar",
            ".tgz",
            ".bz2",
            ".xz",
            ".zst",
        ),
    ]
)
_LONGEST_NAME = 255  # bytes of a file's name, on every system in use
DECIMAL_SIGNS = (".", ",")
THOUSANDS_SIGNS = (".", ",", " ", "'")
NOT_RECORDED = ""  # a code may be mapped to this: the site's word for "we do not know"


class TableMapping(BaseModel):
    """How one table is written. `columns` is ours = theirs; `codes` is, for each of our columns, theirs = ours."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    file: str | None = None
    sheet: str | None = None
    encoding: str | None = None
    separator: str | None = None
    decimal: str | None = None
    thousands: str | None = None
    dates: str | None = None
    drop: tuple[str, ...] = ()
    columns: dict[str, str] = Field(default_factory=dict)
    units: dict[str, str] = Field(default_factory=dict)
    codes: dict[str, dict[str, str]] = Field(default_factory=dict)
    constants: dict[str, Constant] = Field(default_factory=dict)

    def header(self, ours: str) -> str:
        """The site's header for our column: the mapped one, else our own name."""
        return self.columns.get(ours, ours)

    def drops(self, header: str) -> bool:
        """Whether the site's column under this header is never to be loaded, whatever its capitals."""
        return fold(header) in {fold(dropped) for dropped in self.drop}


class ExportMapping(BaseModel):
    """The whole mapping. `source` names the file in messages."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    source: str = "the mapping"
    tables: dict[str, TableMapping] = Field(default_factory=dict)

    def table(self, name: str) -> TableMapping:
        """The named table's mapping; the default layout when the file says nothing of it."""
        return self.tables.get(name) or TableMapping()


def load_mapping(path: Path | None) -> ExportMapping:
    """The mapping in a TOML file, or the default layout for None.

    Raises NeedsMending with one line per fault, each naming the file and the place in it.
    """
    if path is None:
        return ExportMapping()
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise NeedsMending(f"{path.name}: the mapping cannot be read ({error.strerror}); check --mapping") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise NeedsMending(f"{path.name}: not a TOML file in UTF-8 ({error}); mend that line") from None

    known = {table.name: table for table in TABLES}
    tables: dict[str, TableMapping] = {}
    faults: list[str] = []
    for name, part in content.items():
        if name not in known:
            faults.append(f"[{name}] is not a table; the tables are {', '.join(known)}")
            continue
        try:
            tables[name] = TableMapping.model_validate(_with_tuples(part))
        except ValidationError as error:
            faults += [f"[{_place(name, e['loc'])}] {_plain(str(e['type']), e['msg'])}" for e in error.errors()]
            continue
        faults += _table_faults(known[name], tables[name])
    if faults:
        raise NeedsMending(*(f"{path.name}: {fault}" for fault in faults))
    return ExportMapping(source=path.name, tables=tables)


def unit_factor(column: Column, unit: str) -> float | None:
    """What a value in `unit` is multiplied by to be in the column's own unit; None when it cannot be converted."""
    for name, factor in UNIT_FACTORS.get(column.unit, {}).items():
        if name.casefold() == unit.strip().casefold():
            return factor
    return None


def accepted_codes(column: Column) -> tuple[str, ...]:
    """The values that a site's codes may be translated to; empty when the column takes no codes."""
    if column.type == "bool":
        return ("true", "false")
    if column.name == "calcium_grade":
        return tuple(dict.fromkeys(grade for grades in CALCIUM_GRADES.values() for grade in grades))
    return column.codes


def _with_tuples(part: Any) -> Any:
    if isinstance(part, dict) and isinstance(part.get("drop"), list):
        return part | {"drop": tuple(part["drop"])}
    return part


def _place(table: str, location: tuple[int | str, ...]) -> str:
    return ".".join([table, *map(str, location)])


def _plain(kind: str, message: str) -> str:
    if kind == "extra_forbidden":
        return "is not a setting; the settings are " + ", ".join(TableMapping.model_fields)
    if kind == "string_type":
        return "should be text: put it in quotes"
    return message[:1].lower() + message[1:]


def _table_faults(table: Table, mapping: TableMapping) -> Iterator[str]:
    yield from (f"[{table.name}] {fault}" for fault in _file_faults(mapping))
    if mapping.dates is not None and not _is_date_pattern(mapping.dates):
        yield (
            f"[{table.name}] dates = '{mapping.dates}' does not give day, month and year; "
            "write it with %d, %m and %Y, as in '%d.%m.%Y'"
        )
    for part in ("columns", "units", "codes", "constants"):
        for name in getattr(mapping, part):
            if name not in table.column_names:
                yield f"[{table.name}.{part}] '{name}' is not a column of {table.name}; see docs/data_dictionary.md"
    yield from _header_faults(table, mapping)
    yield from _unit_faults(table, mapping)
    yield from _code_faults(table, mapping)
    yield from _constant_faults(table, mapping)


def _file_faults(mapping: TableMapping) -> Iterator[str]:
    if mapping.file is not None:
        inside = PurePath(mapping.file)
        too_long = any(len(part.encode()) > _LONGEST_NAME for part in inside.parts)
        if not mapping.file.strip() or inside.is_absolute() or ".." in inside.parts or too_long:
            yield f"file = '{mapping.file}' should be the name of a file inside the folder of tables"
        suffix = PurePath(mapping.file.lower().removesuffix(".gz")).suffix
        if suffix in _NOT_READ:
            yield f"file = '{mapping.file}' is of a kind that is not read; save the table as .csv, .xlsx or .parquet"
        elif mapping.sheet is not None and suffix not in (*WORKBOOK_SUFFIXES, ".zip"):  # an archive may hold a workbook
            yield f"sheet is given, but '{mapping.file}' is not a workbook (.xlsx)"
    if mapping.encoding is not None:
        try:
            "a".encode(codecs.lookup(mapping.encoding).name)  # codecs that are not of text fail here
        except LookupError:
            yield f"encoding = '{mapping.encoding}' is not known; write 'utf-8', 'cp1252', 'latin-1' or 'utf-16'"
    separator = mapping.separator
    if separator is not None and (
        len(separator) != 1 or not separator.isascii() or separator in '"\r\n' or separator.isalnum()
    ):
        yield "separator should be one sign, such as ';' ',' '|' or a tab (\"\\t\")"
    if mapping.decimal is not None and mapping.decimal not in DECIMAL_SIGNS:
        yield "decimal should be '.' or ','"
    if mapping.thousands is not None and mapping.thousands not in THOUSANDS_SIGNS:
        yield "thousands should be one of '.', ',', ' ' and \"'\""
    if mapping.thousands is not None and mapping.thousands == (mapping.decimal or "."):
        yield "thousands and decimal are the same sign; give the one that the site writes"


def _is_date_pattern(pattern: str) -> bool:
    day = date(2023, 11, 28)  # day, month and year cannot be taken for one another
    written = datetime(day.year, day.month, day.day).strftime(pattern)
    try:
        read = pl.Series([written]).str.to_datetime(pattern, strict=False).dt.date().item()
        if read is None:
            read = pl.Series([written]).str.to_date(pattern, strict=False).item()
    except pl.exceptions.PolarsError:
        return False
    return bool(read == day)


def _header_faults(table: Table, mapping: TableMapping) -> Iterator[str]:
    ours_of: dict[str, str] = {}
    for ours, theirs in mapping.columns.items():
        if not theirs.strip():
            yield f"[{table.name}.columns] {ours} has no header; leave the line out if the site does not export it"
        elif theirs in ours_of:
            yield f"[{table.name}.columns] '{theirs}' is given to both {ours_of[theirs]} and {ours}"
        elif mapping.drops(theirs):
            yield f"[{table.name}] '{theirs}' is both dropped and used for {ours}"
        ours_of[theirs] = ours
    for column in table.columns:
        unmapped = column.name not in mapping.columns and column.name not in mapping.constants
        if column.needed and unmapped and mapping.drops(column.name):
            yield f"[{table.name}] drop: '{column.name}' is needed; it cannot be dropped"


def _unit_faults(table: Table, mapping: TableMapping) -> Iterator[str]:
    for name, unit in mapping.units.items():
        if name not in table.column_names or unit_factor(table.column(name), unit) is not None:
            continue
        known = UNIT_FACTORS.get(table.column(name).unit)
        if known is None:
            yield f"[{table.name}.units] {name} has no unit to be converted; leave the line out"
        else:
            yield f"[{table.name}.units] {name}: '{unit}' is not one of {', '.join(known)}"


def _code_faults(table: Table, mapping: TableMapping) -> Iterator[str]:
    for name, codes in mapping.codes.items():
        if name not in table.column_names:
            continue
        accepted = accepted_codes(table.column(name))
        if not accepted:
            yield f"[{table.name}.codes.{name}] {name} holds no codes; leave the part out"
            continue
        for theirs, ours in codes.items():
            if ours not in accepted and ours != NOT_RECORDED:
                yield f"[{table.name}.codes.{name}] '{ours}' (for '{theirs}') is not one of {', '.join(accepted)}"
        if len({theirs.strip().casefold() for theirs in codes}) < len(codes):
            yield f"[{table.name}.codes.{name}] two codes differ only in capitals or spaces; keep one"


def _constant_faults(table: Table, mapping: TableMapping) -> Iterator[str]:
    for name, value in mapping.constants.items():
        if name not in table.column_names:
            continue
        column = table.column(name)
        place = f"[{table.name}.constants] {name}"
        if name in mapping.columns:
            yield f"{place} is also mapped to '{mapping.columns[name]}'; keep one of the two"
        elif name == table.key or name in table.refers:
            yield f"{place} is a key, which differs from row to row; map it to a column"
        elif column.name == "site_id" and (kind := _identifier(column, value)):
            yield f"{place} looks like a direct identifier ({kind}), and a site is written as it stands; give the site's code"
        elif column.type == "code" and value not in column.codes:
            yield f"{place}: '{value}' is not one of {', '.join(column.codes)}"
        elif column.type == "bool" and not isinstance(value, bool):
            yield f"{place} should be true or false, without quotes"
        elif column.type in ("int", "real") and not _is_number_within(value, column):
            yield f"{place} should be a number{_limits_in_words(column)}, without quotes"
        elif column.type == "date" and not _is_iso_date(value):
            yield f"{place} should be a date in quotes, as in '2024-03-31'"


def _identifier(column: Column, value: Constant) -> str | None:
    return kind_of_used(column.name, pl.Series([str(value)]), key=False, column=column.name)


def _is_number_within(value: Constant, column: Column) -> bool:
    if isinstance(value, bool | str) or not math.isfinite(value) or (column.type == "int" and value != int(value)):
        return False
    return column.limits is None or column.limits[0] <= value <= column.limits[1]


def _limits_in_words(column: Column) -> str:
    return "" if column.limits is None else f" from {column.limits[0]:g} to {column.limits[1]:g}"


def _is_iso_date(value: Constant) -> bool:
    try:
        date.fromisoformat(str(value))
    except ValueError:
        return False
    return True
