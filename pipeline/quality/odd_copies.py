"""Values copied down a column, rows equal to the row before, and procedures entered twice."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.repeated_values import expected_runs, poisson_at_least
from pipeline.case_tables import PSEUDONYM_COLUMNS, table
from pipeline.quality.measured_columns import MEASURED, Measured
from pipeline.quality.odd_findings import Finding, Found

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Rows = Mapping[str, NDArray[np.int64]]

# Limits without another source named are ours.
SHORTEST_RUN = 5
NEARBY = 250  # rows to each side of a run in which the value's share is read as well: a file may be sorted
SORTED = 0.05  # share of steps down (or up) below which a column is sorted, so that runs say nothing; ours, no source
# How far apart rows are compared to learn how often neighbors are equal by chance; uneven, so that no rhythm of a file is met.
LAGS = (7, 11, 13, 17, 19, 23, 29, 31, 37, 41)
FEWEST_ROWS = 100
FEWEST_EQUAL = 5
TIMES_CHANCE = 3.0
FEWEST_MEASURED = 4  # measurements of a procedure that must all agree
DEPENDENCE = 50.0  # measurements of a procedure go together: equal pairs are this much commoner than if they did not; ours, no source
FEWEST_SAME_DAY = 3
SAME_DAY = 0.005

# What tells one row's neighbor from itself: rows of one parent are expected to be alike.
PARENT = {"procedures": "patient_id", "lesions": "procedure_id", "attempts": "lesion_id"}
_NOT_COMPARED = ("procedure_date", "attempt_no", "site_id")

_ASK_COPIED = "Look at these rows in the file: was a cell filled down, or a form's default left as it was?"
_ASK_EQUAL = "Look at these rows in the file: was a row copied and only its key changed?"
_ASK_TWICE = "Ask whether one procedure was entered twice, under two patient keys."
_ASK_SAME_DAY = "Ask whether these are one procedure entered twice, or a return to the table on the same day."


def copied_down(frames: Mapping[str, pl.DataFrame], rows: Rows) -> Found:
    """Runs of one measured value over rows of different parents, in the order of the file, longer than chance makes them.

    `rows` gives the row numbers in the file for each table.
    """
    found: list[Finding] = []
    for measured in MEASURED:
        new = _new_parent(frames[measured.table], measured.table)
        values = frames[measured.table][measured.name].cast(pl.Float64).to_numpy()[new]
        found += _runs(measured, values, rows[measured.table][new])
    return Found(tuple(found), len(MEASURED)).beyond_chance()


def equal_neighbors(frames: Mapping[str, pl.DataFrame], rows: Rows) -> Found:
    """Tables in which a row equals the one before it, in all that is recorded, more often than one some rows further."""
    found: list[Finding] = []
    looks = 0
    for name in PARENT:
        new = _new_parent(frames[name], name)
        if len(new) < FEWEST_ROWS:
            continue
        looks += 1
        compared = [c for c in table(name).column_names if c not in PSEUDONYM_COLUMNS and c not in _NOT_COMPARED]
        content = frames[name].select(compared).hash_rows(seed=0).to_numpy()[new]
        same = content[1:] == content[:-1]
        equal = int(same.sum())
        further = sum(int((content[lag:] == content[:-lag]).sum()) for lag in LAGS)
        expected = (further + 1) / len(LAGS)
        if equal >= FEWEST_EQUAL and equal >= TIMES_CHANCE * expected:
            numbers = _listed(rows[name][new][1:][same])
            found.append(
                Finding(
                    "rows copied",
                    name,
                    "",
                    f"{equal:,} rows equal the row before them in every column but the keys, where about {expected:.0f} would by "
                    f"chance: {numbers}.",
                    _ASK_EQUAL,
                    "rows equal to the one before",
                    float(equal),
                    len(new),
                    chance=poisson_at_least(equal, expected),
                )
            )
    return Found(tuple(found), looks).beyond_chance()


def entered_twice(frames: Mapping[str, pl.DataFrame], rows: Rows) -> Found:
    """Procedures of different patients that agree in every measurement, and several of one patient, side and day."""
    return Found((*_equal_measurements(frames, rows), *_same_day(frames, rows)), 2).beyond_chance()


def _new_parent(frame: pl.DataFrame, name: str) -> Ints:
    """Positions of the rows that belong to another parent than the row before."""
    parent = pl.col(PARENT[name])
    changed = frame.select(parent.ne_missing(parent.shift())).to_series().to_numpy().copy()
    changed[:1] = True
    return np.flatnonzero(changed)


def _runs(measured: Measured, values: Floats, rows: Ints) -> Iterator[Finding]:
    recorded = int(np.isfinite(values).sum())
    steps = np.diff(values)
    if recorded < FEWEST_ROWS or (steps < 0).sum() < SORTED * recorded or (steps > 0).sum() < SORTED * recorded:
        return
    ends = np.append(
        np.flatnonzero(values[1:] != values[:-1]), len(values) - 1
    )  # a gap equals nothing, itself included
    lengths = np.diff(ends, prepend=-1)
    longest = int(lengths.max())
    if longest < SHORTEST_RUN:
        return
    counts = pl.Series(values).drop_nans().value_counts()["count"].to_numpy()
    shares = counts / recorded
    for run in np.flatnonzero(lengths >= SHORTEST_RUN):
        length, end = int(lengths[run]), int(ends[run])
        expected = expected_runs(shares, recorded, length)
        if expected >= 1:
            continue
        nearby = np.concatenate(
            [values[max(end - length + 1 - NEARBY, 0) : end - length + 1], values[end + 1 : end + 1 + NEARBY]]
        )
        near = (float((nearby == values[end]).sum()) + 1) / (len(nearby) + 1)
        chance = max(expected, recorded * near**length)
        first, last = int(rows[end - length + 1]), int(rows[end])
        yield Finding(
            "copied down",
            measured.table,
            measured.name,
            f"One and the same value stands in {length} successive rows of different keys (rows {first} to {last}).",
            _ASK_COPIED,
            "rows with one value in a row",
            float(length),
            recorded,
            chance=min(chance, 1.0),
        )


def _equal_measurements(frames: Mapping[str, pl.DataFrame], rows: Rows) -> Iterator[Finding]:
    names = [m.name for m in MEASURED if m.table == "procedures"]
    frame = frames["procedures"].select("patient_id", *names).with_columns(place=pl.int_range(pl.len()))
    full = frame.filter(pl.sum_horizontal(pl.col(n).is_not_null() for n in names) >= FEWEST_MEASURED)
    content = full.select(names).hash_rows(seed=0)
    twice = full.filter(content.is_duplicated()).with_columns(
        patients=pl.col("patient_id").n_unique().over(names), in_all=pl.len().over(names)
    )
    equal = twice.filter(pl.col("patients") > 1)
    if equal.is_empty():
        return
    groups = equal.select(pl.struct(names).n_unique()).item()
    pairs = len(full) * (len(full) - 1) / 2
    alike = float(np.prod([_chance_equal(full[n]) for n in names]))
    expected = DEPENDENCE * pairs * alike
    yield Finding(
        "entered twice",
        "procedures",
        "",
        f"{equal.height:,} procedures of different patients agree with another in every measurement: "
        f"{_listed(rows['procedures'][equal['place'].to_numpy()])}.",
        _ASK_TWICE,
        "procedures",
        float(equal.height),
        full.height,
        chance=poisson_at_least(int(groups), expected),
    )


def _chance_equal(values: pl.Series) -> float:
    """Chance that two rows have the same value, a gap counted as a value."""
    counts = values.value_counts()["count"].to_numpy() / max(len(values), 1)
    return float((counts**2).sum())


def _same_day(frames: Mapping[str, pl.DataFrame], rows: Rows) -> Iterator[Finding]:
    key = pl.struct("patient_id", "procedure_date", "side")
    frame = frames["procedures"].select("patient_id", "procedure_date", "side")
    again = np.flatnonzero(frame.select(~key.is_first_distinct()).to_series().to_numpy())
    if len(again) >= FEWEST_SAME_DAY and len(again) >= SAME_DAY * frame.height:
        yield Finding(
            "same day",
            "procedures",
            "procedure_date",
            f"{len(again):,} procedures have the patient, side and day of another one: {_listed(rows['procedures'][again])}.",
            _ASK_SAME_DAY,
            "procedures",
            float(len(again)),
            frame.height,
            certainty="counted",
        )


def _listed(rows: Ints, most: int = 5) -> str:
    """The first few row numbers in words: "rows 12, 40 and 9 more"."""
    first = ", ".join(str(int(row)) for row in rows[:most])
    more = f" and {len(rows) - most:,} more" if len(rows) > most else ""
    return f"{'row' if len(rows) == 1 else 'rows'} {first}{more}"
