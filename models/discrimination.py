"""How well a score tells two groups apart: the c-statistic, its interval, and the difference between two scores' on the same lesions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from models.intervals import z_value

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Discrimination:
    """The c-statistic with its variance and Wald interval, cut to 0 and 1."""

    c: float
    variance: float
    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class DiscriminationGap:
    """First c-statistic less the second, with its variance, interval and two-sided p-value (None where the two cannot differ)."""

    difference: float
    variance: float
    lower: float
    upper: float
    p_value: float | None


def discrimination(score: Floats, outcome: Floats, level: float, cluster: Integers | None = None) -> Discrimination:
    """The chance that a lesion with the outcome scores higher than one without, ties halved (DeLong, DeLong & Clarke-Pearson 1988, Biometrics 44:837-845).

    `score` (n,), `outcome` (n,) of 0 and 1, both values present. With `cluster` (n,) contributions are summed by cluster first (Obuchowski 1997, Biometrics 53:567-578).
    """
    c, parts = _parts(score, outcome)
    variance = _variance(parts, cluster)
    half = z_value(level) * float(np.sqrt(variance))
    return Discrimination(c, variance, max(0.0, c - half), min(1.0, c + half))


def discrimination_gap(
    first: Floats, second: Floats, outcome: Floats, level: float, cluster: Integers | None = None
) -> DiscriminationGap:
    """The difference of two scores' c-statistics on the same lesions, by the same authors; arguments as in `discrimination`."""
    (c_first, parts_first), (c_second, parts_second) = _parts(first, outcome), _parts(second, outcome)
    gap = c_first - c_second
    variance = _variance(parts_first - parts_second, cluster)
    error = float(np.sqrt(variance))
    half = z_value(level) * error
    p_value = float(2 * ndtr(-abs(gap) / error)) if error > 0 else None
    return DiscriminationGap(gap, variance, gap - half, gap + half, p_value)


def _parts(score: Floats, outcome: Floats) -> tuple[float, Floats]:
    """The c-statistic and each lesion's contribution to its error, (n,), scaled so that their squares sum to DeLong's variance."""
    events = outcome == 1
    n1, n0 = int(events.sum()), int((~events).sum())
    # A lesion's placement: the share of the other group that it beats, from its rank among all less that within its own group.
    placement = np.empty(len(score))
    overall = _ranks(score)
    placement[events] = (overall[events] - _ranks(score[events])) / n0
    placement[~events] = 1 - (overall[~events] - _ranks(score[~events])) / n1
    c = float(placement[events].mean())
    size = np.where(events, n1, n0)
    return c, (placement - c) / np.sqrt(size * np.maximum(size - 1.0, 1.0))


def _variance(parts: Floats, cluster: Integers | None) -> float:
    summed = parts if cluster is None else np.bincount(cluster, parts)
    return float(summed @ summed)


def _ranks(values: Floats) -> Floats:
    """Ranks from 1, ties sharing their middle."""
    _, inverse, counts = np.unique(values, return_inverse=True, return_counts=True)
    return np.asarray((np.cumsum(counts) - (counts - 1) / 2.0)[inverse], dtype=np.float64)
