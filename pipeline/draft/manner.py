"""How a table writes its numbers and dates, as its reader finds out from every value; stated in the mapping where it is one way.

What the reader cannot tell is left to be decided: all ways that are possible are named, and none is taken.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import polars as pl

from pipeline.draft.code_words import Confidence
from pipeline.reading import date_order
from pipeline.reading.number_signs import NumberSigns, Signs, in_words
from pipeline.rules import FIRST_DATE, LAST_DATE

_AS_OURS = Signs()
_READINGS = {",": (("thousands", ","), ("decimal", ",")), ".": (("decimal", "."),)}
_STATED = re.compile(r'dates = "([^"]+)"')
_DAY_FIRST = r"^(?:1[3-9]|2\d|3[01])\D"
_TWO_DIGITS = r"^(\d{1,2})([./-])(\d{1,2})[./-](\d{2})(?: .*)?$"
_LAST_MONTH = 12
_NEARLY_ALL = 0.9  # of the dates must be read by a pattern that is stated; the others are broken ones


@dataclass(frozen=True, slots=True)
class Numbers:
    """The signs in numbers: None where the dictionary's own. `choices`: settings to choose from. `note`: what is to be told, "" for nothing."""

    decimal: str | None = None
    thousands: str | None = None
    confidence: Confidence = "certain"
    reason: str = "told from every number"
    choices: tuple[tuple[str, str], ...] = ()
    note: str = ""


@dataclass(frozen=True, slots=True)
class Dates:
    """The pattern of a table's dates, None where none is stated; then `choices` are the possible ones, where one must be."""

    pattern: str | None = None
    confidence: Confidence = "certain"
    reason: str = ""
    choices: tuple[str, ...] = ()
    note: str = ""


def numbers_of(columns: Mapping[str, pl.Series], *, typed_cells: bool) -> Numbers:
    """The signs in the number columns, each given with its different values. `typed_cells`: the file holds numbers as such."""
    look = NumberSigns(list(columns), typed=typed_cells)
    for name, values in columns.items():
        look.see(name, values)
    if look.is_plain and not look.is_in_doubt:
        return Numbers()
    signs = look.signs()
    note = "; ".join(in_words(signs))
    unsure = {sign for one in signs.values() for sign in one.unsure}
    ways = {(one.decimal, one.thousands) for one in signs.values()}
    if unsure == {","} and ways == {(",", None)}:
        # 0,813 and 1,159 in one column: the sign of the one is hardly another sign in the other.
        return Numbers(",", confidence="likely", reason="fractions with a comma stand beside numbers such as 1,500")
    if unsure:
        # "1,500": thousand five hundred, or one and a half. Each reading is a setting; points between thousands take two.
        choices = [choice for sign in sorted(unsure) for choice in _READINGS[sign]]
        points = '; if points part thousands: decimal = "," and thousands = "."' if "." in unsure else ""
        return Numbers(choices=tuple(choices), note=f"{note}{points}")
    if len(ways) > 1:
        return Numbers(note=f"{note}; the columns differ, and are read each in its way")
    ((decimal, thousands),) = ways
    return Numbers(decimal if decimal != _AS_OURS.decimal or thousands is not None else None, thousands, note=note)


def dates_of(name: str, values: pl.Series, *, epoch: date | None, counts: pl.Series | None = None) -> Dates:
    """How the different values of the date column are written; `epoch` where bare numbers are days to the reader.

    `counts`: the rows of each value, one where left out.
    """
    reader = date_order.Dates(name, day_numbers=epoch is not None)
    reader.see(values, counts)
    if reader.is_plain:
        return Dates(reason="YYYY-MM-DD")
    found = reader.found()
    if found.fault:
        short = _years_of_two_digits(values)
        return short or Dates(choices=tuple(_STATED.findall(found.fault)), note=found.fault)
    if len(found.ways) > 1 or not _reads(values, found.ways[0].pattern):
        # What the reader finds out is more than one pattern could say.
        return Dates(note=found.note)
    way = found.ways[0]
    by_points = way.mark == "." and not bool(values.str.contains(_DAY_FIRST).any())
    if by_points:
        return Dates(way.pattern, "likely", "with points between them, the day stands first")
    return Dates(way.pattern, "certain", "told from every date")


def _years_of_two_digits(values: pl.Series) -> Dates | None:
    """Dates such as 28.03.24, which the reader reads under a stated pattern alone; None where there are others."""
    parts = values.str.extract_groups(_TWO_DIGITS).struct.unnest().drop_nulls()
    signs = parts["2"].unique().to_list()
    if parts.height < _NEARLY_ALL * len(values) or len(signs) != 1:
        return None
    first, second = parts["1"].cast(pl.Int32), parts["3"].cast(pl.Int32)
    by_day = bool(((first > _LAST_MONTH) & (second <= _LAST_MONTH)).any())
    by_month = bool(((second > _LAST_MONTH) & (first <= _LAST_MONTH)).any())
    day, month = (signs[0].join(order) for order in (("%d", "%m", "%y"), ("%m", "%d", "%y")))
    if by_day == by_month:
        return Dates(choices=(day, month), note="years of two digits, and the order of day and month cannot be told")
    pattern = day if by_day else month
    return Dates(pattern, "certain", "told from every date") if _reads(values, pattern) else None


def _reads(values: pl.Series, pattern: str) -> bool:
    """Whether the pattern reads nearly all of the dates as days that can be."""
    days = values if " " in pattern else values.str.split(" ").list.first()
    try:
        read = days.str.to_date(pattern, strict=False)
    except pl.exceptions.PolarsError:
        return False
    return int(read.is_between(FIRST_DATE, LAST_DATE).sum()) >= _NEARLY_ALL * len(values)
