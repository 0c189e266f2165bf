"""Every column of the checked tables counted by site and quarter: what is not recorded, and each code."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.case_tables import PSEUDONYM_COLUMNS, TABLES, Column
from pipeline.quality.when_and_where import Places
from pipeline.rules import CALCIUM_GRADES

Ints = NDArray[np.int64]
Bytes = NDArray[np.uint8]

_MOST_LEVELS = 10  # a whole number with more levels than this is a measurement, not a grade
# What a lesion's attempts come to, looked at as if it were a code.
ATTEMPTS_MADE = ("no attempt", "one attempt", "several attempts")
ATTEMPTS_COLUMN = "number of attempts"


@dataclass(frozen=True, slots=True)
class Tally:
    """One column. `missing` and `rows` are whole counts; `missing_at` (sites, quarters) of rows that have a place.

    A column of codes has `labels` (k,), `counts` (k,) over all rows, and `at` (sites, quarters, k); others have none of them.
    `of_scale`: the calcium scale that the codes are grades of, "" for any other column; only rows on it are counted.
    """

    table: str
    column: str
    rows: int
    missing: int
    missing_at: Ints = field(repr=False)
    labels: tuple[str, ...] = ()
    counts: tuple[int, ...] = ()
    at: Ints | None = field(default=None, repr=False)
    of_scale: str = ""

    @property
    def name(self) -> str:
        """The column as printed, with the scale of a calcium grade."""
        return f"{self.column} ({self.of_scale})" if self.of_scale else self.column


def tallies(frames: Mapping[str, pl.DataFrame], where: Places) -> tuple[Tally, ...]:
    """One tally a column in the dictionary's order, keys and needed references left out; then the attempts of each lesion."""
    found: list[Tally] = []
    for table in TABLES:
        frame = frames[table.name]
        for column in table.columns:
            if column.name in PSEUDONYM_COLUMNS and column.needed:
                continue
            found += _tally(table.name, column, frame, where)
    return (*found, _attempts_made(where))


def _tally(table: str, column: Column, frame: pl.DataFrame, where: Places) -> Iterator[Tally]:
    values = frame[column.name]
    labels = _labels(column)
    if labels:
        yield _coded(table, column.name, _positions(values, labels), labels, where)
        return
    missing = values.null_count()
    missing_at = where.count(table, values.is_null().to_numpy()) if missing else np.zeros_like(where.rows[table])
    yield Tally(table, column.name, len(values), missing, missing_at)
    if column.name == "calcium_grade":
        for scale, grades in CALCIUM_GRADES.items():
            on_scale = (frame["calcium_scale"].cast(pl.String) == scale).fill_null(value=False).to_numpy()
            # Rows on another scale take a position of their own, beyond that of "not recorded".
            codes = np.where(on_scale, _positions(values, grades), len(grades) + 1).astype(np.uint8)
            yield _coded(table, column.name, codes, grades, where, scale)


def _coded(table: str, column: str, codes: Bytes, labels: tuple[str, ...], where: Places, of_scale: str = "") -> Tally:
    """The tally of positions among the labels; the position after the last is "not recorded", any beyond are other rows."""
    positions = len(labels) + (2 if of_scale else 1)
    counts = np.bincount(codes, minlength=positions)
    at = where.count_codes(table, codes, positions)
    known, missing = counts[: len(labels)], int(counts[len(labels)])
    rows = int(known.sum()) + missing
    at_codes = np.ascontiguousarray(at[:, :, : len(labels)])
    return Tally(table, column, rows, missing, at[:, :, len(labels)], labels, tuple(known.tolist()), at_codes, of_scale)


def _labels(column: Column) -> tuple[str, ...]:
    if column.type == "code":
        return column.codes
    if column.type == "bool":
        return ("false", "true")
    if column.type == "int" and column.limits is not None and column.limits[1] < _MOST_LEVELS:
        return tuple(str(level) for level in range(int(column.limits[0]), int(column.limits[1]) + 1))
    return ()


def _positions(values: pl.Series, labels: tuple[str, ...]) -> Bytes:
    """Where each value stands among the labels; len(labels) for null."""
    if values.dtype == pl.Boolean:
        places = values.cast(pl.UInt8)
    elif values.dtype.is_integer():
        places = (values - int(labels[0])).cast(pl.UInt8)
    else:
        places = values.cast(pl.Enum(labels), strict=False).to_physical().cast(pl.UInt8)
    return places.fill_null(len(labels)).to_numpy()


def _attempts_made(where: Places) -> Tally:
    codes = np.minimum(where.attempts_made, len(ATTEMPTS_MADE) - 1).astype(np.uint8)
    return _coded("lesions", ATTEMPTS_COLUMN, codes, ATTEMPTS_MADE, where)
