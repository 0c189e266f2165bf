"""Balancing weights: each turns the two groups into samples of one and the same population.

Beside the plain weights: stabilized, truncated (cut off at quantiles), and trimming (lesions left out whose score is extreme).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.results import Population

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Where truncation cuts unless told otherwise: Cole & Hernán 2008, Am J Epidemiol 168:656-664, table 4.
LOWER_QUANTILE, UPPER_QUANTILE = 0.01, 0.99
# Scores beyond which lesions are trimmed: the rule of thumb of Crump, Hotz, Imbens & Mitnik 2009, Biometrika 96:187-199, section 5.
LOWEST_SCORE, HIGHEST_SCORE = 0.1, 0.9


@dataclass(frozen=True, slots=True)
class BalancingWeights:
    """Weights (n,) for the arm each lesion is in, and their derivative with respect to the score (n,)."""

    weight: Floats
    slope: Floats


@dataclass(frozen=True, slots=True)
class Truncated:
    """Weights cut off at `lowest` and `highest`; `cut` (n,) tells which lesions' were moved."""

    weights: BalancingWeights
    lowest: float
    highest: float
    cut: Mask


@dataclass(frozen=True, slots=True)
class CommonSupport:
    """Scores that both approaches reach, limits included, and which lesions (n,) have one."""

    lowest: float
    highest: float
    member: Mask


def balancing_weights(score: Floats, treated: Floats, population: Population) -> BalancingWeights:
    """Weights h(e)/e for the treated and h(e)/(1-e) for the others (Li, Morgan & Zaslavsky 2018, JASA 113:390-400, eq 3).

    `overlap` h = e(1-e); `all` h = 1 (inverse probability); `treated` h = e; `observed` no weighting. `score` (n,) in (0, 1), `treated` (n,)
    of 0 and 1.
    """
    ones = np.ones_like(score)
    if population == "overlap":
        return BalancingWeights(np.where(treated == 1, 1 - score, score), np.where(treated == 1, -ones, ones))
    if population == "all":
        return BalancingWeights(
            np.where(treated == 1, 1 / score, 1 / (1 - score)),
            np.where(treated == 1, -1 / score**2, 1 / (1 - score) ** 2),
        )
    if population == "treated":
        return BalancingWeights(
            np.where(treated == 1, ones, score / (1 - score)), np.where(treated == 1, 0.0, 1 / (1 - score) ** 2)
        )
    return BalancingWeights(ones, np.zeros_like(score))


def stabilized_weights(score: Floats, treated: Floats) -> BalancingWeights:
    """Inverse-probability weights times the share of lesions in their arm: P(A = a) / P(A = a | x), of mean about 1.

    Robins, Hernán & Brumback 2000, Epidemiology 11:550-560. Within an arm they are the plain weights times a constant, so weighted risks and their
    intervals are the same; what changes is how large they look, and where quantiles over both arms cut. Arguments as in `balancing_weights`.
    """
    plain = balancing_weights(score, treated, "all")
    share = float(treated.mean())
    own = np.where(treated == 1, share, 1.0 - share)
    return BalancingWeights(plain.weight * own, plain.slope * own)


def truncate(
    weights: BalancingWeights, lower_quantile: float = LOWER_QUANTILE, upper_quantile: float = UPPER_QUANTILE
) -> Truncated:
    """Weights below and above the given quantiles of all weights, both arms together, set to those quantiles (Cole & Hernán 2008).

    A weight that is cut off no longer moves with the score: its slope is zero, which is how an interval knows. The limits themselves are taken as
    fixed. Truncation buys a narrower interval with some bias: cut weights no longer balance the groups. Quantiles are linear between order statistics.
    """
    lowest, highest = (float(q) for q in np.quantile(weights.weight, [lower_quantile, upper_quantile]))
    cut = (weights.weight < lowest) | (weights.weight > highest)
    held = BalancingWeights(np.clip(weights.weight, lowest, highest), np.where(cut, 0.0, weights.slope))
    return Truncated(held, lowest, highest, cut)


def within_scores(score: Floats, lowest: float = LOWEST_SCORE, highest: float = HIGHEST_SCORE) -> Mask:
    """Which lesions stay when those with a score below `lowest` or above `highest` are trimmed (Crump et al. 2009).

    What is then compared is another, narrower population, whose limits an interval takes as fixed. A score fitted anew to those who stay
    balances them better (Li, Thomas & Li 2019, Am J Epidemiol 188:250-257).
    """
    return np.asarray((score >= lowest) & (score <= highest), dtype=np.bool_)


def common_support(score: Floats, treated: Floats) -> CommonSupport | None:
    """Scores from the larger of the two arms' smallest to the smaller of their largest (Dehejia & Wahba 1999, JASA 94:1053-1062).

    None when an arm is empty. When the arms' scores do not meet at all, no lesion is a member and `lowest` is above `highest`.
    """
    arms = [score[treated == arm] for arm in (1, 0)]
    if not all(len(arm) for arm in arms):
        return None
    lowest = float(max(arm.min() for arm in arms))
    highest = float(min(arm.max() for arm in arms))
    return CommonSupport(lowest, highest, within_scores(score, lowest, highest))


def effective_n(weight: Floats) -> float:
    """Kish's (1965) effective sample size, (sum w)^2 / sum w^2; 0 for no weight at all."""
    total = float(weight.sum())
    return total**2 / float((weight**2).sum()) if total > 0 else 0.0


def effective_clusters(weight: Floats, cluster: NDArray[np.int64]) -> float:
    """Kish's size with each cluster's weight summed first: as if lesions of one patient were one observation.

    `weight` (n,), `cluster` (n,) of non-negative integers.
    """
    return effective_n(np.bincount(cluster, weight).astype(np.float64))
