"""The weighted comparison of two approaches on a yes/no endpoint, with an interval that knows what was estimated.

Stacked M-estimation (Stefanski & Boos 2002, Am Stat 56:29-38): the score's coefficients and the two weighted risks solve one system, so
the risks' influence functions carry the score's estimation. For weights w(e) with derivative w'(e), arm indicator A and
outcome Y, the risk m = sum(w A Y) / sum(w A) has influence

    u_i = [w_i A_i (Y_i - m) + (A_i* - e_i) x_i' H^-1 D] / W,   D = sum w' e(1-e) A (Y - m) x,   H = sum e(1-e) x x',

with A* the treatment, W = sum(w A) (Lunceford & Davidian 2004, Stat Med 23:2937-2960; Li, Thomas & Li 2019, Am J Epidemiol 188:250-257). Influences are summed
within clusters before squaring, so lesions of one patient need not be independent.

u_i is what is left of a lesion's own term after projection on the score's contributions (a_i - e_i) x_i, with a projection
estimated from the same lesions: like the residuals of a regression it comes out too small, by its leverage. With fifty terms and a
few hundred lesions that costs two points of coverage, so each u_i is divided by sqrt(1 - leverage) (the HC2 form: MacKinnon & White
1985, J Econometrics 29:305-325; Bell & McCaffrey 2002). The correction vanishes as lesions grow.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from models.intervals import TwoByTwo, sparse_effects, wilson, z_value
from models.propensity import Score
from models.results import Approach, ArmRisk, Effect, Measure, Population
from models.weights import BalancingWeights, balancing_weights, effective_clusters, effective_n

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Mask = NDArray[np.bool_]

SmallSample = Literal["none", "leverage"]

# A lesion with more leverage fits its own score; without a ceiling its division would swamp all others.
MOST_LEVERAGE = 0.8

# Groups whose influence functions are worked out together, and the numbers (64 MB) that each array of them may hold.
MOST_GROUPS_AT_ONCE = 16
MOST_NUMBERS_AT_ONCE = 1 << 23


@dataclass(frozen=True, slots=True)
class Weighted:
    """Two weighted risks and their influence functions summed by cluster, (clusters,)."""

    risk_1: float
    risk_0: float
    influence_1: Floats
    influence_0: Floats


@dataclass(frozen=True, slots=True)
class Estimated:
    """Both arms and the three effects. `sparse` tells that small-cell intervals were used."""

    retrograde: ArmRisk
    antegrade: ArmRisk
    effects: tuple[Effect, Effect, Effect]
    sparse: bool


def weighted_risks(
    treated: Floats,
    outcome: Floats,
    cluster: Integers,
    population: Population,
    score: Score | None,
    member: Mask | None = None,
    small_sample: SmallSample = "leverage",
    weights: BalancingWeights | None = None,
) -> Weighted:
    """Weighted risk of the outcome by approach with clustered influence functions.

    `treated`, `outcome` (n,) of 0 and 1 (a number gives means in place of risks); `cluster` (n,) numbered from 0; `score` fitted on the same n rows, or
    None for no weighting; `member` (n,) picks the lesions compared (a profile), the score staying the service's. Both arms must have weight.
    `small_sample` "none" leaves out the division by leverage (the plain sandwich of the papers). `weights` stand in for those of the population (truncated,
    say): functions of the score as their slope tells, or known when `score` is None.
    """
    weights = weights or _weights(treated, population, score)
    members = (_everyone(treated) if member is None else member,)
    return next(risks_within(treated, outcome, cluster, weights, score, members, small_sample))


def compare_risks(
    treated: Floats,
    outcome: Floats,
    cluster: Integers,
    population: Population,
    score: Score | None,
    level: float,
    sparse_cell: float,
    member: Mask | None = None,
    small_sample: SmallSample = "leverage",
    weights: BalancingWeights | None = None,
) -> Estimated:
    """Risk difference, risk ratio and odds ratio with intervals at `level`, as `compare_within` for one group of lesions."""
    members = (_everyone(treated) if member is None else member,)
    return compare_within(
        treated, outcome, cluster, population, score, level, sparse_cell, members, small_sample, weights
    )[0]


def compare_within(
    treated: Floats,
    outcome: Floats,
    cluster: Integers,
    population: Population,
    score: Score | None,
    level: float,
    sparse_cell: float,
    members: Sequence[Mask],
    small_sample: SmallSample = "leverage",
    weights: BalancingWeights | None = None,
) -> list[Estimated]:
    """Risk difference, risk ratio and odds ratio with intervals at `level`, within each of `members` (lesion profiles, say).

    Wald intervals on the difference, the log ratio and the log odds ratio, with the variance times G/(G-1) for G clusters. Where an
    effective cell holds fewer than `sparse_cell` (events or non-events, clusters counted as one observation each),
    the intervals of `models.intervals.sparse_effects` on effective counts, which are finite for any table. Arguments as in `weighted_risks`.
    """
    if not members:
        return []
    weights = weights or _weights(treated, population, score)
    risks = risks_within(treated, outcome, cluster, weights, score, members, small_sample)
    return [
        _estimated(found, treated, outcome, cluster, weights.weight, level, sparse_cell, member)
        for found, member in zip(risks, members, strict=True)
    ]


def _everyone(treated: Floats) -> Mask:
    return np.ones(len(treated), dtype=bool)


def _weights(treated: Floats, population: Population, score: Score | None) -> BalancingWeights:
    if score is None:
        return balancing_weights(np.full(len(treated), 0.5), treated, "observed")
    return balancing_weights(score.probability, treated, population)


def risks_within(
    treated: Floats,
    outcome: Floats,
    cluster: Integers,
    weights: BalancingWeights,
    score: Score | None,
    members: Sequence[Mask],
    small_sample: SmallSample,
) -> Iterator[Weighted]:
    """`weighted_risks` within each of `members`, in order, a block at a time; `weights` are functions of `score`, or known when it is None.

    The design is by far the largest thing in memory: a block walks it twice however many groups it holds.
    """
    at_once = max(1, min(MOST_GROUPS_AT_ONCE, MOST_NUMBERS_AT_ONCE // (2 * len(treated))))
    for start in range(0, len(members), at_once):
        block = members[start : start + at_once]
        pulls = [weights.weight * (member & (treated == arm)) for member in block for arm in (1, 0)]
        totals = [float(pull.sum()) for pull in pulls]
        risks = [float(pull @ outcome) / total for pull, total in zip(pulls, totals, strict=True)]
        own = np.stack([pull * (outcome - risk) for pull, risk in zip(pulls, risks, strict=True)])
        if score is not None:
            # The slope in place of the weight: how much each lesion's part moves as its score does.
            steep = weights.slope * score.probability * (1.0 - score.probability)
            moved = np.stack([steep * (pull > 0) * (outcome - risk) for pull, risk in zip(pulls, risks, strict=True)])
            directions = np.linalg.solve(score.fit.information, score.design.matrix @ moved.T)
            drift = np.matmul(directions.T, score.design.matrix, out=moved)
            own += np.multiply(drift, score.residual(treated), out=drift)
            if small_sample == "leverage":
                own /= np.sqrt(1.0 - np.minimum(score.leverage, MOST_LEVERAGE))
        influences = [
            np.bincount(cluster, line / total).astype(np.float64) for line, total in zip(own, totals, strict=True)
        ]
        for j in range(0, len(pulls), 2):
            yield Weighted(risks[j], risks[j + 1], influences[j], influences[j + 1])


def _estimated(
    found: Weighted,
    treated: Floats,
    outcome: Floats,
    cluster: Integers,
    weight: Floats,
    level: float,
    sparse_cell: float,
    inside: Mask,
) -> Estimated:
    clusters = int(np.count_nonzero(np.bincount(cluster[inside])))
    factor = clusters / (clusters - 1) if clusters > 1 else 1.0
    below, above = (Arm.of(inside & (treated == arm), outcome, cluster, weight) for arm in (1, 0))
    cells = TwoByTwo(found.risk_1 * below.units, below.units, found.risk_0 * above.units, above.units)
    sparse = cells.smallest_cell < sparse_cell
    effects = sparse_effects(cells, level) if sparse else effects_of(found, factor, level)
    difference = effects[0]
    if (
        max(abs(difference.lower or 0.0), abs(difference.upper or 0.0)) > 1
    ):  # Wald's interval leaves what a difference can be
        sparse, effects = True, sparse_effects(cells, level)
    arms: list[ArmRisk] = []
    sides: tuple[tuple[Approach, Arm, float, Floats], ...] = (
        ("retrograde", below, found.risk_1, found.influence_1),
        ("antegrade", above, found.risk_0, found.influence_0),
    )
    for approach, arm, risk, influence in sides:
        lower, upper = _risk_interval(risk, influence, factor, arm.units, level, sparse)
        arms.append(ArmRisk(approach, risk, lower, upper, arm.n, arm.events, arm.effective_n))
    return Estimated(arms[0], arms[1], effects, sparse)


@dataclass(frozen=True, slots=True)
class Arm:
    """One approach's lesions: how many, how many with the outcome, and effective sizes in lesions and in clusters."""

    n: int
    events: int
    effective_n: float
    units: float

    @classmethod
    def of(cls, chosen: Mask, outcome: Floats, cluster: Integers, weight: Floats) -> Arm:
        """The lesions `chosen` (n,), with `outcome`, `cluster` and `weight` of all n."""
        pull = weight[chosen]
        return cls(len(pull), int(outcome[chosen].sum()), effective_n(pull), effective_clusters(pull, cluster[chosen]))


def _risk_interval(
    risk: float, influence: Floats, factor: float, unit: float, level: float, sparse: bool
) -> tuple[float, float]:
    """Wilson's interval at the size that gives the sandwich variance (Korn & Graubard 1998), or at the cluster size when cells are small."""
    variance = factor * float(influence @ influence)
    size = unit if sparse or variance <= 0 else risk * (1 - risk) / variance
    return wilson(risk * size, size, level)


def effects_of(found: Weighted, factor: float, level: float) -> tuple[Effect, Effect, Effect]:
    """Wald intervals on the difference, the log ratio and the log odds ratio; the variance is the sum of squared influences times `factor`."""
    p1, p0 = found.risk_1, found.risk_0
    u1, u0 = found.influence_1, found.influence_0
    return (
        _wald("risk_difference", p1 - p0, u1 - u0, factor, level),
        _wald("risk_ratio", np.log(p1 / p0), u1 / p1 - u0 / p0, factor, level),
        _wald(
            "odds_ratio",
            np.log(p1 / (1 - p1)) - np.log(p0 / (1 - p0)),
            u1 / (p1 * (1 - p1)) - u0 / (p0 * (1 - p0)),
            factor,
            level,
        ),
    )


def _wald(measure: Measure, estimate: float, influence: Floats, factor: float, level: float) -> Effect:
    """Wald interval; a ratio comes in as its log and leaves as itself."""
    error = float(np.sqrt(factor * (influence @ influence)))
    half = z_value(level) * error
    p_value = float(2 * ndtr(-abs(estimate) / error)) if error > 0 else None
    limits = np.array([estimate, estimate - half, estimate + half])
    shown = limits if measure == "risk_difference" else np.exp(limits)
    return Effect(measure, float(shown[0]), float(shown[1]), float(shown[2]), p_value)
