"""The files under results/ as polars frames: one row an estimate, a count, a row set aside."""

from __future__ import annotations

import polars as pl

from models.results import CONTRAST, Edition, Measure
from pipeline.case_tables import TABLES
from pipeline.check import Accepted
from reports.disclosure import hide_comparisons
from reports.shown import ShownComparison

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
MEASURES: tuple[Measure, ...] = ("risk_difference", "risk_ratio", "odds_ratio")


def estimates_table(edition: Edition) -> pl.DataFrame:
    """The rows of estimates.csv: every comparison of the edition, the length x calcium cells last.

    Counts that are small, or that would give a small one away, are empty, and so are effective sizes and crude estimates that
    rest on them; adjusted estimates stay.
    """
    shown = hide_comparisons(
        (*edition.comparisons, *(cell.comparison for cell in edition.length_calcium)), edition.smallest_count_shown
    )
    rows = [row for comparison in shown for row in _rows(comparison, edition.smallest_count_shown)]
    return pl.DataFrame(rows, schema=ESTIMATE_COLUMNS, orient="row")


def _rows(c: ShownComparison, smallest: int) -> list[tuple[object, ...]]:
    notes = [c.note] if c.note else []
    if c.withheld_because is not None:
        notes.insert(0, f"withheld: {c.withheld_because}")
    if c.counts_hidden:
        notes.append(f"counts hidden: a group of fewer than {smallest}, or one that would give it away")
    below, above = c.retrograde, c.antegrade
    sizes = (below.effective_n, above.effective_n)
    effective = None if sizes[0] is None or sizes[1] is None else sizes[0] + sizes[1]
    counts = (c.n, below.n, above.n, below.events, above.events)
    rows: list[tuple[object, ...]] = []
    for measure in MEASURES:
        effect = c.effect(measure)
        limits = (effect.estimate, effect.lower, effect.upper)
        asked = (c.endpoint, CONTRAST, c.population, c.method, c.profile, measure)
        rows.append((*asked, *limits, c.level, effect.p_value, *counts, effective, "; ".join(notes)))
    return rows


_LABELS = {"row": "rows set aside", "value": "values blanked", "warning": "rows warned of"}


def counts_table(edition: Edition) -> pl.DataFrame:
    """The rows of counts.csv: stage, table, label, count, reason.

    Counts of rows by why they were not used, not of patients by trait: nothing is hidden, so that read = used + set aside can be checked.
    """
    rows: list[tuple[str, str, str, int | None, str]] = []
    for t in edition.table_counts:
        rows.append(("intake", t.table, "rows read", t.read, ""))
        rows.append(("intake", t.table, "rows used", t.used, ""))
        rows.append(("intake", t.table, "rows set aside", t.set_aside, ""))
    for r in edition.reasons:
        rows.append(("intake", r.table, _LABELS[r.what], r.count, r.reason))
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
    """The rows of set_aside.csv: `what` is "row", "value" (that alone was blanked) or "warning" (used as it is).

    A key is a pseudonym; `row` is null for a row of an earlier delivery; `column` is given for a value.
    """
    columns = ["what", "table", "row", "key", "column", "reason"]
    no_column = pl.lit(None, dtype=pl.String).alias("column")
    whole = accepted.set_aside.with_columns(no_column, what=pl.lit("row"))
    single = accepted.blanked.with_columns(what=pl.lit("value"))
    odd = accepted.warned.with_columns(no_column, what=pl.lit("warning"))
    place = {one.name: number for number, one in enumerate(TABLES)}
    in_order = [pl.col("table").replace_strict(place, return_dtype=pl.Int64), pl.col("row")]
    return pl.concat(
        frame.select(columns).sort(in_order, nulls_last=True, maintain_order=True) for frame in (whole, single, odd)
    )
