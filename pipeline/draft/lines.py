"""What a draft says of one table, line by line, before it is written down."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.case_tables import Column, Table
from pipeline.draft.code_words import Confidence
from pipeline.draft.manner import Dates, Numbers
from pipeline.draft.units import UnitChoice


@dataclass(frozen=True, slots=True)
class ColumnLine:
    """One of our columns and the header that it comes from.

    `own`: the header is our own name, so that no line is needed. `doubt`: what must be decided before the column may be used,
    "" for nothing; a guess is a doubt.
    """

    column: Column
    header: str
    confidence: Confidence
    reason: str
    own: bool
    doubt: str
    unit: UnitChoice | None = None

    @property
    def used(self) -> bool:
        """Whether an unedited draft reads the column."""
        return not self.doubt


@dataclass(frozen=True, slots=True)
class CodeLine:
    """One code of the site. `ours`: None where it is not known; "" where it says that nothing is known. `rows`: None when rare."""

    theirs: str
    ours: str | None
    confidence: Confidence | None
    reason: str
    rows: int | None


@dataclass(frozen=True, slots=True)
class CodeLines:
    """The codes of a column that differ from ours. `unshown`: different values that are left out, as they may be a patient's."""

    lines: tuple[CodeLine, ...]
    unshown: int


@dataclass(frozen=True, slots=True)
class ConstantLine:
    """A column that the file does not have, with the value that holds for all of it; `used` is false for one to be decided."""

    column: str
    value: str
    used: bool
    reason: str


@dataclass(frozen=True, slots=True)
class TableDraft:
    """The draft of one table. `drops`, `unused`: headers of theirs, with the reason or alone; `missing`: columns of ours without a source.

    `named`: whether the file must be named, as its name is not the table's. `unnamed`: unused columns whose header is not told.
    """

    table: Table
    file: str
    sheet: str | None
    named: bool
    reason: str
    confidence: Confidence
    told: str
    numbers: Numbers
    dates: Dates
    columns: tuple[ColumnLine, ...]
    codes: Mapping[str, CodeLines]
    constants: tuple[ConstantLine, ...]
    drops: tuple[tuple[str, str], ...]
    unused: tuple[str, ...]
    unnamed: int
    missing: tuple[Column, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Draft:
    """The draft of a whole mapping.

    `absent`: tables that no file is like, each with the file that seems to have its columns among others, "" for none. `spare`: names
    of files that are no table; `faults`: what is wrong with files.
    """

    language: str
    tables: tuple[TableDraft, ...]
    absent: tuple[tuple[Table, str], ...]
    spare: tuple[str, ...]
    faults: tuple[str, ...]
