"""An outcome model that can be fitted: terms that predict the outcome perfectly left out, and said so.

An operator whose every wire crossed has an infinite coefficient (separation: Albert & Anderson 1984, Biometrika 71:1-10). The lesions stay;
the model treats them as those of the reference level.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.outcome_model import fit_outcome
from models.propensity import Design

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

LEFT_OUT = "levels in which the outcome does not vary left out of the outcome model"
LEFT_OUT_PRODUCTS = "levels in which the outcome does not vary, and combinations, left out of the outcome model"


@dataclass(frozen=True, slots=True)
class Fittable:
    """Rows of the design, (k,), that a logistic model of the outcome can hold, with what was left out in words ("" for nothing)."""

    rows: Integers
    remark: str


def fittable(design: Design, treated: Floats, outcome: Floats) -> Fittable:
    """The richest of three designs that can be fitted with the approach: all terms; without perfect levels; without combinations either.

    All terms where none of the three can: the method then says itself why there is no answer. `treated`, `outcome` (n,) of 0 and 1.
    """
    everything = np.arange(len(design.terms))
    sound = np.array([j for j in everything if not _is_perfect(design.matrix[j], outcome)], dtype=np.int64)
    single = np.array([j for j in sound if " x " not in design.terms[j].of], dtype=np.int64)
    for rows, remark in ((everything, ""), (sound, LEFT_OUT), (single, LEFT_OUT_PRODUCTS)):
        if fit_outcome(np.vstack([design.matrix[rows], treated]), outcome).failed_because is None:
            return Fittable(rows, remark)
    return Fittable(everything, "")


def _is_perfect(line: Floats, outcome: Floats) -> bool:
    """Whether a term of two values has one in which the outcome does not vary."""
    low, high = line.min(), line.max()
    on = line == high
    if low == high or not bool((on | (line == low)).all()):
        return False
    return bool(np.ptp(outcome[on]) == 0 or np.ptp(outcome[~on]) == 0)
