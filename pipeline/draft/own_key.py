"""A table's own key under a heading that says nothing: the column that differs on every row and recurs in the tables that refer to it."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.case_tables import TABLES, Table
from pipeline.draft.export_sheets import Sheet, repeated
from pipeline.draft.fit import Fit
from pipeline.draft.held import Held, counted, held, together
from pipeline.draft.pairing import Pair
from pipeline.guard.identifiers import kind_of_used
from pipeline.reading.source import fold
from pipeline.rules import OPTIONAL_REFERENCES

_NEARLY_ALL = 0.9  # of a table's rows, and of the rows that refer to it: broken rows must not hide a key
_COVERED = 0.3  # of the keys that recur; with fewer, small numbers may be counts
_FEWEST_KEYS = 3


def own_key(table: Table, sheet: Sheet, pairs: tuple[Pair, ...], sheets: Mapping[str, Sheet]) -> Pair | None:
    """The column proposed as the table's key, where no heading shows one; None where none of the others is like a key.

    `sheets`: the sheet of each table that was found, by the table's name. The pair is a guess, whatever its values are: it is
    never used before a person has decided.
    """
    if any(pair.column.name == table.key for pair in pairs):
        return None
    children = [sheets[name] for name in _referring(table) if name in sheets]
    names = [name for name in _referring(table) if name in sheets]
    paired, twice = {pair.position for pair in pairs}, repeated(sheet.headers)
    best: tuple[int, int] | None = None
    proposed: Pair | None = None
    for position, header in enumerate(sheet.headers):
        if not header or position in paired or fold(header) in twice or not _like_a_key(sheet.columns[position]):
            continue
        whole = _whole(sheet, position)
        if not _like_a_key(whole) or kind_of_used(header, whole.counts["value"], key=True, column=table.key):
            continue
        recurs = [name for name, child in zip(names, children, strict=True) if _recurs(whole, child)]
        # Where two columns do, the one under whose heading the other tables have it too.
        same = sum(fold(header) in map(fold, child.headers) for child in children)
        if recurs and (best is None or (len(recurs), same) > best):
            best = len(recurs), same
            every = "every row" if whole.unique == 1.0 else "nearly every row"
            reason = f"different on {every}; its values recur in {' and '.join(recurs)}"
            fit = Fit(1.0, reason, telling=True, a_key=True)
            proposed = Pair(table.column(table.key), position, header, 0.0, None, fit, 0.0, "guess")
    return proposed


def _referring(table: Table) -> list[str]:
    """The tables that hold this table's keys, in the dictionary's order."""
    optional = {name for name, _, parent in OPTIONAL_REFERENCES if parent == table.name}
    return [one.name for one in TABLES if table.name in one.refers.values() or one.name in optional]


def _like_a_key(about: Held) -> bool:
    """Whether values differ from row to row, and are no dates and no measurements."""
    measured = about.numeric - about.whole
    return (
        about.different >= _FEWEST_KEYS and about.unique >= _NEARLY_ALL and max(about.dated, measured) < 1 - _NEARLY_ALL
    )


def _whole(sheet: Sheet, position: int) -> Held:
    parts = [counted(block[str(position)]) for block in sheet.source.blocks([position])]
    return held(together([counted(pl.Series([], dtype=pl.String)), *parts]))


def _recurs(keys: Held, child: Sheet) -> bool:
    """Whether any column of the child holds these keys, and hardly anything else."""
    for column in child.columns:
        inside = column.counts.filter(pl.col("value").is_in(keys.counts["value"].implode()))
        enough = column.different >= _FEWEST_KEYS and int(inside["rows"].sum()) >= _NEARLY_ALL * column.there
        # Whole numbers from 1 stand in columns of counts, too.
        if enough and (column.whole < 1 - _NEARLY_ALL or inside.height >= _COVERED * keys.different):
            return True
    return False
