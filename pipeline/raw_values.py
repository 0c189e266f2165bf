"""What of an export may be kept as it was written: keys, and values that can be read as what their column holds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import polars as pl

from pipeline.case_tables import PSEUDONYM_COLUMNS, TABLES, Column, Table
from pipeline.rules import CALCIUM_GRADES, FIRST_DATE, LAST_DATE
from pipeline.typed_values import typed

_GRADES = sorted({grade for grades in CALCIUM_GRADES.values() for grade in grades})


def without_unreadable(frames: Mapping[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """The frames, text as written, with null for every value that its column cannot hold.

    Such a value may be anything, a name typed into `sex` among them, so none is kept: what is not of its column's type,
    not one of its codes or grades, or out of its limits (a birth date without separators reads as a number). Keys,
    `row`, `fault` and any other columns stay as they are, and so do the rows and their order.
    """
    kept = dict(frames)
    for table in TABLES:
        if table.name in kept:
            kept[table.name] = _kept(table, kept[table.name])
    return kept


def _kept(table: Table, frame: pl.DataFrame) -> pl.DataFrame:
    columns = tuple(c for c in table.columns if c.name in frame.columns and c.name not in PSEUDONYM_COLUMNS)
    read = typed(replace(table, columns=columns), frame)
    fits = read.select(_fits(column).alias(column.name) for column in columns)
    return frame.with_columns(
        pl.select(pl.when(fits[column.name]).then(frame[column.name]).alias(column.name)).to_series()
        for column in columns
    )


def _fits(column: Column) -> pl.Expr:
    value = pl.col(column.name)
    if column.name == "calcium_grade":
        return value.is_in(_GRADES)
    if column.type == "date":
        return value.is_between(FIRST_DATE, LAST_DATE)
    if column.limits is not None:
        return value.is_between(*column.limits)
    return value.is_not_null()
