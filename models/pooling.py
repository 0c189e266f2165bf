"""One comparison from one or several completed data sets: estimates pooled by Rubin's rules, intervals by Student's t.

Each completed data set gives the two risks and their clustered influence functions (`models.comparison.Weighted`, by whatever method). The
difference, the log ratio and the log odds ratio are pooled each on its own scale (Rubin 1987; Leyrat et al. 2019, Stat Methods Med 28:3-19: the
estimates are pooled, not the scores), with the degrees of freedom of Barnard & Rubin 1999, Biometrika 86:948-955.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.analysis_scale import ScaledEstimate
from models.comparison import Arm, Estimated, Weighted
from models.intervals import TwoByTwo, sparse_effects, wilson
from models.results import Approach, ArmRisk, Effect, Measure
from models.rubin import Pooled, pool

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Mask = NDArray[np.bool_]

MEASURES: tuple[Measure, ...] = ("risk_difference", "risk_ratio", "odds_ratio")
# An augmented risk can leave 0 to 1 where lesions are few; it is then held this far inside, and small-cell intervals are used.
LEAST_RISK = 1e-6


@dataclass(frozen=True, slots=True)
class Moments:
    """What one completed data set says: risks and variances of the two arms, and of the three effects on their own scales.

    `values`, `variances` (3,): risk difference, log risk ratio, log odds ratio. `risk_variances` (2,), below and above. `clusters` compared.
    `inside`: whether both risks lie strictly between 0 and 1.
    """

    risks: tuple[float, float]
    risk_variances: tuple[float, float]
    values: Floats
    variances: Floats
    below: Arm
    above: Arm
    clusters: int
    inside: bool


@dataclass(frozen=True, slots=True)
class PooledComparison:
    """The comparison, and how much of its uncertainty comes from what is not recorded.

    `difference` is the risk difference on its scale, with the degrees of freedom; `missing_information` (0-1) and `relative_efficiency` of the risk
    difference, None for a single data set; so are `within` and `between`, its variances. `risk_variances`: of the two risks, below and above.
    """

    estimated: Estimated
    difference: ScaledEstimate
    missing_information: float | None
    relative_efficiency: float | None
    data_sets: int
    within: float | None
    between: float | None
    risk_variances: tuple[float, float]


def moments_of(
    found: Weighted, treated: Floats, outcome: Floats, cluster: Integers, weight: Floats, member: Mask
) -> Moments:
    """Moments of one comparison. `weight` (n,) is only used to tell effective sizes; variances carry G/(G-1) for G clusters."""
    clusters = int(np.count_nonzero(np.bincount(cluster[member])))
    factor = clusters / (clusters - 1) if clusters > 1 else 1.0
    raw = (found.risk_1, found.risk_0)
    inside = all(LEAST_RISK < risk < 1 - LEAST_RISK for risk in raw)
    p1, p0 = (min(max(risk, LEAST_RISK), 1 - LEAST_RISK) for risk in raw)
    u1, u0 = found.influence_1, found.influence_0
    lines = np.stack([u1 - u0, u1 / p1 - u0 / p0, u1 / (p1 * (1 - p1)) - u0 / (p0 * (1 - p0))])
    values = np.array([p1 - p0, np.log(p1 / p0), np.log(p1 / (1 - p1)) - np.log(p0 / (1 - p0))])
    below, above = (Arm.of(member & (treated == arm), outcome, cluster, weight) for arm in (1, 0))
    return Moments(
        (p1, p0),
        (factor * float(u1 @ u1), factor * float(u0 @ u0)),
        values,
        factor * (lines**2).sum(axis=1),
        below,
        above,
        clusters,
        inside,
    )


def pooled_comparison(sets: Sequence[Moments], level: float, sparse_cell: float) -> PooledComparison:
    """Risks, effects and intervals at `level` from the moments of one or more completed data sets.

    Where an effective cell holds fewer than `sparse_cell`, or Wald's interval leaves what a difference can be, the intervals of
    `models.intervals.sparse_effects` on effective counts, which what is not recorded makes smaller.
    """
    first = sets[0]
    risks = np.mean([one.risks for one in sets], axis=0)
    pooled = _pooled(sets)
    lost = float(1 - pooled.share_between[0]) if pooled is not None else 1.0
    units = [lost * float(np.mean([getattr(one, arm).units for one in sets])) for arm in ("below", "above")]
    cells = TwoByTwo(risks[0] * units[0], units[0], risks[1] * units[1], units[1])
    scaled = _scaled(sets, pooled)
    difference = scaled[0].effect(level)
    sparse = (
        cells.smallest_cell < sparse_cell
        or not all(one.inside for one in sets)
        or max(abs(difference.lower or 0.0), abs(difference.upper or 0.0)) > 1
    )
    effects: tuple[Effect, ...]
    # A ratio's Wald limits may have no end where cells are small: they are not even worked out.
    effects = sparse_effects(cells, level) if sparse else tuple(one.effect(level) for one in scaled)
    variances = np.mean([one.risk_variances for one in sets], axis=0)
    if len(sets) > 1:
        variances = variances + (1 + 1 / len(sets)) * np.var([one.risks for one in sets], axis=0, ddof=1)
    arms: list[ArmRisk] = []
    sides: tuple[tuple[Approach, Arm], ...] = (("retrograde", first.below), ("antegrade", first.above))
    for j, (approach, arm) in enumerate(sides):
        risk, variance = float(risks[j]), float(variances[j])
        size = units[j] if sparse or variance <= 0 else risk * (1 - risk) / variance
        lower, upper = wilson(risk * size, size, level)
        effective = float(np.mean([(one.below, one.above)[j].effective_n for one in sets]))
        arms.append(ArmRisk(approach, risk, lower, upper, arm.n, arm.events, effective))
    return PooledComparison(
        Estimated(arms[0], arms[1], (effects[0], effects[1], effects[2]), sparse),
        scaled[0],
        None if pooled is None else float(pooled.missing_information[0]),
        None if pooled is None else float(pooled.relative_efficiency[0]),
        len(sets),
        None if pooled is None else float(pooled.within[0]),
        None if pooled is None else float(pooled.between[0]),
        (float(variances[0]), float(variances[1])),
    )


def _pooled(sets: Sequence[Moments]) -> Pooled | None:
    if len(sets) < 2:
        return None
    return pool(
        np.stack([one.values for one in sets]),
        np.stack([one.variances for one in sets]),
        max(sets[0].clusters - 1, 1),
    )


def _scaled(sets: Sequence[Moments], pooled: Pooled | None) -> list[ScaledEstimate]:
    if pooled is None:
        one = sets[0]
        return [
            ScaledEstimate(measure, float(value), float(variance), None)
            for measure, value, variance in zip(MEASURES, one.values, one.variances, strict=True)
        ]
    return [
        ScaledEstimate(measure, float(pooled.estimate[j]), float(pooled.total[j]), float(pooled.degrees_of_freedom[j]))
        for j, measure in enumerate(MEASURES)
    ]
