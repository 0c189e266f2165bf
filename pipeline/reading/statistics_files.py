"""Files of statistics programs (SAS, Stata, SPSS): values as the text that a CSV would hold.

Dates in their formats become ISO dates, times of day stay recognizable as such, whole numbers have no fraction, and every
kind of missing value (special, user-defined, a missing range) is nothing recorded.
"""

from __future__ import annotations

import hashlib
import io
import re
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any

import polars as pl
import pyreadstat

from pipeline.case_tables import Column, Table
from pipeline.faults import NeedsMending
from pipeline.mapping import TableMapping
from pipeline.reading.source import SAMPLE_ROWS, fold
from pipeline.reading.value_labels import meaning

_BLOCK_ROWS = 100_000  # the library holds each value as an object of its own, some 50 bytes
_WHOLE = 2.0**53  # beyond it a float no longer tells whole numbers apart
_MOST_ROWS_A_BYTE = 1032  # the most that the compression of a .zsav can do (RFC 1951); who claims more rows is damaged
_TRANSPORT_CARD = 80  # bytes; a SAS transport file is made of such cards
_SECONDS_A_DAY = 86_400
_FAULTS = (
    pyreadstat.ReadstatError,
    pyreadstat.PyreadstatError,
    *(ArithmeticError, LookupError, MemoryError, OSError, TypeError, ValueError),
)


@dataclass(frozen=True, slots=True)
class _Program:
    """How a program keeps days, moments and times of day: as numbers, under formats with these names.

    `ticks`: of a moment or a time, in a second. `date_ticks`: of a date, in a day. `bare_days`: a number without a format may
    be a day too.
    """

    read: Callable[..., tuple[Any, Any]]
    epoch: date
    ticks: int
    date_ticks: int
    bare_days: bool
    dates: re.Pattern[str]
    moments: re.Pattern[str]
    times: re.Pattern[str]


_SAS = _Program(
    read=pyreadstat.read_sas7bdat,
    epoch=date(1960, 1, 1),
    ticks=1,
    date_ticks=1,
    bare_days=True,
    dates=re.compile(
        r"((DATE|(DDMMYY|MMDDYY|YYMMDD)[BCDNPS]?|WEEKDAT[EX]|WORDDAT[EX]|JULIAN|MINGUO|EURDF[A-Z]+|NLDATE[A-Z]*|(E8601|B8601|IS8601)DA)"
        r"\d*(\.\d*)?)$"
    ),
    moments=re.compile(r"(DATETIME|DATEAMPM|MDYAMPM|DTDATE|NLDATM[A-Z]*|(E8601|B8601|IS8601)D[TNZX])\d*(\.\d*)?$"),
    times=re.compile(r"(TIME|TIMEAMPM|HHMM|HOUR|MMSS|TOD|NLTIM[A-Z]*|(E8601|B8601|IS8601)T[MZX])\d*(\.\d*)?$"),
)
# In Stata %tC counts leap seconds too: such a moment is left as the number that it is, which no reading accepts.
_STATA = _Program(
    read=pyreadstat.read_dta,
    epoch=date(1960, 1, 1),
    ticks=1000,
    date_ticks=1,
    bare_days=True,
    dates=re.compile(r"%-?t?d"),
    moments=re.compile(r"%-?tc"),
    times=re.compile(r"%-?t[cC](HH|Hh|hH|hh|MM|SS|\.?s+|[aApP]\.?[mM]\.?|[:_ .,])+$"),
)
_SPSS = _Program(
    read=pyreadstat.read_sav,
    epoch=date(1582, 10, 14),
    ticks=1,
    date_ticks=_SECONDS_A_DAY,
    bare_days=False,
    dates=re.compile(r"[AEJS]?DATE\d*$"),
    moments=re.compile(r"(DATETIME|YMDHMS)\d*(\.\d*)?$"),
    times=re.compile(r"[DM]?TIME\d*(\.\d*)?$"),
)
_PROGRAMS: Mapping[str, _Program] = {
    ".sas7bdat": _SAS,
    ".xpt": replace(_SAS, read=pyreadstat.read_xport),
    ".dta": _STATA,
    ".sav": _SPSS,
    ".zsav": _SPSS,
}


@dataclass(frozen=True, slots=True)
class StatisticsSource:
    """One file. Rows are counted as in a sheet: the first is row 2, under a header.

    `formats` and `storage` are the program's words for how each column is shown and kept, `labels` the value labels that
    change what is read, by position: text as kept -> text to read, None for nothing recorded. `height` is None when the
    file does not say how many rows it has.
    """

    name: str
    sha256: str
    headers: tuple[str, ...]
    suffix: str
    stated_encoding: str | None
    height: int | None
    formats: tuple[str, ...] = field(repr=False)
    storage: tuple[str, ...] = field(repr=False)
    labels: Mapping[int, Mapping[str, str | None]] = field(repr=False)
    data: bytes = field(repr=False)

    @property
    def encoding(self) -> str:
        """None of its own to tell."""
        return ""

    @property
    def separator(self) -> str:
        """None: such a file has columns."""
        return ""

    @property
    def epoch(self) -> date | None:
        """1 January 1960 for SAS and Stata; none for SPSS, which counts seconds."""
        program = _PROGRAMS[self.suffix]
        return program.epoch if program.bare_days else None

    def sample(self, positions: Sequence[int]) -> pl.DataFrame:
        """The first rows' values of the columns at `positions`."""
        return self._text(positions, first=0, most=SAMPLE_ROWS)

    def blocks(self, positions: Sequence[int]) -> Iterator[pl.DataFrame]:
        """Every row, in blocks: row number, no fault, and the columns at `positions`."""
        done = 0
        while True:
            frame = self._text(positions, first=done, most=_BLOCK_ROWS)
            yield frame.select(
                pl.int_range(done + 2, done + 2 + pl.len(), dtype=pl.Int64).alias("row"),
                pl.lit(None, dtype=pl.String).alias("fault"),
                pl.all(),
            )
            done += frame.height
            if frame.height < _BLOCK_ROWS:
                break
        if self.height is not None and done != self.height:
            raise NeedsMending(f"{self.name}: the file is cut short; export it again")

    def rows(self, positions: Sequence[int]) -> pl.DataFrame:
        """Every row: row number, no fault, and the columns at `positions`."""
        return pl.concat(list(self.blocks(positions)))

    def _text(self, positions: Sequence[int], *, first: int, most: int) -> pl.DataFrame:
        if self.height is not None and first >= self.height:
            return pl.DataFrame(schema={str(position): pl.String for position in positions})
        columns, _ = _read(
            self.data,
            self.suffix,
            self.name,
            self.stated_encoding,
            usecols=[self.headers[position] for position in positions],
            row_offset=first,
            row_limit=most,
        )
        return pl.DataFrame(
            [self._column(position, columns[self.headers[position]]).alias(str(position)) for position in positions]
        )

    def _column(self, position: int, values: list[Any]) -> pl.Series:
        if self.storage[position] == "string":
            kept = shown = pl.Series(values, dtype=pl.String)
        else:
            numbers = pl.Series(values, dtype=pl.Float64, strict=False).fill_nan(None)
            kept = _as_text(numbers, single=self.storage[position] == "float")
            shown = _in_format(numbers, kept, _PROGRAMS[self.suffix], self.formats[position])
        labels = self.labels.get(position)
        if not labels:
            return shown
        return pl.select(
            pl.when(kept.is_in(list(labels)))
            .then(kept.replace_strict(list(labels), list(labels.values()), default=None, return_dtype=pl.String))
            .otherwise(shown)
        ).to_series()


def open_statistics(
    data: bytes, *, name: str, suffix: str, table: Table, mapping: TableMapping, sha256: str | None = None
) -> StatisticsSource:
    """A statistics program's file with its columns, read in memory; `suffix` says of which program.

    `table` and `mapping` decide what a value label stands for (see `value_labels.meaning`); `sha256` is that of the file
    when it was packed. Raises NeedsMending when it is no such file, is damaged, or its letters cannot be decoded.
    """
    _, about = _read(data, suffix, name, mapping.encoding, metadataonly=True)
    headers = tuple(about.column_names)
    height = about.number_rows
    if (
        None in headers
        or len(set(headers)) < len(headers)
        or (height is not None and height > _MOST_ROWS_A_BYTE * len(data))
        or (suffix == ".xpt" and len(data) % _TRANSPORT_CARD)
    ):
        raise NeedsMending(f"{name}: the file is damaged or cut short; export it again")
    by_header = {fold(mapping.header(column.name)): column for column in table.columns}
    labels = {
        position: _labels(about.variable_value_labels[header], by_header.get(fold(header)), mapping)
        for position, header in enumerate(headers)
        if header in about.variable_value_labels
    }
    return StatisticsSource(
        name=name,
        sha256=sha256 or hashlib.sha256(data).hexdigest(),
        headers=headers,
        suffix=suffix,
        stated_encoding=mapping.encoding,
        height=height,
        formats=tuple(about.original_variable_types[header] or "" for header in headers),
        storage=tuple(about.readstat_variable_types[header] for header in headers),
        labels=labels,
        data=data,
    )


def _read(data: bytes, suffix: str, name: str, encoding: str | None, **how: Any) -> tuple[Any, Any]:
    """The library's columns (lists by name) and what it tells about the file; its faults in one line."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of columns renamed, which are counted instead
            return _PROGRAMS[suffix].read(
                io.BytesIO(data), encoding=encoding, output_format="dict", disable_datetime_conversion=True, **how
            )
    except _FAULTS as fault:
        if "encoding" in str(fault):
            raise NeedsMending(
                f'{name}: its letters cannot be decoded; give its encoding in the mapping (encoding = "cp1252", for instance), '
                "or export it again if it is damaged"
            ) from None
        raise NeedsMending(f"{name}: not a {suffix} file, or a damaged one; export it again") from None


def _labels(written: Mapping[Any, str], column: Column | None, mapping: TableMapping) -> dict[str, str | None]:
    """Of a column's value labels those that change what is read."""
    theirs = mapping.codes.get(column.name, {}) if column is not None else {}
    kept = [key if isinstance(key, str) else _as_text(pl.Series([float(key)]), single=False).item() for key in written]
    read = {raw: meaning(raw, label, column, theirs) for raw, label in zip(kept, written.values(), strict=True)}
    return {raw: text for raw, text in read.items() if text != raw}


def _as_text(numbers: pl.Series, *, single: bool) -> pl.Series:
    """Numbers as they would be written: no fraction where there is none, and no more figures than a `single` float has."""
    value = pl.col("number")
    whole = (value == value.floor()) & (value.abs() < _WHOLE)
    written = value.cast(pl.Float32).cast(pl.String) if single else value.cast(pl.String)
    return (
        numbers.alias("number")
        .to_frame()
        .select(pl.when(whole).then(pl.when(whole).then(value).cast(pl.Int64).cast(pl.String)).otherwise(written))
        .to_series()
    )


def _in_format(numbers: pl.Series, written: pl.Series, program: _Program, shown_as: str) -> pl.Series:
    """Days and moments as ISO dates, times as hours, minutes and seconds; other numbers as they are written."""
    if program.times.match(shown_as):
        seconds = (pl.col("number") / program.ticks).floor().cast(pl.Int64, strict=False)
        two = [(seconds // size % 60).cast(pl.String).str.zfill(2) for size in (60, 1)]
        text = pl.concat_str((seconds // 3600).cast(pl.String), *two, separator=":")
    elif program.moments.match(shown_as) or program.dates.match(shown_as):
        of_a_day = _SECONDS_A_DAY * program.ticks if program.moments.match(shown_as) else program.date_ticks
        days = (pl.col("number") / of_a_day).floor()
        # What is beyond any calendar stays the number that it is, and is told as no date.
        possible = days.is_between(-200_000, 2_000_000)
        day = pl.lit(program.epoch) + pl.duration(days=pl.when(possible).then(days).cast(pl.Int64))
        text = day.dt.strftime("%Y-%m-%d")
    else:
        return written
    return numbers.alias("number").to_frame().select(pl.coalesce(text, written.alias("written"))).to_series()
