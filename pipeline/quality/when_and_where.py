"""The site and the quarter of every row of every table, and counts over them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.quality_results import NO_SITE

Ints = NDArray[np.int64]
Cells = NDArray[np.int32]

OTHER_SITES = "smaller sites together"
MOST_SITES = 1000  # beyond it `site_id` is hardly a site; the smallest are counted together
NOWHERE = -1


@dataclass(frozen=True, slots=True)
class Places:
    """`cells[table]` gives for each row of the table site * len(quarters) + quarter, or -1 for a row of no procedure.

    `quarters` are those met, in order, as "2024 Q3". `rows[table]` (sites, quarters) counts its rows. `attempts_made` (lesions,) is
    the number of attempts on each lesion, in the order of the lesions.
    """

    sites: tuple[str, ...]
    quarters: tuple[str, ...]
    cells: Mapping[str, Cells] = field(repr=False)
    rows: Mapping[str, Ints] = field(repr=False)
    attempts_made: Ints = field(repr=False)

    def count(self, table: str, of: NDArray[np.bool_]) -> Ints:
        """The table's rows for which `of` (rows,) is true, by site and quarter (sites, quarters)."""
        return _counted(self.cells[table][of], len(self.sites), len(self.quarters))

    def count_codes(self, table: str, codes: NDArray[np.uint8], number: int) -> Ints:
        """Rows by site, quarter and code (sites, quarters, number); `codes` (rows,) from 0 to number - 1."""
        places = len(self.sites) * len(self.quarters)
        both = (self.cells[table] + 1) * number + codes  # one place more, in front, for rows of no procedure
        counted = np.bincount(both, minlength=(places + 1) * number)[number:]
        return counted.reshape(len(self.sites), len(self.quarters), number).astype(np.int64)


def places(frames: Mapping[str, pl.DataFrame]) -> Places:
    """Sites and quarters of the checked frames.

    Patients are placed by their first procedure, lesions, attempts and complications by theirs, follow-up by the site of the
    patient's first procedure and the quarter of its own event.
    """
    procedures, follow_up = frames["procedures"], frames["follow_up"]
    site = procedures["site_id"].cast(pl.String).fill_null(NO_SITE)
    kept = site.value_counts().sort("count", "site_id", descending=[True, False])["site_id"].head(MOST_SITES)
    if site.n_unique() > MOST_SITES:
        site = pl.select(pl.when(site.is_in(kept.implode())).then(site).otherwise(pl.lit(OTHER_SITES))).to_series()
    sites = site.unique().sort()
    dates = [procedures["procedure_date"], follow_up["event_date"].alias("procedure_date")]
    numbers = [d.dt.year().cast(pl.Int32) * 4 + d.dt.quarter().cast(pl.Int32) - 1 for d in dates]
    met = pl.concat(numbers).drop_nulls().unique().sort()
    site_at = site.cast(pl.Enum(sites)).to_physical().cast(pl.Int32)
    quarter_at = [_positions(number, met) for number in numbers]
    cell = site_at * len(met) + quarter_at[0]
    located = procedures.select("procedure_id", "patient_id", "procedure_date").with_columns(
        cell=cell.alias("cell"), site=site_at.alias("site")
    )
    by_procedure = located.select("procedure_id", "cell")
    lesion_cell = _looked_up(frames["lesions"]["procedure_id"], by_procedure)
    lesions = frames["lesions"].select("lesion_id", place=pl.int_range(pl.len(), dtype=pl.Int32))
    lesion_at = _looked_up(frames["attempts"]["lesion_id"], lesions)
    first = located.sort("procedure_date", maintain_order=True).unique("patient_id", keep="first")
    home = _looked_up(follow_up["patient_id"], first.select("patient_id", "site"))
    cells = {
        "patients": _looked_up(frames["patients"]["patient_id"], first.select("patient_id", "cell")),
        "procedures": cell,
        "lesions": lesion_cell,
        "attempts": lesion_cell.gather(lesion_at),
        "complications": _looked_up(frames["complications"]["procedure_id"], by_procedure),
        "follow_up": home * len(met) + quarter_at[1],
    }
    arrays = {name: values.fill_null(NOWHERE).cast(pl.Int32).to_numpy() for name, values in cells.items()}
    quarters = tuple(f"{number // 4} Q{number % 4 + 1}" for number in met)
    rows = {name: _counted(array, len(sites), len(quarters)) for name, array in arrays.items()}
    made = np.bincount(lesion_at.drop_nulls().to_numpy(), minlength=lesions.height)
    return Places(tuple(sites), quarters, arrays, rows, made)


def _counted(cells: Cells, sites: int, quarters: int) -> Ints:
    counted = np.bincount(cells[cells >= 0], minlength=sites * quarters)
    return counted.reshape(sites, quarters).astype(np.int64)


def _positions(numbers: pl.Series, met: pl.Series) -> pl.Series:
    """Where each quarter stands among those met; null for null."""
    found = met.search_sorted(numbers.fill_null(met[0] if len(met) else 0))
    return pl.select(pl.when(numbers.is_not_null()).then(pl.Series(found).cast(pl.Int32))).to_series()


def _looked_up(keys: pl.Series, table: pl.DataFrame) -> pl.Series:
    """The second column of `table` for each key, by its first; null where there is none."""
    name, value = table.columns
    joined = keys.alias(name).to_frame().join(table, on=name, how="left", maintain_order="left")
    return joined[value]
