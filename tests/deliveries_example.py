"""A service that delivers one export after the other, and what is looked at afterwards."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import duckdb
import polars as pl

from pipeline import flow
from pipeline.flow import Request, Work
from pipeline.identity import key_text, pseudonyms

KEY = b"a key for tests, sixteen and more"
Tables = Mapping[str, pl.DataFrame]


@dataclass
class Service:
    """A service that delivers into one folder, each export from a folder of its own."""

    folder: Path
    out: Path = field(init=False)
    exports: int = 0

    def __post_init__(self) -> None:
        self.out = self.folder / "out"

    def deliver(
        self, tables: Tables, plan: str = "", mapping: str = "", key: bytes = KEY, day: date | None = None
    ) -> Work:
        self.exports += 1
        export = self.folder / f"export-{self.exports}"
        export.mkdir()
        for name, frame in tables.items():
            frame.write_csv(export / f"{name}.csv")
        return self.run(export, plan, mapping, key, day)

    def run(
        self, export: Path, plan: str = "", mapping: str = "", key: bytes = KEY, day: date | None = None, **more: bool
    ) -> Work:
        request = Request(
            export,
            self.out,
            mapping=self._written("mapping.toml", mapping),
            plan=self._written("plan.toml", plan),
            key=key,
            received=day,
            **more,
        )
        return flow.run(request, engine="direct")

    def _written(self, name: str, text: str) -> Path | None:
        if not text:
            return None
        (self.folder / name).write_text(text, encoding="utf-8")
        return self.folder / name

    def csv(self, name: str) -> pl.DataFrame:
        return pl.read_csv(self.out / "results" / f"{name}.csv")

    def sql(self, query: str) -> list[tuple[object, ...]]:
        with duckdb.connect(str(self.out / "service.duckdb"), read_only=True) as connection:
            return connection.sql(query).fetchall()


# What is asked here is not about the statistics: the primary comparison alone, without what doubts it, takes half of the time.
QUICK = """
methods = ["crude"]
self_check.replicates = 0
bootstrap.replicates = 0
imputation.datasets = 2
imputation.sweeps = 2
"""
KEEP, DROP = 'withdrawn_rows = "keep"' + QUICK, 'withdrawn_rows = "drop"' + QUICK


def outputs(out: Path) -> dict[str, bytes]:
    """What must be the same to the last byte: every results file, the report and the edition."""
    found = {f"results/{path.name}": path.read_bytes() for path in (out / "results").glob("*.csv")}
    found |= {f"report/{path.name}": path.read_bytes() for path in (out / "report").iterdir()}
    return found | {"edition.json": (out / "edition.json").read_bytes()}


def history(out: Path) -> dict[str, list[tuple[object, ...]]]:
    """Every line of every table of the history."""
    with duckdb.connect(str(out / "service.duckdb"), read_only=True) as connection:
        names = connection.sql("SELECT table_name FROM duckdb_tables() WHERE schema_name = 'history'").fetchall()
        return {name: sorted(connection.sql(f"FROM history.{name}").fetchall(), key=repr) for (name,) in names}


def key_of(column: str, value: str) -> str:
    return key_text(column, pseudonyms(pl.Series(column, [value]), column, KEY))[0]


def rows_of(tables: Tables, where: pl.Expr) -> dict[str, pl.DataFrame]:
    """The procedures that fulfil a condition, with all that belongs to them."""
    procedures = tables["procedures"].filter(where)
    lesions = tables["lesions"].join(procedures, on="procedure_id", how="semi", maintain_order="left")
    return {
        "patients": tables["patients"].join(procedures, on="patient_id", how="semi", maintain_order="left"),
        "procedures": procedures,
        "lesions": lesions,
        "attempts": tables["attempts"].join(lesions, on="lesion_id", how="semi", maintain_order="left"),
        "complications": tables["complications"].join(procedures, on="procedure_id", how="semi", maintain_order="left"),
    }


def in_three(tables: Tables) -> list[dict[str, pl.DataFrame]]:
    """A service's tables as three exports, each with the procedures of a third of the time and the follow-up of a third."""
    days = tables["procedures"]["procedure_date"].sort()
    first, second = days[len(days) // 3], days[2 * len(days) // 3]
    day = pl.col("procedure_date")
    parts = [rows_of(tables, day < first), rows_of(tables, day.is_between(first, second, closed="left"))]
    parts.append(rows_of(tables, day >= second))
    never_treated = tables["patients"].join(tables["procedures"], on="patient_id", how="anti", maintain_order="left")
    parts[0]["patients"] = pl.concat([parts[0]["patients"], never_treated])
    contacts = tables["follow_up"]
    size = len(contacts) // 3
    for number, part in enumerate(parts):
        part["follow_up"] = contacts[number * size : None if number == 2 else (number + 1) * size]
    return parts


def with_faults(tables: Tables) -> dict[str, pl.DataFrame]:
    """Some lengths out of limits, some attempts without their outcome, a procedure without a patient."""
    number = pl.int_range(pl.len())
    lesions = tables["lesions"].with_columns(
        length_mm=pl.when(number % 50 == 7).then(5000.0).otherwise("length_mm"),
        segment=pl.when(number % 90 == 11).then(pl.lit("thigh")).otherwise("segment"),
    )
    attempts = tables["attempts"].with_columns(crossed=pl.when(number % 60 != 13).then("crossed"))
    procedures = tables["procedures"].with_columns(
        patient_id=pl.when(number == 5).then(pl.lit("nobody")).otherwise("patient_id")
    )
    return {**tables, "lesions": lesions, "attempts": attempts, "procedures": procedures}
