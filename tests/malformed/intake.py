"""What the real intake makes of a case: reading, checking and summing up, held cell by cell against the sound export."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import cache
from pathlib import Path

import polars as pl

from pipeline.case_tables import TABLES, Table
from pipeline.check import Accepted, check
from pipeline.faults import NeedsMending
from pipeline.identity import written_out as keys_written_out
from pipeline.mapping import load_mapping
from pipeline.plan import load_plan
from pipeline.plan_names import check_names
from pipeline.quality import summarize
from pipeline.read import Intake, take_in
from reports.quality_lines import quality_lines
from tests.malformed.case import Case, Told, kind_of
from tests.malformed.draft import Change, written_out
from tests.malformed.sound import Cells, keys_of, sound_cells

KEY = b"a key for tests, of no use elsewhere"
RECEIVED = date(2025, 1, 31)
_TELLING = 6  # characters from which on a value in a message is no accident
WITH_ITS_PARENT = re.compile(r"its \w+ was set aside$")


@dataclass(frozen=True, slots=True)
class Counted:
    """Rows of one table."""

    read: int
    used: int
    set_aside: int


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of an export.

    `stops` are the lines told when it was refused. `aside`, `blanked`, `warned`: rows of the file by table and reason. `carried` counts
    the rows set aside with a row that they belong to. `notes`: what was found out about a table's file. `untold`: where a used value
    is not the sound one and nothing says so, or a row is neither used nor listed. `shown`: what stands in a cell and is shown to the
    user all the same.
    """

    stops: tuple[str, ...] = ()
    counts: Mapping[str, Counted] = field(default_factory=dict)
    aside: Told = field(default_factory=dict)
    blanked: Told = field(default_factory=dict)
    warned: Told = field(default_factory=dict)
    carried: int = 0
    notes: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    untold: tuple[str, ...] = ()
    records: Mapping[str, int] = field(default_factory=dict)
    shown: tuple[str, ...] = ()

    @property
    def kind(self) -> str:
        """The outcome in a word."""
        return kind_of(self.stops, self.aside, self.blanked, self.warned, self.untold)


@dataclass(frozen=True, slots=True)
class Read:
    """An export as it was read and checked."""

    intake: Intake
    accepted: Accepted

    def frame(self, table: str) -> pl.DataFrame:
        """The rows of a table that are used, their keys as text."""
        return keys_written_out(self.accepted.frames[table])


def read_folder(folder: Path, mapping: Path | None = None) -> Read:
    """The folder through the intake: read, checked, and summed up as `check` does it. Raises NeedsMending."""
    intake = take_in(folder, load_mapping(mapping), KEY)
    return Read(intake, check(intake.tables, received=RECEIVED))


def outcome_of(case: Case) -> Outcome:
    """The case made in a folder of its own and taken in."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "tables"
        export = written_out(case.changes, folder)
        cells = export.draft.cells
        records = {name: sum(any(value.strip() for value in row) for row in rows[1:]) for name, rows in cells.items()}
        try:
            check_names(load_plan(export.plan))
            read = read_folder(folder, export.mapping)
        except NeedsMending as fault:
            lines = tuple(line.replace(place, "...") for line in fault.lines)
            return Outcome(stops=lines, shown=_shown(cells, lines))
    notes = {
        source.table: (source.encoding, *source.notes)
        for source in read.intake.sources
        if source.notes or source.encoding not in ("utf-8", "")
    }
    reasons = [one.reason for one in read.accepted.reasons]
    return Outcome(
        counts={one.table: Counted(one.read, one.used, one.set_aside) for one in read.accepted.counts},
        aside=_told(read.accepted.set_aside),
        blanked=_told(read.accepted.blanked),
        warned=_told(read.accepted.warned),
        carried=sum(one.count for one in read.accepted.reasons if WITH_ITS_PARENT.match(one.reason)),
        notes=notes,
        untold=differences(_sound(case.truth), read),
        records=records | case.records,
        shown=_shown(cells, [*_summary(read), *reasons, *(n for each in notes.values() for n in each)]),
    )


def _shown(cells: Cells, said: Sequence[str]) -> tuple[str, ...]:
    """The keys, and the values that only this export has, that stand in what is said; short ones stand in any sentence."""
    sound = sound_cells()
    usual = {value for rows in sound.values() for row in rows[1:] for value in row}
    # A cell may hold what is a word of ours: a code, or a column's name in a table that was turned on its side.
    codes = {word for table in TABLES for column in table.columns for word in (column.name, *column.codes)}
    values = {value for rows in cells.values() for row in rows[1:] for value in row} - usual - codes
    told = "\n".join(said)
    telling = {value.strip() for value in values if len(value.strip()) >= _TELLING} | keys_of(sound)
    return tuple(sorted(value for value in telling if value in told))


def _summary(read: Read) -> Sequence[str]:
    """The lines that `check` prints; of an export of which there is nothing to tell they are those of the sound one."""
    if not read.accepted.reasons:
        return ()
    return quality_lines(summarize(read.accepted, read.intake.sources, read.intake.tables).summary)


def _sound(truth: tuple[Change, ...]) -> Read:
    return _read_once() if not truth else _read_sound(truth)


@cache
def _read_once() -> Read:
    return _read_sound(())


def _read_sound(truth: Sequence[Change]) -> Read:
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "tables"
        written_out(truth, folder)
        return read_folder(folder)


def _told(listed: pl.DataFrame) -> dict[str, dict[str, tuple[int, ...]]]:
    told: dict[str, dict[str, tuple[int, ...]]] = {}
    rows = listed.select("table", "row", pl.col("reason").str.split("; ")).explode("reason").sort("row")
    for table, row, reason in rows.iter_rows():
        if not WITH_ITS_PARENT.match(reason):
            reasons = told.setdefault(table, {})
            reasons[reason] = (*reasons.get(reason, ()), row)
    return told


def differences(sound: Read, read: Read) -> tuple[str, ...]:
    """Where the rows that are used do not say what the sound export says, and no list tells of it."""
    return tuple(sorted({where for table in TABLES for where in _differences(table, sound, read)}))


def _differences(table: Table, sound: Read, read: Read) -> Iterable[str]:
    right, used = sound.frame(table.name), read.frame(table.name)
    if used.equals(right):
        return
    new = used.join(right, on=table.key, how="anti").height
    lost = right.join(used, on=table.key, how="anti")
    # A row set aside is listed by its key. One without a key, under a key that is none of the sound export's, or under another
    # row's, stands for one row at the most.
    listed = read.accepted.set_aside.filter(table=table.name)["key"]
    known = lost[table.key].is_in(listed.implode())
    others = listed.filter(~listed.is_in(right[table.key].implode()) | listed.is_in(lost[table.key].implode()))
    to_spare = listed.null_count() + len(others.drop_nulls()) - int(known.sum())
    if new:
        yield f"{table.name}: new rows"
    if lost.height - int(known.sum()) > to_spare:
        yield f"{table.name}: rows lost"
    both = used.join(right, on=table.key, how="inner", suffix=" sound")
    blanked = read.accepted.blanked.filter(table=table.name)
    for name in table.column_names:
        if name == table.key:
            continue
        told = blanked.filter(column=name)["key"]
        wrong = both.filter(pl.col(name).ne_missing(pl.col(f"{name} sound")))
        if wrong.height:
            untold = wrong.filter(pl.col(name).is_not_null() | ~pl.col(table.key).is_in(told.implode()))
            if untold.height:
                yield f"{table.name}.{name}"
