"""From a site's way of writing to the dictionary's: names, dates, decimal signs, units and codes. All stays text.

A value that cannot be translated is kept as it is, so that the check can tell it with its reason. A value that would be
read as something that it may not mean is marked with UNSURE, which no reading accepts.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date

import polars as pl

from pipeline.case_tables import Column, Table
from pipeline.distinct import over_distinct
from pipeline.mapping import NOT_RECORDED, Constant, TableMapping, unit_factor
from pipeline.reading.date_order import TIME, Way
from pipeline.reading.manner import Manner
from pipeline.reading.month_names import ENGLISH, MONTH_NUMBERS
from pipeline.reading.number_signs import APOSTROPHES, SPACES, Signs
from pipeline.reading.source import fold
from pipeline.typed_values import ISO_DATE

# Words for "not recorded" that are met in any export, in lower case; common practice, no source. They hold for keys and
# operators, too: a site whose operator signs as "NA" maps it to a code of its own.
EMPTY_WORDS = ("na", "n/a", "n.a.", "null", "nan", ".", "-", "#n/a", "#nv", "#n/d", "#n/b")
_LONGEST_EMPTY_WORD = max(map(len, EMPTY_WORDS))
# What a spreadsheet shows of a formula that failed: in a key it must not become one.
_FAILED = r"^#(REF!|VALUE!|NAME\?|DIV/0!|NUM!|NULL!|GETTING_DATA|WERT!|BEZUG!|ZAHL!|VALEUR!|VALOR!|VALORE!|RIF!|WAARDE!|VERW!)$"
UNSURE = " ?"
_SERIAL = r"^\d{5}(\.\d+)?$"  # days since the source's epoch, as a workbook or a statistics program keeps a date
_TIME_DIRECTIVES = ("%H", "%I", "%M", "%S", "%T", "%R")
_ENGLISH_MONTHS = {f"{number:02}": name for number, name in enumerate(ENGLISH, start=1)}
_SIGNIFICANT = 12  # figures kept of a converted value: beyond any measurement, short of the noise of floating point


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
            value = _number(value, manner.signs(column.name), typed_cells=typed_cells)
            value = _in_our_unit(value, column, mapping.units.get(column.name))
        elif column.type == "date":
            value = _iso_date(value, mapping.dates, manner.dates.get(column.name, ()), epoch=epoch)
        yield column, written, value


def _constant(value: Constant | None, column: Column, fault: pl.Series) -> pl.Series:
    # A line that could not be read holds nothing, not even a constant.
    filled = pl.when(pl.col("fault").is_null()).then(pl.lit(_constant_text(value), dtype=pl.String))
    return fault.alias("fault").to_frame().select(filled.alias(column.name)).to_series()


def _written_value(written: pl.Series, codes: Mapping[str, str] | None, column: Column) -> pl.Expr:
    if codes is not None:
        return _coded(written, codes, column)
    if column.type != "text":
        return _cleaned(column.name)
    if _are_plain_keys(written):
        return pl.col(column.name)
    value = _cleaned(column.name)
    return pl.when(~value.str.contains(_FAILED)).then(value)


def _are_plain_keys(written: pl.Series) -> bool:
    """Whether no value could be a word for "not recorded" or a failed formula: keys are many, and their words few."""
    stripped = written.str.strip_chars()
    short = (stripped.str.len_bytes() <= _LONGEST_EMPTY_WORD).any()
    return not short and not stripped.str.starts_with("#").any()


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
    if _is_taken(value, ours):
        return value + UNSURE
    if column.type == "bool" and fold(value) not in ("true", "false"):
        # Where a site's own words are given, ours are not read into its other values: its "1" may well mean no.
        return value + UNSURE
    return value.strip()


def _is_taken(value: str, ours: Mapping[str, str]) -> bool:
    """Whether a value that the mapping does not name is one of our codes, which the mapping gives to another of the site's.

    Where the site's "2" is our "1", its "1" is something else, forgotten. Of words this holds only where the mapping gives one
    of our words another meaning: "female" beside "w" is the same to everybody.
    """
    code = fold(value).removesuffix(".0")
    given = {fold(our) for our in ours.values()}
    if code not in given:
        return False
    return code.lstrip("+-").isdigit() or any(theirs in given and fold(our) != theirs for theirs, our in ours.items())


def _number(value: pl.Expr, signs: Signs, *, typed_cells: bool) -> pl.Expr:
    """A number with a point for its decimal sign and nothing between its thousands."""
    decimal, thousands, unsure = signs.decimal, signs.thousands, signs.unsure
    read = value
    if decimal != "." or thousands is not None:
        mark = "\\" + decimal
        plain = value.str.contains(rf"^[+-]?(\d+({mark}\d*)?|{mark}\d+)([eE][+-]?\d+)?$")
        without = value
        grouped = pl.lit(value=False)
        if thousands is not None:
            group = {" ": f"[{SPACES}]", "'": f"[{APOSTROPHES}]"}.get(thousands, "\\" + thousands)
            grouped = value.str.contains(rf"^[+-]?\d{{1,3}}({group}\d{{3}})+({mark}\d*)?$")
            without = pl.when(grouped).then(value.str.replace_all(group, "")).otherwise(value)
        pointed = without.str.replace(decimal, ".", literal=True)
        if decimal == "." or typed_cells:
            read = pl.when(plain | grouped).then(pointed).otherwise(value)
        else:
            # "1.500" where the decimal sign is a comma: thousand five hundred, or one and a half? Nobody can know.
            doubtful = value.str.contains(".", literal=True)
            read = pl.when(plain | grouped).then(pointed).when(doubtful).then(value + UNSURE).otherwise(value)
    if unsure:
        read = (
            pl.when(value.str.contains(rf"^[+-]?[1-9]\d{{0,2}}[{unsure}]\d{{3}}$")).then(value + UNSURE).otherwise(read)
        )
    return read


def _in_our_unit(value: pl.Expr, column: Column, unit: str | None) -> pl.Expr:
    factor = None if unit is None else unit_factor(column, unit)
    if factor is None or factor == 1.0:
        return value
    converted = (value.cast(pl.Float64, strict=False) * factor).round_sig_figs(_SIGNIFICANT).cast(pl.String)
    return pl.coalesce(converted, value)


def _iso_date(value: pl.Expr, stated: str | None, found: Sequence[Way], *, epoch: date | None) -> pl.Expr:
    iso = pl.when(value.str.contains(ISO_DATE)).then(value.str.slice(0, 10))
    ways: list[pl.Expr] = [iso, *(way.iso(value) for way in found)]
    if stated is not None:
        # Of a pattern that looks like an ISO date and is none, '%Y-%d-%m', nothing is read as one.
        as_stated = _as_stated(value, stated).dt.strftime("%Y-%m-%d")
        otherwise = pl.when(value.str.contains(ISO_DATE)).then(value + UNSURE) if stated.startswith("%Y-%d") else iso
        ways = [as_stated, otherwise]
    if epoch is not None:
        days = pl.when(value.str.contains(_SERIAL)).then(value).cast(pl.Float64, strict=False).floor().cast(pl.Int32)
        ways.append((pl.lit(epoch) + pl.duration(days=days)).dt.strftime("%Y-%m-%d"))
    return pl.coalesce(*ways, value)


def _as_stated(value: pl.Expr, pattern: str) -> pl.Expr:
    """The day that a value is under a stated pattern; a time of day that the pattern does not name is passed over."""
    if "%b" in pattern or "%B" in pattern:
        name = r"(\pL{3,})\.?"
        number = (
            value.str.extract(name, 1)
            .str.to_lowercase()
            .replace_strict(MONTH_NUMBERS, default=None, return_dtype=pl.String)
        )
        english = number.replace_strict(_ENGLISH_MONTHS, default=None, return_dtype=pl.String)
        word = pl.concat_str(value.str.extract(rf"^(.*?){name}", 1), english, value.str.extract(rf"{name}(.*)$", 2))
        value, pattern = pl.coalesce(word, value), pattern.replace("%B", "%b").replace("%b.", "%b")
    if any(directive in pattern for directive in _TIME_DIRECTIVES):
        return value.str.to_datetime(pattern, strict=False).dt.date()
    whole = value.str.to_date(pattern, strict=False)
    return pl.coalesce(whole, value.str.replace(TIME, "").str.to_date(pattern, strict=False))
