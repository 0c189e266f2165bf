"""How a table writes its numbers and dates, told from every value; where two ways are possible, both are named and none is taken."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

import polars as pl

from pipeline.draft.code_words import Confidence
from pipeline.rules import FIRST_DATE, LAST_DATE
from pipeline.typed_values import ISO_DATE

_DECIMAL_COMMA, _DECIMAL_POINT = re.compile(r"[+-]?\d*,\d+"), re.compile(r"[+-]?\d*\.\d+")
_GROUPED_COMMA, _GROUPED_POINT = re.compile(r"[+-]?\d{1,3}(,\d{3})+"), re.compile(r"[+-]?\d{1,3}(\.\d{3})+")
_POINT_THEN_COMMA, _COMMA_THEN_POINT = (
    re.compile(r"[+-]?\d{1,3}(\.\d{3})+,\d*"),
    re.compile(r"[+-]?\d{1,3}(,\d{3})+\.\d*"),
)
_GROUPED_SPACE = re.compile(r"[+-]?\d{1,3}([ \u00a0\u202f\u2009]\d{3})+([.,]\d*)?")
_GROUPED_MARK = re.compile(r"[+-]?\d{1,3}(['\u2019]\d{3})+([.,]\d*)?")
_PARTS = r"^(\d{1,2})([-./ ])(\d{1,2})([-./ ])(\d{4}|\d{2})(?:[ T].*)?$"
_YEAR_FIRST = r"^\d{4}([-./])\d{1,2}[-./]\d{1,2}(?:[ T].*)?$"
_COMPACT = r"^(19|20)\d{2}(0[1-9]|1[0-2])(0[1-9]|[12]\d|3[01])$"
_WITH_MONTH = r"^\d{1,2}([-. /])\pL{3,9}[-. /](\d{4}|\d{2})(?:[ T].*)?$"
_SERIAL = r"^\d{5}(\.\d+)?$"
_NEARLY_ALL = 0.9  # of the dates must be read by a pattern; the others are broken ones
_LAST_MONTH = 12


@dataclass(frozen=True, slots=True)
class Numbers:
    """The signs in numbers: None where the dictionary's own. `doubt` says what must be decided, "" for nothing."""

    decimal: str | None = None
    thousands: str | None = None
    reason: str = ""
    doubt: str = ""


@dataclass(frozen=True, slots=True)
class Dates:
    """The pattern of a table's dates, None where they are ISO dates or it cannot be told; then `choices` are the possible ones."""

    pattern: str | None = None
    confidence: Confidence = "certain"
    reason: str = ""
    choices: tuple[str, ...] = ()
    doubt: str = ""


def numbers_of(columns: Iterable[pl.DataFrame]) -> Numbers:
    """The signs in the numbers of the columns, each given as its counted values."""
    values = [
        text
        for counts in columns
        for text in counts["value"]
        if any(sign in text for sign in ",. '\u2019\u00a0\u202f\u2009")
    ]

    def seen(pattern: re.Pattern[str], *but_not: re.Pattern[str]) -> bool:
        return any(pattern.fullmatch(text) and not any(other.fullmatch(text) for other in but_not) for text in values)

    german, english = seen(_POINT_THEN_COMMA), seen(_COMMA_THEN_POINT)
    comma, point = seen(_DECIMAL_COMMA, _GROUPED_COMMA) or german, seen(_DECIMAL_POINT, _GROUPED_POINT) or english
    either_comma, either_point = seen(_GROUPED_COMMA), seen(_GROUPED_POINT)
    if comma and point:
        return Numbers(doubt="some numbers have a decimal comma and some a decimal point; write them one way")
    grouped = "'" if seen(_GROUPED_MARK) else " " if seen(_GROUPED_SPACE) else None
    if german or english or grouped:
        thousands = "." if german else "," if english else grouped
        decimal = "," if comma or (german and not english) else None
        return Numbers(decimal, thousands, reason="signs between thousands are seen")
    if comma:
        # 1.500 beside 12,5 stays unread, and is told, until the sign between thousands is stated.
        doubt = "numbers such as 1.500 have a sign between thousands, if they are whole" if either_point else ""
        return Numbers(",", reason="numbers with a comma and none with a point", doubt=doubt)
    if either_comma:
        doubt = "numbers such as 1,500 may be thousands or have a decimal comma"
        return Numbers(doubt=doubt)
    return Numbers()


def dates_of(counts: pl.DataFrame, *, epoch: date | None) -> Dates:
    """How the counted dates of a column are written; `epoch` where bare numbers are dates to the reader."""
    foreign = counts.filter(~pl.col("value").str.contains(ISO_DATE))["value"]
    if epoch is not None:
        foreign = foreign.filter(~foreign.str.contains(_SERIAL))
    if foreign.is_empty():
        return Dates(reason="YYYY-MM-DD")
    if foreign.str.contains(_COMPACT).mean() == 1.0:
        return _tried(foreign, "%Y%m%d", "certain", "eight figures, the year first")
    if foreign.str.contains(_SERIAL).all():
        return Dates(doubt="the dates are numbers of days; export them as YYYY-MM-DD")
    shaped = foreign.filter(foreign.str.contains(_PARTS))
    if len(shaped) >= _NEARLY_ALL * len(foreign):
        return _day_and_month(shaped)
    for shape, pattern in ((_YEAR_FIRST, "%Y{0}%m{0}%d"), (_WITH_MONTH, "%d{0}%b{0}%Y")):
        like = foreign.filter(foreign.str.contains(shape))
        if len(like) >= _NEARLY_ALL * len(foreign):
            sign = str(like.str.extract(shape, 1)[0])
            return _tried(like, pattern.format(sign), "certain", "as the dates show")
    return Dates(doubt="the dates are written in more than one way; write them one way, or as YYYY-MM-DD")


def _day_and_month(dates: pl.Series) -> Dates:
    parts = dates.str.extract_groups(_PARTS).struct.unnest()
    first, second = parts["1"].cast(pl.Int32), parts["3"].cast(pl.Int32)
    signs = set(parts["2"]) | set(parts["4"])
    years = {len(year) for year in parts["5"]}
    if len(signs) > 1 or len(years) > 1:
        return Dates(doubt="the dates are written in more than one way; write them one way, or as YYYY-MM-DD")
    sign, year = signs.pop(), "%Y" if years == {4} else "%y"
    by_day, by_month = f"%d{sign}%m{sign}{year}", f"%m{sign}%d{sign}{year}"
    # A date that cannot be one either way tells nothing, and one broken date must not turn all others round.
    by_days = int(((first > _LAST_MONTH) & (second <= _LAST_MONTH)).sum())
    by_months = int(((second > _LAST_MONTH) & (first <= _LAST_MONTH)).sum())
    if by_days and by_days * (1 - _NEARLY_ALL) >= by_months:
        return _tried(dates, by_day, "certain", "days beyond 12 stand first")
    if by_months and by_months * (1 - _NEARLY_ALL) >= by_days:
        return _tried(dates, by_month, "certain", "days beyond 12 stand second")
    if by_days or by_months:
        return Dates(doubt="some dates have the day first and some the month; write them one way, or as YYYY-MM-DD")
    if sign == ".":
        return _tried(dates, by_day, "likely", "with points between them, the day stands first")
    return Dates(choices=(by_day, by_month), doubt="every day and month is 12 or less; the order cannot be told")


def _tried(dates: pl.Series, pattern: str, confidence: Confidence, reason: str) -> Dates:
    """The pattern, if it reads the dates that it was told from."""
    day = dates.str.split(" ").list.first().str.split("T").list.first() if " " not in pattern else dates
    try:
        read = day.str.to_date(pattern, strict=False)
    except pl.exceptions.PolarsError:
        read = pl.Series([None] * len(dates), dtype=pl.Date)
    if float(read.is_between(FIRST_DATE, LAST_DATE).fill_null(value=False).mean() or 0.0) < _NEARLY_ALL:  # type: ignore[arg-type]
        return Dates(doubt=f"the dates look like {pattern} and cannot be read so; write them as YYYY-MM-DD")
    return Dates(pattern, confidence, reason)
