"""Whether measurements end in 0 or 5 more often than measuring would give."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

STEP = 5
HALF = STEP // 2
# Values at which a thing stops: a time after which one gives up, an artery's whole length. They stand out one by one and say
# nothing of the last digit. Ours, no source.
MOST_LIMITS = 6
NEARLY_ALL = 0.9  # share of multiples of five that no limits could make
FEWEST_LEFT = 50  # values that must remain, at the least, for the index to say anything; ours, no source


@dataclass(frozen=True, slots=True)
class DigitPreference:
    """`index` is 100 without any preference and 500 where every value is a multiple of five.

    `share_0` and `share_5` (0-1) are of all values; 0.1 each is expected. `p_value` is one-sided, for no preference.
    """

    n: int
    index: float
    share_0: float
    share_5: float
    p_value: float


def digit_preference(values: Ints) -> DigitPreference | None:
    """Preference for the last digits 0 and 5 among whole, non-negative `values` (n,); None when there are too few.

    Whipple's index: of the values around each multiple of five (two below to two above it, as ages 23 to 62 stand around 25
    to 60), five times the share that lie on it, times 100 (United Nations, Demographic Yearbook 1955; its classes, from
    memory: 125 to 175 rough, above 175 very rough). Windows centered on the multiples cancel any slope of the distribution.
    The MOST_LIMITS windows with the largest excess are left out first, so that a preference must be spread over more values than that;
    this can only lower the index. Where nearly all values are multiples of five nothing is left out. The p-value is the upper tail of the binomial with probability 1/5.
    """
    if len(values) == 0:
        return None
    counts = np.bincount(values)
    last = (len(counts) - 1) // STEP + 1
    padded = np.zeros(last * STEP + HALF + 1, dtype=np.int64)
    padded[: len(counts)] = counts
    windows = padded[STEP - HALF :].reshape(last, STEP)
    on, around = windows[:, HALF], windows.sum(axis=1)
    keep = ~_limits(on, around) if on.sum() < NEARLY_ALL * around.sum() else np.ones(last, dtype=np.bool_)
    hits, n = int(on[keep].sum()), int(around[keep].sum())
    if n < FEWEST_LEFT:
        return None
    at_0, at_5 = counts[::10].sum(), counts[5::10].sum()
    return DigitPreference(
        n=len(values),
        index=100.0 * STEP * hits / n,
        share_0=float(at_0 / len(values)),
        share_5=float(at_5 / len(values)),
        p_value=_at_least(hits, n),
    )


def _limits(on: Ints, around: Ints) -> Flags:
    """The few windows in which the multiple itself holds most more than its fifth."""
    excess = on - around / STEP
    marked = np.zeros(len(on), dtype=np.bool_)
    marked[np.argsort(-excess, kind="stable")[:MOST_LIMITS]] = True
    return np.logical_and(marked, excess > 0)


def _at_least(hits: int, n: int) -> float:
    """Chance of at least `hits` of `n` at one in five."""
    return 1.0 if hits == 0 else float(betainc(hits, n - hits + 1, 1 / STEP))
