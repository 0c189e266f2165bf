"""Measurements that may be in another unit than their column's: as a whole, at one site, or for some quarters."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import log

import numpy as np
from numpy.typing import NDArray

from models.quality_results import NO_SITE
from pipeline.quality.measured_columns import Measured, Values
from pipeline.quality.odd_findings import Finding, Found
from pipeline.quality.when_and_where import Places

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

FEWEST_FOR_MEDIAN = 10  # ours, no source
ANOTHER_UNIT = 4.0  # times the median of the other sites, or of the other quarters; ours, no source

_ASK_UNIT = 'Ask the data manager in which unit it is exported, and state it in the mapping: [{table}.units] {column} = "{unit}".'
_ASK_UNIT_PARTLY = "Ask the data manager in which unit these rows are, and have all exported in one: the mapping has one unit for a column."


def doubtful_units(measurements: Sequence[Values], where: Places) -> Found:
    """Columns whose median lies where no service's does, sites far from the others, and quarters far from the site's other ones."""
    found: list[Finding] = []
    looks = 0
    for column in measurements:
        measured, values = column.measured, column.values
        if len(values) < FEWEST_FOR_MEDIAN:
            continue
        looks += 1
        whole = float(np.median(values))
        if not _usual(measured, whole):
            found.append(_doubt(measured, whole, None, "", "", len(values), "", ""))
            continue
        means = _Means(column, where)
        found += _sites_and_quarters(column, means, where)
        looks += means.looks
    return Found(tuple(found), looks)


class _Means:
    """Means of the logarithm by site, and by site and quarter; NaN where fewer than FEWEST_FOR_MEDIAN values above 0 are.

    A unit is a factor, so it moves these by its logarithm; and they take one pass where medians take a sort.
    """

    def __init__(self, column: Values, where: Places) -> None:
        sites, quarters = len(where.sites), max(len(where.quarters), 1)
        placed = (column.cell >= 0) & (column.values > 0)
        cell = column.cell[placed]
        n = np.bincount(cell, minlength=sites * quarters).reshape(sites, quarters)
        logs: Floats = np.log(column.values[placed])
        total: Floats = np.bincount(cell, logs, minlength=sites * quarters).astype(np.float64).reshape(sites, quarters)
        self.by_quarter = self._mean(total, n)
        self.by_site = self._mean(total.sum(axis=1), n.sum(axis=1))
        self.looks = int(np.isfinite(self.by_site).sum() + np.isfinite(self.by_quarter).sum())

    @staticmethod
    def _mean(total: Floats, n: Ints) -> Floats:
        return np.where(n >= FEWEST_FOR_MEDIAN, total / np.maximum(n, 1), np.nan)


def _sites_and_quarters(column: Values, means: _Means, where: Places) -> Iterator[Finding]:
    """Sites whose unit seems to change at a quarter; then, of those that keep theirs, the ones far from the others."""
    quarters = max(len(where.quarters), 1)
    by_site = means.by_site.copy()
    for site in np.flatnonzero(_may_be_far(means.by_quarter).any(axis=1)).tolist():
        stretch = _odd_stretch(column, means.by_quarter[site], site * quarters)
        if stretch is not None:
            by_site[site] = np.nan
            yield _in_a_stretch(column, site, *stretch, where)
    for site in np.flatnonzero(_may_be_far(by_site[None, :])[0]).tolist():
        if _far(by_site, site):
            here = column.site == site
            median, usual = float(np.median(column.values[here])), float(np.median(column.values[~here]))
            # Of two sites that differ, the one whose median is usual is not the one to ask.
            if not _usual(column.measured, median) or _usual(column.measured, usual):
                name = where.sites[site]
                yield _doubt(column.measured, median, usual, "here", "at the other sites", int(here.sum()), name, "")


def _in_a_stretch(column: Values, site: int, first: int, last: int, where: Places) -> Finding:
    quarters = len(where.quarters)
    here = column.site == site
    then = here & (column.cell >= site * quarters + first) & (column.cell <= site * quarters + last)
    median, usual = float(np.median(column.values[then])), float(np.median(column.values[here & ~then]))
    when = where.quarters[first]
    until = " on" if last == quarters - 1 else "" if last == first else f" to {where.quarters[last]}"
    told = f"{'from' if until else 'in'} {when}{until}"
    name = "" if where.sites == (NO_SITE,) else where.sites[site]
    return _doubt(column.measured, median, usual, told, "otherwise", int(then.sum()), name, when)


def _odd_stretch(column: Values, means: Floats, first_cell: int) -> tuple[int, int] | None:
    """The first and last quarter between two jumps of a site's mean: an unusual stretch before a usual one, a short before a long one.

    None where the site's mean does not jump.
    """
    met = np.flatnonzero(np.isfinite(means))
    jumps = np.flatnonzero(np.abs(np.diff(means[met])) >= log(ANOTHER_UNIT)) + 1
    if not len(jumps):
        return None
    starts, ends = [0, *jumps.tolist()], [*(jumps - 1).tolist(), len(met) - 1]
    last = len(means) - 1
    stretches = [(int(met[s]), last if e == len(met) - 1 else int(met[e])) for s, e in zip(starts, ends, strict=True)]

    def rank(stretch: tuple[int, int]) -> tuple[bool, int]:
        inside = (column.cell >= first_cell + stretch[0]) & (column.cell <= first_cell + stretch[1])
        return _usual(column.measured, float(np.median(column.values[inside]))), int(inside.sum())

    return min(stretches, key=rank)


def _may_be_far(means: Floats) -> NDArray[np.bool_]:
    """Where a look is worth the while: half as far from the middle of its row as is told, itself included in the middle."""
    there = np.isfinite(means).any(axis=1)
    middle = np.full((len(means), 1), np.nan)
    middle[there] = np.nanmedian(means[there], axis=1, keepdims=True)
    return np.asarray(np.abs(means - middle) >= log(ANOTHER_UNIT) / 2)


def _far(means: Floats, place: int) -> bool:
    """Whether one mean is far from the middle one of the others."""
    mine, others = means[place], np.delete(means, place)
    if not np.isfinite(mine) or not np.isfinite(others).any():
        return False
    return bool(abs(mine - np.nanmedian(others)) >= log(ANOTHER_UNIT))


def _usual(measured: Measured, median: float) -> bool:
    return measured.usual_median[0] <= median <= measured.usual_median[1]


def _doubt(
    measured: Measured, median: float, usual: float | None, when: str, elsewhere: str, n: int, site: str, quarter: str
) -> Finding:
    unit = measured.column.unit
    low, high = measured.usual_median
    rest = f"{low:g} to {high:g} would be usual" if usual is None else f"{_plain(usual)} {elsewhere}"
    told = f"The median is {_plain(median)}{' ' + unit if unit else ''}{' ' + when if when else ''}; {rest}."
    guess = _guess(measured, median, (low * high) ** 0.5 if usual is None else usual)
    if guess:
        told += f" Taken as {guess} it would be {_plain(median * dict(measured.doubted_units)[guess])} {unit}."
    ask = _ASK_UNIT.format(table=measured.table, column=measured.name, unit=guess or "...")
    if usual is not None:
        ask = _ASK_UNIT_PARTLY
    if not unit:
        ask = f"Ask {measured.who} how it is written: as a ratio (0.6) or in percent (60)?"
    return Finding(
        "doubtful unit",
        measured.table,
        measured.name,
        told,
        ask,
        "median",
        median,
        n,
        site=site,
        quarter=quarter,
        certainty="worth a look",
        urgent=True,
    )


def _guess(measured: Measured, median: float, usual: float) -> str:
    """The unit in which the median would come nearest to `usual`, and near enough; "" for none."""
    if median <= 0 or usual <= 0:
        return ""
    off = {unit: abs(log(median * factor / usual)) for unit, factor in measured.doubted_units}
    best = min(off, key=lambda unit: off[unit], default="")
    return best if best and off[best] < log(ANOTHER_UNIT) else ""


def _plain(value: float) -> str:
    return f"{value:,.0f}" if abs(value) >= 20 else f"{value:.3g}"
