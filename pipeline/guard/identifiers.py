"""The guard against direct identifiers: by the words of a header, and by what a column holds.

Every function takes a column of any length, a chunk of a file or the whole, and looks at each different value once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.guard.identifier_words import NUMBER, kind_by_header
from pipeline.guard.national_numbers import national_number
from pipeline.guard.personal_names import FEWEST_NAMES, holds_names, holds_titles

NAMES = "names of persons"
BIRTHS, MAILS, SENTENCES = "dates of birth", "e-mail addresses", "free text"
MANY_SITES = "nearly as many different values as rows"
_A_NAME = "a name"  # the kind that a header announces

_EMAIL = r"[\w.+-]+@[\w-]+\.[\w.-]+"
_YEAR_FIRST = r"^\d{4}[./-]?\d{1,2}[./-]?\d{1,2}(?:[T ].*)?$"
_YEAR_LAST = r"^(?:\d{1,2}[./ -]+(?:\d{1,2}|\pL{3,9})|\pL{3,9}\.? \d{1,2},?)[./ -]+(?:\d{4}|\d{2})(?:[T ].*)?$"
_ANY_DAY = (
    r"^(\d{4}[./-]\d{1,2}[./-]\d{1,2}|\d{1,2}[./ -]+(\d{1,2}|\pL{3,9})[./ -]+\d{2,4}|\d{8}(\.0)?|\d{5}(\.0)?)([T ].*)?$"
)
_PHONE = r"^(?:(?:\+|00)\d{1,3}[ \d()/.-]{7,}|\(?0\d{1,4}\)?[ /-][ \d/-]{5,}|0[67]\d{8,9}|\(?[2-9]\d{2}\)?[ .-]\d{3}[ .-]\d{4})$"
# United Kingdom (BS 7666), Netherlands, Canada, Ireland; and five digits, or four, only with a place behind them.
_POSTCODE = (
    r"(?i)^(?:[A-Z]{1,2}\d[A-Z\d]? ?\d[A-Z]{2}|[1-9]\d{3} ?[A-Z]{2}|[ABCEGHJ-NPRSTVXY]\d[A-Z][ -]?\d[A-Z]\d"
    r"|[ACDEFHKNPRTVWXY]\d[\dW] ?[AC-FHKNPRTV-Y\d]{4}|(?:[A-Z]{1,2}-)?\d{4,5},? \pL{2}[\pL .'\x{2019}/()-]+)$"
)
# What most columns beyond the dictionary hold, and none of the patterns here or of the national numbers takes: too few digits.
_SHORT_NUMBER = r"^\s*(?:[+-]?(?:\d{1,3}(?:[.,]\d{1,3})?|\d{4})\s*)?$"
_FIRST_BIRTH, _LATEST_BIRTH_IN_DOUBT = (
    1900,
    1990,
)  # no procedure in an export is before 1990; most patients are born before
_BIRTH_SERIALS = (7_306, 32_873)  # 1920-01-01 and 1989-12-31 as days since 1899-12-30, the way a spreadsheet keeps them
_FEWEST_SERIALS, _SPREAD_OF_SERIALS = 20, 7_305  # twenty years between the first and the last birth
_MOST, _SOME = 0.5, 0.05
_NEARLY_ALL = 0.95
_FEWEST_POSTCODES = 3  # different ones
_LONG, _WORDS_OF_A_SENTENCE = 30, 5
_LONGEST_SITE, _SITE_ROWS = 40, 5  # characters of a site's code; rows that a site has at least, on the average
# A key is replaced by a pseudonym: what it looks like may be said, but stops nothing. All else in a key is a mistake of mapping.
# E-mail addresses have a look-out and a message of their own.
_FOR_NO_KEY = frozenset({NAMES, BIRTHS, SENTENCES})


@dataclass(frozen=True, slots=True)
class Finding:
    """A column that looks like a direct identifier: its position from 0, its header, and of what kind."""

    position: int
    header: str
    kind: str


def identifier_columns(headers: Sequence[str], sample: pl.DataFrame, *, further: bool = False) -> list[Finding]:
    """The columns that look like direct identifiers, by their header or by their values.

    `headers` are all of the file's; `sample` holds values (text) of the columns to be looked at, each named by its
    position: those that are neither in the data dictionary nor dropped nor mapped. `further`: these are further rows of a
    file whose first block has passed. Names are then not looked for: they are told by how seldom they repeat, which the
    few rows of a last block cannot show.
    """
    found: list[Finding] = []
    for name in sample.columns:
        position = int(name)
        kind = kind_by_header(headers[position])
        if kind is None and _are_short_numbers(sample[name]):
            continue
        kind = kind or kind_by_content(sample[name], names=not further)
        if kind is None and not further:
            kind = _serial_births(sample[name])
        if kind is not None:
            found.append(Finding(position, headers[position], kind))
    return found


def kind_of_used(header: str, values: pl.Series, *, key: bool, column: str = "", further: bool = False) -> str | None:
    """The kind of identifier that a column used for one of the dictionary's looks like; None for none.

    A `key` may be a number of any kind, as a pseudonym takes its place, and an operator may be named by one's own name for the
    same reason. `column` is the dictionary's: `site_id` is held to the strictest measure, because it is written as it stands.
    A few sentences among codes are left to the check. `further` as in `identifier_columns`.
    """
    named = column == "operator_id"
    announced = kind_by_header(header)
    if announced is not None and not (key and announced == NUMBER) and not (named and announced == _A_NAME):
        return announced
    held = kind_by_content(values, sentences=0.0 if column == "site_id" else _MOST, names=not further)
    if column == "site_id":
        return held or _no_site(values, further=further)
    if key and (held not in _FOR_NO_KEY or (named and held == NAMES)):
        return None
    return held


def held_by_key(values: pl.Series) -> str | None:
    """What a key column holds that had better be a study key or a code: the kind, for a note; None for nothing of the sort."""
    return kind_by_content(values, sentences=_MOST)


def holds_full_dates(values: pl.Series) -> bool:
    """Whether more than a few of a column's values are a day, and not a year alone, however written."""
    there = _stripped(values)
    return not there.is_empty() and _share(there.str.contains(_ANY_DAY)) >= _SOME


def holds_emails(values: pl.Series) -> bool:
    """Whether any value holds an e-mail address: looked for in the dictionary's own text columns too."""
    return bool(values.drop_nulls().str.contains(_EMAIL).any())


def kind_by_content(values: pl.Series, *, sentences: float = _SOME, names: bool = True) -> str | None:
    """The kind of identifier that a column's values look like; None for none.

    One e-mail address is enough; of telephone numbers, dates of birth and postcodes, half the rows; of sentences more than the
    share `sentences`. National numbers and names of persons (looked for if `names`) have measures of their own, which their
    modules say.
    """
    counts = _counts(values)
    if counts.is_empty():
        return None
    rows = _rows(counts)
    if counts["value"].str.contains(_EMAIL).any():
        return MAILS
    number = national_number(counts["value"])
    if number is not None:
        return number
    # "03/06/2024" begins as a telephone number does.
    phones = _of(counts, _PHONE).filter(~pl.col("value").str.contains(_YEAR_LAST))
    if _rows(phones) >= _MOST * rows:
        return "telephone numbers"
    if _are_births(counts, rows):
        return BIRTHS
    postcodes = _of(counts, _POSTCODE)
    if _rows(postcodes) >= _MOST * rows and postcodes.height >= _FEWEST_POSTCODES:
        return "postcodes"
    if _are_sentences(counts, rows, sentences):
        return SENTENCES
    return NAMES if names and holds_names(counts) else None


def _are_short_numbers(values: pl.Series) -> bool:
    """Whether there is nothing but numbers too short for an identifier: one look, where the whole guard takes ten."""
    if values.len() and not values.head(1).str.contains(_SHORT_NUMBER).all():
        return False
    return values.str.contains(_SHORT_NUMBER).all()


def _are_births(counts: pl.DataFrame, rows: int) -> bool:
    """Whether half the rows are dates, and half of these before any procedure in an export."""
    value = pl.col("value")
    dates = counts.filter(value.str.contains(_YEAR_FIRST) | value.str.contains(_YEAR_LAST))
    if _rows(dates) < _MOST * rows:
        return False
    day = value.str.replace(r"[T ]\d{1,2}:.*$", "")
    four = pl.coalesce(day.str.extract(r"^(\d{4})"), day.str.extract(r"(\d{4})$")).cast(pl.Int32, strict=False)
    # Of two digits, those that are no year of a procedure, nor one of this century to come.
    two = day.str.extract(r"[./ -](\d{2})$").cast(pl.Int32, strict=False)
    early = (
        pl.when(four.is_not_null())
        .then(four.is_between(_FIRST_BIRTH, _LATEST_BIRTH_IN_DOUBT - 1))
        .otherwise(two.is_between(30, _LATEST_BIRTH_IN_DOUBT - _FIRST_BIRTH - 1))
    )
    births = dates.filter(early.fill_null(value=False))
    return _rows(births) >= _MOST * _rows(dates)


def _serial_births(values: pl.Series) -> str | None:
    """Dates of birth as a spreadsheet's day numbers: spread over twenty years at least, and not counted up row by row."""
    there = _stripped(values)
    days = there.str.strip_suffix(".0").cast(pl.Int32, strict=False)
    within = days.filter(days.is_between(*_BIRTH_SERIALS))
    if len(within) < max(_FEWEST_SERIALS, _NEARLY_ALL * len(there)) or within.n_unique() < _FEWEST_SERIALS:
        return None
    rising = _share(within.diff().drop_nulls() > 0)
    spread = int(within.max()) - int(within.min())  # type: ignore[arg-type]
    return BIRTHS if spread >= _SPREAD_OF_SERIALS and 0.25 <= rising <= 0.75 else None


def _are_sentences(counts: pl.DataFrame, rows: int, share: float) -> bool:
    """Whether more than `share` of the rows are sentences, which seldom repeat; long terms from a list do."""
    value = pl.col("value")
    long = counts.filter(value.str.len_chars() >= _LONG)
    found = long.filter(value.str.count_matches(r"\s+") >= _WORDS_OF_A_SENTENCE)
    written = _rows(found)
    repeated = written >= FEWEST_NAMES and found.height < _SOME * written
    return written > 0 and written >= share * rows and not repeated


def _no_site(values: pl.Series, *, further: bool) -> str | None:
    """Why the values cannot be sites' codes: titles of persons, long text, or too many different values; None if they can."""
    counts = _counts(values)
    if counts.is_empty():
        return None
    if holds_titles(counts):
        return NAMES
    if (counts["value"].str.len_chars() > _LONGEST_SITE).any():
        return SENTENCES
    if further:
        return None
    return MANY_SITES if counts.height >= max(FEWEST_NAMES, _rows(counts) / _SITE_ROWS) else None


def _counts(values: pl.Series) -> pl.DataFrame:
    """The column's different values (`value`) in order of appearance, stripped, and their rows (`count`); blanks left out."""
    distinct = values.alias("value").value_counts(name="count")
    return distinct.with_columns(pl.col("value").str.strip_chars()).filter(
        pl.col("value").is_not_null() & (pl.col("value") != "")
    )


def _of(counts: pl.DataFrame, pattern: str) -> pl.DataFrame:
    return counts.filter(pl.col("value").str.contains(pattern))


def _rows(counts: pl.DataFrame) -> int:
    return int(counts["count"].sum())


def _stripped(values: pl.Series) -> pl.Series:
    there = values.drop_nulls().str.strip_chars()
    return there.filter(there != "")


def _share(test: pl.Series) -> float:
    return float(test.cast(pl.Float64).mean() or 0.0)  # type: ignore[arg-type]
