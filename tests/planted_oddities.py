"""An invented service in which one thing is made odd on purpose, for tests of whether it is found."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from functools import cache

import polars as pl

from synthetic_data.service import invent

CASES = 1500
SEED = 11
Tables = dict[str, pl.DataFrame]

# What the invented service itself has by design: one site keeps another calcium scale for its first year, and only every second
# site writes the plan down (docs/invented_service.md).
BY_DESIGN = frozenset({("coding change", "calcium_scale"), ("never filled in", "planned_approach")})


@cache
def _clean(cases: int, seed: int) -> Mapping[str, pl.DataFrame]:
    return invent(cases, seed).tables


def clean(cases: int = CASES, seed: int = SEED) -> Tables:
    """The service as it was invented; a new dict of the same frames."""
    return dict(_clean(cases, seed))


def changed(table: str, **columns: pl.Expr) -> Tables:
    """The clean service with columns of one table replaced."""
    tables = clean()
    return tables | {table: tables[table].with_columns(**columns)}


def on_procedure(tables: Tables, table: str) -> pl.DataFrame:
    """The table's rows with `site_id` and `procedure_date` of their procedure, in their order."""
    placed = tables["procedures"].select("procedure_id", "site_id", "procedure_date")
    frame = tables[table]
    if table == "attempts":
        frame = frame.join(tables["lesions"].select("lesion_id", "procedure_id"), on="lesion_id", maintain_order="left")
    return frame.join(placed, on="procedure_id", maintain_order="left")


def where(table: str, condition: pl.Expr, **columns: pl.Expr) -> Tables:
    """The clean service with columns replaced in the rows that meet a condition on site_id and procedure_date."""
    tables = clean()
    placed = on_procedure(tables, table) if table != "procedures" else tables[table]
    made = placed.with_columns(
        pl.when(condition).then(value).otherwise(name).alias(name) for name, value in columns.items()
    )
    return tables | {table: made.select(tables[table].columns)}


AT_SITE2 = pl.col("site_id") == "SITE2"
LATE = pl.col("procedure_date") >= date(2024, 10, 1)
