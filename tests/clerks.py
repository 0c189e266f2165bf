"""Exports as invented clerks would write them, each in a language and manner of its own: files, headers, codes, units, dates.

The clerks' words stand in tests/data/clerks; they were written before the vocabulary that is held against them.
"""

from __future__ import annotations

import csv
import io
import random
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.case_tables import TABLES, Column
from pipeline.mapping import unit_factor

FOLDER = Path(__file__).parent / "data" / "clerks"
NAMES = tuple(sorted(path.stem for path in FOLDER.glob("*.toml")))
# A clerk without words for grades writes them all on PACSS.
ON_PACSS = {"none": "0", "focal": "1", "mild": "1", "moderate": "3", "severe": "4"}


@dataclass(frozen=True, slots=True)
class Clerk:
    """One clerk. `headers` are ours = theirs by table, `codes` ours = theirs by column, `extra` what stands beside ours, by table."""

    name: str
    language: str
    encoding: str
    separator: str
    decimal: str
    dates: str
    files: Mapping[str, str]
    headers: Mapping[str, Mapping[str, str]]
    codes: Mapping[str, Mapping[str, str]]
    units: Mapping[str, str]
    extra: Mapping[str, Mapping[str, str]]

    def codes_of(self, column: Column) -> Mapping[str, str]:
        """Ours = theirs for a column; empty when the clerk writes ours."""
        return self.codes.get(column.name, self.codes["yes_no"] if column.type == "bool" else {})

    def unit_of(self, column: Column) -> str:
        """The unit that the clerk writes the column in."""
        return self.units.get(column.name, column.unit)


def clerk(name: str) -> Clerk:
    """The named clerk."""
    told: dict[str, Any] = tomllib.loads((FOLDER / f"{name}.toml").read_text(encoding="utf-8"))
    return Clerk(name=name, **{"units": {}, "extra": {}, **told})


def exported(by: Clerk, tables: Mapping[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """What of the tables the clerk exports, still in our words: the truth that a reading is held against."""
    kept: dict[str, pl.DataFrame] = {}
    for table in TABLES:
        frame = tables[table.name].select(list(by.headers[table.name]))
        if "calcium_grade" in frame.columns and "calcium_grade" not in by.codes:
            frame = frame.with_columns(pl.col("calcium_grade").replace(ON_PACSS))
        kept[table.name] = frame
    return kept


def write(by: Clerk, tables: Mapping[str, pl.DataFrame], folder: Path, *, header: Callable[[str], str] = str) -> Path:
    """The clerk's files. `header` changes each header on its way, as a careless clerk might."""
    folder.mkdir(parents=True, exist_ok=True)
    chance = random.Random(1)  # noqa: S311 - invented values
    truth = exported(by, tables)
    for table in TABLES:
        ours, extra = by.headers[table.name], by.extra.get(table.name, {})
        out = io.StringIO(newline="")
        writer = csv.writer(out, delimiter=by.separator)
        writer.writerow([*map(header, ours.values()), *extra])
        for number, row in enumerate(truth[table.name].iter_rows(named=True)):
            written = [_written(by, table.column(name), row[name]) for name in ours]
            writer.writerow([*written, *(_beside(kind, number, chance) for kind in extra.values())])
        (folder / by.files[table.name]).write_bytes(out.getvalue().encode(by.encoding))
    return folder


def _written(by: Clerk, column: Column, value: object) -> str:
    if value is None:
        return ""
    codes = by.codes_of(column)
    if codes:
        ours = str(value).lower() if isinstance(value, bool) else str(value)
        return codes.get(ours, ours)
    if isinstance(value, date):
        return value.strftime(by.dates)
    if isinstance(value, float):
        factor = unit_factor(column, by.unit_of(column)) or 1.0
        return f"{value / factor:.5f}".rstrip("0").rstrip(".").replace(".", by.decimal)
    return str(value)


def _beside(kind: str, number: int, chance: random.Random) -> str:
    """A value of a column that is none of ours; obviously invented."""
    what, _, how = kind.partition(" ")
    if what == "name":
        return f"Erfunden-{number % 90}"
    if what == "note":
        return f"an invented sentence number {number} of some words"
    if what == "birthdate":
        return (date(1940, 1, 1) + timedelta(days=chance.randrange(9000))).strftime("%d.%m.%Y")
    if what == "date":
        return (date(2024, 1, 1) + timedelta(days=chance.randrange(600))).strftime("%d/%m/%Y")
    if what == "number":
        low, high = map(int, how.split())
        return str(chance.randint(low, high))
    if what == "ratio":
        return f"{chance.uniform(0.3, 1.2):.2f}"
    if what == "words":
        return chance.choice(how.split("|"))
    assert what == "key"
    return str(chance.randrange(10**7, 10**8))
