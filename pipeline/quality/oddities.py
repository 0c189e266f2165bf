"""Every look for what is odd in the checked tables, in the order in which it is told."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import polars as pl

from models.quality_results import Oddity
from pipeline.quality.measured_columns import Values
from pipeline.quality.odd_codes import sudden_changes, sudden_gaps
from pipeline.quality.odd_copies import Rows, copied_down, entered_twice, equal_neighbors
from pipeline.quality.odd_dates import odd_dates
from pipeline.quality.odd_findings import as_oddities
from pipeline.quality.odd_units import doubtful_units
from pipeline.quality.odd_values import digit_preferences, odd_ages, zeros
from pipeline.quality.tallies import Tally
from pipeline.quality.when_and_where import Places


def oddities(
    frames: Mapping[str, pl.DataFrame],
    where: Places,
    tallies: Sequence[Tally],
    measurements: Sequence[Values],
    rows: Rows,
) -> tuple[tuple[Oddity, ...], int]:
    """What looks odd, what could change the comparison first; and how many comparisons were made to find it.

    `rows` gives the row number in the file of every used row, by table.
    """
    looked = (
        doubtful_units(measurements, where),
        sudden_gaps(tallies, where),
        sudden_changes(tallies, where),
        odd_dates(frames, where),
        odd_ages(frames),
        equal_neighbors(frames, rows),
        copied_down(frames, rows),
        entered_twice(frames, rows),
        digit_preferences(measurements, where),
        zeros(frames),
    )
    return as_oddities([f for found in looked for f in found.findings]), sum(found.looks for found in looked)
