"""The summary as files hold it: one tidy table, and the list of rows to mend."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.quality_results import SMALLEST_GROUP, Oddity, QualitySummary
from pipeline.check import Accepted
from pipeline.tallies import ATTEMPTS_COLUMN, Tally
from pipeline.when_and_where import Places

Ints = NDArray[np.int64]

QUALITY_SCHEMA = {
    "section": pl.String,
    "table": pl.String,
    "column": pl.String,
    "site": pl.String,
    "quarter": pl.String,
    "measure": pl.String,
    "value": pl.Float64,
    "n": pl.Int64,
    "note": pl.String,
}
NOT_USED_COLUMNS = ("what", "table", "file", "row", "key", "column", "reason")
HIDDEN_NOTE = f"hidden: fewer than {SMALLEST_GROUP} procedures"
MEASURES = {"row": "rows set aside", "value": "values blanked", "warning": "warnings"}
_Row = tuple[str, str, str, str, str, str, float | None, int | None, str]


def quality_table(summary: QualitySummary, tallied: Sequence[Tally], where: Places) -> pl.DataFrame:
    """Section, table, column, site, quarter, measure, value, n, note: the whole summary and what the page has no room for.

    A share is of `n` rows. "" stands for all sites, or all quarters. Shares over fewer than SMALLEST_GROUP procedures are null.
    """
    rows = [*_intake(summary), *_not_used(summary), *_odd(summary.oddities), *_spreads(summary)]
    parts = [pl.DataFrame(rows, schema=QUALITY_SCHEMA, orient="row")]
    for tally in tallied:
        if tally.missing and not tally.of_scale:
            parts += _shares("missing", tally, "share missing", tally.missing_at, where.rows[tally.table], where, "")
        if tally.at is not None:
            section = "service" if tally.column == ATTEMPTS_COLUMN else "codes"
            recorded = tally.at.sum(axis=2)
            for place, label in enumerate(tally.labels):
                parts += _shares(
                    section, tally, f"share {label}", tally.at[:, :, place], recorded, where, "", cells=False
                )
    parts += _counts(where)
    order = {name: i for i, name in enumerate(("rows", "not used", "odd", "missing", "service", "numbers", "codes"))}
    whole = pl.concat(parts)
    return whole.sort(pl.col("section").replace_strict(order, return_dtype=pl.Int32), maintain_order=True)


def rows_not_used(accepted: Accepted, files: Mapping[str, str]) -> pl.DataFrame:
    """One line a row set aside, a value blanked or a warning: `what`, table, file, row, key (a pseudonym), column, reason.

    `files` gives each table's file. `row` is the row number in it, by which whoever keeps the data finds the row.
    """
    nothing = pl.lit(None, dtype=pl.String).alias("column")
    listed = [
        accepted.set_aside.with_columns(nothing, what=pl.lit("row")),
        accepted.blanked.with_columns(what=pl.lit("value")),
        accepted.warned.with_columns(nothing, what=pl.lit("warning")),
    ]
    named = pl.col("table").replace_strict(dict(files), default="", return_dtype=pl.String).alias("file")
    return pl.concat(part.with_columns(named).select(NOT_USED_COLUMNS) for part in listed)


def _row(
    section: str,
    table: str,
    measure: str,
    value: float | None,
    *,
    column: str = "",
    site: str = "",
    quarter: str = "",
    n: int | None = None,
    note: str = "",
) -> _Row:
    return (section, table, column, site, quarter, measure, None if value is None else float(value), n, note)


def _intake(summary: QualitySummary) -> Iterator[_Row]:
    for t in summary.tables:
        note = "; ".join((t.file, *t.detected)) if t.file else ""
        yield _row("rows", t.table, "rows read", t.read, note=note)
        yield _row("rows", t.table, "rows used", t.used, n=t.read)
        yield _row("rows", t.table, "rows set aside", t.set_aside, n=t.read)


def _not_used(summary: QualitySummary) -> Iterator[_Row]:
    for f in summary.faults:
        rows = f"; first rows: {', '.join(map(str, f.first_rows))}" if f.first_rows else ""
        yield _row("not used", f.table, MEASURES[f.kind], f.count, n=f.read, note=f"{f.reason}. {f.advice}{rows}")


def _odd(oddities: Iterable[Oddity]) -> Iterator[_Row]:
    for o in oddities:
        chance = "" if o.p_value is None else f" (p {_chance(o.p_value)}, corrected for all looks)"
        note = f"{o.kind}: {o.finding} {o.ask} [{o.certainty}{chance}]"
        yield _row(
            "odd", o.table, o.measure, o.value, column=o.column, site=o.site, quarter=o.quarter, n=o.n, note=note
        )


def _chance(p: float) -> str:
    return "< 1e-12" if p < 1e-12 else f"= {p:.1g}"


def _spreads(summary: QualitySummary) -> Iterator[_Row]:
    for s in summary.numbers:
        told = (
            ("minimum", s.minimum), ("lower quartile", s.lower_quartile), ("median", s.median),
            ("upper quartile", s.upper_quartile), ("maximum", s.maximum),
        )  # fmt: skip
        for measure, value in told:
            yield _row("numbers", s.table, measure, value, column=s.column, n=s.n, note=s.unit)


def _shares(
    section: str, tally: Tally, measure: str, part: Ints, whole: Ints, where: Places, note: str, *, cells: bool = True
) -> Iterator[pl.DataFrame]:
    """Shares over all, by site, by quarter and, with `cells`, by both."""
    procedures = where.rows["procedures"]
    if section == "missing":
        every = (np.array([tally.missing]), np.array([tally.rows]))
    else:
        every = (np.array([tally.counts[_place(tally, measure)]]), np.array([sum(tally.counts)]))
    places: list[tuple[Ints, Ints, Ints, Sequence[str], Sequence[str]]] = [
        (*every, np.array([SMALLEST_GROUP]), [""], [""]),
        (part.sum(axis=1), whole.sum(axis=1), procedures.sum(axis=1), where.sites, [""] * len(where.sites)),
        (part.sum(axis=0), whole.sum(axis=0), procedures.sum(axis=0), [""] * len(where.quarters), where.quarters),
    ]
    if cells:
        sites = np.repeat(where.sites, len(where.quarters)).tolist()
        quarters = list(where.quarters) * len(where.sites)
        places.append((part.ravel(), whole.ravel(), procedures.ravel(), sites, quarters))
    for few_or_many, n, size, site, quarter in places:
        yield _frame(section, tally, measure, few_or_many, n, size, site, quarter, note)


def _place(tally: Tally, measure: str) -> int:
    return tally.labels.index(measure.removeprefix("share "))


def _frame(
    section: str,
    tally: Tally,
    measure: str,
    part: Ints,
    whole: Ints,
    procedures: Ints,
    site: Sequence[str],
    quarter: Sequence[str],
    note: str,
) -> pl.DataFrame:
    frame = pl.DataFrame(
        {"site": site, "quarter": quarter, "part": part, "n": whole, "procedures": procedures},
        schema={"site": pl.String, "quarter": pl.String, "part": pl.Int64, "n": pl.Int64, "procedures": pl.Int64},
    ).filter(pl.col("n") > 0)
    # Follow-up goes on after the last procedure: its own rows are the group there.
    few = pl.min_horizontal("procedures", "n") < SMALLEST_GROUP
    if tally.table == "follow_up":
        few = pl.col("n") < SMALLEST_GROUP
    return frame.select(
        pl.lit(section).alias("section"),
        pl.lit(tally.table).alias("table"),
        pl.lit(tally.name).alias("column"),
        "site",
        "quarter",
        pl.lit(measure).alias("measure"),
        pl.when(~few).then(pl.col("part") / pl.col("n")).alias("value"),
        pl.when(~few).then("n").alias("n"),
        pl.when(few).then(pl.lit(HIDDEN_NOTE)).otherwise(pl.lit(note)).alias("note"),
    )


def _counts(where: Places) -> Iterator[pl.DataFrame]:
    """Procedures, lesions and attempts by site and by quarter; few are not told."""
    for name in ("procedures", "lesions", "attempts"):
        for axis, labels in ((1, where.sites), (0, where.quarters)):
            counts, procedures = where.rows[name].sum(axis=axis), where.rows["procedures"].sum(axis=axis)
            few = pl.Series(procedures) < SMALLEST_GROUP
            value = pl.Series(counts.astype(np.float64))
            nothing = [""] * len(labels)
            yield pl.DataFrame(
                {
                    "section": ["service"] * len(labels),
                    "table": [name] * len(labels),
                    "column": nothing,
                    "site": labels if axis == 1 else nothing,
                    "quarter": labels if axis == 0 else nothing,
                    "measure": [name] * len(labels),
                    "value": value.set(few, None),
                    "n": [None] * len(labels),
                    "note": pl.Series(nothing).set(few, HIDDEN_NOTE),
                },
                schema=QUALITY_SCHEMA,
            )
