"""Between text and typed values: what each type of the dictionary looks like when it is written, and how it is read back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.case_tables import FALSE_WORDS, TRUE_WORDS, Column, Table
from pipeline.distinct import made_of_distinct, over_distinct
from pipeline.rules import unreadable, unusable_values
from pipeline.table_rows import BAD_SCHEMA, TableRows

ISO_DATE = r"^\d{4}-\d{2}-\d{2}([T ]\d{2}:\d{2}(:\d{2}(\.\d+)?)?(Z|[+-]\d{2}:?\d{2})?)?$"
_LARGEST_WHOLE = 2.0**53  # beyond it a float no longer tells whole numbers apart
_FIRST_DAY, _LAST_DAY = -719_000, 2_932_000  # the years 1 to 9999, counted from 1970
_LARGEST = 2**63 - 1  # what the count of a moment can be
_TICKS_A_DAY = {"ms": 86_400_000, "us": 86_400_000_000, "ns": 86_400_000_000_000}

_NO_ROWS, _NO_REASONS = pl.Series([], dtype=pl.Int64), pl.Series([], dtype=pl.String)

POLARS_TYPES: dict[str, type[pl.DataType]] = {
    "text": pl.String,
    "code": pl.String,
    "int": pl.Int64,
    "real": pl.Float64,
    "bool": pl.Boolean,
    "date": pl.Date,
}


def as_text(values: pl.Series) -> pl.Series:
    """Typed values as the text that a CSV would hold: ISO dates, true and false, whole numbers without a fraction.

    No figure is lost nor made up: a decimal keeps all that it has, a single float shows what it was written with. What no
    column of the dictionary can hold (a duration, a list, a day beyond any calendar) becomes text that no reading accepts.
    """
    kind = values.dtype
    if kind == pl.String:
        return values
    if kind == pl.Boolean:
        return values.replace_strict({True: "true", False: "false"}, default=None, return_dtype=pl.String)
    if kind == pl.Date or isinstance(kind, pl.Datetime):
        return _iso(values)
    if kind.is_float():
        # A number that is not one (NaN) is how some tools write "not recorded".
        wider = values.cast(pl.Float32) if kind == pl.Float16 else values  # which polars does not round down
        numbers = wider.fill_nan(None).rename("number").to_frame()
        value = pl.col("number")
        whole = (value == value.floor()) & (value.abs() < _LARGEST_WHOLE)
        plain = pl.when(whole).then(value).cast(pl.Int64).cast(pl.String)
        return numbers.select(pl.coalesce(plain, value.cast(pl.String))).to_series().rename(values.name)
    if isinstance(kind, pl.Decimal):
        written = values.cast(pl.String)
        return written.str.strip_chars_end("0").str.strip_suffix(".") if kind.scale else written
    if isinstance(kind, pl.Duration):
        return values.dt.total_seconds().cast(pl.String) + " s"
    if isinstance(kind, pl.Binary):
        return pl.Series(
            values.name,
            [None if value is None else value.decode(errors="replace") for value in values],
            dtype=pl.String,
        )
    if kind.is_nested():
        there = values.is_not_null()
        return there.replace_strict({True: "(several values)", False: None}, return_dtype=pl.String)
    return values.cast(pl.String, strict=False)


def _iso(values: pl.Series) -> pl.Series:
    """Days, and moments as the day in the zone that they are written in; a day beyond the calendar as the bare number."""
    kind = values.dtype
    ticks = 1 if kind == pl.Date else _TICKS_A_DAY[kind.time_unit]  # type: ignore[attr-defined]
    # polars ends the program where a day is beyond the calendar: such a one is taken out before it is written.
    within = values.to_physical().is_between(max(_FIRST_DAY * ticks, -_LARGEST), min(_LAST_DAY * ticks, _LARGEST))
    day = values.zip_with(within, pl.Series([None], dtype=kind)).dt.strftime("%Y-%m-%d")
    return day.zip_with(within | values.is_null(), values.to_physical().cast(pl.String))


@dataclass(frozen=True, slots=True)
class Settled:
    """One column, typed: `values` without the bad ones, and of those `rows` (positions) and `reasons` (sentences)."""

    values: pl.Series
    rows: pl.Series
    reasons: pl.Series


def settle(table: Table, frame: pl.DataFrame) -> TableRows:
    """`frame` (`row`, `fault` and the dictionary's columns, text or typed) as typed rows; what a bad value said is gone.

    Columns of codes become enumerations, keys stay as they are.
    """
    readable = frame.filter(pl.col("fault").is_null()) if frame["fault"].null_count() < frame.height else frame
    settled = [settle_column(column, readable[column.name]) for column in table.columns]
    return settled_rows(frame, settled)


def settle_column(column: Column, written: pl.Series, text: pl.Expr | None = None) -> Settled:
    """One column of values. `text` makes of what is written what is to be read; as it stands when absent."""
    if text is None and (_is_typed(written.dtype, column)):
        value, unread = _from_typed(column)
    else:
        written = as_text(written)
        value, unread = _read_text(column, pl.col(column.name) if text is None else text)
    tests = [(one.sentence, one.broken) for one in unusable_values(column)] if _may_be_bad(column, written) else []
    named = written.alias(column.name)
    value = value.alias(column.name)
    kind = pl.Enum(column.codes) if column.type == "code" else POLARS_TYPES[column.type]
    if not tests:
        return Settled(over_distinct(named, value).to_series(), _NO_ROWS, _NO_REASONS)
    reason = pl.lit(0, dtype=pl.UInt8)
    for number, (_, broken) in reversed(list(enumerate(tests, start=1))):
        reason = pl.when(broken).then(pl.lit(number, dtype=pl.UInt8)).otherwise(reason)

    def judged(frame: pl.DataFrame) -> pl.DataFrame:
        values = frame.select(value, unread.alias(unreadable(column.name)))
        return values.select(pl.col(column.name).cast(kind), reason.alias("reason"))

    read = made_of_distinct(named, judged)
    bad = read.with_row_index("at").filter(pl.col("reason") > 0)
    if bad.is_empty():
        return Settled(read[column.name], _NO_ROWS, _NO_REASONS)
    sentences = {number: sentence for number, (sentence, _) in enumerate(tests, start=1)}
    return Settled(
        read.select(
            pl.when(pl.col("reason").fill_null(0) == 0).then(pl.col(column.name)).alias(column.name)
        ).to_series(),
        bad["at"].cast(pl.Int64),
        bad["reason"].replace_strict(sentences, return_dtype=pl.String),
    )


def _may_be_bad(column: Column, written: pl.Series) -> bool:
    """Whether a value may be unusable: of text hardly any is, and one quick look spares the others."""
    if column.type != "text" or column.name == "calcium_grade":
        return True
    beyond_ascii = written.str.len_bytes().sum() != written.str.len_chars().sum()
    return beyond_ascii or bool(written.str.contains("+", literal=True).any())


def settled_rows(rows: pl.DataFrame, columns: Sequence[Settled]) -> TableRows:
    """The columns of the readable ones among `rows` (`row`, `fault`), put together."""
    unread = rows.select("row", "fault").filter(pl.col("fault").is_not_null())
    numbers = rows["row"] if unread.is_empty() else rows.filter(pl.col("fault").is_null())["row"]
    bad = [
        pl.DataFrame(
            {
                "row": numbers.gather(one.rows),
                "column": pl.repeat(one.values.name, len(one.rows), eager=True),
                "reason": one.reasons,
            },
            schema=BAD_SCHEMA,
        )
        for one in columns
        if not one.rows.is_empty()
    ]
    return TableRows(
        pl.DataFrame([numbers, *(one.values for one in columns)]),
        unread,
        pl.concat([pl.DataFrame(schema=BAD_SCHEMA), *bad]).sort("row", maintain_order=True),
    )


def joined(parts: Sequence[TableRows]) -> TableRows:
    """The blocks of one table as one, in order; there is at least one."""
    return TableRows(
        pl.concat([part.rows for part in parts]),
        pl.concat([part.unread for part in parts]),
        pl.concat([part.bad for part in parts]),
    )


def _is_typed(kind: pl.DataType, column: Column) -> bool:
    if column.type == "int":
        return kind.is_integer()
    return column.type in ("real", "bool", "date") and kind == POLARS_TYPES[column.type]


def _from_typed(column: Column) -> tuple[pl.Expr, pl.Expr]:
    value = pl.col(column.name)
    if column.type == "int":
        return value.cast(pl.Int64, strict=False), pl.lit(value=False)
    if column.type == "real":
        # NaN is how some tools write "not recorded"; an infinite measurement is none.
        return pl.when(value.is_finite()).then(value), value.is_infinite()
    return value, pl.lit(value=False)


def _read_text(column: Column, text: pl.Expr) -> tuple[pl.Expr, pl.Expr]:
    stripped = text.str.strip_chars()
    text = pl.when(stripped != "").then(stripped)
    value = _READERS[column.type](text, column)
    return value, text.is_not_null() & value.is_null()


def _text(text: pl.Expr, column: Column) -> pl.Expr:
    if column.name == "calcium_grade":
        return text.str.to_lowercase().str.strip_suffix(".0")
    return text


def _code(text: pl.Expr, column: Column) -> pl.Expr:
    lowered = text.str.to_lowercase()
    return pl.when(lowered.is_in(column.codes)).then(lowered)


def _real(text: pl.Expr, column: Column) -> pl.Expr:
    number = text.cast(pl.Float64, strict=False)
    return pl.when(number.is_finite()).then(number)


def _int(text: pl.Expr, column: Column) -> pl.Expr:
    number = text.cast(pl.Float64, strict=False)
    whole = (number == number.floor()) & (number.abs() < _LARGEST_WHOLE)
    return pl.when(whole).then(number).cast(pl.Int64, strict=False)


def _bool(text: pl.Expr, column: Column) -> pl.Expr:
    word = text.str.to_lowercase().str.strip_suffix(".0")
    return pl.when(word.is_in(TRUE_WORDS)).then(statement=True).when(word.is_in(FALSE_WORDS)).then(statement=False)


def _date(text: pl.Expr, column: Column) -> pl.Expr:
    return pl.when(text.str.contains(ISO_DATE)).then(text.str.slice(0, 10)).str.to_date("%Y-%m-%d", strict=False)


_READERS = {"text": _text, "code": _code, "real": _real, "int": _int, "bool": _bool, "date": _date}
