"""Balancing weights: each turns the two groups into samples of one and the same population."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.results import Population

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class BalancingWeights:
    """Weights (n,) for the arm each lesion is in, and their derivative with respect to the score (n,)."""

    weight: Floats
    slope: Floats


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


def effective_n(weight: Floats) -> float:
    """Kish's (1965) effective sample size, (sum w)^2 / sum w^2; 0 for no weight at all."""
    total = float(weight.sum())
    return total**2 / float((weight**2).sum()) if total > 0 else 0.0


def effective_clusters(weight: Floats, cluster: NDArray[np.int64]) -> float:
    """Kish's size with each cluster's weight summed first: as if lesions of one patient were one observation.

    `weight` (n,), `cluster` (n,) of non-negative integers.
    """
    return effective_n(np.bincount(cluster, weight).astype(np.float64))
