"""From a site's way of writing to the dictionary's: names, dates, decimal signs, units and codes. All stays text.

A value that cannot be translated is kept as it is, so that the check can tell it with its reason. A value that would be
read as something that it may not mean is marked with UNSURE, which no reading accepts.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date

import polars as pl

from pipeline.case_tables import Column, Table
from pipeline.distinct import over_distinct
from pipeline.mapping import NOT_RECORDED, Constant, TableMapping, unit_factor
from pipeline.source import fold
from pipeline.typed_values import ISO_DATE

# Words for "not recorded" that are met in any export, in lower case; common practice, no source.
EMPTY_WORDS = ("na", "n/a", "n.a.", "null", "nan", ".", "-")
UNSURE = " ?"
_DAY_MONTH_YEAR = r"^\d{1,2}([./-])\d{1,2}[./-]\d{4}( \d{1,2}:\d{2}(:\d{2})?)?$"
_SERIAL = r"^\d{5}(\.\d+)?$"  # days since the source's epoch, as a workbook or a statistics program keeps a date
_NUMBER_WITH_COMMA = r"^[+-]?\d*,\d+$"
_NUMBER_WITH_POINT = r"^[+-]?\d*\.\d+$"
_GROUPED = r"^[+-]?\d{1,3}(,\d{3})+$"  # could be thousands as well as a decimal comma
_TIME_DIRECTIVES = ("%H", "%I", "%M", "%S", "%T", "%R")
_SIGNIFICANT = 12  # figures kept of a converted value: beyond any measurement, short of the noise of floating point


@dataclass(frozen=True, slots=True)
class Manner:
    """How a table's numbers and dates are written.

    `decimal`: the sign before fractions. `dates`: the pattern of each date column, None for ISO dates alone. `notes` tell what was
    found out, `faults` what must be stated in the mapping.
    """

    decimal: str
    dates: Mapping[str, str | None]
    notes: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()


class Evidence:
    """What the whole of a table shows of the way in which it is written: looked at block by block, decided at the end."""

    def __init__(self, table: Table, positions: Mapping[str, int], mapping: TableMapping) -> None:
        self._table, self._positions, self._mapping = table, positions, mapping
        here = [column for column in table.columns if column.name in positions]
        self._dates = [column for column in here if column.type == "date" and mapping.dates is None]
        states_numbers = mapping.decimal is not None or mapping.thousands is not None
        self._numbers = [column for column in here if column.type == "real" and not states_numbers]
        self._foreign = {column.name: pl.Series(column.name, [], dtype=pl.String) for column in self._dates}
        self._comma = self._point = False

    @property
    def positions(self) -> list[int]:
        """Where the columns stand that are looked at."""
        return sorted(self._positions[column.name] for column in (*self._dates, *self._numbers))

    @property
    def is_plain(self) -> bool:
        """Whether everything seen so far is written as the dictionary writes it, so that nothing is to be decided."""
        return not self._comma and all(values.is_empty() for values in self._foreign.values())

    def see(self, rows: pl.DataFrame) -> None:
        """Take in a block of rows: text columns named by their positions."""
        for column in self._dates:
            written = rows[str(self._positions[column.name])].alias(column.name)
            found = _foreign_dates(written, self._mapping.codes.get(column.name), column)
            if not found.is_empty():
                self._foreign[column.name] = self._foreign[column.name].append(found).unique(maintain_order=True)
        for column in self._numbers:
            value = rows[str(self._positions[column.name])]
            self._comma = self._comma or _shows(value, ",", _NUMBER_WITH_COMMA, but_not=_GROUPED)
            self._point = self._point or _shows(value, ".", _NUMBER_WITH_POINT)

    def plain(self) -> Manner:
        """What holds as long as nothing else is seen."""
        return Manner(self._mapping.decimal or ".", dict.fromkeys((c.name for c in self._dates), None))

    def manner(self) -> Manner:
        """What all that was seen amounts to."""
        notes: list[str] = []
        faults: list[str] = []
        decimal = self._mapping.decimal or "."
        # A decimal comma: some numbers could be nothing else, and none has a point.
        if self._comma and not self._point:
            decimal = ","
            notes.append("numbers read with a decimal comma")
        dates: dict[str, str | None] = {}
        for column in self._dates:
            dates[column.name], note, fault = _date_order(self._foreign[column.name], column)
            notes += [f"{column.name} {note}"] if note else []
            faults += [fault] if fault else []
        return Manner(decimal, dates, tuple(notes), tuple(faults))


def translate(
    table: Table,
    rows: pl.DataFrame,
    positions: Mapping[str, int],
    mapping: TableMapping,
    manner: Manner,
    *,
    typed_cells: bool,
    epoch: date | None = None,
) -> pl.DataFrame:
    """`rows` (`row`, `fault`, text columns by position) as `row`, `fault` and the dictionary's columns, all text.

    `positions` says where each of our columns stands; others come from the mapping's constants, or are null.
    `typed_cells`: the file holds numbers and dates as such (a workbook, Parquet), whose decimal sign is always a point.
    `epoch`: the day that a bare number in a date column counts from, None where it is no date.
    """
    texts = column_texts(table, rows, positions, mapping, manner, typed_cells=typed_cells, epoch=epoch)
    columns = [over_distinct(written, text.alias(column.name)).to_series() for column, written, text in texts]
    return pl.DataFrame([*rows.select("row", "fault").get_columns(), *columns])


def column_texts(
    table: Table,
    rows: pl.DataFrame,
    positions: Mapping[str, int],
    mapping: TableMapping,
    manner: Manner,
    *,
    typed_cells: bool,
    epoch: date | None = None,
) -> Iterator[tuple[Column, pl.Series, pl.Expr]]:
    """Each of the dictionary's columns with what is written there and the text that it stands for (see `translate`)."""
    for column in table.columns:
        if column.name not in positions:
            yield column, _constant(mapping.constants.get(column.name), column, rows["fault"]), pl.col(column.name)
            continue
        written = rows[str(positions[column.name])].alias(column.name)
        value = _written_value(written, mapping.codes.get(column.name), column)
        if column.type in ("int", "real"):
            value = _number(value, decimal=manner.decimal, thousands=mapping.thousands, typed_cells=typed_cells)
            value = _in_our_unit(value, column, mapping.units.get(column.name))
        elif column.type == "date":
            value = _iso_date(value, mapping.dates or manner.dates.get(column.name), epoch=epoch)
        yield column, written, value


def _constant(value: Constant | None, column: Column, fault: pl.Series) -> pl.Series:
    # A line that could not be read holds nothing, not even a constant.
    filled = pl.when(pl.col("fault").is_null()).then(pl.lit(_constant_text(value), dtype=pl.String))
    return fault.alias("fault").to_frame().select(filled.alias(column.name)).to_series()


def _written_value(written: pl.Series, codes: Mapping[str, str] | None, column: Column) -> pl.Expr:
    return _cleaned(column.name) if codes is None else _coded(written, codes, column)


def _foreign_dates(written: pl.Series, codes: Mapping[str, str] | None, column: Column) -> pl.Series:
    """The different values that look like dates and are not ISO dates."""
    values = over_distinct(written, _written_value(written, codes, column)).to_series().unique(maintain_order=True)
    return values.filter(values.is_not_null() & values.str.contains(_DAY_MONTH_YEAR))


def _shows(values: pl.Series, sign: str, pattern: str, *, but_not: str | None = None) -> bool:
    """Whether any value holds the sign in the way of the pattern."""
    held = values.filter(values.str.contains(sign, literal=True)).str.strip_chars()
    if held.is_empty():
        return False
    found = held.str.contains(pattern)
    if but_not is not None:
        found = found & ~held.str.contains(but_not)
    return bool(found.any())


def _constant_text(value: Constant | None) -> str | None:
    if value is None:
        return None
    return str(value).lower() if isinstance(value, bool) else str(value)


def _cleaned(name: str) -> pl.Expr:
    """The value without spaces around it, null where it says that nothing was recorded."""
    value = pl.col(name).str.strip_chars()
    nothing = (value == "") | value.str.to_lowercase().is_in(EMPTY_WORDS)
    return pl.when(~nothing).then(value)


def _coded(values: pl.Series, codes: Mapping[str, str], column: Column) -> pl.Expr:
    """The column's values with the site's codes translated, whatever their capitals."""
    ours = {fold(theirs): our for theirs, our in codes.items()}
    # Each different value is looked at once: a code column has few.
    translated = {value: _code(value, ours, column) for value in values.drop_nulls().unique()}
    return pl.col(values.name).replace_strict(translated, default=None, return_dtype=pl.String)


def _code(value: str, ours: Mapping[str, str], column: Column) -> str | None:
    # "1.0" is how a whole number with gaps in its column is often exported.
    for way in (fold(value), fold(value).removesuffix(".0")):
        if way in ours:
            return None if ours[way] == NOT_RECORDED else ours[way]
    if fold(value) in ("", *EMPTY_WORDS):
        return None
    if column.type == "bool" and fold(value) not in ("true", "false"):
        # Where a site's own words are given, ours are not read into its other values: its "1" may well mean no.
        return value + UNSURE
    return value.strip()


def _number(value: pl.Expr, *, decimal: str, thousands: str | None, typed_cells: bool) -> pl.Expr:
    """A number with a point for its decimal sign and nothing between its thousands."""
    if decimal == "." and thousands is None:
        return value
    mark = "\\" + decimal
    plain = value.str.contains(rf"^[+-]?(\d+({mark}\d*)?|{mark}\d+)([eE][+-]?\d+)?$")
    without = value
    grouped = pl.lit(value=False)
    if thousands is not None:
        group = "[ \u00a0\u202f\u2009]" if thousands == " " else "['\u2019]" if thousands == "'" else "\\" + thousands
        grouped = value.str.contains(rf"^[+-]?\d{{1,3}}({group}\d{{3}})+({mark}\d*)?$")
        without = pl.when(grouped).then(value.str.replace_all(group, "")).otherwise(value)
    pointed = without.str.replace(decimal, ".", literal=True)
    if decimal == "." or typed_cells:
        return pl.when(plain | grouped).then(pointed).otherwise(value)
    # "1.500" where the decimal sign is a comma: thousand five hundred, or one and a half? Nobody can know.
    doubtful = value.str.contains(".", literal=True)
    return pl.when(plain | grouped).then(pointed).when(doubtful).then(value + UNSURE).otherwise(value)


def _in_our_unit(value: pl.Expr, column: Column, unit: str | None) -> pl.Expr:
    factor = None if unit is None else unit_factor(column, unit)
    if factor is None or factor == 1.0:
        return value
    converted = (value.cast(pl.Float64, strict=False) * factor).round_sig_figs(_SIGNIFICANT).cast(pl.String)
    return pl.coalesce(converted, value)


def _iso_date(value: pl.Expr, pattern: str | None, *, epoch: date | None) -> pl.Expr:
    iso = pl.when(value.str.contains(ISO_DATE)).then(value.str.slice(0, 10))
    ways: list[pl.Expr] = [iso]
    if pattern is not None:
        # A stated pattern goes first: '%Y-%d-%m' looks like an ISO date, and is none.
        stated = [_parsed(value, pattern), _parsed(value.str.split(" ").list.first(), pattern)]
        ways = [*(way.dt.strftime("%Y-%m-%d") for way in stated), iso]
    if epoch is not None:
        days = pl.when(value.str.contains(_SERIAL)).then(value).cast(pl.Float64, strict=False).floor().cast(pl.Int32)
        ways.append((pl.lit(epoch) + pl.duration(days=days)).dt.strftime("%Y-%m-%d"))
    return pl.coalesce(*ways, value)


def _parsed(value: pl.Expr, pattern: str) -> pl.Expr:
    if any(directive in pattern for directive in _TIME_DIRECTIVES):
        return value.str.to_datetime(pattern, strict=False).dt.date()
    return value.str.to_date(pattern, strict=False)


def _date_order(values: pl.Series, column: Column) -> tuple[str | None, str, str]:
    """How dates that are not ISO dates are written, told from all of them: pattern, note, fault ("" for none)."""
    foreign = values.filter(values.is_not_null() & ~values.str.contains(ISO_DATE))
    shaped = foreign.filter(foreign.str.contains(_DAY_MONTH_YEAR))
    if shaped.is_empty():
        return None, "", ""
    parts = shaped.str.extract_groups(r"^(\d{1,2})([./-])(\d{1,2})").struct.unnest()
    first, sign, second = parts["1"].cast(pl.Int32), parts["2"], parts["3"].cast(pl.Int32)
    mark = sign[0]
    if (sign != mark).any():
        return None, "", f"{column.name} is written in more than one way; write it one way, or as YYYY-MM-DD"
    day_first, month_first = bool((first > 12).any()), bool((second > 12).any())
    # Points between day, month and year: day first wherever they are in use; common practice, no source.
    if mark == "." or (day_first and not month_first):
        pattern = f"%d{mark}%m{mark}%Y"
    elif month_first and not day_first:
        pattern = f"%m{mark}%d{mark}%Y"
    else:
        return (
            None,
            "",
            (
                f"{column.name} could be day first or month first; say which in the mapping: "
                f'dates = "%d{mark}%m{mark}%Y" or dates = "%m{mark}%d{mark}%Y"'
            ),
        )
    return pattern, f"read as {pattern}", ""
