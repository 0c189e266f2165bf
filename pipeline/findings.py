"""One table while it is checked: its rows, those that still stand, and what was found of them so far."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import polars as pl

from pipeline.case_tables import Table
from pipeline.identity import key_text
from pipeline.rules import SAME_ROW_TWICE, Rule
from pipeline.table_rows import TableRows

PLACE = "place"  # position of a row in its table, by which findings are noted: `row` is the file's
_STANDS = "stands"

_NOTED = {PLACE: pl.UInt32, "reason": pl.String}
SET_ASIDE_SCHEMA = {"table": pl.String, "row": pl.Int64, "key": pl.String, "reason": pl.String}
WARNED_SCHEMA = SET_ASIDE_SCHEMA
BLANKED_SCHEMA = {"table": pl.String, "row": pl.Int64, "key": pl.String, "column": pl.String, "reason": pl.String}


class UnderCheck:
    """A table under check. What is noted of a row changes what `standing` gives from then on; nothing is unsaid again."""

    def __init__(self, table: Table, read: TableRows) -> None:
        self.table = table
        self.read = read.read  # how many rows the file holds
        self.bad = read.bad  # the values that were there and could not be used: row, column, reason
        self._unread = read.unread
        self._rows = read.rows.with_row_index(PLACE)
        self._aside = [pl.DataFrame(schema=_NOTED)]
        self._blanked = [pl.DataFrame(schema=_NOTED | {"column": pl.String})]
        self._warned = [pl.DataFrame(schema=_NOTED)]

    def rows(self) -> pl.DataFrame:
        """Every row that could be read, with its PLACE."""
        return self._rows

    def standing(self) -> pl.LazyFrame:
        """The rows that are not set aside, with their PLACE."""
        rows = self._rows.lazy()
        return rows.filter(_STANDS) if _STANDS in self._rows.columns else rows

    def broken(self, rules: Iterable[Rule], rows: pl.LazyFrame) -> list[tuple[Rule, pl.DataFrame]]:
        """The rules that some of these rows break, each with the places of those that do."""
        rules = tuple(rules)
        if not rules:
            return []
        # Of a sound table hardly a row is left here, and each rule is told of these few.
        marks = [rule.broken.fill_null(value=False).alias(str(number)) for number, rule in enumerate(rules)]
        few = rows.select(PLACE, *marks).filter(pl.any_horizontal(pl.exclude(PLACE))).collect()
        found = [(rule, few.filter(str(number)).select(PLACE)) for number, rule in enumerate(rules)]
        return [(rule, places) for rule, places in found if not places.is_empty()]

    def note(self, found: Iterable[tuple[Rule, pl.DataFrame]]) -> None:
        """Take note of what `broken` found, by each rule's effect."""
        for rule, places in found:
            noted = places.select(PLACE, pl.lit(rule.sentence).alias("reason"))
            if rule.effect == "row":
                self.set_aside(noted)
            elif rule.effect == "warning":
                self._warned.append(noted)
            elif rule.column is not None:
                self.blank(rule.column, noted)

    def set_aside(self, noted: pl.DataFrame) -> None:
        """Set rows aside: PLACE and reason."""
        if not noted.is_empty():
            self._aside.append(noted.select(_NOTED.keys()))
            falls = _at(noted, self._rows.height)
            stands = ~falls if _STANDS not in self._rows.columns else self._rows[_STANDS] & ~falls
            self._rows = self._rows.with_columns(stands.alias(_STANDS))

    def blank(self, column: str, noted: pl.DataFrame) -> None:
        """Blank the column's value in rows that stand: PLACE and reason."""
        if not noted.is_empty():
            self.list_blanked(noted.with_columns(pl.lit(column).alias("column")))
            kept = pl.when(~_at(noted, self._rows.height)).then(pl.col(column)).alias(column)
            self._rows = self._rows.with_columns(kept)

    def list_blanked(self, noted: pl.DataFrame) -> None:
        """List values of rows that stand, already null, as blanked: PLACE, column and reason."""
        self._blanked.append(noted.select(PLACE, "reason", "column"))

    def used(self) -> pl.DataFrame:
        """The rows that stand, in the dictionary's columns."""
        return self.standing().select(self.table.column_names).collect()

    def lost(self, column: str) -> pl.Series:
        """The column's values in rows set aside, but for those that merely stand twice."""
        kept = pl.concat(self._aside).filter(pl.col("reason") != SAME_ROW_TWICE)
        return self._rows[column][kept[PLACE]].drop_nulls().unique(maintain_order=True)

    def reasons(self) -> pl.DataFrame:
        """How often each finding was made: what ("row", "value" or "warning"), reason, count."""
        faults = self._unread.select(pl.col("fault").alias("reason"))
        aside = pl.concat([faults, *(noted.select("reason") for noted in self._aside)])
        every = {"row": aside, "value": pl.concat(self._blanked), "warning": pl.concat(self._warned)}
        counts = [
            noted.group_by("reason").agg(count=pl.len().cast(pl.Int64)).select(pl.lit(what).alias("what"), pl.all())
            for what, noted in every.items()
        ]
        return pl.concat(counts)

    def rows_set_aside(self) -> pl.DataFrame:
        """SET_ASIDE_SCHEMA, one line a row; several reasons are joined with "; "."""
        joined = pl.concat(self._aside).group_by(PLACE, maintain_order=True).agg(pl.col("reason").str.join("; "))
        key = pl.lit(None, dtype=self._rows[self.table.key].dtype).alias(self.table.key)
        unread = self._unread.select("row", key, pl.col("fault").alias("reason"))
        return self._listed(pl.concat([self._told(joined), unread]), SET_ASIDE_SCHEMA)

    def values_blanked(self) -> pl.DataFrame:
        """BLANKED_SCHEMA, one line a value."""
        return self._listed(self._told(pl.concat(self._blanked), "column"), BLANKED_SCHEMA)

    def rows_warned_of(self) -> pl.DataFrame:
        """WARNED_SCHEMA, one line a row and reason."""
        return self._listed(self._told(pl.concat(self._warned)), WARNED_SCHEMA)

    def _told(self, noted: pl.DataFrame, *more: str) -> pl.DataFrame:
        where = self._rows.select("row", self.table.key)[noted[PLACE]]
        return where.hstack(noted.select("reason", *more))

    def _listed(self, told: pl.DataFrame, schema: Mapping[str, type[pl.DataType]]) -> pl.DataFrame:
        keys = told[self.table.key]
        written = keys.cast(pl.String) if keys.dtype != pl.UInt64 else key_text(self.table.key, keys)
        # A row of an earlier delivery stands in no file at hand: it has no number to be found by, and comes last.
        row = pl.when(pl.col("row") >= 0).then(pl.col("row")).alias("row")
        listed = told.with_columns(row, written.alias("key"), pl.lit(self.table.name).alias("table"))
        return listed.select(schema.keys()).sort("row", nulls_last=True, maintain_order=True)


def _at(noted: pl.DataFrame, height: int) -> pl.Series:
    """True at the places noted."""
    return pl.repeat(value=False, n=height, eager=True).scatter(noted[PLACE], True)


class TablesUnderCheck:
    """The tables as the rules across them see them (looked_up.Tables)."""

    def __init__(self, tables: Mapping[str, UnderCheck]) -> None:
        self._tables = tables

    def __getitem__(self, name: str) -> UnderCheck:
        return self._tables[name]

    def read(self, name: str, *columns: str) -> pl.DataFrame:
        """Every row that could be read, whatever has become of it."""
        return self._tables[name].rows().select(columns or self._tables[name].table.column_names)

    def used(self, name: str, *columns: str) -> pl.DataFrame:
        """The rows that are not set aside so far."""
        return self._tables[name].standing().select(columns or self._tables[name].table.column_names).collect()
