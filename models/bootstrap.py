"""The cluster bootstrap of the weighted comparison: patients drawn anew, the score refitted, the risks weighed again, a thousand times.

It is an interval that does not rest on the influence functions of `models.comparison`. Drawing patients with replacement multiplies each lesion by how often
its patient was drawn, so nothing is ever copied: one pass over the lesions serves many replicates, as matrix products.

In each replicate the score starts from the service's coefficients b and takes a few steps b + M^-1 g(b), g being the replicate's own score equations at
the present coefficients. M is held fixed: where lesions are few for the terms it is the replicate's own information at the start (so that the first step is
Newton's, from each cluster's information times how often it was drawn) and four steps are taken; where they are many the two hardly differ, M is the service's, and two steps
do. A single step would be off by the order of 1/n, as is the skewness that a bootstrap is for (Robinson 1988, Econometrica 56:531-548; in the bootstrap
Andrews 2002, Econometrica 70:119-162). Coefficients that a full refit would send to infinity, because a draw lacks a trait by one approach, stay finite.

Products are in single precision, sums over chunks in double: rounding is about 1e-6 of a risk, a thousandth of any standard error met here.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from models.balancing_score import BalancingScore
from models.propensity import Score
from models.results import Population
from models.weights import BalancingWeights, balancing_weights

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Integers = NDArray[np.int64]
Mask = NDArray[np.bool_]

Draw = Literal["multinomial", "exponential"]

# Steps from the service's coefficients, with the service's information and with the replicate's own: what is left after them is about a hundredth of a
# standard error for each replicate, and of no account in their spread (docs/methods.md).
STEPS = 2
STEPS_WHERE_FEW = 4
# Lesions a term from which the service's information stands in for the replicate's: they differ by about 2 sqrt(terms / lesions), here a tenth.
MANY_LESIONS_A_TERM = 400
# A replicate's information, with this much of the service's added: a level that no drawn patient has must not stop the solver.
RIDGE = 1e-6
# Beyond this a logit's weight is 0 or 1 to single precision, and its exponential stays finite.
STEEPEST = 60.0

NUMBERS_AT_ONCE = 1 << 23  # 32 MB of counts: replicates are made in batches of this many
MOST_AT_ONCE = 256
CHUNK_ROWS = 2048  # lesions times replicates that stay in a core's cache


@dataclass(frozen=True, slots=True)
class Replicates:
    """Risks of one outcome (its place in `outcomes`) in one population, by replicate, (draws,) each; NaN where an arm had no weight.

    `estimate_1` and `estimate_0` are the risks in the data themselves. All empty, and NaN, when `withheld_because` says why.
    """

    population: Population
    outcome: int
    estimate_1: float
    estimate_0: float
    risk_1: Floats
    risk_0: Floats
    withheld_because: str | None


def cluster_bootstrap(
    treated: Floats,
    outcomes: Floats,
    cluster: Integers,
    score: Score,
    populations: Sequence[Population],
    draws: int,
    seed: int,
    draw: Draw = "multinomial",
    member: Mask | None = None,
) -> tuple[Replicates, ...]:
    """Replicates of the weighted risks, for each population and, within it, each outcome.

    `treated` (n,) and `outcomes` (m, n) of 0 and 1; `cluster` (n,) numbered from 0; `score` by maximum likelihood on the same n rows; `populations` among "overlap",
    "all", "treated" and "observed". `member` (n,) picks the lesions compared, the score staying the service's. `draw` "multinomial" draws clusters with
    replacement (Field & Welsh 2007, J R Stat Soc B 69:369-390); "exponential" weighs them by independent exponentials (the Bayesian bootstrap:
    Rubin 1981, Ann Stat 9:130-134), which never leaves one out. The same seed, clusters' numbers and number of draws give the same draws, whatever the order of rows.
    """
    if isinstance(score, BalancingScore):
        raise TypeError("replicates are refitted by maximum likelihood: a balancing score cannot be drawn anew")
    inside = np.ones(len(treated)) if member is None else member.astype(np.float64)
    reason = _cannot(treated * inside, (1.0 - treated) * inside, score)
    if reason is not None:
        empty = np.empty(0)
        nan = float("nan")
        return tuple(
            Replicates(p, j, nan, nan, empty, empty, reason) for p in populations for j in range(len(outcomes))
        )
    below, above = treated * inside, (1.0 - treated) * inside
    columns = np.stack([below, above, *(part * y for y in outcomes for part in (below, above))])
    rows = _Rows.of_service(score, treated, columns, cluster)
    steps = _Steps.of(rows, score)
    sums = {population: np.empty((len(columns), draws)) for population in populations}
    done = 0
    for counts in _batches(rows.clusters, draws, seed, draw):
        batch = slice(done, done + counts.shape[1])
        found = _weighed(rows, counts, steps.coefficients(counts), populations)
        for population, sum_ in zip(populations, found, strict=True):
            sums[population][:, batch] = sum_
        done = batch.stop
    return tuple(
        _replicates(population, j, sums[population], columns, balancing_weights(score.probability, treated, population))
        for population in populations
        for j in range(len(outcomes))
    )


def _cannot(below: Floats, above: Floats, score: Score) -> str | None:
    if not below.any() or not above.any():
        return "no lesion was started by one of the approaches"
    return score.fit.failed_because


def _replicates(
    population: Population, outcome: int, sums: Floats, columns: Floats, weights: BalancingWeights
) -> Replicates:
    place = 2 + 2 * outcome
    observed = columns @ weights.weight
    with np.errstate(divide="ignore", invalid="ignore"):
        risks = np.where(sums[:2] > 0, sums[place : place + 2] / sums[:2], np.nan)
    estimates = observed[place : place + 2] / observed[:2]
    return Replicates(population, outcome, float(estimates[0]), float(estimates[1]), risks[0], risks[1], None)


@dataclass(frozen=True, slots=True)
class _Rows:
    """Lesions in the order of their clusters.

    `signed` (n, p): the design's rows, their sign turned for lesions started from above, so that exp(-signed b) is (1-e)/e below and e/(1-e)
    above; `columns` (n, c) to be summed. `of` (n,): each lesion's cluster, numbered from 0 without gaps; `starts` (clusters,) where each begins.
    """

    signed: Singles
    columns: Singles
    of: Integers
    starts: Integers

    @classmethod
    def of_service(cls, score: Score, treated: Floats, columns: Floats, cluster: Integers) -> _Rows:
        order = np.argsort(cluster, kind="stable")
        inline = cluster[order]
        first = np.r_[True, inline[1:] != inline[:-1]]
        sign = np.where(treated[order] == 1, 1.0, -1.0)
        signed = np.empty((len(order), len(score.design.matrix)), dtype=np.float32)
        for j, line in enumerate(score.design.matrix):
            signed[:, j] = line[order] * sign
        return cls(
            signed, columns[:, order].T.astype(np.float32, order="C"), np.cumsum(first) - 1, np.flatnonzero(first)
        )

    @property
    def clusters(self) -> int:
        return len(self.starts)

    def parts(self) -> Iterator[slice]:
        for start in range(0, len(self.of), CHUNK_ROWS):
            yield slice(start, start + CHUNK_ROWS)


@dataclass(frozen=True, slots=True)
class _Steps:
    """What the replicates' score equations are made of.

    `gradients` (clusters, p): each cluster's score equations at the service's coefficients; `products` (clusters, p(p+1)/2): its information, None where lesions
    are many and the service's own, `information`, serves.
    """

    rows: _Rows
    start: Singles
    gradients: Singles
    products: Singles | None
    information: Floats

    @classmethod
    def of(cls, rows: _Rows, score: Score) -> _Steps:
        start = score.fit.coefficients.astype(np.float32)
        weight = _tilted(rows.signed @ start)
        weight /= 1.0 + weight
        gradients = np.add.reduceat(rows.signed * weight[:, None], rows.starts, axis=0)
        lesions, terms = rows.signed.shape
        products = None
        if lesions < MANY_LESIONS_A_TERM * terms:
            above, across = np.triu_indices(terms)
            curve = (weight * (1.0 - weight))[:, None]
            products = np.add.reduceat(rows.signed[:, above] * rows.signed[:, across] * curve, rows.starts, axis=0)
        return cls(rows, start, gradients, products, score.fit.information)

    def coefficients(self, counts: Singles) -> Singles:
        """The score's coefficients (p, draws) in replicates with these `counts` (clusters, draws)."""
        inverse = self._inverse(counts)
        beta = self.start.astype(np.float64)[:, None] + _stepped(
            inverse, (self.gradients.T @ counts).astype(np.float64)
        )
        for _ in range((STEPS if self.products is None else STEPS_WHERE_FEW) - 1):
            beta += _stepped(inverse, _gradient(self.rows, counts, beta.astype(np.float32)))
        return beta.astype(np.float32)

    def _inverse(self, counts: Singles) -> Floats:
        """(draws, p, p), or (p, p) for all."""
        if self.products is None:
            return np.asarray(np.linalg.inv(self.information), dtype=np.float64)
        terms = len(self.information)
        above, across = np.triu_indices(terms)
        own = np.empty((counts.shape[1], terms, terms))
        own[:, above, across] = own[:, across, above] = counts.T @ self.products
        return np.asarray(np.linalg.inv(own + RIDGE * self.information), dtype=np.float64)


def _stepped(inverse: Floats, gradient: Floats) -> Floats:
    """`inverse` (draws, p, p) or (p, p), `gradient` (p, draws); gives (p, draws)."""
    if inverse.ndim == 2:
        return np.asarray(inverse @ gradient, dtype=np.float64)
    return np.asarray(np.einsum("bij,jb->ib", inverse, gradient), dtype=np.float64)


def _tilted(signed_logit: Singles) -> Singles:
    """(1-e)/e below and e/(1-e) above, in the array given."""
    np.clip(signed_logit, -STEEPEST, STEEPEST, out=signed_logit)
    np.negative(signed_logit, out=signed_logit)
    return np.exp(signed_logit, out=signed_logit)


def _gradient(rows: _Rows, counts: Singles, beta: Singles) -> Floats:
    """The replicates' score equations (p, draws) at their present coefficients (p, draws)."""
    total = np.zeros(beta.shape)
    for part in rows.parts():
        tilt = _tilted(rows.signed[part] @ beta)
        pull = counts[rows.of[part]]
        pull *= tilt
        tilt += 1.0
        pull /= tilt
        total += rows.signed[part].T @ pull
    return total


def _weighed(rows: _Rows, counts: Singles, beta: Singles, populations: Sequence[Population]) -> list[Floats]:
    """Weighted sums of the rows' columns (c, draws) for each population."""
    totals = [np.zeros((rows.columns.shape[1], counts.shape[1])) for _ in populations]
    below = np.arange(rows.columns.shape[1]) % 2 == 0
    for part in rows.parts():
        drawn = counts[rows.of[part]]
        tilt = _tilted(rows.signed[part] @ beta)
        columns = rows.columns[part].T
        for total, population in zip(totals, populations, strict=True):
            if population == "overlap":
                total += columns @ (drawn * (tilt / (1.0 + tilt)))
            elif population == "all":
                total += columns @ (drawn * (1.0 + tilt))
            elif population == "treated":
                total[below] += columns[0::2] @ drawn
                total[~below] += columns[1::2] @ (drawn * tilt)
            else:
                total += columns @ drawn
    return totals


def _batches(clusters: int, draws: int, seed: int, draw: Draw) -> Iterator[Singles]:
    """How often each cluster counts, (clusters, up to some draws) at a time; the draws do not depend on the size of the batches."""
    random = np.random.default_rng(seed)
    at_once = max(1, min(draws, NUMBERS_AT_ONCE // clusters, MOST_AT_ONCE))
    for start in range(0, draws, at_once):
        counts = np.empty((min(at_once, draws - start), clusters), dtype=np.float32)
        for line in counts:
            if draw == "multinomial":
                line[:] = np.bincount(random.integers(0, clusters, clusters), minlength=clusters)
            else:
                random.standard_exponential(dtype=np.float32, out=line)
        yield np.ascontiguousarray(counts.T)
