"""Plain counts and medians of the derived lesions for the report: nothing here is adjusted for case mix."""

from __future__ import annotations

from typing import Literal, cast

import polars as pl

from models.results import Approach, MissingShare, Price, QuarterCount, SequenceCount
from pipeline.case_tables import table
from pipeline.features import FEATURES

APPROACHES: tuple[Approach, ...] = ("antegrade", "retrograde")
THEN: tuple[Literal["none", "same", "bailout"], ...] = ("none", "same", "bailout")

# Column of the procedures table, and how its median is printed. A session's cost cannot be shared out between lesions that
# were started in different ways, so such sessions are left out.
PRICES = (
    ("duration_min", "Procedure time per session"),
    ("fluoroscopy_min", "Fluoroscopy time per session"),
    ("air_kerma_mgy", "Reference air kerma per session"),
    ("contrast_ml", "Contrast per session"),
)
PRICE_BASIS = "sessions whose lesions were all started the same way"


def sequence_counts(lesions: pl.DataFrame) -> tuple[SequenceCount, ...]:
    """How often each course on the table was seen: first approach, its result, the next step, the end of the session."""
    course = ("first_approach", "first_approach_crossed", "then", "crossed_in_session")
    seen = {row[:-1]: row[-1] for row in lesions.group_by(course).len().iter_rows()}
    return tuple(
        SequenceCount(approach, first_crossed, then, session_crossed, count)
        for approach in APPROACHES
        for first_crossed in (True, False)
        for then in THEN
        for session_crossed in (True, False)
        if (count := seen.get((approach, first_crossed, then, session_crossed), 0)) > 0
    )


def quarter_counts(lesions: pl.DataFrame) -> tuple[QuarterCount, ...]:
    """Counts by calendar quarter, from the first to the last with a lesion; a quarter between them without any is there with 0."""
    counted = lesions.group_by("quarter").agg(
        lesions=pl.len(),
        below=(pl.col("first_approach") == "retrograde").sum(),
        first=pl.col("first_approach_crossed").sum(),
        session=pl.col("crossed_in_session").sum(),
    )
    seen = {row[0]: row[1:] for row in counted.iter_rows()}
    if not seen:
        return ()
    first, last = (_quarter_number(quarter) for quarter in (min(seen), max(seen)))
    names = (f"{number // 4} Q{number % 4 + 1}" for number in range(first, last + 1))
    return tuple(QuarterCount(name, *seen.get(name, (0, 0, 0, 0))) for name in names)


def prices(lesions: pl.DataFrame) -> tuple[Price, ...]:
    """Median and quartiles of each session cost by first approach, one count a session, over the sessions of PRICE_BASIS.

    Quartiles by linear interpolation (Hyndman and Fan 1996, type 7). An approach without one recorded value is left out.
    """
    sessions = lesions.unique("procedure_id", maintain_order=True)
    found = []
    for name, label in PRICES:
        for approach in APPROACHES:
            values = sessions.filter(pl.col("session_first_approach") == approach).get_column(name).drop_nulls()
            if values.is_empty():
                continue
            lower, median, upper = (cast(float, values.quantile(q, "linear")) for q in (0.25, 0.5, 0.75))
            unit = table("procedures").column(name).unit
            found.append(Price(name, f"{label} ({PRICE_BASIS})", unit, approach, values.len(), median, lower, upper))
    return tuple(found)


def missing_shares(lesions: pl.DataFrame) -> tuple[MissingShare, ...]:
    """Share of the lesions in which a feature is not recorded, for those adjusted for or whose balance is looked at.

    Features that follow from these (bands, below the knee) are not counted a second time. () without lesions.
    """
    if lesions.is_empty():
        return ()
    return tuple(
        MissingShare(f.name, f.label, lesions.get_column(f.name).null_count() / lesions.height)
        for f in FEATURES
        if f.adjust_because is not None or f.balance_looked_at
    )


def _quarter_number(quarter: str) -> int:
    year, number = quarter.split(" Q")
    return int(year) * 4 + int(number) - 1
