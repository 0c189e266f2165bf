"""The characteristics that take more than reading a column, as polars expressions on the joined frame of derive.py."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.bands import OLDEST_AGE_YEARS
from pipeline.published_grades import (
    BELOW_KNEE_SEGMENTS,
    CALCIUM_GRADES,
    FIRST_TISSUE_LOSS_CATEGORY,
    GLASS_STAGE,
    SOURCE_ARTERY,
    SOURCE_ARTERY_OF_SEGMENT,
    WIFI_STAGE,
)

DAYS_IN_YEAR = 365.25


def age_years() -> pl.Expr:
    """Age in years reached in the year of the procedure (only the year of birth is ever loaded); null when born later.

    90 stands for 90 or older (OLDEST_AGE_YEARS).
    """
    age = pl.col("procedure_date").dt.year() - pl.col("birth_year")
    return pl.when(age >= 0).then(age.clip(upper_bound=OLDEST_AGE_YEARS)).cast(pl.Float64)


def calcium() -> pl.Expr:
    """None, mild, moderate or severe, by the crosswalk of published_grades.py; null unless scale and grade are both known."""
    key = pl.concat_str("calcium_scale", "calcium_grade", separator=":")
    return _looked_up(key, {f"{g.scale}:{g.grade}": g.level for g in CALCIUM_GRADES})


def wifi_stage() -> pl.Expr:
    """WIfI clinical stage "1" to "4"; null when any of the three grades is missing."""
    key = pl.concat_str("wound", "ischemia", "foot_infection", separator=":")
    return _looked_up(key, {f"{w}:{i}:{f}": str(stage) for (w, i, f), stage in WIFI_STAGE.items()})


def glass_stage() -> pl.Expr:
    """GLASS stage "I" to "III"; null when a grade is missing and where both grades are 0 (not applicable)."""
    key = pl.concat_str("fp_grade", "ip_grade", separator=":")
    return _looked_up(key, {f"{fp}:{ip}": stage for (fp, ip), stage in GLASS_STAGE.items()})


def direct() -> pl.Expr:
    """Whether the treated artery is the source artery of the target angiosome; null for inflow segments."""
    treated = _looked_up(pl.col("segment"), SOURCE_ARTERY_OF_SEGMENT)
    return treated == _looked_up(pl.col("target_angiosome"), SOURCE_ARTERY)


def _looked_up(key: pl.Expr, values: Mapping[str, str | None]) -> pl.Expr:
    """`values[key]` as text, null where the key is null or not there."""
    return key.replace_strict(list(values), list(values.values()), default=None, return_dtype=pl.String)


def operator_retrograde_before() -> pl.Expr:
    """Lesions this operator had started from below before this date, in these tables; null for an unknown operator."""
    # Rows are in order of date: everything up to this row less what was done on this row's own date up to it.
    from_below = (pl.col("first_approach") == "retrograde").fill_null(False).cast(pl.Int64)
    before = from_below.cum_sum().over("operator_id") - from_below.cum_sum().over("operator_id", "procedure_date")
    return pl.when(pl.col("operator_id").is_not_null()).then(before).cast(pl.Float64)


def calendar_years() -> pl.Expr:
    """Years since the first procedure in the tables."""
    days = (pl.col("procedure_date") - pl.col("procedure_date").min()).dt.total_days()
    return days / DAYS_IN_YEAR


def below_knee() -> pl.Expr:
    """Whether the segment lies beyond the popliteal artery."""
    return pl.col("segment").is_in(BELOW_KNEE_SEGMENTS)


def tissue_loss() -> pl.Expr:
    """Whether the Rutherford category is one of tissue loss."""
    return pl.col("rutherford") >= FIRST_TISSUE_LOSS_CATEGORY
