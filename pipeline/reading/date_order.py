"""How a column's dates are written, told from all of them: the order of day, month and year, or the month in words.

Where the order cannot be told the mapping is asked. A date that fits none of the ways found is kept as it is written, and told as
no date.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.reading.month_names import MONTH_NUMBERS

# A time of day behind the date is passed over: the dictionary has days.
TIME = r"(?:(?: +|T)\d{1,2}[:.]\d{2}(?:[:.]\d{2}(?:[.,]\d+)?)?(?: ?[AaPp]\.?[Mm]\.?)?)?$"
# In each shape group 2 is the sign between the parts, and groups 1, 3 and 4 are the parts.
_YEAR_LAST = r"^(\d{1,2})([./-]) ?(\d{1,2})[./-] ?(\d{4})" + TIME
_YEAR_FIRST = r"^(\d{4})([./-])(0?[1-9]|1[0-2])[./-](\d{1,2})" + TIME
_YEAR_LAST_TOGETHER = r"^(\d{2})()(\d{2})((?:19|20)\d{2})$"
_YEAR_FIRST_TOGETHER = r"^((?:19|20)\d{2})()(0[1-9]|1[0-2])(0[1-9]|[12]\d|3[01])$"
_WORD_SECOND = r"^(\d{1,2})([-. /]*)(\pL{3,})[-. /,]*(\d{4})" + TIME
_WORD_FIRST = r"^(\pL{3,})([-. /]*)(\d{1,2})(?:st|nd|rd|th)?[-. /,]*(\d{4})" + TIME
_TWO_DIGITS = r"^\d{1,2}([./-])(?:\d{1,2}|\pL{3,}\.?)[./-]\d{2}" + TIME
# The day where the month should be, and where it should.
_DAY_IN_THE_MIDDLE = r"^(\d{4})([./-])(1[3-9]|2\d|3[01])[./-](0?\d|1[0-2])(?:$|[ T])"
_DAY_LAST = r"^\d{4}[./-](?:0?\d|1[0-2])[./-](?:1[3-9]|2\d|3[01])(?:$|[ T])"
_DAY_NUMBER = r"^[34]\d{4}(?:\.\d+)?$"  # 1982 to 2036 as a spreadsheet counts days
_READABLE = "|".join((_YEAR_LAST, _YEAR_FIRST, _YEAR_LAST_TOGETHER, _YEAR_FIRST_TOGETHER, _WORD_SECOND, _WORD_FIRST))
_UNREADABLE = "|".join((_TWO_DIGITS, _DAY_IN_THE_MIDDLE, _DAY_NUMBER))
_ISO = r"^\d{4}-(?:0[1-9]|1[0-2])-\d{2}(?:$|[ T])"


@dataclass(frozen=True, slots=True)
class Way:
    """One way of writing a date. `pattern` is how the mapping would say it.

    `order` says what stands in the shape's three parts: "dmy", "mdy" or "ymd". `mark` is the sign between them that belongs to
    this way, None for any.
    """

    pattern: str
    shape: str
    order: str
    mark: str | None = None

    def iso(self, value: pl.Expr) -> pl.Expr:
        """The date as YYYY-MM-DD; null where it is not written this way, or is no day of the calendar."""
        parts = {what: value.str.extract(self.shape, group) for what, group in zip(self.order, (1, 3, 4), strict=True)}
        month = parts["m"]
        if "%b" in self.pattern:
            month = month.str.to_lowercase().replace_strict(MONTH_NUMBERS, default=None, return_dtype=pl.String)
        text = pl.concat_str(parts["y"], month.str.zfill(2), parts["d"].str.zfill(2), separator="-")
        day = pl.when(text.str.to_date("%Y-%m-%d", strict=False).is_not_null()).then(text)
        return day if self.mark is None else pl.when(value.str.extract(self.shape, 2) == self.mark).then(day)


@dataclass(frozen=True, slots=True)
class Found:
    """The ways in which a column's dates are written; `fault` is what must be stated in the mapping, "" for nothing."""

    ways: tuple[Way, ...] = ()
    fault: str = ""

    @property
    def note(self) -> str:
        """The ways in words for the user; "" for none."""
        return "read as " + " and ".join(way.pattern for way in self.ways) if self.ways else ""


class Dates:
    """Looks at the dates of one column, block by block.

    `day_numbers`: a bare number is a date in this kind of file.
    """

    def __init__(self, column: str, *, day_numbers: bool) -> None:
        self._column, self._day_numbers = column, day_numbers
        self._foreign = self._odd = pl.Series([], dtype=pl.String)
        self._iso = self._day_last = False

    def see(self, values: pl.Series) -> None:
        """Take in different values of the column."""
        iso = values.str.contains(_ISO).fill_null(value=False)
        self._iso = self._iso or bool(iso.any())
        self._day_last = self._day_last or bool(values.str.contains(_DAY_LAST).any())
        others = values.filter(~iso).drop_nulls()
        self._foreign = _joined(self._foreign, others.filter(others.str.contains(_READABLE)))
        odd = others.filter(others.str.contains(_UNREADABLE) & ~others.str.contains(_READABLE))
        if self._day_numbers:
            odd = odd.filter(~odd.str.contains(_DAY_NUMBER))
        self._odd = _joined(self._odd, odd)

    @property
    def is_plain(self) -> bool:
        """Whether nothing seen so far needs a decision: all are ISO dates, or slips among them."""
        return self._foreign.is_empty() and not self._unread()

    def found(self) -> Found:
        """How the column's dates are written, with all seen."""
        ways: list[Way] = []
        for shape in (_YEAR_LAST, _YEAR_LAST_TOGETHER):
            parts = _parts(self._foreign, shape)
            for mark in _marks(parts):
                order, fault = _day_or_month_first(parts.filter(parts["2"] == mark), self._column, mark)
                if fault:
                    return Found(fault=fault)
                pattern = mark.join(f"%{part.replace('y', 'Y')}" for part in order)
                ways.append(Way(pattern, shape, order, mark))
        for shape in (_YEAR_FIRST, _YEAR_FIRST_TOGETHER):
            for mark in _marks(_parts(self._foreign, shape)):
                ways.append(Way(mark.join(("%Y", "%m", "%d")), shape, "ymd", mark))
        for shape, order, pattern in ((_WORD_SECOND, "dmy", "%d %b %Y"), (_WORD_FIRST, "mdy", "%b %d, %Y")):
            if not _parts(self._foreign, shape).is_empty():
                ways.append(Way(pattern, shape, order))
        return Found(tuple(ways)) if ways else Found(fault=self._unread())

    def _unread(self) -> str:
        """What must be stated for dates that are not read; "" where they are slips among others, or there are none."""
        if self._odd.is_empty():
            return ""
        middle = self._odd.str.extract(_DAY_IN_THE_MIDDLE, 2).drop_nulls()
        if not self._day_last and not middle.is_empty():
            pattern = middle[0].join(("%Y", "%d", "%m"))
            return f'{self._column} has the day before the month; say so in the mapping: dates = "{pattern}"'
        if self._iso:
            return ""
        two_digits = self._odd.str.extract(_TWO_DIGITS, 1).drop_nulls()
        if not two_digits.is_empty():
            month = "%b" if self._odd.str.contains(r"\pL{3,}").any() else "%m"
            return (
                f"{self._column} has years of two digits; say how in the mapping: "
                f'dates = "{two_digits[0].join(("%d", month, "%y"))}", for instance'
            )
        if self._odd.str.contains(_DAY_NUMBER).all():
            return (
                f"{self._column} has the bare day numbers of a spreadsheet; export dates, or give the workbook itself"
            )
        return ""


class Orders:
    """Looks, block by block, at which of day and month comes first in the dates of one column that end in their year."""

    def __init__(self) -> None:
        self._day_first = self._month_first = False

    def see(self, values: pl.Series) -> None:
        """Take in different values of the column."""
        day_first, month_first = _beyond_twelve(_parts(values, _YEAR_LAST))
        self._day_first = self._day_first or day_first
        self._month_first = self._month_first or month_first

    def only(self, *, day_first: bool) -> bool:
        """Whether some dates can have this order alone, and none the other alone."""
        return self._day_first and not self._month_first if day_first else self._month_first and not self._day_first


def day_first(pattern: str | None) -> bool | None:
    """Whether a stated pattern has the day before the month; None where it is not of day, month and year in figures."""
    for mark in "./-":
        if pattern in (f"%d{mark}%m{mark}%Y", f"%m{mark}%d{mark}%Y"):
            return pattern.startswith("%d")
    return None


def _joined(before: pl.Series, more: pl.Series) -> pl.Series:
    return before if more.is_empty() else pl.concat([before, more.alias(before.name)]).unique(maintain_order=True)


def _parts(foreign: pl.Series, shape: str) -> pl.DataFrame:
    """The three parts (columns "1", "3", "4") and the sign between them ("2") of the values of a shape."""
    parts = foreign.str.extract_groups(shape).struct.unnest()
    return parts.filter(pl.col("1").is_not_null())


def _marks(parts: pl.DataFrame) -> Sequence[str]:
    return sorted(parts["2"].unique().to_list())


def _day_or_month_first(parts: pl.DataFrame, column: str, mark: str) -> tuple[str, str]:
    """The order of dates that end in their year, and the fault where it cannot be told."""
    day_first, month_first = _beyond_twelve(parts)
    ways = [mark.join(order) for order in (("%d", "%m", "%Y"), ("%m", "%d", "%Y"))]
    if day_first and month_first:
        return "", (
            f"{column} has dates with the day first and dates with the month first; write it one way, or state the order if "
            f'the others are slips: dates = "{ways[0]}" or dates = "{ways[1]}"'
        )
    if month_first:
        return "mdy", ""
    # Points between day, month and year: day first wherever they are in use; common practice, no source.
    if day_first or mark == ".":
        return "dmy", ""
    return "", (
        f"{column} could be day first or month first; say which in the mapping: "
        f'dates = "{ways[0]}" or dates = "{ways[1]}"'
    )


def _beyond_twelve(parts: pl.DataFrame) -> tuple[bool, bool]:
    """Whether any date must have its day first, and any its month."""
    first, second = parts["1"].cast(pl.Int32), parts["3"].cast(pl.Int32)
    # What has two parts beyond 12 is a slip of the pen and tells nothing.
    return bool(((first > 12) & (second <= 12)).any()), bool(((second > 12) & (first <= 12)).any())
