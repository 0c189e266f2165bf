"""The data-quality summary of one checked export: what was used, what is missing, what looks odd, and what to do about it.

from pipeline.check import check
from pipeline.quality.summary import summarize

quality = summarize(check(tables))
quality.summary.oddities  # what looks odd
quality.table  # everything, as one tidy polars frame
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from importlib.metadata import version

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.quality_results import (
    FEWEST_FOR_ENDS,
    NO_SITE,
    SMALLEST_GROUP,
    CodeSpread,
    Fault,
    Missing,
    NumberSpread,
    Part,
    QualitySummary,
    TableIntake,
    Volume,
)
from pipeline.case_tables import TABLES, table
from pipeline.check import Accepted
from pipeline.quality.advice import advice
from pipeline.quality.measured_columns import Values, recorded_values
from pipeline.quality.odd_codes import MAY_BE_EMPTY
from pipeline.quality.oddities import oddities
from pipeline.quality.periods import Periods, periods
from pipeline.quality.table import as_told, quality_table, rows_not_used
from pipeline.quality.tallies import ATTEMPTS_COLUMN, Tally, tallies
from pipeline.quality.when_and_where import Places, places
from pipeline.read import SourceFile
from pipeline.table_rows import TableRows

Ints = NDArray[np.int64]

SITES_SHOWN = 8
FIRST_ROWS = 5
SIGNS = {"\t": "tabs", " ": "spaces", ",": "commas", ";": "semicolons", "|": "vertical bars", ":": "colons"}


@dataclass(frozen=True, slots=True)
class Quality:
    """`summary` is what the page says, without a patient row. `table` is all of it and more, tidy; `not_used` lists the rows."""

    summary: QualitySummary
    table: pl.DataFrame = field(repr=False)
    not_used: pl.DataFrame = field(repr=False)


def summarize(
    accepted: Accepted,
    sources: Sequence[SourceFile] = (),
    read: Mapping[str, pl.DataFrame | TableRows] | None = None,
    *,
    export: str = "",
    mapping: str = "",
) -> Quality:
    """The summary of checked tables. `sources` tell where they came from; `read` are the rows as they were read.

    From `read` come the row numbers in the file; without it used rows are numbered from 1. Tables in memory need neither.
    `export` and `mapping` are the names of the folder and of the mapping file, as they are printed.
    """
    frames, numbers = _in_file_order(accepted.frames, _row_numbers(accepted, read or {}))
    where = places(frames)
    tallied = tallies(frames, where, accepted.blanked, accepted.lesions_in_doubt)
    measurements = recorded_values(frames, where)
    odd, looks = oddities(frames, where, tallied, measurements, numbers)
    procedures = where.rows["procedures"]
    shown = periods(where.quarters, procedures.sum(axis=0))
    largest = np.argsort(-procedures.sum(axis=1), kind="stable")[:SITES_SHOWN]
    sites = np.array(sorted(largest, key=lambda s: where.sites[s]), dtype=np.int64)
    summary = QualitySummary(
        tables=_intake(accepted, sources),
        faults=_faults(accepted),
        sites=tuple(where.sites[s] for s in sites),
        more_sites=sum(name != NO_SITE for s, name in enumerate(where.sites) if s not in sites),
        named_sites=sum(name != NO_SITE for name in where.sites),
        without_site=sum(
            int(n) for n, name in zip(procedures.sum(axis=1), where.sites, strict=True) if name == NO_SITE
        ),
        periods=shown.labels,
        first_quarter=_end(where, procedures, 0),
        last_quarter=_end(where, procedures, -1),
        missing=_missing(tallied, where, sites, shown),
        oddities=odd,
        volumes=_volumes(tallied, where, sites, shown),
        numbers=_numbers(frames, measurements),
        codes=tuple(
            CodeSpread(t.table, t.name, t.rows, t.missing, tuple(zip(t.labels, t.counts, strict=True)))
            for t in tallied
            if t.labels and t.column != ATTEMPTS_COLUMN and (t.rows or not t.of_scale)
        ),
        looks=looks,
        version=version("crosswise"),
        export=export,
        mapping=mapping,
    )
    files = {source.table: source.name for source in sources}
    return Quality(summary, quality_table(summary, tallied, where), rows_not_used(accepted, files))


def _row_numbers(accepted: Accepted, read: Mapping[str, pl.DataFrame | TableRows]) -> dict[str, Ints]:
    """The row number in the file of each used row. Rows of an earlier delivery stand in no file: theirs are below 0."""
    numbers: dict[str, Ints] = {}
    for name, used in accepted.frames.items():
        given = read.get(name)
        rows = given.rows if isinstance(given, TableRows) else given
        found = np.arange(1, used.height + 1, dtype=np.int64)
        if rows is not None and "row" in rows.columns:
            aside = accepted.set_aside.filter(pl.col("table") == name)["row"].drop_nulls()
            kept = rows["row"] if aside.is_empty() else rows["row"].filter(~rows["row"].is_in(aside.implode()))
            found = kept.to_numpy() if len(kept) == used.height else found
        numbers[name] = found
    return numbers


def _in_file_order(
    frames: Mapping[str, pl.DataFrame], numbers: Mapping[str, Ints]
) -> tuple[dict[str, pl.DataFrame], dict[str, Ints]]:
    """The rows as they stand in the files: a run puts them in the order of their keys, where nothing looks copied down."""
    ordered, sorted_numbers = dict(frames), dict(numbers)
    for name, rows in numbers.items():
        if (rows[1:] < rows[:-1]).any():
            order = np.argsort(rows, kind="stable")
            ordered[name], sorted_numbers[name] = frames[name][order], rows[order]
    return ordered, sorted_numbers


def _intake(accepted: Accepted, sources: Sequence[SourceFile]) -> tuple[TableIntake, ...]:
    by_table = {source.table: source for source in sources}
    found = []
    for count in accepted.counts:
        source = by_table.get(count.table)
        told = () if source is None or source.absent else _detected(source)
        name = source.name if source is not None else ""
        found.append(TableIntake(count.table, name, count.read, count.used, count.set_aside, told))
    return tuple(found)


def _detected(source: SourceFile) -> tuple[str, ...]:
    separator = SIGNS.get(source.separator, f"the sign {source.separator}")
    more = source.ignored_columns
    return (
        *((source.encoding,) if source.encoding else ()),
        *((f"separated by {separator}",) if source.separator else ()),
        *source.notes,
        *((f"{more} other column{'s' if more > 1 else ''} never loaded",) if more else ()),
    )


def _faults(accepted: Accepted) -> tuple[Fault, ...]:
    rows: dict[tuple[str, str, str], tuple[int, ...]] = {}
    for kind, listed in (
        ("row", accepted.set_aside.with_columns(pl.col("reason").str.split("; ")).explode("reason")),
        ("value", accepted.blanked),
        ("warning", accepted.warned),
    ):
        first = listed.group_by("table", "reason").agg(pl.col("row").drop_nulls().head(FIRST_ROWS))
        rows |= {(name, kind, reason): tuple(numbers) for name, reason, numbers in first.iter_rows()}
    read = {count.table: count.read for count in accepted.counts}
    return tuple(
        Fault(
            r.table, r.what, as_told(r.reason), r.count, read[r.table],
            rows.get((r.table, r.what, r.reason), ()), advice(r.table, r.reason),
        )
        for r in sorted(accepted.reasons, key=lambda r: -r.count)
    )  # fmt: skip


def _end(where: Places, procedures: Ints, at: int) -> str:
    met = np.flatnonzero(procedures.sum(axis=0))
    return where.quarters[met[at]] if len(met) else ""


def _missing(tallied: Sequence[Tally], where: Places, sites: Ints, shown: Periods) -> tuple[Missing, ...]:
    """Columns with any gap, fullest table order kept."""
    procedures = where.rows["procedures"]
    few_by_cell = shown.gathered(procedures)[sites] < SMALLEST_GROUP
    few_by_period = shown.gathered(procedures).sum(axis=0) < SMALLEST_GROUP
    few_by_site = procedures[sites].sum(axis=1) < SMALLEST_GROUP
    found = []
    for t in tallied:
        if t.of_scale or not t.missing:
            continue
        gaps, rows = shown.gathered(t.missing_at), shown.gathered(where.rows[t.table])
        found.append(
            Missing(
                t.table,
                t.column,
                MAY_BE_EMPTY.get((t.table, t.column), ""),
                t.blanked,
                Part(t.missing, t.rows),
                _parts(t.missing_at[sites].sum(axis=1), where.rows[t.table][sites].sum(axis=1), few_by_site),
                _parts(gaps.sum(axis=0), rows.sum(axis=0), few_by_period),
                tuple(_parts(gaps[s], rows[s], few) for s, few in zip(sites, few_by_cell, strict=True)),
            )
        )
    return tuple(found)


def _parts(part: Ints, whole: Ints, few: NDArray[np.bool_]) -> tuple[Part, ...]:
    return tuple(Part(int(p), int(w), bool(f)) for p, w, f in zip(part, whole, few, strict=True))


def _volumes(tallied: Sequence[Tally], where: Places, sites: Ints, shown: Periods) -> tuple[Volume, ...]:
    """The whole, the sites shown and the periods; what rests on few procedures is None."""
    by_name = {(t.table, t.column): t for t in tallied}
    made = {name: by_name[name].at for name in _LOOKED_AT}
    counts = [where.rows[name] for name in ("procedures", "lesions", "attempts")]
    for (_, column), label in zip(_LOOKED_AT, ("no attempt", "retrograde", "true"), strict=True):
        at = made[next(name for name in _LOOKED_AT if name[1] == column)]
        labels = by_name[next(name for name in _LOOKED_AT if name[1] == column)].labels
        assert at is not None  # noqa: S101 - all three are columns of codes
        counts.append(at[:, :, labels.index(label)])
        if column == ATTEMPTS_COLUMN:
            counts.append(at.sum(axis=2))  # lesions whose number of attempts is known
    whole = [int(c.sum()) for c in counts]
    found = [_volume("all", "all", whole)]
    found += [_volume(where.sites[s], "site", [int(c[s].sum()) for c in counts]) for s in sites]
    gathered = [shown.gathered(c).sum(axis=0) for c in counts]
    found += [_volume(label, "period", [int(g[i]) for g in gathered]) for i, label in enumerate(shown.labels)]
    return tuple(found)


_LOOKED_AT = (("lesions", ATTEMPTS_COLUMN), ("attempts", "approach"), ("attempts", "crossed"))


def _volume(label: str, kind: str, counts: Sequence[int]) -> Volume:
    procedures, lesions, attempts, without, known, below, crossed = counts
    if procedures < SMALLEST_GROUP:
        return Volume(label, kind, None, None, None, None, None, None)  # type: ignore[arg-type]
    return Volume(
        label,
        kind,  # type: ignore[arg-type]
        procedures,
        lesions,
        attempts / lesions if lesions else None,
        without / known if known else None,
        below / attempts if attempts else None,
        crossed / attempts if attempts else None,
    )


def _numbers(frames: Mapping[str, pl.DataFrame], measurements: Sequence[Values]) -> tuple[NumberSpread, ...]:
    born = frames["patients"]["birth_year"].drop_nulls().cast(pl.Float64).to_numpy()
    columns = [("patients", "birth_year", born)]
    columns += [(m.measured.table, m.measured.name, m.values) for m in measurements]
    order = {one.name: place for place, one in enumerate(TABLES)}
    found = []
    for name, column, values in sorted(columns, key=lambda c: order[c[0]]):
        described = table(name).column(column)
        missing = frames[name].height - len(values)
        spread: Sequence[float | None] = (None,) * 5
        if len(values) >= SMALLEST_GROUP:
            quartiles = np.quantile(values, (0.25, 0.5, 0.75))
            # The earliest years of birth may be those of patients over 89: they are not told.
            told = len(values) >= FEWEST_FOR_ENDS and column != "birth_year"
            ends = _ends(values) if told else (None, None)
            spread = (ends[0], *(float(q) for q in quartiles), ends[1])
        found.append(NumberSpread(name, column, described.unit, described.limits, len(values), missing, *spread))
    return tuple(found)


def _ends(values: NDArray[np.float64]) -> tuple[float, float]:
    """The fifth smallest and the fifth largest value: what lies beyond would be the values of a few patients."""
    places = (SMALLEST_GROUP - 1, len(values) - SMALLEST_GROUP)
    ordered = np.partition(values, places)
    return float(ordered[places[0]]), float(ordered[places[1]])
