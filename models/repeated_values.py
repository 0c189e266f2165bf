"""How many runs of one and the same value chance would give, and how many rows equal to a neighbor."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammainc

Floats = NDArray[np.float64]


def expected_runs(shares: Floats, rows: int, length: int) -> float:
    """Expected number of runs of at least `length` equal values among `rows` values in random order.

    `shares` (k,) are the shares (0-1) of the k different values. A run starts at the first row or where another value stood before:
    p^length (1 + (n - length) (1 - p)), added up over the values (as for runs of heads: Schilling 1990, College Mathematics
    Journal 21:196-207). By Markov's inequality it bounds the chance that there is any such run.
    """
    return float(np.sum(shares**length * (1.0 + max(rows - length, 0) * (1.0 - shares))))


def poisson_at_least(count: int, expected: float) -> float:
    """Chance of `count` or more where `expected` are, of a Poisson number; 1 for a count of 0."""
    return 1.0 if count == 0 else float(gammainc(count, expected))
