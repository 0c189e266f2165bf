"""How much of an answer's weight lies on few lesions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.adjustment_results import WeightSummary
from models.results import Approach, Gate
from models.weights import effective_clusters, effective_n

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Mask = NDArray[np.bool_]

LARGEST_SHARE = 0.05  # of its approach's weight on one lesion; common practice, no source
# Or so many times an equal share, where lesions are so few that an equal share is near the limit; common practice, no source.
TIMES_EQUAL_SHARE = 3.0
HEAVIEST = 0.05  # the share of lesions whose part of the weight is told
ARMS: tuple[tuple[Approach, int], ...] = (("retrograde", 1), ("antegrade", 0))


@dataclass(frozen=True, slots=True)
class ExtremeWeights:
    """One approach's weights by how uneven they are.

    `largest_share` of the total weight is on one lesion, `heaviest_share` on the `heaviest` lesions with the largest weights (a twentieth of them, at least
    one). `largest_over_mean` is the largest weight over the mean one. `variation` is the SD of the weights over their mean: the variance of a risk
    is about 1 + variation^2 times that under equal weights (Kish 1965).
    """

    approach: Approach
    n: int
    largest_share: float
    heaviest: int
    heaviest_share: float
    largest_over_mean: float
    variation: float


def extreme_weights(weight: Floats, treated: Floats) -> tuple[ExtremeWeights, ...]:
    """For each approach that has weight; `weight` and `treated` (n,)."""
    found = []
    for approach, arm in ARMS:
        own = np.sort(weight[treated == arm])[::-1]
        total = float(own.sum())
        if total <= 0:
            continue
        mean = total / len(own)
        heaviest = max(1, round(HEAVIEST * len(own)))
        found.append(
            ExtremeWeights(
                approach,
                len(own),
                float(own[0]) / total,
                heaviest,
                float(own[:heaviest].sum()) / total,
                float(own[0]) / mean,
                float(own.std()) / mean,
            )
        )
    return tuple(found)


def weight_summaries(
    method: str, weight: Floats, treated: Floats, cluster: Integers | None = None, cut: Mask | None = None
) -> tuple[WeightSummary, ...]:
    """What the report's table of weights shows of a weighting, for each approach that has weight.

    `method` as printed; `weight`, `treated` (n,); `cluster` (n,) of patients, None where lesions are not counted by patient; `cut` (n,) the weights that truncation moved.
    """
    found = []
    for approach, arm in ARMS:
        here = treated == arm
        own = weight[here]
        total = float(own.sum())
        if total <= 0:
            continue
        scaled = own * len(own) / total
        low, median, high = (float(q) for q in np.quantile(scaled, [0.01, 0.5, 0.99]))
        found.append(
            WeightSummary(
                method,
                approach,
                len(own),
                effective_n(own),
                None if cluster is None else effective_clusters(own, cluster[here]),
                low,
                median,
                high,
                float(scaled.max()),
                float(own.max()) / total,
                0 if cut is None else int(cut[here].sum()),
            )
        )
    return tuple(found)


def extreme_weight_gate(found: tuple[ExtremeWeights, ...]) -> Gate:
    """A caution where one lesion holds more than a twentieth of its approach's weight, and more than three times an equal share."""
    worst = max(found, key=lambda one: one.largest_share - _limit(one), default=None)
    share, limit = (0.0, LARGEST_SHARE) if worst is None else (worst.largest_share, _limit(worst))
    return Gate(
        "extreme_weights",
        "no single lesion holds much of its approach's weight (largest share of the total; a caution above a twentieth, or above three times an equal "
        "share where lesions are few)",
        share,
        limit,
        "caution" if share > limit else "pass",
        "common practice, no source",
    )


def _limit(one: ExtremeWeights) -> float:
    return max(LARGEST_SHARE, TIMES_EQUAL_SHARE / one.n)
