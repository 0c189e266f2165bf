"""Quarters as a reader looks at them: the latest one by one, earlier ones by the year."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]

QUARTERS_SHOWN = 8
YEARS_SHOWN = 4


@dataclass(frozen=True, slots=True)
class Periods:
    """`labels` in order of time. `of_quarter` (quarters,) is the position of each quarter's period, -1 for one of none."""

    labels: tuple[str, ...]
    of_quarter: Ints = field(repr=False)

    def gathered(self, by_quarter: Ints) -> Ints:
        """Counts by site and quarter (sites, quarters) as counts by site and period (sites, periods)."""
        gathered = np.zeros((by_quarter.shape[0], len(self.labels)), dtype=np.int64)
        for quarter in np.flatnonzero(self.of_quarter >= 0):
            gathered[:, self.of_quarter[quarter]] += by_quarter[:, quarter]
        return gathered


def periods(quarters: tuple[str, ...], procedures: Ints) -> Periods:
    """The periods of `quarters` ("2024 Q3", in order), from the first to the last with a procedure (`procedures`, (quarters,))."""
    met = np.flatnonzero(procedures)
    of_quarter = np.full(len(quarters), -1, dtype=np.int64)
    labels: list[str] = []
    if len(met):
        singly = set(met[-QUARTERS_SHOWN:].tolist())
        years = [quarters[q][:4] for q in met if q not in singly]
        first_shown = sorted(set(years))[-YEARS_SHOWN:][0] if years else ""
        for quarter in met.tolist():
            year = quarters[quarter][:4]
            label = quarters[quarter]
            if quarter not in singly:
                rest = any(quarters[q][:4] == year for q in singly)
                label = f"before {first_shown}" if year < first_shown else f"earlier {year}" if rest else year
            if label not in labels:
                labels.append(label)
            of_quarter[quarter] = labels.index(label)
    return Periods(tuple(labels), of_quarter)
