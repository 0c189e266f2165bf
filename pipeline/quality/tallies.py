"""Every column of the checked tables counted by site and quarter: what is not there, what was blanked, and each code."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.case_tables import PSEUDONYM_COLUMNS, TABLES, Column, table
from pipeline.identity import key_number
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

    Of the missing, `blanked` were recorded and could not be used; `blanked_at` is theirs as `missing_at`, None for none.
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
    blanked: int = 0
    blanked_at: Ints | None = field(default=None, repr=False)

    @property
    def never_recorded(self) -> bool:
        """Whether there are rows and not one of them held a value, usable or not."""
        return self.missing == self.rows > 0 == self.blanked

    @property
    def unrecorded_at(self) -> Ints:
        """Rows in which nothing was recorded (sites, quarters): a value that could not be used was."""
        return self.missing_at if self.blanked_at is None else self.missing_at - self.blanked_at

    @property
    def name(self) -> str:
        """The column as printed, with the scale of a calcium grade."""
        return f"{self.column} ({self.of_scale})" if self.of_scale else self.column


def tallies(
    frames: Mapping[str, pl.DataFrame], where: Places, blanked: pl.DataFrame, in_doubt: pl.Series
) -> tuple[Tally, ...]:
    """One tally a column in the dictionary's order, keys and needed references left out; then the attempts of each lesion.

    `blanked` lists the values that could not be used (table, key, column), `in_doubt` the keys of lesions with an attempt set aside,
    which are left out of the number of attempts.
    """
    found: list[Tally] = []
    for one in TABLES:
        frame = frames[one.name]
        for column in one.columns:
            if column.name in PSEUDONYM_COLUMNS and column.needed:
                continue
            told = tuple(_tally(one.name, column, frame, where))
            lost = _rows_blanked(blanked, one.name, column.name, frame)
            if lost is not None:
                number, at = int(lost.sum()), where.count(one.name, lost)
                told = (replace(told[0], blanked=number, blanked_at=at), *told[1:])
            found += told
    return (*found, _attempts_made(where, _has_key(frames["lesions"], "lesions", in_doubt)))


def _rows_blanked(blanked: pl.DataFrame, name: str, column: str, frame: pl.DataFrame) -> NDArray[np.bool_] | None:
    """Which rows of the frame had the column's value blanked; None where none had."""
    keys = blanked.filter(pl.col("table") == name, pl.col("column") == column)["key"].drop_nulls()
    if keys.is_empty():
        return None
    # What was blanked is listed by its key as it is written out.
    return _has_key(frame, name, key_number(keys) if frame[table(name).key].dtype == pl.UInt64 else keys)


def _has_key(frame: pl.DataFrame, name: str, keys: pl.Series) -> NDArray[np.bool_]:
    """Which rows of the frame have one of the keys."""
    if keys.is_empty():
        return np.zeros(frame.height, dtype=np.bool_)
    return frame[table(name).key].is_in(keys.implode()).to_numpy()


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
            yield _coded(table, column.name, codes, grades, where, of_scale=scale, others=True)


def _coded(
    table: str,
    column: str,
    codes: Bytes,
    labels: tuple[str, ...],
    where: Places,
    *,
    of_scale: str = "",
    others: bool = False,
) -> Tally:
    """The tally of positions among the labels; the position after the last is "not recorded", one beyond are other rows."""
    positions = len(labels) + (2 if others else 1)
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


def _attempts_made(where: Places, in_doubt: NDArray[np.bool_]) -> Tally:
    """Of lesions in doubt the number of attempts is not known: one was set aside."""
    made = np.minimum(where.attempts_made, len(ATTEMPTS_MADE) - 1)
    codes = np.where(in_doubt, len(ATTEMPTS_MADE) + 1, made).astype(np.uint8)
    return _coded("lesions", ATTEMPTS_COLUMN, codes, ATTEMPTS_MADE, where, others=True)
