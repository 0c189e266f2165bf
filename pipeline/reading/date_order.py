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
_DAY_IN_THE_MIDDLE_TOGETHER = r"^((?:19|20)\d{2})()(1[3-9]|2\d|3[01])(0[1-9]|1[0-2])$"
_DAY_LAST = r"^\d{4}[./-](?:0?\d|1[0-2])[./-](?:1[3-9]|2\d|3[01])(?:$|[ T])"
_DAY_LAST_TOGETHER = r"^(?:19|20)\d{2}(?:0[1-9]|1[0-2])(?:1[3-9]|2\d|3[01])$"
_DAY_NUMBER = r"^[34]\d{4}(?:\.\d+)?$"  # 1982 to 2036 as a spreadsheet counts days
_READABLE = "|".join((_YEAR_LAST, _YEAR_FIRST, _YEAR_LAST_TOGETHER, _YEAR_FIRST_TOGETHER, _WORD_SECOND, _WORD_FIRST))
_UNREADABLE = "|".join((_TWO_DIGITS, _DAY_IN_THE_MIDDLE, _DAY_IN_THE_MIDDLE_TOGETHER, _DAY_NUMBER))
_ISO = r"^\d{4}-(?:0[1-9]|1[0-2])-\d{2}(?:$|[ T])"

_LATE_HOUR = r"[T ](1[3-9]|2[0-3]):00(?::00(?:\.0+)?)?(?:Z|[+-]00:?00)$"
_FEWEST_MIDNIGHTS = 3
_DAYS_A_MONTH = 30.4
_LARGEST_CHANCE = 0.001
SWAPPED = (
    "has days up to 12 in every date and days above 12 in every text that is one: a spreadsheet has swapped day and month of some; "
    "export it again from the source, as YYYY-MM-DD"
)
_ANOTHER_DAY = "has moments in universal time that are midnight elsewhere: their day is the day before; export dates without a time"


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

    `day_numbers`: a bare number is a date in this kind of file. `table`: whose column it is, for the message alone.
    """

    def __init__(self, column: str, *, day_numbers: bool, table: str = "") -> None:
        self._column, self._day_numbers, self._table = column, day_numbers, table
        self._foreign = self._odd = pl.Series([], dtype=pl.String)
        self._day_last = False
        self._sides = Sides()
        self._midnights = _Midnights()
        self._there = self._iso = 0
        self._doubtful = _Doubtful()

    def see(self, values: pl.Series, counts: pl.Series | None = None, first_rows: pl.Series | None = None) -> None:
        """Take in different values of the column.

        `counts`: the rows of each, one where left out; `first_rows`: where each stands first. Both are told to the user alone.
        """
        if counts is None:
            counts = pl.repeat(1, len(values), dtype=pl.Int64, eager=True)
        iso = values.str.contains(_ISO).fill_null(value=False)
        self._there += int(counts.filter((values != "").fill_null(value=False)).sum())
        self._iso += int(counts.filter(iso).sum())
        self._day_last = self._day_last or bool(values.str.contains(_DAY_LAST).any())
        self._sides.see(values)
        self._midnights.see(values.filter(iso))
        others = values.filter(~iso).drop_nulls()
        foreign = others.filter(others.str.contains(_READABLE))
        self._foreign = _joined(self._foreign, foreign)
        if not foreign.is_empty():
            self._doubtful.see(values, counts, first_rows)
        odd = others.filter(others.str.contains(_UNREADABLE) & ~others.str.contains(_READABLE))
        if self._day_numbers:
            odd = odd.filter(~odd.str.contains(_DAY_NUMBER))
        self._odd = _joined(self._odd, odd)

    @property
    def is_plain(self) -> bool:
        """Whether nothing seen so far needs a decision: all are ISO dates, or slips among them."""
        return self._foreign.is_empty() and not self._midnights.elsewhere and not self._unread()

    def found(self) -> Found:
        """How the column's dates are written, with all seen."""
        if self._sides.swapped:
            return Found(fault=f"{self._column} {SWAPPED}")
        if self._midnights.elsewhere:
            return Found(fault=f"{self._column} {_ANOTHER_DAY}")
        ways: list[Way] = []
        for shape in (_YEAR_LAST, _YEAR_LAST_TOGETHER):
            parts = _possible(_parts(self._foreign, shape))
            for mark in _marks(parts):
                order, fault = _day_or_month_first(parts.filter(parts["2"] == mark), self._column, mark)
                if fault:
                    return Found(fault=fault)
                if not order:
                    return Found(fault=self._asked(mark))
                pattern = mark.join(f"%{part.replace('y', 'Y')}" for part in order)
                ways.append(Way(pattern, shape, order, mark))
        for shape in (_YEAR_FIRST, _YEAR_FIRST_TOGETHER):
            for mark in _marks(_parts(self._foreign, shape)):
                if self._day_before_month(mark):
                    return Found(fault=self._year_day_month(mark))
                ways.append(Way(mark.join(("%Y", "%m", "%d")), shape, "ymd", mark))
        for shape, order, pattern in ((_WORD_SECOND, "dmy", "%d %b %Y"), (_WORD_FIRST, "mdy", "%b %d, %Y")):
            if not _parts(self._foreign, shape).is_empty():
                ways.append(Way(pattern, shape, order))
        return Found(tuple(ways)) if ways else Found(fault=self._unread())

    def _asked(self, mark: str) -> str:
        """What is told of dates whose order nothing shows: how many they are and where, unless they are all."""
        day, month = _both_orders(mark)
        doubtful = self._doubtful.rows(mark)
        if doubtful >= self._there:
            return (
                f"{self._column} could be day first or month first; say which in the mapping: "
                f'dates = "{day}" or dates = "{month}"'
            )
        first = self._doubtful.first_row(mark)
        where = "" if first is None else f" (row {first})" if doubtful == 1 else f" (the first in row {first})"
        rest = ", the rest are YYYY-MM-DD" if self._iso + doubtful == self._there else ""
        part = f" [{self._table}]" if self._table else ""
        return (
            f"{self._column}: {doubtful:,} of {self._there:,} dates{where} could be day first or month first{rest}; "
            f"correct {'it' if doubtful == 1 else 'them'}, or state "
            f'dates = "{day}" or dates = "{month}" in the mapping{part}'
        )

    def _day_before_month(self, mark: str) -> bool:
        """Whether some dates that begin with their year must have the day in the middle, and none with this sign at the end."""
        middle = [self._odd.str.extract(shape, 2) for shape in (_DAY_IN_THE_MIDDLE, _DAY_IN_THE_MIDDLE_TOGETHER)]
        last = self._foreign.filter(self._foreign.str.contains(_DAY_LAST if mark else _DAY_LAST_TOGETHER))
        if mark:
            last = last.filter(last.str.slice(4, 1) == mark)
        return any(bool((found == mark).any()) for found in middle) and last.is_empty()

    def _year_day_month(self, mark: str) -> str:
        pattern = mark.join(("%Y", "%d", "%m"))
        return f'{self._column} has the day before the month; say so in the mapping: dates = "{pattern}"'

    def _unread(self) -> str:
        """What must be stated for dates that are not read; "" where they are slips among others, or there are none."""
        if self._odd.is_empty():
            return ""
        middle = self._odd.str.extract(_DAY_IN_THE_MIDDLE, 2).drop_nulls()
        if not self._day_last and not middle.is_empty():
            return self._year_day_month(middle[0])
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


class _Doubtful:
    """Counts the dates that may be day first or month first, by the sign between their parts."""

    def __init__(self) -> None:
        self._rows: dict[str, int] = {}
        self._first: dict[str, int] = {}

    def see(self, values: pl.Series, counts: pl.Series, first_rows: pl.Series | None) -> None:
        for shape in (_YEAR_LAST, _YEAR_LAST_TOGETHER):
            parts = values.str.extract_groups(shape).struct.unnest()
            either = (_is_month(parts["1"]) & _is_month(parts["3"])).fill_null(value=False)
            for mark in _marks(parts.filter(either)):
                those = either & (parts["2"] == mark).fill_null(value=False)
                self._rows[mark] = self._rows.get(mark, 0) + int(counts.filter(those).sum())
                if first_rows is not None:
                    first = int(first_rows.filter(those).min())  # type: ignore[arg-type]
                    self._first[mark] = min(first, self._first.get(mark, first))

    def rows(self, mark: str) -> int:
        return self._rows.get(mark, 0)

    def first_row(self, mark: str) -> int | None:
        return self._first.get(mark)


class Sides:
    """Looks for what a spreadsheet does to dates of the other order: it swaps day and month where it can, and leaves the rest as text.

    Then every date that it took for one has a day up to 12, and every date that is left as text a day above it.
    """

    def __init__(self) -> None:
        self._up_to_twelve = self._above = 0
        self._otherwise = False

    def see(self, values: pl.Series) -> None:
        """Take in different values of the column."""
        if self._otherwise:
            return
        iso = values.filter(values.str.contains(_ISO).fill_null(value=False))
        self._otherwise = bool(iso.str.contains(_DAY_LAST).any())
        self._up_to_twelve += len(iso)
        parts = _possible(_parts(values, _YEAR_LAST))
        self._otherwise = self._otherwise or bool((_is_month(parts["1"]) & _is_month(parts["3"])).any())
        self._above += parts.height

    @property
    def swapped(self) -> bool:
        """Whether the dates are parted so, and would be by chance less than once in a thousand columns."""
        chance = (12 / _DAYS_A_MONTH) ** self._up_to_twelve * (1 - 12 / _DAYS_A_MONTH) ** self._above
        there = self._up_to_twelve > 0 and self._above > 0
        return there and not self._otherwise and chance < _LARGEST_CHANCE


class _Midnights:
    """Looks for midnights of a zone east of Greenwich that are written in universal time: their day is the day before."""

    def __init__(self) -> None:
        self._hours: set[str] = set()
        self._seen = 0
        self._otherwise = False

    def see(self, iso: pl.Series) -> None:
        """Take in ISO dates."""
        zoned = iso.filter(iso.str.contains(r"(?:Z|[+-]00:?00)$").fill_null(value=False))
        if zoned.is_empty() or self._otherwise:
            return
        hours = zoned.str.extract(_LATE_HOUR, 1)
        self._otherwise = hours.null_count() > 0
        self._hours.update(hours.drop_nulls().unique().to_list())
        self._seen += len(zoned)

    @property
    def elsewhere(self) -> bool:
        """Whether every moment is one of two hours of the evening at most, to the second: winter's and summer's midnight."""
        few = len(self._hours) <= 2 and self._seen >= _FEWEST_MIDNIGHTS
        return few and not self._otherwise


class Orders:
    """Looks, block by block, at which of day and month comes first in the dates of one column that end in their year."""

    def __init__(self) -> None:
        self._day_first = self._month_first = False
        self._sides = Sides()

    @property
    def swapped(self) -> bool:
        """Whether a spreadsheet has swapped day and month of some."""
        return self._sides.swapped

    def see(self, values: pl.Series) -> None:
        """Take in different values of the column."""
        self._sides.see(values)
        day_first, month_first = _beyond_twelve(_possible(_parts(values, _YEAR_LAST)))
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


def _possible(parts: pl.DataFrame) -> pl.DataFrame:
    """The parts that can be a day and a month in either order; what can be neither is a slip of the pen and tells nothing."""
    first, second = parts["1"], parts["3"]
    return parts.filter((_is_day(first) & _is_month(second)) | (_is_month(first) & _is_day(second)))


def _is_day(part: pl.Series) -> pl.Series:
    return part.cast(pl.Int32).is_between(1, 31)


def _is_month(part: pl.Series) -> pl.Series:
    return part.cast(pl.Int32).is_between(1, 12)


def _both_orders(mark: str) -> tuple[str, str]:
    return mark.join(("%d", "%m", "%Y")), mark.join(("%m", "%d", "%Y"))


def _day_or_month_first(parts: pl.DataFrame, column: str, mark: str) -> tuple[str, str]:
    """The order of dates that end in their year, "" where nothing shows it, and the fault where they contradict each other."""
    day_first, month_first = _beyond_twelve(parts)
    if day_first and month_first:
        day, month = _both_orders(mark)
        return "", (
            f"{column} has dates with the day first and dates with the month first; write it one way, or state the order if "
            f'the others are slips: dates = "{day}" or dates = "{month}"'
        )
    if month_first:
        return "mdy", ""
    # Points between day, month and year: day first wherever they are in use; common practice, no source.
    return "dmy" if day_first or mark == "." else "", ""


def _beyond_twelve(parts: pl.DataFrame) -> tuple[bool, bool]:
    """Whether any of the possible dates must have its day first, and any its month."""
    return not bool(_is_month(parts["1"]).all()), not bool(_is_month(parts["3"]).all())
