"""Reads a hospital's export: finds each table's file, loads only the dictionary's columns, and translates them.

Everything that must be mended before a run is told at once, one line each. A line that cannot be read is not lost: it
stays in its frame with a fault, and the check sets it aside.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import TypeVar

import polars as pl

from pipeline.case_tables import PSEUDONYM_COLUMNS, TABLES, Column, Table
from pipeline.faults import NeedsMending
from pipeline.guard.identifiers import held_by_key, holds_emails, holds_full_dates, identifier_columns, kind_of_used
from pipeline.identity import pseudonyms
from pipeline.mapping import ExportMapping, TableMapping, load_mapping
from pipeline.reading.export_folder import ExportFolder
from pipeline.reading.find_tables import open_table
from pipeline.reading.manner import Evidence, Manner
from pipeline.reading.source import SAMPLE_ROWS, Source, as_seen, fold
from pipeline.reading.stray_lines import told_apart
from pipeline.reading.translate import column_texts, translate
from pipeline.table_rows import TableRows
from pipeline.typed_values import Settled, joined, settle, settle_column, settled_rows

Part = TypeVar("Part")

_SIDE_BY_SIDE = 5000  # rows of a block from which on threads save more than they cost (measured)


@dataclass(frozen=True, slots=True)
class SourceFile:
    """Where one table came from. `rows` counts every row that holds anything, `ignored_columns` those never loaded.

    `notes` tell what was detected rather than stated. A table that was not exported has an empty `name`.
    """

    table: str
    name: str
    sha256: str
    encoding: str
    separator: str
    rows: int
    ignored_columns: int
    notes: tuple[str, ...] = ()

    @property
    def absent(self) -> bool:
        """Whether the export holds no such table."""
        return self.name == ""


@dataclass(frozen=True, slots=True)
class Export:
    """An export as read: for each table `row` (Int64), `fault` and the dictionary's columns, all text."""

    frames: Mapping[str, pl.DataFrame]
    sources: tuple[SourceFile, ...]


@dataclass(frozen=True, slots=True)
class Intake:
    """An export as taken in: typed rows by table, every key a pseudonym."""

    tables: Mapping[str, TableRows]
    sources: tuple[SourceFile, ...]


def read_tables(folder: Path | str, mapping: Path | str | None = None) -> dict[str, pl.DataFrame]:
    """The case tables in a folder, in the dictionary's layout, for `analyze` and for notebooks.

    `mapping` is the path of a mapping file, None for the default layout. Keys are the site's own: `pseudonymize`
    replaces them. Raises NeedsMending with one line for each thing to mend.
    """
    return dict(read_export(Path(folder), load_mapping(None if mapping is None else Path(mapping))).frames)


def read_export(folder: Path, mapping: ExportMapping) -> Export:
    """Every table of the export in `folder` as text, read through `mapping`. Raises NeedsMending with all that is to be mended."""
    frames: dict[str, pl.DataFrame] = {}

    def read(opened: _Opened) -> SourceFile:
        parts, notes = _each_block(opened, lambda block, manner: _as_text(opened, block, manner))
        frames[opened.table.name] = pl.concat([_empty(opened.table), *parts])
        return opened.described(frames[opened.table.name].height, notes)

    sources = _each_table(folder, mapping, read)
    return Export({table.name: frames.get(table.name, _empty(table)) for table in TABLES}, sources)


def take_in(folder: Path, mapping: ExportMapping, key: bytes) -> Intake:
    """Every table of the export in `folder`, typed and under pseudonyms made with `key`, read block by block.

    What the site wrote is held for one block at a time. Raises NeedsMending with all that is to be mended.
    """
    tables: dict[str, TableRows] = {}

    def read(opened: _Opened) -> SourceFile:
        table = opened.table
        parts, notes = _each_block(opened, lambda block, manner: _as_rows(opened, block, manner, key))
        tables[table.name] = joined([_nothing(table.name), *parts])
        return opened.described(tables[table.name].read, notes)

    sources = _each_table(folder, mapping, read)
    return Intake({table.name: tables.get(table.name) or _nothing(table.name) for table in TABLES}, sources)


def _each_table(folder: Path, mapping: ExportMapping, read: Callable[[_Opened], SourceFile]) -> tuple[SourceFile, ...]:
    """Opens and reads the tables one after the other; all that is to be mended is told at once."""
    files = ExportFolder(folder)
    sources: list[SourceFile] = []
    faults: list[str] = []
    for table in TABLES:
        try:
            source = open_table(files, table, mapping)
            if source is None:
                sources.append(SourceFile(table.name, "", "", "", "", 0, 0))
            else:
                sources.append(read(_opened(source, table, mapping)))
        except NeedsMending as fault:
            faults += fault.lines
    if faults:
        raise NeedsMending(*dict.fromkeys(faults))
    return tuple(sources)


@cache
def _nothing(name: str) -> TableRows:
    """The named table without a row."""
    one = next(table for table in TABLES if table.name == name)
    nothing = settle(one, _empty(one))
    keys = [pl.col(column).cast(pl.UInt64) for column in PSEUDONYM_COLUMNS if column in one.column_names]
    return TableRows(nothing.rows.with_columns(keys), nothing.unread, nothing.bad)


@dataclass(frozen=True, slots=True)
class _Opened:
    """One table's file with what is needed to read it: where our columns stand, and those outside the dictionary that the guard sees."""

    source: Source
    table: Table
    part: TableMapping
    positions: Mapping[str, int]
    others: tuple[int, ...]

    @property
    def typed_cells(self) -> bool:
        """Whether the file holds numbers and dates as such: a workbook, Parquet."""
        return self.source.separator == ""

    def described(self, rows: int, notes: tuple[str, ...]) -> SourceFile:
        source = self.source
        return SourceFile(
            table=self.table.name,
            name=source.name,
            sha256=source.sha256,
            encoding=source.encoding,
            separator=source.separator,
            rows=rows,
            ignored_columns=len(source.headers) - len(set(self.positions.values())),
            notes=(*notes, *_absent(self), *_key_notes(self)),
        )


def _opened(source: Source, table: Table, mapping: ExportMapping) -> _Opened:
    part = mapping.table(table.name)
    positions = _positions(source, table, part)
    used = set(positions.values())
    others = tuple(i for i, header in enumerate(source.headers) if i not in used and not part.drops(header))
    return _Opened(source, table, part, positions, others)


def _each_block(opened: _Opened, use: Callable[[pl.DataFrame, Manner], Part]) -> tuple[list[Part], tuple[str, ...]]:
    """What `use` makes of each block of the table, and what was found out about its manner of writing.

    Nearly every export writes as the dictionary does, so a first pass takes that for granted and stops at the first sign of
    another manner; only then is the whole table looked at before it is read.
    """
    evidence = Evidence(
        opened.table,
        opened.positions,
        opened.part,
        typed_cells=opened.typed_cells,
        day_numbers=opened.source.epoch is not None,
    )
    parts: list[Part] = []
    manner = evidence.plain()
    for block in _blocks(opened):
        evidence.see(block)
        if not evidence.is_plain:
            break
        parts.append(use(block, manner))
    else:
        if not evidence.is_in_doubt:
            _refuse(opened, evidence.contradictions())
            return parts, ()
    parts.clear()
    evidence = evidence.anew()
    for block in opened.source.blocks(evidence.positions):
        evidence.see(_as_seen(block))
    manner = evidence.manner()
    _refuse(opened, (*manner.faults, *evidence.contradictions()))
    return [use(block, manner) for block in _blocks(opened)], manner.notes


def _refuse(opened: _Opened, faults: Sequence[str]) -> None:
    if faults:
        raise NeedsMending(*(f"{opened.source.name}: {fault}" for fault in faults))


def _blocks(opened: _Opened) -> Iterator[pl.DataFrame]:
    """The table's blocks, each held against the identifier guard."""
    wanted = sorted({*opened.positions.values(), *opened.others})
    for number, block in enumerate(map(_as_seen, opened.source.blocks(wanted))):
        _refuse_identifiers(opened, block, further=number > 0)
        _refuse_emails(opened, block)
        if number == 0:
            _refuse_used_identifiers(opened, block.head(SAMPLE_ROWS), opened.positions)
        # A site is written as it stands: every row of it is looked at.
        _refuse_used_identifiers(opened, block, opened.positions.keys() & {"site_id"}, further=number > 0)
        yield told_apart(block, opened.source.headers)


def _as_seen(block: pl.DataFrame) -> pl.DataFrame:
    return block.with_columns(as_seen(block[name]) for name in block.columns if name not in ("row", "fault"))


def _as_text(opened: _Opened, block: pl.DataFrame, manner: Manner) -> pl.DataFrame:
    """The block in the dictionary's layout, all text."""
    return translate(
        opened.table,
        block,
        opened.positions,
        opened.part,
        manner,
        typed_cells=opened.typed_cells,
        epoch=opened.source.epoch,
    )


def _as_rows(opened: _Opened, block: pl.DataFrame, manner: Manner, key: bytes) -> TableRows:
    """The block typed, its keys replaced by pseudonyms."""
    readable = block.filter(pl.col("fault").is_null()) if block["fault"].null_count() < block.height else block
    texts = column_texts(
        opened.table,
        readable,
        opened.positions,
        opened.part,
        manner,
        typed_cells=opened.typed_cells,
        epoch=opened.source.epoch,
    )

    def settled(one: tuple[Column, pl.Series, pl.Expr]) -> Settled:
        column, written, text = one
        done = settle_column(column, written, text)
        if column.name not in PSEUDONYM_COLUMNS:
            return done
        return replace(done, values=pseudonyms(done.values, column.name, key))

    if block.height < _SIDE_BY_SIDE:
        return settled_rows(block, list(map(settled, texts)))
    with ThreadPoolExecutor() as columns:
        return settled_rows(block, list(columns.map(settled, texts)))


def _positions(source: Source, table: Table, part: TableMapping) -> dict[str, int]:
    """Where each of our columns stands in the file."""
    positions: dict[str, int] = {}
    faults: list[str] = []
    # Where none of its headers is one of ours, the first line may be a patient's: nothing in it is said.
    known = {fold(part.header(column.name)) for column in table.columns}
    sayable = source.headers if known & {fold(header) for header in source.headers} else ()
    for column in table.columns:
        theirs = part.header(column.name)
        if part.drops(theirs):
            continue  # never loaded, even under our own name; `load_mapping` refuses this of a needed column
        exact = [i for i, header in enumerate(source.headers) if header == theirs.strip()]
        at = exact or [i for i, header in enumerate(source.headers) if fold(header) == fold(theirs)]
        if len(at) > 1:
            faults.append(
                f"{source.name}: the header '{theirs}' stands over {len(at)} columns; rename or remove all but one"
            )
        elif at and column.name in part.constants:
            faults.append(
                f"{source.name}: {column.name} is a constant in the mapping, and the file has it too; keep one of the two"
            )
        elif at:
            positions[column.name] = at[0]
        elif column.name in part.columns:
            faults.append(
                f"{source.name}: no column '{theirs}', which the mapping gives for {column.name}{_similar(theirs, sayable)}"
            )
        elif column.needed and column.name not in part.constants:
            faults.append(
                f"{source.name}: no column {column.name}, which is needed{_similar(theirs, sayable)}; "
                f'name the site\'s own in the mapping: [{table.name}.columns] {column.name} = "..."'
            )
    for place in sorted(set(positions.values())):
        names = [name for name, position in positions.items() if position == place]
        if len(names) > 1:
            faults.append(
                f"{source.name}: column '{source.headers[place]}' would be read as {' and as '.join(names)}; give each a header of its own "
                "in the mapping, or rename the column in the export"
            )
    if faults:
        raise NeedsMending(*faults)
    return positions


def _absent(opened: _Opened) -> Iterator[str]:
    """Notes on optional columns that are not there under their names, though a header that is not used is much like them."""
    headers = [opened.source.headers[position] for position in opened.others]
    for column in opened.table.columns:
        if column.name not in opened.positions and column.name not in opened.part.constants:
            meant = _similar(column.name, headers)
            if meant:
                yield f"no column {column.name}{meant}"


def _similar(theirs: str, headers: Sequence[str]) -> str:
    """A header that was perhaps meant. The others are not listed: a file without a header line starts with a patient."""
    close = difflib.get_close_matches(fold(theirs), [fold(header) for header in headers], n=1, cutoff=0.75)
    return f" (did you mean '{close[0]}'?)" if close else ""


def _refuse_identifiers(opened: _Opened, block: pl.DataFrame, *, further: bool) -> None:
    """Holds the guard against the columns outside the dictionary, every row of them; they go no further than this."""
    if not opened.others:
        return
    source = opened.source
    others = block.select(str(position) for position in opened.others)
    found = identifier_columns(source.headers, others, further=further)
    if found:
        raise NeedsMending(
            *(
                f"{source.name}: column {_named(finding.position, finding.header)} looks like a direct identifier ({finding.kind}); "
                "list it under drop in the mapping or leave it out of the export"
                for finding in found
            )
        )


def _refuse_used_identifiers(
    opened: _Opened, sample: pl.DataFrame, names: Collection[str], *, further: bool = False
) -> None:
    """Holds the guard against the dictionary's columns too: a mapping must not lead an identity into one of them.

    A sample will do for most: keys become pseudonyms, and what a column of codes or numbers cannot hold is never kept.
    """
    source = opened.source
    faults: list[str] = []
    for name in names:
        position = opened.positions[name]
        # The site's own codes are known words, however long.
        codes = {fold(code) for code in opened.part.codes.get(name, ())}
        values = sample[str(position)].drop_nulls()
        if codes:
            values = values.filter([fold(value) not in codes for value in values])
        key = name in PSEUDONYM_COLUMNS
        kind = kind_of_used(source.headers[position], values, key=key, column=name, further=further)
        place = f"{source.name}: column {_named(position, source.headers[position])}"
        if name == "birth_year" and (kind == "a date of birth" or holds_full_dates(values)):
            faults.append(f"{place} is read as birth_year and looks like full dates of birth; export the year only")
        elif kind is not None:
            faults.append(
                f"{place} is read as {name} and looks like a direct identifier ({kind}); "
                f"mend the mapping of {name}, or list the column under drop"
            )
    if faults:
        raise NeedsMending(*faults)


def _key_notes(opened: _Opened) -> tuple[str, ...]:
    """What had better not be a key though a pseudonym takes its place: a national number, an operator's name."""
    keys = {name: position for name, position in opened.positions.items() if name in PSEUDONYM_COLUMNS}
    sample = opened.source.sample(sorted(set(keys.values())))
    held = {name: held_by_key(sample[str(position)]) for name, position in keys.items()}
    return tuple(
        f"{name} holds {kind}: give {'codes' if name == 'operator_id' else 'study keys'} in their place"
        for name, kind in held.items()
        if kind is not None
    )


def _named(position: int, header: str) -> str:
    return f"'{header}'" if header else f"{position + 1}, which has no header,"


def _refuse_emails(opened: _Opened, block: pl.DataFrame) -> None:
    for column in opened.table.columns:
        if column.type == "text" and column.name in opened.positions:
            values = block[str(opened.positions[column.name])]
            if values.str.contains("@", literal=True).any() and holds_emails(values):
                advice = "a study key" if column.name in PSEUDONYM_COLUMNS else "a code"
                raise NeedsMending(
                    f"{opened.source.name}: {column.name} holds e-mail addresses; write {advice} in their place"
                )


def _empty(table: Table) -> pl.DataFrame:
    return pl.DataFrame(schema={"row": pl.Int64, **dict.fromkeys(("fault", *table.column_names), pl.String)})
