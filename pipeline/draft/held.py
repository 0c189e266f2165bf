"""What a column holds, told from its values: numbers, dates, codes, keys."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.reading.source import fold
from pipeline.reading.translate import EMPTY_WORDS

_NUMBER = r"^[+-]?(\d+|\d{1,3}([ .,'\x{2019}\x{00a0}\x{202f}]\d{3})+)?([.,]\d+)?([eE][+-]?\d+)?$"
_WHOLE = r"^[+-]?\d+([.,]0+)?$"
_TIME = r"([T ]\d{1,2}:\d{2}(:\d{2}(\.\d+)?)?(Z|[+-]\d{2}:?\d{2})?)?$"
_DATES = (
    r"^\d{4}[-./]\d{1,2}[-./]\d{1,2}" + _TIME,
    r"^\d{1,2}[-./ ]\d{1,2}[-./ ](\d{4}|\d{2})" + _TIME,
    r"^\d{1,2}[-. /]\pL{3,9}[-. /](\d{4}|\d{2})" + _TIME,
    r"^(19|20)\d{2}(0[1-9]|1[0-2])(0[1-9]|[12]\d|3[01])$",
)
_MOST_CODES = 60  # different values beyond which a column is no column of codes
_MOST_NUMBERS = 100_000  # different numbers that are read for the median


@dataclass(frozen=True, slots=True)
class Held:
    """A column's values in summary. Shares are of the rows that have a value.

    `there`: rows with a value; `different`: how many values differ; `numeric`, `whole`, `dated`: shares of numbers, whole numbers
    and dates; `year`: the middle year of the dates that are written with four digits. `counts`: each value with its rows.
    `codes`: the folded values with their rows, where there are few enough, else empty; `shown`: how each is written mostly.
    `numbers`: the numbers, and `weights`: the rows of each.
    """

    there: int
    different: int
    numeric: float
    whole: float
    dated: float
    year: float | None
    counts: pl.DataFrame = field(repr=False)
    codes: Mapping[str, int] = field(repr=False)
    shown: Mapping[str, str] = field(repr=False)
    numbers: NDArray[np.float64] = field(repr=False)
    weights: NDArray[np.int64] = field(repr=False)

    @property
    def median(self) -> float | None:
        """The median of the numbers; None when there is none."""
        if self.numbers.size == 0:
            return None
        order = np.argsort(self.numbers)
        below = np.cumsum(self.weights[order])
        return float(self.numbers[order][np.searchsorted(below, below[-1] / 2)])

    @property
    def unique(self) -> float:
        """Different values as a share of the rows that have one."""
        return self.different / self.there if self.there else 0.0

    def share_within(self, low: float, high: float) -> float:
        """Share of the numbers from `low` to `high`."""
        if self.numbers.size == 0:
            return 0.0
        inside = (self.numbers >= low) & (self.numbers <= high)
        return float(self.weights[inside].sum() / self.weights.sum())


def counted(values: pl.Series) -> pl.DataFrame:
    """Each value that says something (`value`, without spaces around it) with its `rows`."""
    stripped = values.cast(pl.String).str.strip_chars().alias("value").drop_nulls()
    there = stripped.filter(~stripped.str.to_lowercase().is_in(["", *EMPTY_WORDS]))
    return there.value_counts(name="rows").select("value", pl.col("rows").cast(pl.Int64))


def together(parts: Iterable[pl.DataFrame]) -> pl.DataFrame:
    """Counts of several blocks of one column as one."""
    return pl.concat(parts).group_by("value").agg(pl.col("rows").sum()).sort("rows", "value", descending=[True, False])


def held(counts: pl.DataFrame) -> Held:
    """A column in summary, from its counted values."""
    value, rows = counts["value"], counts["rows"]
    there = int(rows.sum())

    def share(test: pl.Series) -> float:
        return float(rows.filter(test).sum()) / there if there else 0.0

    is_number = value.str.contains(_NUMBER) & value.str.contains(r"\d")
    is_date = pl.Series([False] * len(value), dtype=pl.Boolean)
    for pattern in _DATES:
        is_date = is_date | value.str.contains(pattern)
    years = value.filter(is_date).str.extract(r"((?:18|19|20)\d{2})").cast(pl.Float64).median()
    codes: dict[str, int] = {}
    shown: dict[str, str] = {}
    if len(value) <= _MOST_CODES:
        for text, count in zip(value, rows, strict=True):
            codes[fold(text)] = codes.get(fold(text), 0) + count
            shown.setdefault(fold(text), text)
    read = [
        (number, count)
        for text, count in counts.filter(is_number).head(_MOST_NUMBERS).iter_rows()
        if (number := as_number(text)) is not None
    ]
    return Held(
        there=there,
        different=len(value),
        numeric=share(is_number),
        whole=share(value.str.contains(_WHOLE)),
        dated=share(is_date),
        year=float(years) if isinstance(years, float) else None,
        counts=counts,
        codes=codes,
        shown=shown,
        numbers=np.array([number for number, _ in read], dtype=np.float64),
        weights=np.array([count for _, count in read], dtype=np.int64),
    )


def as_number(text: str) -> float | None:
    """A number however it is written, for its size only: the last of two signs is the decimal one."""
    bare = re.sub(r"[ '\u2019\u00a0\u202f]", "", text)
    if "," in bare and "." in bare:
        bare = bare.replace("," if bare.rfind(".") > bare.rfind(",") else ".", "")
    elif bare.count(",") > 1 or bare.count(".") > 1:
        bare = bare.replace(",", "").replace(".", "")
    try:
        number = float(bare.replace(",", "."))
    except ValueError:
        return None
    return number if abs(number) < 1e12 else None
