"""What a patient's other lesions tell of a trait of this one, lesion after lesion.

The chance of a patient's values together is that of the first, times that of the second given the first, and so on. So a patient's lesions are put in an order, those
with the trait recorded first, and each has only earlier ones among its predictors: the fit is one of a joint model, the draws of a patient's several gaps come
one after the other from that model, and no draw leans on one of the last sweep. (A fit of each lesion on all others of the patient would leave chains that wander:
where a patient has no value recorded, its draws would only follow each other, and hide how uncertain the mean is.)

Of m earlier values with sum s above the mean the predictors are s / (m + 1) and m / (m + 1). With a patient effect the best prediction is mean + r s / (1 + r (m - 1)),
r the correlation within patients: at r = 1/2 the first predictor has that form exactly, at other r nearly, its coefficient being fitted. The second takes up that the
mean is not the one that was taken off. What other traits of siblings tell is not in the model, but for the approach, the outcomes and the caller's other columns: so
draws of a patient without any value come out a little less alike than recorded values are (0.42 to 0.45 in our simulations where 0.5 is true).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

MOST_WAVES = 8  # gaps of a patient that are drawn one after the other; the ninth goes along with the first


@dataclass(frozen=True, slots=True)
class Siblings:
    """Predictors from a patient's other units (lesions, procedures) for a trait with w lines.

    `recorded` (w + 1, u): those of units with the trait recorded, from earlier such ones; zero for others. For the g units without it `sums` (w, g) and
    `counts` (g,) over the patient's recorded ones, and `waves`, places among the g: in each no patient comes twice, as far as MOST_WAVES of them go.
    """

    recorded: Floats
    sums: Floats
    counts: Floats
    waves: tuple[Integers, ...]

    def first(self, units: int, gaps: int) -> Siblings:
        """The same of the first units, which have the first `gaps` gaps."""
        waves = tuple(wave[wave < gaps] for wave in self.waves)
        return Siblings(self.recorded[:, :units], self.sums[:, :gaps], self.counts[:gaps], waves)


def make_siblings(lines: Floats, known: NDArray[np.bool_], patient: Integers) -> Siblings:
    """From the trait's `lines` (w, u), whether it is `known` (u,) and the unit's `patient` (u,)."""
    w, u = lines.shape
    there, gaps = np.flatnonzero(known), np.flatnonzero(~known)
    recorded = np.zeros((w + 1, u))
    order = np.argsort(patient[there], kind="stable")
    inline = there[order]
    start = _starts(patient[inline])
    before = np.concatenate([np.zeros((w, 1)), np.cumsum(lines[:, inline], axis=1)], axis=1)
    earlier = np.arange(len(inline)) - start
    # A sum up to here less the sum up to the patient's first is zero for the first itself, whatever the rounding.
    sums = before[:, :-1] - before[:, start]
    recorded[:, inline] = predictors(sums, earlier.astype(np.float64))
    patients = int(patient.max(initial=-1)) + 1
    totals = np.zeros((w, patients))
    for total, line in zip(totals, lines, strict=True):
        total[:] = np.bincount(patient[there], line[there], patients)
    counts = np.bincount(patient[there], minlength=patients).astype(np.float64)
    order = np.argsort(patient[gaps], kind="stable")
    rank = np.empty(len(gaps), dtype=np.int64)
    rank[order] = (np.arange(len(gaps)) - _starts(patient[gaps][order])) % MOST_WAVES
    waves = tuple(np.flatnonzero(rank == j) for j in range(int(rank.max(initial=-1)) + 1))
    return Siblings(recorded, totals[:, patient[gaps]], counts[patient[gaps]], waves)


def predictors(sums: Floats, counts: Floats) -> Floats:
    """(w + 1, g) from `sums` (w, g) over `counts` (g,) other units."""
    return np.concatenate([sums, counts[None, :]]) / (counts + 1.0)


def _starts(inline: Integers) -> Integers:
    """For each of a sorted line of codes the place of the first one like it."""
    place = np.arange(len(inline))
    first = np.r_[True, inline[1:] != inline[:-1]][: len(inline)]
    return np.maximum.accumulate(np.where(first, place, 0))
