"""The history in the DuckDB file: every delivery's rows, and what became of them. This file reads it; pipeline.deliveries.keep adds to it.

A delivery is one export, read once. Its rows as they are used stand in `history.<table>` as versions: a row is of delivery n when
first_delivery <= n and until_delivery is null or above n. Rows that are not used as they were read (set aside, or with a value that
cannot be used) stand for each delivery in `history.<table>_as_read`. The rest is by delivery too. docs/deliveries.md tells it for
users, with examples in SQL.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from models.results import ReasonCount, TableCount
from pipeline.case_tables import PSEUDONYM_COLUMNS, TABLES, Column, Table
from pipeline.check import Accepted
from pipeline.faults import NeedsMending
from pipeline.findings import BLANKED_SCHEMA, SET_ASIDE_SCHEMA, WARNED_SCHEMA
from pipeline.identity import key_number
from pipeline.store import Connection, quoted, reading
from pipeline.table_rows import BAD_SCHEMA, UNREAD_SCHEMA, TableRows
from pipeline.typed_values import POLARS_TYPES

LAYOUT = 1  # goes up when an older release could no longer read the tables below

SQL_TYPES = {"text": "VARCHAR", "code": "VARCHAR", "int": "BIGINT", "real": "DOUBLE", "bool": "BOOLEAN", "date": "DATE"}

# By delivery, beside the case tables. A name as in the files under results/, but `table`, which SQL keeps for itself.
BY_DELIVERY: Mapping[str, str] = {
    "deliveries": "delivery INTEGER, laid_on INTEGER, received DATE, files_sha256 VARCHAR, mapping_sha256 VARCHAR, "
    "data_sha256 VARCHAR, withdrawn_rows VARCHAR, key_fingerprint VARCHAR, sources VARCHAR, version VARCHAR",
    "runs": "delivery INTEGER, plan_sha256 VARCHAR, plan VARCHAR, invented BOOLEAN, version VARCHAR",
    "changes": "delivery INTEGER, table_name VARCHAR, added BIGINT, corrected BIGINT, withdrawn BIGINT, unchanged BIGINT",
    "counts": "delivery INTEGER, table_name VARCHAR, read BIGINT, used BIGINT, set_aside BIGINT",
    "reasons": "delivery INTEGER, table_name VARCHAR, what VARCHAR, reason VARCHAR, count BIGINT",
    "in_doubt": "delivery INTEGER, lesion_id VARCHAR, without_key BOOLEAN",
}
WITHDRAWN = "table_name VARCHAR, key VARCHAR, last_delivery INTEGER, what VARCHAR, first_delivery INTEGER, until_delivery INTEGER"
# The lists of Accepted, by the name that they have there and in SQL.
LISTS: Mapping[str, Mapping[str, type[pl.DataType]]] = {
    "set_aside": SET_ASIDE_SCHEMA,
    "blanked": BLANKED_SCHEMA,
    "warned": WARNED_SCHEMA,
}
_LIST_TYPES = {pl.String: "VARCHAR", pl.Int64: "BIGINT"}
NO_LESIONS = pl.Series("lesion_id", [], dtype=pl.UInt64)
_BAD = 'STRUCT("column" VARCHAR, reason VARCHAR)[]'


@dataclass(frozen=True, slots=True)
class Delivery:
    """One line of history.deliveries.

    `laid_on`: the delivery whose rows it was laid on, 0 for none; not always the one before, as the same files read anew take the
    place of what they gave. `withdrawn_rows`: what became of rows that were no longer there, None when there were none. `sources`:
    the files, as JSON. `data_sha256` names all that the delivery's rows came from.
    """

    number: int
    laid_on: int
    received: date
    files_sha256: str
    mapping_sha256: str
    data_sha256: str
    withdrawn_rows: str | None
    key_fingerprint: str
    sources: str
    version: str


@dataclass(frozen=True, slots=True)
class Run:
    """One line of history.runs, less the delivery: the whole plan as JSON, and whether the service is an invented one."""

    plan_sha256: str
    plan: str
    invented: bool
    version: str


@dataclass(frozen=True, slots=True)
class PastRun:
    """A run as its plan is looked at later: on which delivery, received when, by which plan (as JSON) and release."""

    delivery: int
    received: date
    plan: str
    version: str


@dataclass(frozen=True, slots=True)
class Missing:
    """Rows of a delivery that a new export does not hold: `tables` as they would be read again, `keys` each of them once.

    `known` counts the keys that the delivery held in each table, there again or not. `in_doubt`: keys of lesions with an attempt that
    came without a key, in that delivery or before, and of which the export holds no attempt.
    """

    tables: Mapping[str, TableRows]
    keys: Mapping[str, pl.Series]
    known: Mapping[str, int]
    in_doubt: pl.Series = field(default_factory=lambda: NO_LESIONS)

    @property
    def rows(self) -> int:
        """How many keys are missing, all tables together."""
        return sum(map(len, self.keys.values()))


def load_deliveries(path: Path) -> tuple[Delivery, ...]:
    """Every delivery in the file at `path`, in order; none when there is no file, or one that was made before histories were kept.

    Raises NeedsMending when the file is damaged or was written by a later release.
    """
    if not path.is_file():
        return ()
    with reading(path) as connection:
        if not _holds(connection, "layout"):
            return ()
        (layout,) = connection.sql("SELECT version FROM history.layout").fetchall()[0]
        if layout > LAYOUT:
            raise NeedsMending(
                f"{path.name}: the earlier deliveries were kept by a later release of Crosswise; use that, or choose another --out"
            )
        rows = connection.sql("FROM history.deliveries ORDER BY delivery").fetchall()  # columns as in Delivery
    return tuple(Delivery(*row) for row in rows)


def load_last_run(path: Path, number: int) -> Run:
    """The last run on delivery `number`."""
    with reading(path) as connection:
        return Run(*_of(connection, "runs", number)[-1])


def load_runs(path: Path) -> tuple[PastRun, ...]:
    """Every run in the history at `path`, first to last; none when there is no file, or no history in it."""
    if not load_deliveries(path):
        return ()
    with reading(path) as connection:
        rows = connection.sql(
            "SELECT delivery, received, plan, history.runs.version FROM history.runs JOIN history.deliveries USING (delivery) "
            "ORDER BY delivery, history.runs.rowid"
        ).fetchall()
    return tuple(PastRun(*row) for row in rows)


def load_missing(path: Path, number: int, export: Mapping[str, TableRows]) -> Missing:
    """The rows of delivery `number`, used or set aside, whose keys do not stand in `export`; they are numbered -1, -2, ..."""
    found: dict[str, TableRows] = {}
    keys: dict[str, pl.Series] = {}
    known: dict[str, int] = {}
    with reading(path) as connection:
        for table in TABLES:
            # Compared as numbers: as text the keys of an export would take a great deal of memory.
            connection.register("delivered", export[table.name].rows.select(number=table.key))
            frame = rows_of(
                connection,
                f"SELECT h.* FROM ({_as_read(table, number)}) h "
                f"ANTI JOIN delivered d ON d.number = ('0x' || right(h.{table.key}, 16))::UBIGINT "
                f"ORDER BY {table.key}, used DESC, abs(row)",
            )
            connection.unregister("delivered")
            known[table.name] = connection.sql(_count_of_keys(table, number)).fetchall()[0][0]
            found[table.name] = _numbered_below_zero(table, frame)
            keys[table.name] = found[table.name].rows[table.key].unique(maintain_order=True)
        doubted = [line[0] for line in _of(connection, "in_doubt", number) if line[1]]
    in_doubt = key_number(pl.Series("lesion_id", doubted, dtype=pl.String))
    return Missing(found, keys, known, in_doubt.filter(~in_doubt.is_in(export["attempts"].rows["lesion_id"].implode())))


def load_accepted(path: Path, number: int) -> Accepted:
    """What the check gave for delivery `number`, as it was kept; rows in order of their keys."""
    with reading(path) as connection:
        return Accepted(
            frames={
                table.name: _typed(
                    table,
                    rows_of(
                        connection,
                        f"SELECT {names(table)} FROM history.{table.name} WHERE {held_at(number)} ORDER BY {table.key}",
                    ),
                )
                for table in TABLES
            },
            **{name: load_list(connection, name, number) for name in LISTS},
            counts=tuple(TableCount(*row) for row in _of(connection, "counts", number)),
            reasons=tuple(ReasonCount(*row) for row in _of(connection, "reasons", number)),
            lesions_in_doubt=key_number(
                pl.Series("lesion_id", [row[0] for row in _of(connection, "in_doubt", number)], dtype=pl.String)
            ),
        )


def load_list(connection: Connection, name: str, number: int) -> pl.DataFrame:
    """One of LISTS as it was for delivery `number`, with the columns that it has in Accepted."""
    kept = f"SELECT * EXCLUDE (delivery) FROM history.{name} WHERE delivery = {number} ORDER BY rowid"
    return rows_of(connection, kept).rename({"table_name": "table"})


def deliveries_table(path: Path) -> pl.DataFrame:
    """The rows of deliveries.csv: for each delivery and table, how many of its rows are new and what became of those before."""
    with reading(path) as connection:
        return rows_of(
            connection,
            'SELECT delivery, received, laid_on, table_name AS "table", added, corrected, withdrawn, unchanged '
            "FROM history.changes JOIN history.deliveries USING (delivery) ORDER BY delivery, history.changes.rowid",
        )


def withdrawn_table(path: Path, number: int) -> pl.DataFrame:
    """The rows of withdrawn.csv: rows that delivery `number` no longer held, and whether they were kept in use or dropped."""
    with reading(path) as connection:
        return rows_of(
            connection,
            'SELECT table_name AS "table", key, last_delivery, what FROM history.withdrawn '
            f"WHERE {held_at(number)} ORDER BY {_place_of_table()}, key",
        )


def rows_of(connection: Connection, query: str) -> pl.DataFrame:
    """What a query finds, as a frame."""
    frame: pl.DataFrame = connection.sql(query).pl()
    return frame


def names(table: Table) -> str:
    """The table's columns as SQL lists them."""
    return ", ".join(quoted(column) for column in table.column_names)


def held_at(number: int) -> str:
    """The condition that a version is of delivery `number`."""
    return f"first_delivery <= {number} AND (until_delivery IS NULL OR until_delivery > {number})"


def definitions() -> dict[str, str]:
    """Every table of the history, by name, with its columns as SQL."""
    tables = dict(BY_DELIVERY) | {"withdrawn": WITHDRAWN, "layout": "version INTEGER"}
    for name, schema in LISTS.items():
        columns = ", ".join(f"{quoted(_in_sql(column))} {_LIST_TYPES[kind]}" for column, kind in schema.items())
        tables[name] = f"delivery INTEGER, {columns}"
    for table in TABLES:
        columns = ", ".join(f"{quoted(column.name)} {SQL_TYPES[column.type]}" for column in table.columns)
        tables[table.name] = f"{columns}, first_delivery INTEGER, until_delivery INTEGER"
        tables[f"{table.name}_as_read"] = f'delivery INTEGER, "row" BIGINT, {columns}, used BOOLEAN, bad {_BAD}'
    return tables


def _in_sql(column: str) -> str:
    return "table_name" if column == "table" else column


def _place_of_table() -> str:
    return "CASE table_name " + " ".join(f"WHEN '{t.name}' THEN {place}" for place, t in enumerate(TABLES)) + " END"


def _holds(connection: Connection, table: str) -> bool:
    return bool(
        connection.sql(
            "FROM information_schema.tables WHERE table_schema = 'history' AND table_name = ?", params=[table]
        ).fetchall()
    )


def _of(connection: Connection, table: str, number: int) -> list[tuple[Any, ...]]:
    query = f"SELECT * EXCLUDE (delivery) FROM history.{table} WHERE delivery = {number} ORDER BY rowid"
    return connection.sql(query).fetchall()


def _as_read(table: Table, number: int) -> str:
    """SQL for the rows of a delivery that have a key, as they were read: those used as they stand, and all others."""
    key, columns = quoted(table.key), names(table)
    return (
        f"SELECT {columns}, 0 AS row, true AS used, NULL::{_BAD} AS bad FROM history.{table.name} "
        f"WHERE {held_at(number)} AND {key} NOT IN "
        f"(SELECT {key} FROM history.{table.name}_as_read WHERE delivery = {number} AND used) "
        f"UNION ALL SELECT {columns}, row, used, bad FROM history.{table.name}_as_read "
        f"WHERE delivery = {number} AND {key} IS NOT NULL"
    )


def _count_of_keys(table: Table, number: int) -> str:
    """SQL for how many keys a delivery holds, used or set aside."""
    key, used = quoted(table.key), f"FROM history.{table.name} WHERE {held_at(number)}"
    return (
        f"SELECT (SELECT count(*) {used}) + (SELECT count(DISTINCT {key}) FROM history.{table.name}_as_read "
        f"WHERE delivery = {number} AND NOT used AND {key} NOT IN (SELECT {key} {used}))"
    )


def _numbered_below_zero(table: Table, frame: pl.DataFrame) -> TableRows:
    frame = frame.with_columns(row=-1 - pl.int_range(pl.len(), dtype=pl.Int64))
    bad = (
        frame.select("row", "bad")
        .explode("bad")
        .drop_nulls("bad")
        .unnest("bad")
        .select(pl.col(name).cast(kind) for name, kind in BAD_SCHEMA.items())
    )
    return TableRows(
        pl.concat([frame.select("row"), _typed(table, frame.select(table.column_names))], how="horizontal"),
        pl.DataFrame(schema=UNREAD_SCHEMA),
        bad,
    )


def _typed(table: Table, frame: pl.DataFrame) -> pl.DataFrame:
    """Rows as the check takes and gives them: pseudonyms as numbers, codes as enumerations."""
    return frame.select(_as_checked(column, frame[column.name]) for column in table.columns)


def _as_checked(column: Column, values: pl.Series) -> pl.Series:
    if column.name in PSEUDONYM_COLUMNS:
        return key_number(values)
    if column.type == "code":
        return values.cast(pl.Enum(column.codes))
    return values.cast(POLARS_TYPES[column.type])
