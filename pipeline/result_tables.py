"""The files under results/ as polars frames: one row an estimate, a count, a row set aside."""

from __future__ import annotations

from collections.abc import Iterable

import polars as pl

from models.results import CONTRAST, Comparison, Edition
from pipeline.check import Accepted

ESTIMATE_COLUMNS: dict[str, type[pl.DataType]] = {
    "endpoint": pl.String,
    "contrast": pl.String,
    "population": pl.String,
    "method": pl.String,
    "profile": pl.String,
    "measure": pl.String,
    "estimate": pl.Float64,
    "lower": pl.Float64,
    "upper": pl.Float64,
    "level": pl.Float64,
    "p_value": pl.Float64,
    "n": pl.Int64,
    "n_retrograde": pl.Int64,
    "n_antegrade": pl.Int64,
    "events_retrograde": pl.Int64,
    "events_antegrade": pl.Int64,
    "effective_n": pl.Float64,
    "note": pl.String,
}
MEASURES = ("risk_difference", "risk_ratio", "odds_ratio")


def estimates_table(
    comparisons: Iterable[Comparison], hidden: frozenset[tuple[str, str]], smallest: int
) -> pl.DataFrame:
    """The rows of estimates.csv.

    `hidden` holds the (endpoint, profile) pairs whose counts are below `smallest` or would give such a count away: their counts,
    effective size and crude estimates are left empty, their adjusted estimates stay.
    """
    rows = [
        row
        for comparison in comparisons
        for row in _rows(comparison, (comparison.endpoint, comparison.profile) in hidden, smallest)
    ]
    return pl.DataFrame(rows, schema=ESTIMATE_COLUMNS, orient="row")


def _rows(c: Comparison, hidden: bool, smallest: int) -> list[tuple[object, ...]]:
    notes = [c.note] if c.note else []
    if c.withheld_because is not None:
        notes.insert(0, f"withheld: {c.withheld_because}")
    if hidden:
        notes.append(f"counts hidden: a group of fewer than {smallest} or one that would give it away")
    effects = {e.measure: e for e in c.effects}
    sizes = [arm.effective_n for arm in (c.retrograde, c.antegrade)]
    effective = None if hidden or None in sizes else sum(s for s in sizes if s is not None)
    counts: tuple[int | None, ...] = (
        (None,) * 5 if hidden else (c.n, c.retrograde.n, c.antegrade.n, c.retrograde.events, c.antegrade.events)
    )
    rows: list[tuple[object, ...]] = []
    for measure in MEASURES:
        effect = effects.get(measure)  # type: ignore[call-overload]
        shown = effect is not None and not (hidden and c.method == "crude")
        values = (effect.estimate, effect.lower, effect.upper) if shown else (None, None, None)
        p_value = effect.p_value if shown else None
        rows.append(
            (
                c.endpoint,
                CONTRAST,
                c.population,
                c.method,
                c.profile,
                measure,
                *values,
                c.level,
                p_value,
                *counts,
                effective,
                "; ".join(notes),
            )
        )
    return rows


def counts_table(edition: Edition) -> pl.DataFrame:
    """The rows of counts.csv: stage, table, label, count, reason. Counts below the plan's smallest are empty."""
    rows: list[tuple[str, str, str, int | None, str]] = []
    for t in edition.table_counts:
        rows.append(("intake", t.table, "rows read", t.read, ""))
        rows.append(("intake", t.table, "rows used", t.used, ""))
        rows.append(("intake", t.table, "rows set aside", t.set_aside, ""))
    for r in edition.reasons:
        rows.append(("intake", r.table, "rows set aside" if r.what == "row" else "values blanked", r.count, r.reason))
    for step in edition.flow:
        rows.append(("analysis", "lesions", step.label, step.count, ""))
        if step.reason:
            rows.append(("analysis", "lesions", "left out", step.left_out, step.reason))
    return pl.DataFrame(
        rows,
        schema={"stage": pl.String, "table": pl.String, "label": pl.String, "count": pl.Int64, "reason": pl.String},
        orient="row",
    )


def set_aside_table(accepted: Accepted) -> pl.DataFrame:
    """The rows of set_aside.csv: `what` is "row" or "value"; a key is a pseudonym; `column` is given for a value."""
    columns = ["what", "table", "row", "key", "column", "reason"]
    whole = accepted.set_aside.with_columns(what=pl.lit("row"), column=pl.lit(None, dtype=pl.String))
    single = accepted.blanked.with_columns(what=pl.lit("value"))
    return pl.concat([whole.select(columns), single.select(columns)])
