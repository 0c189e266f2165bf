"""A worked foreign export: an invented German-language site's files, with its mapping file and some broken rows.

`python -m synthetic_data.foreign` writes the folder anew; a test holds the committed files to be what this makes.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.case_tables import TABLES, Column, Table
from synthetic_data.foreign_faults import Planted, Row, Written, plant
from synthetic_data.foreign_layout import (
    CODES,
    CONSTANTS,
    DATES,
    DECIMAL,
    DROPPED,
    ENCODING,
    FILES,
    HEADERS,
    SEPARATOR,
    UNITS,
)
from synthetic_data.scenario import Scenario
from synthetic_data.service import Service, invent

FOLDER = Path(__file__).parent / "foreign_site"
LESIONS, SEED = 250, 20250411
SITE = Scenario("foreign site", sites=1, operators=4)
# The site grades on PACSS only; what the invented service wrote on another scale is put on it.
ON_PACSS = {"none": "0", "focal": "1", "mild": "1", "moderate": "3", "severe": "4"}


def foreign_service() -> Service:
    """The invented service behind the export, before it is written the site's way and broken."""
    return invent(LESIONS, SEED, SITE)


def foreign_files() -> dict[str, bytes]:
    """Every file of the folder, by name."""
    planted = plant(_as_written(foreign_service().tables))
    files = {FILES[table.name]: _csv(table.name, planted).encode(ENCODING) for table in TABLES}
    files["mapping.toml"] = _mapping().encode()
    files["expected_faults.json"] = (json.dumps(planted.expected, indent=2) + "\n").encode()
    return files


def write_foreign_site(folder: Path = FOLDER) -> None:
    """Write every file of the export into the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in foreign_files().items():
        (folder / name).write_bytes(content)


def _as_written(tables: Mapping[str, pl.DataFrame]) -> Written:
    return {
        table.name: [
            {column: _value(table, table.column(column), row[column]) for column in HEADERS[table.name]}
            for row in tables[table.name].iter_rows(named=True)
        ]
        for table in TABLES
    }


def _value(table: Table, column: Column, value: object) -> str:
    """One value as the site writes it."""
    if value is None:
        return ""
    if column.name == "calcium_grade":
        return ON_PACSS.get(str(value), str(value))
    if isinstance(value, date):
        return value.strftime(DATES)
    codes = CODES[table.name].get(column.name)
    if codes is not None:
        return codes[str(value).lower() if isinstance(value, bool) else str(value)]
    if isinstance(value, float):
        _, ours_in_theirs = UNITS.get(table.name, {}).get(column.name, ("", 1.0))
        return f"{value / ours_in_theirs:.4f}".rstrip("0").rstrip(".").replace(".", DECIMAL)
    return str(value)


def _csv(name: str, planted: Planted) -> str:
    headers = [*HEADERS[name].values(), *DROPPED.get(name, {})]
    lines = [SEPARATOR.join(headers)]
    for at, row in enumerate(planted.written[name]):
        fields = _fields(name, row, at)
        extra = planted.ragged.get(at, 0) if name == "attempts" else 0
        # Too many: a separator slipped into a value. Too few: the line was cut short.
        lines.append(SEPARATOR.join([*fields, "zuviel"] if extra > 0 else fields[: len(fields) + extra]))
    return "\r\n".join(lines) + "\r\n"


def _fields(name: str, row: Row, at: int) -> list[str]:
    made_up = [pattern.format(at + 1) for pattern in DROPPED.get(name, {}).values()]
    return [*(row[column] for column in HEADERS[name]), *made_up]


def _mapping() -> str:
    return "\n".join(_mapping_lines()) + "\n"


def _mapping_lines() -> Iterator[str]:
    yield "# How an invented German-language site writes its export. Nothing here is of a real patient or place."
    for table in TABLES:
        name = table.name
        yield from ("", f"[{name}]", f"file = {_quoted(FILES[name])}", f"encoding = {_quoted(ENCODING)}")
        yield from (f"separator = {_quoted(SEPARATOR)}", f"decimal = {_quoted(DECIMAL)}", f"dates = {_quoted(DATES)}")
        if name in DROPPED:
            yield f"drop = [{', '.join(_quoted(header) for header in DROPPED[name])}]"
        yield f"[{name}.columns]  # ours = theirs"
        yield from (f"{ours} = {_quoted(theirs)}" for ours, theirs in HEADERS[name].items())
        if name in UNITS:
            yield f"[{name}.units]  # the unit theirs is written in"
            yield from (f"{ours} = {_quoted(unit)}" for ours, (unit, _) in UNITS[name].items())
        for column, codes in CODES[name].items():
            yield f"[{name}.codes.{column}]  # theirs = ours"
            yield from (f"{_quoted(theirs)} = {_quoted(ours)}" for ours, theirs in codes.items())
        if name in CONSTANTS:
            yield f"[{name}.constants]  # columns that the site does not export"
            yield from (f"{ours} = {_quoted(value)}" for ours, value in CONSTANTS[name].items())


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


if __name__ == "__main__":
    write_foreign_site()
