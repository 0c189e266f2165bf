"""Bands of a number, built from the plan's limits: a limit belongs to the higher band."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

import polars as pl

# Everyone from this age on is told as one group, and no age beyond it: 45 CFR 164.514(b)(2)(i)(C), ages over 89.
OLDEST_AGE_YEARS = 90


class Level(NamedTuple):
    """One level of a category: `code` as in the data and in profile names, `label` as printed."""

    code: str
    label: str


def bands(limits: Sequence[float], unit: str, *, whole: bool) -> tuple[Level, ...]:
    """The bands between rising `limits`, lowest first: one more than there are limits.

    `whole` says that the number has no fractions (years of age), so that a band can be printed by its last member:
    "65 to 74 years"; otherwise "100 to under 200 mm". Codes are "under_100", "100_to_199", "200_or_more".
    """
    lowest, highest = _plain(limits[0]), _plain(limits[-1])
    between = tuple(
        Level(
            f"{_plain(low)}_to_{_last_below(high)}",
            f"{_plain(low)} to {_plain(high - 1) if whole else 'under ' + _plain(high)} {unit}",
        )
        for low, high in pairwise(limits)
    )
    return (
        Level(f"under_{lowest}", f"under {lowest} {unit}"),
        *between,
        Level(f"{highest}_or_more", f"{highest} {unit} or more"),
    )


def banded(number: pl.Expr, limits: Sequence[float], levels: Sequence[Level]) -> pl.Expr:
    """The code of the band that `number` falls in (text); null where the number is null."""
    code: pl.Expr = pl.when(number.is_not_null()).then(pl.lit(levels[-1].code))
    for limit, level in reversed(list(zip(limits, levels[:-1], strict=True))):
        code = pl.when(number < limit).then(pl.lit(level.code)).otherwise(code)
    return code


def _plain(number: float) -> str:
    return f"{number:g}"


def _last_below(limit: float) -> str:
    return _plain(limit - 1) if float(limit).is_integer() else f"under_{_plain(limit)}"
