"""Holds the tables against the dictionary and the rules: rows that cannot be used are set aside, bad optional values blanked.

For each table: rows read = rows used + rows set aside. Nothing is lost without a line that says why.

In three rounds. First rows are set aside, table by table, parents before children: for what they say, for a key that stands twice, with
their parent, and then by the rules across rows, one after the other. No such rule looks from a table at one that comes
after it, so one round is enough. Then single values of the rows left are blanked, and last come the warnings, both of which may look at any
table. A rule sees what the rules before it have left, whatever the order of the rows.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

import polars as pl
import polars.selectors as cs

from models.results import ReasonCount, TableCount
from pipeline.case_tables import ATTEMPTS, PATIENTS, PSEUDONYM_COLUMNS, TABLES, Table, table
from pipeline.faults import NeedsMending
from pipeline.findings import PLACE, TablesUnderCheck, UnderCheck
from pipeline.rules import (
    MAY_BE_ABSENT,
    NO_PARENT,
    ONE_OF,
    OPTIONAL_REFERENCES,
    PARENT_SET_ASIDE,
    SAME_ROW_TWICE,
    Effect,
    Rule,
    across_columns,
    conflicting_key,
    conflicting_value,
    not_after,
)
from pipeline.rules_across import ACROSS, Across
from pipeline.table_rows import TableRows
from pipeline.typed_values import settle


@dataclass(frozen=True, slots=True)
class Accepted:
    """The tables as they are used, typed by the dictionary, and all that was not used or is odd.

    `set_aside`: table, row, key, reason (one line a row; several reasons joined with "; "). `blanked`: table, row, key,
    column, reason, for rows that are used. `warned`: table, row, key, reason, one line a row and reason, for rows that are used as they
    are. `row` is null for a row of an earlier delivery. `reasons` counts each reason by itself, so that a row with two counts in
    two. `lesions_in_doubt`: keys of lesions with an attempt set aside, other than one that merely stands twice: what happened on the
    table there is not known.
    """

    frames: Mapping[str, pl.DataFrame]
    set_aside: pl.DataFrame
    blanked: pl.DataFrame
    warned: pl.DataFrame
    counts: tuple[TableCount, ...]
    reasons: tuple[ReasonCount, ...]
    lesions_in_doubt: pl.Series = field(repr=False)


def check(frames: Mapping[str, pl.DataFrame | TableRows], *, received: date | None = None) -> Accepted:
    """The rows and values of `frames` that can be used, and the others with their reasons.

    Takes what reading gives: typed rows (TableRows; `row` is unique in its table), or frames in the dictionary's layout, as text or
    typed. Rows of a frame without `row` and `fault` are numbered from 1, absent optional columns are added as null and unknown ones left
    out. `received` is the day on which the tables were received: later dates cannot be used; None asks for no such rule.
    Raises NeedsMending when a needed table or column is not there at all.
    """
    rows = _as_rows(frames, received)
    tables = TablesUnderCheck({one.name: UnderCheck(one, rows.pop(one.name)) for one in TABLES})
    for one in TABLES:
        _set_rows_aside(tables, one)
    for one in TABLES:
        _blank_values(tables, one)
    for one in TABLES:
        _warn(tables, one)
    every = [tables[one.name] for one in TABLES]
    used = {one.name: tables[one.name].used() for one in TABLES}
    set_aside = {one.table.name: one.rows_set_aside() for one in every}
    return Accepted(
        frames=used,
        set_aside=pl.concat(set_aside.values()),
        blanked=pl.concat(one.values_blanked() for one in every),
        warned=pl.concat(one.rows_warned_of() for one in every),
        counts=tuple(_count(one, len(used[one.table.name]), len(set_aside[one.table.name])) for one in every),
        reasons=_reason_counts(every),
        lesions_in_doubt=tables[ATTEMPTS.name].lost("lesion_id"),
    )


def _count(one: UnderCheck, used: int, set_aside: int) -> TableCount:
    if used + set_aside != one.read:  # a fault of ours: better no report than one that lost rows
        raise AssertionError(f"{one.table.name}: rows used and rows set aside are not the rows read")
    return TableCount(one.table.name, one.read, used, set_aside)


def _reason_counts(every: list[UnderCheck]) -> tuple[ReasonCount, ...]:
    counts: list[ReasonCount] = []
    for one in every:
        found = one.reasons().sort("what", "count", "reason", descending=[False, True, False])
        counts += [ReasonCount(one.table.name, what, reason, count) for what, reason, count in found.rows()]
    return tuple(counts)


# What comes in


def _as_rows(frames: Mapping[str, pl.DataFrame | TableRows], received: date | None) -> dict[str, TableRows]:
    rows: dict[str, TableRows] = {}
    for one in TABLES:
        given = frames.get(one.name)
        if given is None and one.name not in MAY_BE_ABSENT:
            raise NeedsMending(f"{one.name}: the table is not there; give a frame of that name")
        read = given if isinstance(given, TableRows) else _settled(one, given, rows)
        rows[one.name] = read if received is None else _not_later(one, read, received)
    return rows


def _settled(one: Table, frame: pl.DataFrame | None, others: Mapping[str, TableRows]) -> TableRows:
    """A frame as typed rows, its codes as the plain text that it gave them in; no rows where there is no table."""
    if frame is None:
        return _nothing(one, others)
    read = settle(one, _in_layout(one, frame))
    return TableRows(read.rows.with_columns(cs.enum().cast(pl.String)), read.unread, read.bad)


def _in_layout(one: Table, frame: pl.DataFrame) -> pl.DataFrame:
    """`row`, `fault` and the dictionary's columns in order, whatever their types."""
    missing = [c.name for c in one.columns if c.needed and c.name not in frame.columns]
    if missing:
        raise NeedsMending(*(f"{one.name}: no column {name}, which is needed; add it" for name in missing))
    counted = pl.int_range(1, pl.len() + 1, dtype=pl.Int64).alias("row")
    row = pl.col("row").cast(pl.Int64) if {"row", "fault"} <= set(frame.columns) else counted
    absent = [pl.lit(None, dtype=pl.String).alias(n) for n in ("fault", *one.column_names) if n not in frame.columns]
    return frame.with_columns(row, *absent).select("row", "fault", *one.column_names)


def _nothing(one: Table, others: Mapping[str, TableRows]) -> TableRows:
    """A table that is not there, its keys of the type of the others'."""
    empty = settle(one, pl.DataFrame(schema=dict.fromkeys(("fault", *one.column_names), pl.String) | {"row": pl.Int64}))
    keys = others[PATIENTS.name].rows[PATIENTS.key].dtype
    named = [pl.col(name).cast(keys) for name in one.column_names if name in PSEUDONYM_COLUMNS]
    return TableRows(empty.rows.with_columns(named), empty.unread, empty.bad)


def _not_later(one: Table, read: TableRows, received: date) -> TableRows:
    """The rows without the dates that lie after the day of receipt, these listed as bad."""
    rows, bad = read.rows, read.bad
    for value in not_after(one, received):
        late = rows.lazy().filter(value.broken).select("row").collect()
        if late.is_empty():
            continue
        rows = rows.with_columns(pl.when(~value.broken).then(pl.col(value.column)).alias(value.column))
        more = late.select("row", pl.lit(value.column).alias("column"), pl.lit(value.sentence).alias("reason"))
        bad = pl.concat([bad, more])
    return TableRows(rows, read.unread, bad)


# Rows set aside


def _set_rows_aside(tables: TablesUnderCheck, one: Table) -> None:
    under = tables[one.name]
    rules = [rule for rule in across_columns(one) if rule.effect == "row"]
    # Each of these looks at every row, so that a row is told of all that is wrong with it.
    found = [*_needed_values(under), *_told(under.broken(rules, under.rows().lazy()))]
    found += [*_keys(under), *_parents(tables, under)]
    for noted in found:
        under.set_aside(noted)
    _note_across(tables, one, "row")


def _told(found: list[tuple[Rule, pl.DataFrame]]) -> list[pl.DataFrame]:
    return [_with_reason(places, rule.sentence) for rule, places in found]


def _with_reason(rows: pl.DataFrame, sentence: str) -> pl.DataFrame:
    return rows.select(PLACE, pl.lit(sentence).alias("reason"))


def _needed_values(under: UnderCheck) -> list[pl.DataFrame]:
    """Rows without a needed value: it was missing, or it was bad."""
    rows, bad = under.rows(), under.bad
    found = []
    for name in (column.name for column in under.table.columns if column.needed):
        if rows[name].null_count() == 0:
            continue
        why = bad.filter(pl.col("column") == name).select("row", "reason")
        without = rows.lazy().filter(pl.col(name).is_null()).select(PLACE, "row").collect()
        told = without.join(why, on="row", how="left", maintain_order="left")
        found.append(told.select(PLACE, pl.col("reason").fill_null(f"{name} is missing")))
    return found


def _keys(under: UnderCheck) -> list[pl.DataFrame]:
    """Of identical rows the first is used; of rows that share their key and differ, none."""
    one, keys = under.table, under.rows()[under.table.key]
    if keys.n_unique() == len(keys):
        return []
    repeated = under.rows().filter(keys.is_not_null() & keys.is_duplicated())
    names = list(one.column_names)
    differ = _with_several(repeated.select(names), one.key)
    first = repeated.group_by(one.key).agg(pl.col(PLACE).min())
    same = repeated.join(differ, on=one.key, how="anti").join(first, on=PLACE, how="anti", maintain_order="left")
    found = [_with_reason(same, SAME_ROW_TWICE)]
    one_value = conflicting_value(one)
    if one_value is not None:
        column, sentence = one_value
        elsewhere = _with_several(repeated.select(names).drop(column), one.key)
        alone = repeated.join(differ, on=one.key, how="semi").join(elsewhere, on=one.key, how="anti")
        found.append(_with_reason(alone, sentence))
        differ = elsewhere
    return [_with_reason(repeated.join(differ, on=one.key, how="semi"), conflicting_key(one)), *found]


def _with_several(rows: pl.DataFrame, key: str) -> pl.DataFrame:
    """The keys that stand on rows which differ."""
    return rows.unique().group_by(key).len().filter(pl.col("len") > 1).select(key)


def _parents(tables: TablesUnderCheck, under: UnderCheck) -> list[pl.DataFrame]:
    return [
        noted
        for column, parent in under.table.refers.items()
        for noted in _leading_nowhere(tables, under.rows().lazy(), column, parent)
    ]


def _leading_nowhere(
    tables: TablesUnderCheck, rows: pl.LazyFrame, column: str, parent: str
) -> tuple[pl.DataFrame, ...]:
    """Rows whose reference leads to no row of the parent table, and those where it leads to one that was set aside."""
    key = table(parent).key
    led = rows.select(PLACE, column).drop_nulls()
    used = tables.used(parent, key).lazy()
    lost = led.join(used, left_on=column, right_on=key, how="anti", maintain_order="left").collect()
    if lost.is_empty():
        return ()
    read = tables.read(parent, key)
    unknown = lost.join(read, left_on=column, right_on=key, how="anti", maintain_order="left")
    aside = lost.join(read, left_on=column, right_on=key, how="semi", maintain_order="left")
    return (
        _with_reason(unknown, NO_PARENT.format(parent=ONE_OF[parent], table=parent)),
        _with_reason(aside, PARENT_SET_ASIDE.format(parent=ONE_OF[parent])),
    )


# Values blanked, and warnings


def _blank_values(tables: TablesUnderCheck, one: Table) -> None:
    under = tables[one.name]
    optional = {column.name for column in one.columns if not column.needed}
    bad = under.bad.filter(pl.col("column").is_in(optional))
    # A value that is bad is null already: it has only to be listed.
    where = under.standing().select(PLACE, "row").filter(pl.col("row").is_in(bad["row"].implode())).collect()
    under.list_blanked(bad.join(where, on="row", maintain_order="left"))
    _note_across_columns(under, "value")
    for name, column, parent in OPTIONAL_REFERENCES:
        if name == one.name:
            for noted in _leading_nowhere(tables, under.standing(), column, parent):
                under.blank(column, noted)
    _note_across(tables, one, "value")


def _warn(tables: TablesUnderCheck, one: Table) -> None:
    _note_across_columns(tables[one.name], "warning")
    _note_across(tables, one, "warning")


def _note_across_columns(under: UnderCheck, effect: Effect) -> None:
    rules = [rule for rule in across_columns(under.table) if rule.effect == effect]
    under.note(under.broken(rules, under.standing()))


def _note_across(tables: TablesUnderCheck, one: Table, effect: Effect) -> None:
    under = tables[one.name]
    for across in ACROSS:
        rules = [rule for rule in across.rules if rule.effect == effect]
        if across.table == one.name and rules:
            under.note(under.broken(rules, _with_beside(tables, under, across)))


def _with_beside(tables: TablesUnderCheck, under: UnderCheck, across: Across) -> pl.LazyFrame:
    """The rows that stand, with what the rules look at beside them; only those for which there is something."""
    rows = under.standing()
    if across.among is not None:
        rows = rows.filter(across.among)
    return rows.join(across.beside(tables).lazy(), on=across.by, how="inner")
