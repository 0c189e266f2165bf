"""Holds the tables against the dictionary and the rules: rows that cannot be used are set aside, bad optional values blanked.

For each table: rows read = rows used + rows set aside. Nothing is lost without a line that says why.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import polars as pl

from models.results import ReasonCount, TableCount
from pipeline.case_tables import ATTEMPTS, TABLES, Table, table
from pipeline.faults import NeedsMending
from pipeline.rules import (
    MAY_BE_ABSENT,
    NO_PARENT,
    ONE_OF,
    OPTIONAL_REFERENCES,
    PARENT_SET_ASIDE,
    SAME_ROW_TWICE,
    Rule,
    across_columns,
    conflicting_key,
    same_order,
    unreadable,
    value_rules,
)
from pipeline.typed_values import typed

SET_ASIDE_SCHEMA = {"table": pl.String, "row": pl.Int64, "key": pl.String, "reason": pl.String}
BLANKED_SCHEMA = {"table": pl.String, "row": pl.Int64, "key": pl.String, "column": pl.String, "reason": pl.String}
_INDEX = "index"  # position of a row in its frame while it is checked: `row` is the file's, and may be anything
_REASON_SCHEMA = {_INDEX: pl.UInt32, "reason": pl.String}


@dataclass(frozen=True, slots=True)
class Accepted:
    """The tables as they are used, typed by the dictionary, and all that was not used.

    `set_aside`: table, row, key, reason (one line a row; several reasons joined with "; "). `blanked`: table, row, key,
    column, reason, for rows that are used. `reasons` counts each reason by itself, so that a row with two counts in two.
    `lesions_in_doubt`: keys of lesions with an attempt set aside, other than one that merely stands twice: what happened on the
    table there is not known.
    """

    frames: Mapping[str, pl.DataFrame]
    set_aside: pl.DataFrame
    blanked: pl.DataFrame
    counts: tuple[TableCount, ...]
    reasons: tuple[ReasonCount, ...]
    lesions_in_doubt: pl.Series = field(repr=False)


@dataclass(frozen=True, slots=True)
class _CheckedTable:
    """One table: rows used, rows set aside (with a list of reasons), values blanked, and every key that was read."""

    used: pl.DataFrame
    set_aside: pl.DataFrame
    blanked: pl.DataFrame
    keys_read: pl.Series = field(repr=False)
    lost: pl.DataFrame = field(repr=False)  # the rows set aside as they were read, less those that merely stand twice


def check(frames: Mapping[str, pl.DataFrame]) -> Accepted:
    """The rows and values of `frames` that can be used, and the others with their reasons.

    Takes what `read_export` gives (text, with `row` and `fault`), or typed frames in the dictionary's layout: rows are
    then numbered from 1, absent optional columns are added as null and unknown ones left out. Raises NeedsMending when a
    needed table or column is not there at all.
    """
    laid_out = {one.name: _in_layout(one, frames.get(one.name)) for one in TABLES}
    checked: dict[str, _CheckedTable] = {}
    counts: list[TableCount] = []
    for one in TABLES:
        result = _check_table(one, laid_out.pop(one.name), checked)
        count = TableCount(one.name, len(result.used) + len(result.set_aside), len(result.used), len(result.set_aside))
        checked[one.name] = result
        counts.append(count)
    set_aside = pl.concat([result.set_aside for result in checked.values()])
    blanked = pl.concat([result.blanked for result in checked.values()])
    return Accepted(
        frames={name: result.used for name, result in checked.items()},
        set_aside=set_aside.with_columns(pl.col("reason").list.join("; ")),
        blanked=blanked,
        counts=tuple(counts),
        reasons=_reason_counts(set_aside, blanked),
        lesions_in_doubt=checked[ATTEMPTS.name].lost["lesion_id"].drop_nulls().unique(maintain_order=True),
    )


def _in_layout(one: Table, frame: pl.DataFrame | None) -> pl.DataFrame:
    """`row`, `fault` and the dictionary's columns in order, whatever their types."""
    if frame is None:
        if one.name not in MAY_BE_ABSENT:
            raise NeedsMending(f"{one.name}: the table is not there; give a frame of that name")
        frame = pl.DataFrame(schema=dict.fromkeys(one.column_names, pl.String))
    missing = [c.name for c in one.columns if c.needed and c.name not in frame.columns]
    if missing:
        raise NeedsMending(*(f"{one.name}: no column {name}, which is needed; add it" for name in missing))
    counted = pl.int_range(1, pl.len() + 1, dtype=pl.Int64).alias("row")
    row = pl.col("row").cast(pl.Int64) if {"row", "fault"} <= set(frame.columns) else counted
    absent = [pl.lit(None, dtype=pl.String).alias(n) for n in ("fault", *one.column_names) if n not in frame.columns]
    laid_out = frame.with_columns(row, *absent).select("row", "fault", *one.column_names)
    return laid_out.with_row_index(_INDEX).with_columns(pl.col(_INDEX).cast(pl.UInt32))


def _check_table(one: Table, frame: pl.DataFrame, checked: Mapping[str, _CheckedTable]) -> _CheckedTable:
    parsed = typed(one, frame)
    readable = parsed.filter(pl.col("fault").is_null())
    rules = value_rules(one)

    # A line that could not be read holds no values: only its own fault is told.
    found = [parsed.filter(pl.col("fault").is_not_null()).select(_INDEX, pl.col("fault").alias("reason"))]
    found += [_broken(readable, rule) for rule in rules if rule.column is None]
    found += _key_reasons(one, readable)
    found += _parent_reasons(one, readable, checked)
    reasons = pl.concat(found)

    usable = readable.join(reasons, on=_INDEX, how="anti", maintain_order="left")
    order = _order_reasons(one, usable)
    reasons = pl.concat([reasons, order])
    usable = usable.join(order, on=_INDEX, how="anti", maintain_order="left")

    usable, blanked = _blank(one, usable, [rule for rule in rules if rule.column is not None])
    usable, more = _blank(one, usable, across_columns(one))
    usable, lost = _blank_lost_references(one, usable, checked)

    lists = reasons.group_by(_INDEX, maintain_order=True).agg("reason")
    unused = parsed.join(lists, on=_INDEX, how="inner", maintain_order="left")
    set_aside = unused.select(pl.lit(one.name).alias("table"), "row", pl.col(one.key).alias("key"), "reason")
    if len(usable) + len(set_aside) != len(frame):  # a fault of ours: better no report than one that lost rows
        raise AssertionError(f"{one.name}: rows used and rows set aside are not the rows read")
    return _CheckedTable(
        used=usable.select(one.column_names),
        set_aside=set_aside,
        blanked=pl.concat([blanked, more, lost]).sort("row", maintain_order=True),
        keys_read=parsed[one.key].drop_nulls().unique(),
        lost=unused.filter(pl.col("reason") != [SAME_ROW_TWICE]).select(one.column_names),
    )


def _broken(frame: pl.DataFrame, rule: Rule) -> pl.DataFrame:
    return _with_reason(frame.filter(rule.broken.fill_null(value=False)), rule.sentence)


def _with_reason(frame: pl.DataFrame, sentence: str) -> pl.DataFrame:
    return frame.select(_INDEX, pl.lit(sentence, dtype=pl.String).alias("reason"))


def _key_reasons(one: Table, frame: pl.DataFrame) -> list[pl.DataFrame]:
    """Of identical rows the first is used; of rows that share their key and differ, none."""
    repeated = frame.filter(pl.col(one.key).is_not_null() & pl.col(one.key).is_duplicated())
    if repeated.is_empty():
        return []
    marks = [unreadable(name) for name in one.column_names if unreadable(name) in frame.columns]
    content = pl.struct(*one.column_names, *marks)
    kinds = repeated.with_columns(
        differ=content.n_unique().over(one.key) > 1,
        later=pl.col(_INDEX) > pl.col(_INDEX).min().over(one.key),
    )
    return [
        _with_reason(kinds.filter("differ"), conflicting_key(one)),
        _with_reason(kinds.filter(~pl.col("differ") & pl.col("later")), SAME_ROW_TWICE),
    ]


def _parent_reasons(one: Table, frame: pl.DataFrame, checked: Mapping[str, _CheckedTable]) -> list[pl.DataFrame]:
    found = []
    for column, parent in one.refers.items():
        unknown, aside = _leading_nowhere(frame, column, parent, checked)
        found.append(_with_reason(unknown, NO_PARENT.format(parent=ONE_OF[parent], table=parent)))
        found.append(_with_reason(aside, PARENT_SET_ASIDE.format(parent=ONE_OF[parent])))
    return found


def _leading_nowhere(
    frame: pl.DataFrame, column: str, parent: str, checked: Mapping[str, _CheckedTable]
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows whose reference leads to no row of the parent table, and those where it leads to one that was set aside."""
    key = table(parent).key
    used = checked[parent].used.select(pl.col(key).alias(column))
    read = checked[parent].keys_read.rename(column).to_frame()
    lost = frame.filter(pl.col(column).is_not_null()).join(used, on=column, how="anti", maintain_order="left")
    return (
        lost.join(read, on=column, how="anti", maintain_order="left"),
        lost.join(read, on=column, how="semi", maintain_order="left"),
    )


def _order_reasons(one: Table, usable: pl.DataFrame) -> pl.DataFrame:
    rule = same_order(one)
    if rule is None:
        return pl.DataFrame(schema=_REASON_SCHEMA)
    columns, sentence = rule
    return _with_reason(usable.filter(pl.struct(columns).is_duplicated()), sentence)


def _blank(one: Table, usable: pl.DataFrame, rules: Sequence[Rule]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Blanks each rule's column where the rule is broken; the table without these values, and the list of them."""
    listed = [pl.DataFrame(schema=BLANKED_SCHEMA)]
    broken: dict[str, pl.Expr] = {}
    for rule in rules:
        if rule.column is None:
            continue
        here = rule.broken.fill_null(value=False)
        listed.append(_listed(one, usable.filter(here), rule.column, rule.sentence))
        broken[rule.column] = broken[rule.column] | here if rule.column in broken else here
    blanked = usable.with_columns(pl.when(~here).then(pl.col(name)).alias(name) for name, here in broken.items())
    return blanked, pl.concat(listed)


def _blank_lost_references(
    one: Table, usable: pl.DataFrame, checked: Mapping[str, _CheckedTable]
) -> tuple[pl.DataFrame, pl.DataFrame]:
    listed = [pl.DataFrame(schema=BLANKED_SCHEMA)]
    for name, column, parent in OPTIONAL_REFERENCES:
        if name != one.name:
            continue
        unknown, aside = _leading_nowhere(usable, column, parent, checked)
        listed.append(_listed(one, unknown, column, NO_PARENT.format(parent=ONE_OF[parent], table=parent)))
        listed.append(_listed(one, aside, column, PARENT_SET_ASIDE.format(parent=ONE_OF[parent])))
        lost = pl.col(_INDEX).is_in(pl.concat([unknown[_INDEX], aside[_INDEX]]).implode())
        usable = usable.with_columns(pl.when(~lost).then(pl.col(column)).alias(column))
    return usable, pl.concat(listed)


def _listed(one: Table, rows: pl.DataFrame, column: str, sentence: str) -> pl.DataFrame:
    return rows.select(
        pl.lit(one.name, dtype=pl.String).alias("table"),
        "row",
        pl.col(one.key).alias("key"),
        pl.lit(column, dtype=pl.String).alias("column"),
        pl.lit(sentence, dtype=pl.String).alias("reason"),
    )


def _reason_counts(set_aside: pl.DataFrame, blanked: pl.DataFrame) -> tuple[ReasonCount, ...]:
    rows = set_aside.explode("reason").group_by("table", "reason", maintain_order=True).len()
    values = blanked.group_by("table", "reason", maintain_order=True).len()
    order = {one.name: place for place, one in enumerate(TABLES)}
    counts = [ReasonCount(name, "row", reason, count) for name, reason, count in rows.rows()]
    counts += [ReasonCount(name, "value", reason, count) for name, reason, count in values.rows()]
    return tuple(sorted(counts, key=lambda c: (order[c.table], c.what, -c.count, c.reason)))
