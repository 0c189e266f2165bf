"""Dates that look made up or lost: weekends, one day of the month, New Year's Day, weeks without a procedure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date, timedelta
from math import exp

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import betainc

from pipeline.quality.odd_findings import Finding, Found, percent
from pipeline.quality.when_and_where import Places

Ints = NDArray[np.int64]

FEWEST = 100  # procedures; ours, no source
WEEKEND = 0.2  # share of elective procedures on Saturday and Sunday; 2 in 7 if the day of the week played no part
DAY_TIMES = 2.0  # times its share of the calendar that one day of the month must hold
NEW_YEAR_TIMES = 3.0
FEWEST_ON_A_DAY = 5
SHORTEST_GAP = 28  # days: a summer closing is not a gap of the export; common practice, no source

_ASK_WEEKEND = "Ask whether the date is that of the procedure, or was entered later or shifted to protect identities."
_ASK_DAY = "Ask the data manager whether a day is filled in where only the month or the year was known."
_ASK_GAP = "Ask the site whether it was closed, or whether these weeks are missing from the export."
_ASK_END = "Ask the data manager whether the site's later procedures were exported."


def odd_dates(frames: Mapping[str, pl.DataFrame], where: Places) -> Found:
    """Findings on `procedure_date`; no date is named, quarters only."""
    procedures = (
        frames["procedures"]
        .select("procedure_date", "urgency")
        .with_columns(site=pl.Series(where.cells["procedures"] // max(len(where.quarters), 1)))
    )
    found: list[Finding] = []
    looks = 0
    if procedures.height >= FEWEST:
        found += [*_weekends(procedures), *_days_of_the_month(procedures), *_new_year(procedures)]
        looks += 1 + 31 + 1
    gaps, more = _gaps(procedures, where)
    found += gaps
    looks += more
    return Found(tuple(found), looks).beyond_chance()


def _weekends(procedures: pl.DataFrame) -> Iterator[Finding]:
    elective = procedures.filter(pl.col("urgency").cast(pl.String) == "elective")
    looked = elective if elective.height >= FEWEST else procedures
    on = int((looked["procedure_date"].dt.weekday() >= 6).sum())
    # As likely on a weekend as WEEKEND says, at the most: only clearly more is told.
    if on > WEEKEND * looked.height:
        told = (
            f"{percent(on / looked.height)} of the {'elective ' if looked is elective else ''}procedures are on a Saturday or "
            "Sunday; were the day of the week of no account it would be 29%."
        )
        yield _dates("weekends", told, _ASK_WEEKEND, on, looked.height, WEEKEND)


def _days_of_the_month(procedures: pl.DataFrame) -> Iterator[Finding]:
    dates = procedures["procedure_date"]
    first, last = dates.min(), dates.max()
    assert isinstance(first, date) and isinstance(last, date)  # noqa: S101 - a procedure's date is needed
    calendar = pl.date_range(first, last, eager=True)
    days = np.bincount(calendar.dt.day().to_numpy(), minlength=32) / len(calendar)
    counts = np.bincount(dates.dt.day().to_numpy(), minlength=32)
    for day in range(1, 32):
        share = float(days[day])
        if share and counts[day] >= max(FEWEST_ON_A_DAY, DAY_TIMES * share * len(dates)):
            told = (
                f"{percent(counts[day] / len(dates))} of the procedures are on day {day} of a month, where "
                f"{percent(share)} are expected."
            )
            yield _dates("day of the month", told, _ASK_DAY, int(counts[day]), len(dates), share)


def _new_year(procedures: pl.DataFrame) -> Iterator[Finding]:
    dates = procedures["procedure_date"]
    on = int(((dates.dt.day() == 1) & (dates.dt.month() == 1)).sum())
    share = 1 / 365.25
    if on >= max(FEWEST_ON_A_DAY, NEW_YEAR_TIMES * share * len(dates)):
        told = f"{on:,} of {len(dates):,} procedures are on January 1, a holiday."
        yield _dates("New Year's Day", told, _ASK_DAY, on, len(dates), share)


def _dates(kind: str, told: str, ask: str, on: int, n: int, share: float) -> Finding:
    chance = float(betainc(on, n - on + 1, share))  # upper tail of the binomial
    return Finding(kind, "procedures", "procedure_date", told, ask, "share of procedures", on / n, n, chance=chance)


def _gaps(procedures: pl.DataFrame, where: Places) -> tuple[list[Finding], int]:
    """The longest time without a procedure at each site, its end included, against a Poisson stream of the same rate."""
    found: list[Finding] = []
    last_of_all = procedures["procedure_date"].max()
    looks = 0
    for (site,), group in procedures.sort("procedure_date").group_by("site", maintain_order=True):
        days = group["procedure_date"].to_numpy().astype("datetime64[D]").astype(np.int64)
        if len(days) < FEWEST:
            continue
        assert isinstance(last_of_all, date) and isinstance(site, int)  # noqa: S101 - there is a procedure
        looks += len(days)
        end = (last_of_all - date(1970, 1, 1)).days
        between = np.diff(np.append(days, end))
        at = int(between.argmax())
        longest = int(between[at])
        active = int(days[-1] - days[0]) + 1 - (longest if at < len(days) - 1 else 0)
        rate = (len(days) - 1) / max(active, 1)
        if longest < SHORTEST_GAP:
            continue
        name = where.sites[site] if len(where.sites) > 1 else ""
        begun = date(1970, 1, 1) + timedelta(days=int(days[at]))
        quarter = f"{begun.year} Q{(begun.month + 2) // 3}"
        weeks = longest // 7
        if at == len(days) - 1:
            told = f"The last procedure is in {quarter}; the other sites go on for {weeks} weeks."
            kind, ask = "ends early", _ASK_END
        else:
            told = f"{weeks} weeks without a procedure, from {quarter} on, at a site with {rate * 7:.1f} a week."
            kind, ask = "weeks without a procedure", _ASK_GAP
        found.append(
            Finding(
                kind, "procedures", "procedure_date", told, ask, "days without a procedure", float(longest), len(days),
                site=name, quarter=quarter, chance=exp(-rate * longest), urgent=kind == "ends early",
            )
        )  # fmt: skip
    return found, looks
