"""The summary as files hold it: one tidy table, and the list of rows to mend."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.quality_results import SMALLEST_GROUP, Oddity, QualitySummary
from pipeline.check import Accepted
from pipeline.quality.tallies import ATTEMPTS_COLUMN, Tally
from pipeline.quality.when_and_where import Places

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
_ISO = " (YYYY-MM-DD)"
_Row = tuple[str, str, str, str, str, str, float | None, int | None, str]


def quality_table(summary: QualitySummary, tallied: Sequence[Tally], where: Places) -> pl.DataFrame:
    """Section, table, column, site, quarter, measure, value, n, note: the whole summary and what the page has no room for.

    A share is of `n` rows. "" stands for all sites, or all quarters. Shares over fewer than SMALLEST_GROUP procedures are null.
    """
    rows = [*_intake(summary), *_not_used(summary), *_odd(summary.oddities), *_spreads(summary)]
    told = pl.DataFrame(rows, schema=QUALITY_SCHEMA, orient="row")
    shares: list[_Shares] = []
    for tally in tallied:
        rows_at = where.rows[tally.table]
        if tally.missing and not tally.of_scale:
            whole = np.array([tally.missing]), tally.rows
            shares += _by_place(
                "missing", tally, ("share missing",), tally.missing_at[:, :, None], whole, rows_at, where
            )
            shares.append(_by_both("missing", tally, "share missing", rows_at, where))
        if tally.at is not None:
            section = "service" if tally.column == ATTEMPTS_COLUMN else "codes"
            measures = tuple(f"share {label}" for label in tally.labels)
            whole = np.array(tally.counts), sum(tally.counts)
            shares += _by_place(section, tally, measures, tally.at, whole, tally.at.sum(axis=2), where)
    whole_table = pl.concat([told, _written_out(shares, where), *_counts(where)])
    order = {name: i for i, name in enumerate(("rows", "not used", "odd", "missing", "service", "numbers", "codes"))}
    return whole_table.sort(pl.col("section").replace_strict(order, return_dtype=pl.Int32), maintain_order=True)


def as_told(reason: str) -> str:
    """A rule's sentence as it is told here: without the dictionary's form of a date, as the mapping may state another."""
    return reason.replace(_ISO, "")


def rows_not_used(accepted: Accepted, files: Mapping[str, str]) -> pl.DataFrame:
    """One line a row set aside, a value blanked or a warning: `what`, table, file, row, key (a pseudonym), column, reason.

    `files` gives each table's file. `row` is the row number in it, by which whoever keeps the data finds the row.
    """
    nothing = pl.lit(None, dtype=pl.String).alias("column")
    listed = [
        accepted.set_aside.with_columns(nothing, what=pl.lit("row set aside")),
        accepted.blanked.with_columns(what=pl.lit("value blanked")),
        accepted.warned.with_columns(nothing, what=pl.lit("warning")),
    ]
    reason = pl.col("reason").str.replace_all(_ISO, "", literal=True)
    named = pl.col("table").replace_strict(dict(files), default="", return_dtype=pl.String).alias("file")
    return pl.concat(part.with_columns(named, reason).select(NOT_USED_COLUMNS) for part in listed)


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
            ("fifth smallest", s.low_end), ("lower quartile", s.lower_quartile), ("median", s.median),
            ("upper quartile", s.upper_quartile), ("fifth largest", s.high_end),
        )  # fmt: skip
        for measure, value in told:
            yield _row("numbers", s.table, measure, value, column=s.column, n=s.n, note=s.unit)


@dataclass(frozen=True, slots=True)
class _Shares:
    """Shares of one column in m places, of k measures: `part` (m, k) of `whole` (m,) rows. Place -1 stands for all."""

    section: str
    table: str
    column: str
    measures: tuple[str, ...]
    site: Ints
    quarter: Ints
    part: Ints
    whole: Ints
    procedures: Ints


def _by_place(
    section: str,
    tally: Tally,
    measures: tuple[str, ...],
    part: Ints,
    over_all: tuple[Ints, int],
    whole: Ints,
    where: Places,
) -> Iterator[_Shares]:
    """Over all rows, by site and by quarter; `part` (sites, quarters, k) of `whole` (sites, quarters)."""
    procedures = where.rows["procedures"]
    one, none = np.full(1, -1), np.full(1, SMALLEST_GROUP)
    yield _Shares(
        section, tally.table, tally.name, measures, one, one, over_all[0][None, :], np.array([over_all[1]]), none
    )
    for axis in (1, 0):
        places = np.arange(part.shape[1 - axis])
        all_of_it = np.full(len(places), -1)
        site, quarter = (places, all_of_it) if axis == 1 else (all_of_it, places)
        sums = part.sum(axis=axis), whole.sum(axis=axis), procedures.sum(axis=axis)
        yield _Shares(section, tally.table, tally.name, measures, site, quarter, *sums)


def _by_both(section: str, tally: Tally, measure: str, whole: Ints, where: Places) -> _Shares:
    """The share missing by site and quarter."""
    site, quarter = np.divmod(np.arange(whole.size), whole.shape[1])
    part, procedures = tally.missing_at.reshape(-1, 1), where.rows["procedures"].ravel()
    return _Shares(section, tally.table, tally.name, (measure,), site, quarter, part, whole.ravel(), procedures)


def _written_out(shares: Sequence[_Shares], where: Places) -> pl.DataFrame:
    """One row a share; places without any row are left out, and shares over few procedures are hidden."""
    if not shares:
        return pl.DataFrame(schema=QUALITY_SCHEMA)
    names = pl.Series(
        [(s.section, s.table, s.column, m) for s in shares for m in s.measures], dtype=pl.Array(pl.String, 4)
    )
    number, first = [], 0
    for s in shares:
        number.append(np.tile(np.arange(first, first + len(s.measures)), len(s.whole)))
        first += len(s.measures)
    times = [len(s.measures) for s in shares]

    def spread(values: Iterable[Ints]) -> Ints:
        return np.concatenate([np.repeat(v, k) for v, k in zip(values, times, strict=True)])

    frame = pl.DataFrame(
        {
            "name": np.concatenate(number),
            "site": spread(s.site for s in shares),
            "quarter": spread(s.quarter for s in shares),
            "part": np.concatenate([s.part.ravel() for s in shares]),
            "n": spread(s.whole for s in shares),
            "procedures": spread(s.procedures for s in shares),
        }
    ).filter(pl.col("n") > 0)
    named = [names.arr.get(i).gather(frame["name"]) for i in range(4)]
    # Follow-up goes on after the last procedure: its own rows are the group there.
    of_follow_up = pl.lit(named[1] == "follow_up")
    few = (pl.col("n") < SMALLEST_GROUP) | ((pl.col("procedures") < SMALLEST_GROUP) & ~of_follow_up)
    labels = [pl.Series(["", *names], dtype=pl.String) for names in (where.sites, where.quarters)]
    return frame.select(
        named[0].alias("section"),
        named[1].alias("table"),
        named[2].alias("column"),
        labels[0].gather(frame["site"] + 1).alias("site"),
        labels[1].gather(frame["quarter"] + 1).alias("quarter"),
        named[3].alias("measure"),
        pl.when(~few).then(pl.col("part") / pl.col("n")).alias("value"),
        pl.when(~few).then(pl.col("n").cast(pl.Int64)).alias("n"),
        pl.when(few).then(pl.lit(HIDDEN_NOTE)).otherwise(pl.lit("")).alias("note"),
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
