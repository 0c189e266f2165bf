"""Augmented weighting: weights make the groups alike, an outcome model takes out what is left, and either may be wrong alone.

For weights w_1 = h/e below and w_0 = h/(1-e) above (h = e(1-e) in the overlap population, 1 in all, e in the treated), arm indicator A_a
and an outcome model m_a(x), the risk had all of the population been started by approach a is

    p_a = sum(h m_a) / sum(h) + sum(w_a A_a (Y - m_a)) / sum(w_a A_a)

(Mao, Li & Greene 2019, Stat Methods Med 28:2439-2454, eq 10; Robins, Rotnitzky & Zhao 1994, JASA 89:846-866, for h = 1). It is right when the score
is right, whatever the outcome model; with h = 1, and to first order with the others, also when the outcome model is right, whatever the score.

The interval is that of the stacked estimating equations of score, outcome model and risks (Stefanski & Boos 2002): lesion i contributes

    h_i (m_ai - g_a) / H + w_ai A_ai (Y_i - m_ai - r_a) / W_a + D_e' I_e^-1 x_i (A_i - e_i) + D_m' I_m^-1 z_i (Y_i - m_i),

g_a and r_a being the two parts of p_a, and D_e, D_m how p_a moves with the coefficients of the score and of the outcome model. Contributions are
summed within clusters. Divided by 1 - leverage they are those of a jackknife (HC3: MacKinnon & White 1985), which also pays for terms
that were chosen by looking at the same lesions: see `models.pair_selection`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from models.comparison import MOST_GROUPS_AT_ONCE, MOST_LEVERAGE, MOST_NUMBERS_AT_ONCE, Weighted
from models.logistic import LogisticFit, expit, fit_logistic
from models.propensity import Score
from models.results import Population
from models.weights import balancing_weights

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Mask = NDArray[np.bool_]

SmallSample = Literal["none", "jackknife"]

# Prior precision of a term of SD 1: a weak pull that keeps a model of fifty terms finite when few wires failed to cross.
RIDGE = 1.0


@dataclass(frozen=True, slots=True)
class OutcomeModel:
    """Chances of the outcome after either start, (n,) each, and what the sandwich needs of the model behind them.

    `design` (q, n) as fitted, `fit` of it; `below_row` is the row that holds the approach (1 from below), None when each approach has its own
    model: `fit` is then that of the lesions started from below and `fit_above` of the others, on one `design` of all lesions.
    """

    below: Floats
    above: Floats
    design: Floats
    fit: LogisticFit
    below_row: int | None
    fit_above: LogisticFit | None = None


def fit_outcome(matrix: Floats, treated: Floats, outcome: Floats, ridge: float = RIDGE) -> OutcomeModel:
    """One logistic model of the outcome for both approaches: the terms of `matrix` (p, n), constant first, and the approach.

    All terms but the constant and the approach carry a ridge of `ridge`, so that it can always be fitted.
    """
    design = np.vstack([matrix, treated])
    penalty = np.full(len(design), ridge)
    penalty[[0, -1]] = 0.0
    fit = fit_logistic(design, outcome, penalty)
    logit = fit.coefficients[:-1] @ matrix
    return OutcomeModel(expit(logit + fit.coefficients[-1]), expit(logit), design, fit, len(matrix))


def fit_outcome_by_arm(matrix: Floats, treated: Floats, outcome: Floats, ridge: float = 0.0) -> OutcomeModel:
    """A logistic model of the outcome for each approach, fitted to its own lesions; arguments as in `fit_outcome`."""
    penalty = np.full(len(matrix), ridge)
    penalty[0] = 0.0
    fits = [fit_logistic(matrix[:, treated == arm], outcome[treated == arm], penalty) for arm in (1, 0)]
    below, above = (expit(fit.coefficients @ matrix) for fit in fits)
    return OutcomeModel(below, above, matrix, fits[0], None, fits[1])


def augmented_risks(
    treated: Floats,
    outcome: Floats,
    cluster: Integers,
    population: Population,
    score: Score,
    model: OutcomeModel,
    member: Mask | None = None,
    small_sample: SmallSample = "jackknife",
) -> Weighted:
    """Augmented weighted risk of the outcome by approach, with clustered influence functions.

    `treated`, `outcome` (n,) of 0 and 1; `cluster` (n,) numbered from 0; `score` and `model` fitted on the same n rows; `member` (n,) picks
    the lesions compared (a profile), both models staying the service's. Both arms must have weight.
    """
    everyone = np.ones(len(treated), dtype=bool) if member is None else member
    return next(augmented_within(treated, outcome, cluster, population, score, model, [everyone], small_sample))


def augmented_within(
    treated: Floats,
    outcome: Floats,
    cluster: Integers,
    population: Population,
    score: Score,
    model: OutcomeModel,
    members: Sequence[Mask],
    small_sample: SmallSample = "jackknife",
) -> Iterator[Weighted]:
    """`augmented_risks` within each of `members`, in order, a block at a time (the designs are by far the largest things in memory)."""
    found = _Parts.of(treated, outcome, population, score, model)
    spread = 1.0 - np.minimum(score.leverage, MOST_LEVERAGE) if small_sample == "jackknife" else 1.0
    at_once = max(1, min(MOST_GROUPS_AT_ONCE, MOST_NUMBERS_AT_ONCE // (2 * len(treated))))
    for start in range(0, len(members), at_once):
        block = members[start : start + at_once]
        risks, own = found.contributions(block)
        for j in range(len(block)):
            lines = own[2 * j : 2 * j + 2] / spread
            below, above = (np.bincount(cluster, line).astype(np.float64) for line in lines)
            yield Weighted(risks[2 * j], risks[2 * j + 1], below, above)


@dataclass(frozen=True, slots=True)
class _Parts:
    """Everything of n that does not depend on which lesions are compared."""

    treated: Floats
    outcome: Floats
    score: Score
    model: OutcomeModel
    target: Floats  # h
    target_slope: Floats  # dh / d logit e
    weight: Floats
    weight_slope: Floats  # dw / d logit e
    normalized: bool  # sum of the weights in the denominator; else the number in the population, as usual for "treated"

    @classmethod
    def of(cls, treated: Floats, outcome: Floats, population: Population, score: Score, model: OutcomeModel) -> _Parts:
        e = score.probability
        steep = e * (1.0 - e)
        weights = balancing_weights(e, treated, population)
        if population == "overlap":
            target, slope = steep, (1.0 - 2.0 * e) * steep
        elif population == "treated":
            # The treated are seen, not modelled: h = A, and the estimator is the mean of their own outcomes (Moodie, Saarela & Stephens 2018).
            target, slope = treated, np.zeros_like(e)
        else:
            target, slope = np.ones_like(e), np.zeros_like(e)
        return cls(
            treated,
            outcome,
            score,
            model,
            target,
            slope,
            weights.weight,
            weights.slope * steep,
            population == "overlap",
        )

    def contributions(self, members: Sequence[Mask]) -> tuple[list[float], Floats]:
        """Risks, below and above for each member in turn, and each lesion's contribution to them, (2 * members, n)."""
        risks: list[float] = []
        lines, by_score, by_below, by_above = [], [], [], []
        for member in members:
            inside = member.astype(np.float64)
            target = self.target * inside
            total = float(target.sum())
            for arm, chance in ((1, self.model.below), (0, self.model.above)):
                here = inside * (self.treated == arm)
                pull = self.weight * here
                mass = float(pull.sum()) if self.normalized else total
                modelled = float(target @ chance) / total
                rest = float(pull @ (self.outcome - chance)) / mass
                centre = rest if self.normalized else 0.0
                risks.append(modelled + rest)
                own = pull * (self.outcome - chance - centre) / mass
                if self.normalized:
                    own += target * (chance - modelled) / total
                else:
                    own += target * (chance - modelled - rest) / total
                lines.append(own)
                by_score.append(
                    self.target_slope * inside * (chance - modelled) / total
                    + self.weight_slope * here * (self.outcome - chance - centre) / mass
                )
                steep = chance * (1.0 - chance) * (target / total - pull / mass)
                by_below.append(steep if arm else np.zeros_like(steep))
                by_above.append(np.zeros_like(steep) if arm else steep)
        own = np.stack(lines)
        score, model = self.score, self.model
        own += _drift(score.design.matrix, score.fit, np.stack(by_score)) * score.residual(self.treated)
        seen = np.where(self.treated == 1, model.below, model.above)
        if model.below_row is None:
            own += _drift(model.design, model.fit, np.stack(by_below)) * (self.treated * (self.outcome - seen))
            if model.fit_above is not None:
                own += _drift(model.design, model.fit_above, np.stack(by_above)) * (
                    (1.0 - self.treated) * (self.outcome - seen)
                )
        else:
            own += self._pooled_drift(np.stack(by_below), np.stack(by_above)) * (self.outcome - seen)
        return risks, own

    def _pooled_drift(self, by_below: Floats, by_above: Floats) -> Floats:
        """As `_drift`, where the two chances differ by the approach's row alone: it is 1 for one and 0 for the other."""
        row, design = self.model.below_row, self.model.design
        pull = design @ (by_below + by_above).T
        pull[row] = by_below.sum(axis=1)
        return np.asarray(np.linalg.solve(self.model.fit.information, pull).T @ design, dtype=np.float64)


def _drift(design: Floats, fit: LogisticFit, steep: Floats) -> Floats:
    """How far each lesion's row moves the lines whose derivative by the fitted logit is `steep` (lines, n), per unit of its residual."""
    return np.asarray(np.linalg.solve(fit.information, design @ steep.T).T @ design, dtype=np.float64)
