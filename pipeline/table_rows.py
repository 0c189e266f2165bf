"""One table as it was read: its rows, the lines that could not be read, and the values that could not be used."""

from __future__ import annotations

from dataclasses import dataclass, field

import polars as pl

UNREAD_SCHEMA = {"row": pl.Int64, "fault": pl.String}
BAD_SCHEMA = {"row": pl.Int64, "column": pl.String, "reason": pl.String}


@dataclass(frozen=True, slots=True)
class TableRows:
    """A table between reading and checking. What a bad value said is gone: it may be anything, a name too.

    `rows`: `row` (Int64, the file's row number; below 0 for a row carried over from an earlier delivery, which stands in no file
    at hand), then the dictionary's columns in its types; null where nothing was recorded or the value is bad.
    `unread`: `row` and `fault`, lines that hold no values because they could not be taken apart.
    `bad`: `row`, `column`, `reason` (a rule's sentence), one line a value that was there and cannot be used: not of its type,
    not one of its codes, or out of its limits.
    Rows read are `rows` and `unread` together.
    """

    rows: pl.DataFrame = field(repr=False)
    unread: pl.DataFrame = field(repr=False)
    bad: pl.DataFrame = field(repr=False)

    @property
    def read(self) -> int:
        """How many rows of the file hold anything."""
        return self.rows.height + self.unread.height
