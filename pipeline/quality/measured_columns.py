"""Columns that hold a measurement: the step it is read to, what it is called, and where its median lies in this trade."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.case_tables import Column, table
from pipeline.mapping import UNIT_FACTORS
from pipeline.quality.when_and_where import Places


@dataclass(frozen=True, slots=True)
class Measured:
    """One column. `step` is the last digit that is read, in the column's unit.

    `usual_median` is where the median of a service's rows lies; outside it the unit is doubted. `who`: whom to ask. `digits_told`
    is false where a rounded value is the custom. `zero_is_odd`: a plain 0 stands for "not recorded" more often than for nothing.
    """

    table: str
    name: str
    plural: str
    step: float
    usual_median: tuple[float, float]
    who: str
    digits_told: bool = True
    zero_is_odd: bool = True

    @property
    def column(self) -> Column:
        """The dictionary's column."""
        return table(self.table).column(self.name)

    @property
    def doubted_units(self) -> Iterator[tuple[str, float]]:
        """Other units that the values may be written in, each with the factor to the column's own."""
        for unit, factor in UNIT_FACTORS.get(self.column.unit, {}).items():
            if factor != 1.0:
                yield unit, factor


# Usual medians: common practice in limb-threatening ischemia, no source; wide on purpose.
MEASURED = (
    Measured("lesions", "length_mm", "lengths", 1.0, (30, 350), "whoever measures the lesions on the angiogram"),
    Measured("attempts", "minutes", "attempt minutes", 1.0, (3, 60), "whoever times the attempts"),
    Measured("procedures", "duration_min", "procedure times", 1.0, (20, 300), "whoever times the procedure"),
    Measured("procedures", "fluoroscopy_min", "fluoroscopy times", 1.0, (5, 120), "the radiographers"),
    Measured("procedures", "air_kerma_mgy", "air kerma values", 1.0, (20, 5000), "the radiographers"),
    # Contrast is drawn up and told in steps of 5 or 10 mL, and none is given with carbon dioxide.
    Measured("procedures", "contrast_ml", "contrast volumes", 1.0, (10, 400), "the radiographers", digits_told=False, zero_is_odd=False),
    Measured("procedures", "abi", "ankle-brachial indices", 0.01, (0.2, 1.3), "the vascular laboratory", zero_is_odd=False),
    Measured("procedures", "toe_pressure_mmhg", "toe pressures", 1.0, (10, 100), "the vascular laboratory", zero_is_odd=False),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Values:
    """What is recorded of a measured column: `values` (n,), and the `site` and `cell` of each, -1 for a row of no procedure."""

    measured: Measured
    values: NDArray[np.float64] = field(repr=False)
    site: NDArray[np.int32] = field(repr=False)
    cell: NDArray[np.int32] = field(repr=False)


def recorded_values(frames: Mapping[str, pl.DataFrame], where: Places) -> tuple[Values, ...]:
    """The recorded values of each of MEASURED, in order."""
    sites = {name: np.floor_divide(cells, max(len(where.quarters), 1)) for name, cells in where.cells.items()}
    found = []
    for measured in MEASURED:
        values = frames[measured.table][measured.name].cast(pl.Float64).to_numpy()
        there = np.isfinite(values)
        site, cell = sites[measured.table], where.cells[measured.table]
        found.append(Values(measured, values[there], site[there], cell[there]))
    return tuple(found)
