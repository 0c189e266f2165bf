"""What every kind of file looks like to the reader: headers, and rows of text with their row numbers."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Protocol

import polars as pl

HEADER_WITHIN = 10  # lines: a title or two above the header is met in hospitals' exports; common practice, no source
SAMPLE_ROWS = 2000  # rows of a column outside the dictionary that are looked at for identifiers, then forgotten


class Source(Protocol):
    """One table as the file has it. A column is known by its position, as headers may be blank or repeated."""

    @property
    def name(self) -> str:
        """The file's name, with the sheet's for a workbook."""

    @property
    def sha256(self) -> str:
        """SHA-256 of the file's bytes, 64 hex digits."""

    @property
    def headers(self) -> tuple[str, ...]:
        """The headers, stripped; "" for a blank one."""

    @property
    def encoding(self) -> str:
        """How the text was decoded, as told to the user; "" for a binary format."""

    @property
    def separator(self) -> str:
        """The sign between fields; "" for a binary format."""

    @property
    def epoch(self) -> date | None:
        """The day that a bare whole number of five digits in a date column counts from; None where such a number is no date."""

    def sample(self, positions: Sequence[int]) -> pl.DataFrame:
        """Up to SAMPLE_ROWS values of the columns at `positions`: text, each named by its position."""

    def blocks(self, positions: Sequence[int]) -> Iterator[pl.DataFrame]:
        """The same rows in order, in blocks that fit into memory."""

    def rows(self, positions: Sequence[int]) -> pl.DataFrame:
        """Every row: `row` (Int64, the header's file row is counted), `fault` (why it cannot be read), and text columns by position."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """Folded headers that are looked for: all that are known for a table, and those of its needed columns."""

    known: frozenset[str]
    needed: frozenset[str]

    def score(self, headers: Sequence[str]) -> tuple[bool, int]:
        """How much `headers` looks like the header line: whether all that is needed is there, and how many are known."""
        folded = {fold(header) for header in headers}
        return self.needed <= folded, len(folded & self.known)


# Signs that nobody sees: soft hyphen, zero-width spaces and joiners, marks of direction, byte order mark.
_INVISIBLE = "[\u00ad\u200b-\u200f\u202a-\u202e\u2060-\u2064\ufeff]"
_OTHER_SPACES = "[\u00a0\u1680\u2000-\u200a\u202f\u205f\u3000]"


def fold(header: str) -> str:
    """A header as it is compared: no difference of capitals, of spaces, of composed letters or of signs that nobody sees."""
    return " ".join(re.sub(_INVISIBLE, "", unicodedata.normalize("NFC", header)).casefold().split())


def as_seen(values: pl.Series) -> pl.Series:
    """Text as a reader sees it, so that two values that look the same are the same.

    Letters are composed, signs that nobody sees are left out, and every kind of space is a plain one.
    """
    if values.str.len_bytes().sum() == values.str.len_chars().sum():
        return values  # nothing beyond ASCII, as in nearly every column
    return values.str.normalize("NFC").str.replace_all(_INVISIBLE, "").str.replace_all(_OTHER_SPACES, " ")
