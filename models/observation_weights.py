"""Weighting for outcomes that are not known of every lesion, together with the weights that make the approaches alike.

A lesion whose outcome is known stands for those like it whose outcome is not: it is weighted by one over its chance of being known,
given the approach and its traits (Robins, Rotnitzky & Zhao 1995, JASA 90:106-121; jointly with treatment weights Hernán, Brumback & Robins 2000,
Epidemiology 11:561-570). Right when, given those, whether the outcome is known does not depend on it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.comparison import MOST_LEVERAGE, SmallSample, Weighted
from models.propensity import Score
from models.results import Population
from models.weights import BalancingWeights, balancing_weights

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Mask = NDArray[np.bool_]


def observation_weights(chance: Floats, observed: Floats, treated: Floats) -> BalancingWeights:
    """P(known | arm) / P(known | arm, traits) for lesions whose outcome is known, 0 for the others, and the derivative by the chance.

    `chance` (n,) in (0, 1), the fitted chance of being known; `observed`, `treated` (n,) of 0 and 1. The share of its arm that is known
    (0 in an arm of none) cancels in a risk and only keeps the weights near 1.
    """
    shares = [float(observed[treated == arm].mean()) if (treated == arm).any() else 0.0 for arm in (0, 1)]
    share = np.where(treated == 1, shares[1], shares[0])
    return BalancingWeights(observed * share / chance, -observed * share / chance**2)


def joint_weights(first: BalancingWeights, second: BalancingWeights) -> Floats:
    """The product of two weights (n,)."""
    return first.weight * second.weight


def observed_risks(
    treated: Floats,
    outcome: Floats,
    observed: Floats,
    cluster: Integers,
    population: Population,
    score: Score,
    observation: Score,
    member: Mask | None = None,
    small_sample: SmallSample = "leverage",
) -> Weighted:
    """Weighted risk by approach where some outcomes are not known, with clustered influence functions that know both models were fitted.

    `outcome` (n,) of 0 and 1 (or a number), anything where `observed` (n,) is 0; `score` of the approach and `observation` of being known (fitted by
    `fit_score` to `observed`, the approach among its terms), both on all n lesions. `member` and `small_sample` as in `models.comparison.weighted_risks`.
    The equations of both models and the two risks are stacked (Stefanski & Boos 2002). Both arms must have a known outcome.
    """
    first = balancing_weights(score.probability, treated, population)
    second = observation_weights(observation.probability, observed, treated)
    known = np.where(observed == 1, outcome, 0.0)
    inside = np.ones_like(treated) if member is None else member.astype(np.float64)
    risks: list[float] = []
    influences: list[Floats] = []
    for arm in (1, 0):
        here = inside * (treated == arm)
        pull = here * joint_weights(first, second)
        total = float(pull.sum())
        risk = float(pull @ known) / total
        gap = here * (known - risk) / total
        own = pull * (known - risk) / total
        own += _drift(score, gap * first.slope * second.weight, treated)
        own += _drift(observation, gap * first.weight * second.slope, observed)
        if small_sample == "leverage":
            own /= np.sqrt(1.0 - np.minimum(score.leverage + observation.leverage, MOST_LEVERAGE))
        risks.append(risk)
        influences.append(np.bincount(cluster, own).astype(np.float64))
    return Weighted(risks[0], risks[1], influences[0], influences[1])


def _drift(score: Score, steep: Floats, response: Floats) -> Floats:
    """What each lesion's row of a fitted model adds, `steep` (n,) being the derivative of the risk's sum by the fitted probability."""
    e = score.probability
    direction = np.linalg.solve(score.fit.information, score.design.matrix @ (steep * e * (1.0 - e)))
    return np.asarray((direction @ score.design.matrix) * score.residual(response), dtype=np.float64)
