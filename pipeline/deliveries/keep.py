"""The keep step: a checked delivery goes into the history, and only what differs from the delivery before is written anew."""

from __future__ import annotations

from dataclasses import astuple, dataclass
from pathlib import Path

import polars as pl

from pipeline.case_tables import TABLES, Table
from pipeline.check import Accepted
from pipeline.deliveries.history import LAYOUT, LISTS, SQL_TYPES, Delivery, Run, definitions, held_at, load_list, names
from pipeline.deliveries.join import Joined
from pipeline.identity import key_number
from pipeline.store import Connection, building, create, insert, quoted
from pipeline.table_rows import TableRows


@dataclass(frozen=True, slots=True)
class TableChange:
    """What a delivery did to one table, in rows with a key.

    `added`, `corrected` and `unchanged` together are the rows of the export; `withdrawn` rows stood in the delivery that it was laid
    on and are not in it. A row that came into use, or left it, counts as corrected.
    """

    table: str
    added: int
    corrected: int
    withdrawn: int
    unchanged: int


@dataclass(frozen=True, slots=True)
class Kept:
    """The delivery as it stands in the history; `new` is False when it had been there already, just so."""

    delivery: Delivery
    changes: tuple[TableChange, ...]
    new: bool

    def in_words(self) -> str:
        """What the delivery brought, in one line."""
        number = self.delivery.number
        if not self.new:
            return f"The same export as delivery {number}: nothing new"
        added, corrected, withdrawn, unchanged = (
            sum(counts) for counts in zip(*(astuple(change)[1:] for change in self.changes), strict=True)
        )
        told = f"Delivery {number}: {added:,} rows added"
        if number == 1:
            return told
        told += f", {corrected:,} corrected, {unchanged:,} unchanged"
        if not withdrawn:
            return told
        gone = "not in it and dropped" if self.delivery.withdrawn_rows == "drop" else "earlier rows stay in use"
        return f"{told}, {withdrawn:,} {gone} (results/withdrawn.csv)"


def make_ready(path: Path) -> None:
    """Give the file at `path` all that the history lacks: everything at first, later a column that the data dictionary has got since."""
    with building(path) as connection:
        connection.execute("CREATE SCHEMA IF NOT EXISTS history")
        connection.execute("CREATE SCHEMA IF NOT EXISTS checked")
        for name, columns in definitions().items():
            connection.execute(f"CREATE TABLE IF NOT EXISTS history.{name} ({columns})")
        if not connection.sql("FROM history.layout").fetchall():
            _add_lines(connection, "layout", [(LAYOUT,)])
        connection.execute("ALTER TABLE history.in_doubt ADD COLUMN IF NOT EXISTS without_key BOOLEAN")
        for table in TABLES:
            for column in table.columns:
                added = f"{quoted(column.name)} {SQL_TYPES[column.type]}"
                for name in (table.name, f"{table.name}_as_read"):
                    connection.execute(f"ALTER TABLE history.{name} ADD COLUMN IF NOT EXISTS {added}")
            connection.execute(
                f"CREATE OR REPLACE VIEW checked.{table.name} AS "
                f"SELECT {names(table)} FROM history.{table.name} WHERE until_delivery IS NULL"
            )


def keep(
    path: Path, joined: Joined, accepted: Accepted, delivery: Delivery, run: Run, *, last: Delivery | None
) -> Kept:
    """Add `delivery` to the history at `path`, after `last`. The same files as the last delivery's, with the same outcome, add nothing
    but the run.

    Raises NeedsMending when the file cannot be written or is damaged.
    """
    again = last is not None and last.files_sha256 == delivery.files_sha256
    with building(path) as connection:
        if again:  # else there is nothing to take back, and a transaction would hold in memory what it writes
            connection.begin()
        outcomes = [_keep_table(connection, table, joined, accepted, delivery.number) for table in TABLES]
        changes = tuple(outcome.change for outcome in outcomes)
        if again and last is not None and not any(outcome.written for outcome in outcomes):
            lists = all(load_list(connection, name, last.number).equals(getattr(accepted, name)) for name in LISTS)
            if lists and last.withdrawn_rows == joined.withdrawn_rows:
                connection.rollback()
                _keep_run(connection, last.number, run)
                return Kept(last, changes, new=False)
        _keep_withdrawn(connection, joined, delivery)
        _keep_lists(connection, accepted, delivery.number)
        _keep_doubts(connection, joined, accepted, delivery.number)
        _add_lines(connection, "deliveries", [astuple(delivery)])
        _add_lines(connection, "changes", [(delivery.number, *astuple(change)) for change in changes])
        _keep_run(connection, delivery.number, run)
        if again:
            connection.commit()
    return Kept(delivery, changes, new=True)


def cut_after(path: Path, number: int, run: Run) -> None:
    """Make the history at `path` what it was when delivery `number` was the latest, and note `run` on it."""
    with building(path) as connection:
        for name, columns in definitions().items():
            if "until_delivery" in columns:
                connection.execute(f"DELETE FROM history.{name} WHERE first_delivery > {number}")
                connection.execute(f"UPDATE history.{name} SET until_delivery = NULL WHERE until_delivery > {number}")
            elif name != "layout":
                connection.execute(f"DELETE FROM history.{name} WHERE delivery > {number}")
        _keep_run(connection, number, run)


def _keep_run(connection: Connection, number: int, run: Run) -> None:
    """Note a run on delivery `number`, unless the last one there was the same."""
    line = (number, *astuple(run))
    last = connection.sql("FROM history.runs WHERE delivery = ? ORDER BY rowid DESC LIMIT 1", params=[number])
    if last.fetchall() != [line]:
        _add_lines(connection, "runs", [line])


def _add_lines(connection: Connection, table: str, lines: list[tuple[object, ...]]) -> None:
    for line in lines:
        marks = ", ".join("?" for _ in line)
        connection.execute(f"INSERT INTO history.{table} VALUES ({marks})", list(line))


# The rows of one table


@dataclass(frozen=True, slots=True)
class _Outcome:
    change: TableChange
    written: int  # versions begun or ended


def _keep_table(connection: Connection, table: Table, joined: Joined, accepted: Accepted, number: int) -> _Outcome:
    used, read = accepted.frames[table.name], joined.tables[table.name]
    unlike = _unlike_what_is_used(table, read, used, accepted.blanked)
    insert(connection, f"history.{table.name}_as_read", unlike, f", {number} AS delivery")
    withdrawn = joined.withdrawn.get(table.name, pl.Series(table.key, [], dtype=pl.UInt64))
    if number == 1:
        insert(connection, f"history.{table.name}", used, ", 1 AS first_delivery, NULL AS until_delivery")
        keys = pl.concat([used[table.key], unlike[table.key].drop_nulls()]).n_unique()
        return _Outcome(TableChange(table.name, keys, 0, 0, 0), keys)
    create(connection, "incoming", used, temporary=True)
    gone = withdrawn if joined.withdrawn_rows == "keep" else withdrawn.clear()
    create(connection, "not_delivered", gone.alias(table.key).to_frame(), temporary=True)
    written = _write_versions(connection, table, number)
    added, corrected, unchanged = _told_apart(connection, table, number)
    for scratch in ("incoming", "not_delivered", "same"):
        connection.execute(f"DROP TABLE {scratch}")
    return _Outcome(TableChange(table.name, added, corrected, len(withdrawn), unchanged), written)


def _write_versions(connection: Connection, table: Table, number: int) -> int:
    """End the versions that no longer hold and begin those that now do; how many."""
    history, key = f"history.{table.name}", quoted(table.key)
    alike = " AND ".join(f"i.{quoted(c)} IS NOT DISTINCT FROM h.{quoted(c)}" for c in table.column_names)
    connection.execute(
        f"CREATE TEMP TABLE same AS SELECT i.{key} FROM incoming i JOIN {history} h ON i.{key} = h.{key} "
        f"WHERE h.until_delivery IS NULL AND {alike}"
    )
    (ended,) = connection.execute(
        f"UPDATE {history} SET until_delivery = {number} WHERE until_delivery IS NULL AND {key} NOT IN (FROM same)"
    ).fetchall()[0]
    (begun,) = connection.execute(
        f"INSERT INTO {history} BY NAME SELECT *, {number} AS first_delivery, NULL AS until_delivery "
        f"FROM incoming ANTI JOIN same USING ({key}) ORDER BY {key}"
    ).fetchall()[0]
    return int(ended) + int(begun)


def _told_apart(connection: Connection, table: Table, number: int) -> tuple[int, int, int]:
    """Keys of the export that are new, that differ from the delivery before, and that do not."""
    history, aside, key = f"history.{table.name}", f"history.{table.name}_as_read", quoted(table.key)
    row = ", ".join(quoted(name) for name in table.column_names)

    def set_aside(delivery: int) -> str:
        return (
            f"SELECT {key}, list_sort(list(({row}, bad)::VARCHAR)) AS rows FROM {aside} "
            f"WHERE delivery = {delivery} AND {key} IS NOT NULL "
            f"AND {key} NOT IN (SELECT {key} FROM {history} WHERE {held_at(delivery)}) GROUP BY {key}"
        )

    found = connection.sql(f"""
        WITH before AS (
            SELECT {key} FROM {history} WHERE {held_at(number - 1)} UNION SELECT {key} FROM {aside}
            WHERE delivery = {number - 1} AND {key} IS NOT NULL
        ), now AS (
            SELECT {key}, first_delivery < {number} AS same FROM {history} WHERE until_delivery IS NULL
            UNION ALL
            SELECT n.{key}, n.rows IS NOT DISTINCT FROM b.rows AS same
            FROM ({set_aside(number)}) n LEFT JOIN ({set_aside(number - 1)}) b USING ({key})
        )
        SELECT count(*) FILTER (NOT same AND b.{key} IS NULL), count(*) FILTER (NOT same AND b.{key} IS NOT NULL),
            count(*) FILTER (same)
        FROM (FROM now ANTI JOIN not_delivered USING ({key})) n LEFT JOIN before b USING ({key})
        """).fetchall()[0]
    return int(found[0]), int(found[1]), int(found[2])


def _unlike_what_is_used(table: Table, read: TableRows, used: pl.DataFrame, blanked: pl.DataFrame) -> pl.DataFrame:
    """The rows that are not used as they were read, with whether they are used at all and with their bad values.

    Of rows that share their key the first is the one that is used, if any is.
    """
    key = pl.col(table.key)
    changed = key_number(blanked.filter(pl.col("table") == table.name)["key"].drop_nulls().unique())
    in_use = key.is_in(used[table.key].implode()).fill_null(value=False)
    unlike = (
        read.rows.lazy()
        .filter(~in_use | key.is_in(changed.implode()) | key.is_duplicated())
        .with_columns(used=in_use & key.is_first_distinct())
        .filter(~pl.col("used") | key.is_in(changed.implode()))
        .collect()
    )
    bad = read.bad.group_by("row", maintain_order=True).agg(pl.struct("column", "reason").alias("bad"))
    return unlike.join(bad, on="row", how="left", maintain_order="left")


# What else is kept of a delivery


def _keep_withdrawn(connection: Connection, joined: Joined, delivery: Delivery) -> None:
    create(connection, "listed", joined.withdrawn_list(), temporary=True)
    # A row that had been kept before was last delivered before that.
    connection.execute(
        "CREATE TEMP TABLE gone AS SELECT l.table_name, l.key, "
        f"coalesce(w.last_delivery, {delivery.laid_on}) AS last_delivery, l.what FROM listed l LEFT JOIN "
        f"(FROM history.withdrawn WHERE what = 'kept' AND {held_at(delivery.laid_on)}) w USING (table_name, key)"
    )
    there = "SELECT table_name, key, last_delivery, what FROM history.withdrawn WHERE until_delivery IS NULL"
    connection.execute(
        f"UPDATE history.withdrawn SET until_delivery = {delivery.number} WHERE until_delivery IS NULL "
        "AND (table_name, key, last_delivery, what) NOT IN (SELECT (table_name, key, last_delivery, what) FROM gone)"
    )
    connection.execute(
        f"INSERT INTO history.withdrawn SELECT *, {delivery.number}, NULL FROM (FROM gone EXCEPT {there}) ORDER BY ALL"
    )
    connection.execute("DROP TABLE listed")
    connection.execute("DROP TABLE gone")


def _keep_lists(connection: Connection, accepted: Accepted, number: int) -> None:
    for name in LISTS:
        frame: pl.DataFrame = getattr(accepted, name)
        insert(connection, f"history.{name}", frame.rename({"table": "table_name"}), f", {number} AS delivery")
    _add_lines(connection, "counts", [(number, *astuple(count)) for count in accepted.counts])
    _add_lines(connection, "reasons", [(number, *astuple(reason)) for reason in accepted.reasons])


def _keep_doubts(connection: Connection, joined: Joined, accepted: Accepted, number: int) -> None:
    """The lesions in doubt, and whether because of an attempt without a key: one with a key is kept and checked again."""
    attempts = joined.tables["attempts"].rows
    keyless = attempts.filter(pl.col("attempt_id").is_null())["lesion_id"].drop_nulls()
    without_key = pl.concat([keyless, joined.in_doubt])
    doubted = accepted.lesions_in_doubt.alias("lesion_id").to_frame()
    doubted = doubted.with_columns(without_key=pl.col("lesion_id").is_in(without_key.implode()))
    insert(connection, "history.in_doubt", doubted, f", {number} AS delivery")
