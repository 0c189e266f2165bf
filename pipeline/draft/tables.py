"""Which sheet is which table, and where each table's keys stand: by names, by columns, and by whose keys stand in whose rows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from scipy.optimize import linear_sum_assignment

from pipeline.case_tables import TABLES, Table
from pipeline.draft.export_sheets import Sheet
from pipeline.draft.fit import Fit
from pipeline.draft.held import Held
from pipeline.draft.own_key import own_key
from pipeline.draft.pairing import Pair, likeness_of_columns, pair
from pipeline.draft.phrasebook import table_book
from pipeline.rules import OPTIONAL_REFERENCES

_NAMED = 0.75  # a file's name so much like a table's is one
_OF_NAME = 0.5  # what a name counts, where all of the columns count 1
_TABLE = 0.3  # a sheet less like a table is none; chosen by trying, no source
_MIXED = 0.4  # of a table's columns in another table's sheet
_ALL, _HARDLY = 0.9, 0.5  # shares of a child's keys that are in the parent: broken rows must not hide it
_COVERED = 0.3  # of the parents that have a child; with fewer, whole numbers from 1 may be anything
_FEWEST_KEYS = 3


@dataclass(frozen=True, slots=True)
class TableFound:
    """A table with its sheet, the pairs of columns, and how much the sheet's name and its columns are like the table's (0 to 1)."""

    table: Table
    sheet: Sheet
    name: float
    columns: float
    pairs: tuple[Pair, ...]


def find_tables(sheets: Sequence[Sheet], language: str) -> dict[str, TableFound]:
    """The table that each sheet is, by the table's name; a table that no sheet is like is absent."""
    if not sheets:
        return {}
    first = [[_looked_at(table, sheet, language, {}) for sheet in sheets] for table in TABLES]
    worth = np.array(
        [[found.columns + _OF_NAME * found.name if found.columns > 0 else 0.0 for found in row] for row in first]
    )
    alone = np.full((len(TABLES), len(TABLES)), _TABLE)
    rows, columns = linear_sum_assignment(np.concatenate([worth, alone], axis=1), maximize=True)
    chosen = {
        TABLES[r].name: first[r][c]
        for r, c in zip(rows, columns, strict=True)
        if c < len(sheets) and worth[r, c] > _TABLE
    }
    # Parents stand before their children in TABLES, so that their keys are known when the children's columns are told apart.
    for table in TABLES:
        if table.name in chosen:
            keys = _keys_in(table, chosen)
            found = _looked_at(table, chosen[table.name].sheet, language, keys)
            key = own_key(table, found.sheet, found.pairs, {name: one.sheet for name, one in chosen.items()})
            chosen[table.name] = found if key is None else replace(found, pairs=(key, *found.pairs))
    return chosen


def also_like(
    table: Table, chosen: Mapping[str, TableFound], sheets: Sequence[Sheet], language: str
) -> tuple[str, ...]:
    """Names of the sheets that are no table yet and look like this one: the same table in several files."""
    taken = {id(found.sheet) for found in chosen.values()}
    least = 0.7 * chosen[table.name].columns
    return tuple(
        sheet.name
        for sheet in sheets
        if id(sheet) not in taken and _looked_at(table, sheet, language, {}).columns >= max(least, _TABLE)
    )


def stands_in(table: Table, chosen: Mapping[str, TableFound], language: str) -> str:
    """The name of another table's sheet that has this table's columns too: one file for several tables; "" for none."""
    likely = [(_looked_at(table, found.sheet, language, {}).columns, found.sheet.name) for found in chosen.values()]
    most, name = max(likely, default=(0.0, ""))
    return name if most >= _MIXED else ""


def _looked_at(table: Table, sheet: Sheet, language: str, keys: Mapping[tuple[str, int], Fit]) -> TableFound:
    pairs = pair(table, sheet, language, keys)
    named = [found.score for found in table_book().search(sheet.stem) if found.meaning == table.name]
    name = max(named, default=0.0)
    return TableFound(table, sheet, name if name >= _NAMED else 0.0, likeness_of_columns(pairs, table), pairs)


def _keys_in(table: Table, chosen: Mapping[str, TableFound]) -> dict[tuple[str, int], Fit]:
    """For each column that holds another table's keys, how well each of the sheet's columns does."""
    refers = {**table.refers, **{column: parent for name, column, parent in OPTIONAL_REFERENCES if name == table.name}}
    sheet = chosen[table.name].sheet
    fits: dict[tuple[str, int], Fit] = {}
    for column, parent in refers.items():
        keys = _own_keys(chosen.get(parent))
        if keys is None:
            continue
        for position, held in enumerate(sheet.columns):
            fits[column, position] = _fit_of_keys(held, keys, parent)
    return fits


def _own_keys(parent: TableFound | None) -> pl.Series | None:
    if parent is None:
        return None
    for one in parent.pairs:
        if one.column.name == parent.table.key:
            source = parent.sheet.source
            values = [block[str(one.position)].drop_nulls().unique() for block in source.blocks([one.position])]
            return pl.concat(values).str.strip_chars().unique() if values else None
    return None


def _fit_of_keys(held: Held, keys: pl.Series, parent: str) -> Fit:
    if held.there == 0:
        return Fit(0.0, "no value in it")
    inside = held.counts.filter(pl.col("value").is_in(keys.implode()))
    share = float(inside["rows"].sum()) / held.there
    if share < _HARDLY:
        return Fit(-1.0, f"its values are no keys of {parent}", impossible=True)
    if share < _ALL:
        return Fit(0.0, f"some of its values are keys of {parent}")
    covered = inside.height / max(len(keys), 1)
    if held.different < _FEWEST_KEYS or (held.whole > _HARDLY and covered < _COVERED):
        # Counts and grades are found among running numbers, too.
        return Fit(0.2, f"its values are among the keys of {parent}, as small numbers would be")
    return Fit(1.0, f"its values are keys of {parent}", telling=True, a_key=True)
