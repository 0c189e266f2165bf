"""Scores fitted so that the groups come out alike, rather than so that the approach is predicted well.

The just-identified covariate-balancing score (Imai & Ratkovic 2014, J R Stat Soc B 76:243-263, eqs 9-11 with balance conditions alone) is the
logistic score e(x'b) whose weights give every term of the design the same weighted sum in both groups:

    all      sum [A/e - (1-A)/(1-e)] x = 0
    treated  sum [A - (1-A) e/(1-e)] x = 0
    overlap  sum [A (1-e) - (1-A) e] x = sum (A - e) x = 0, which is maximum likelihood: the ordinary score already balances exactly for
             overlap weights (Li, Morgan & Zaslavsky 2018, JASA 113:390-400, theorem 3), so for them it is the balancing score.

Each is the slope of a convex function of the coefficients (Zhao 2019, Ann Stat 47:965-993), solved by Newton's method; for the treated it is the dual of
entropy balancing (Hainmueller 2012; Zhao & Percival 2017, J Causal Inference 5:20160010). With "all", the groups are made like each other, and like all lesions
only as far as the logistic form holds.

Intervals stack these equations with the two risks, in `models.comparison`: a `BalancingScore` goes wherever a score does.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from models.logistic import CHUNK_ROWS, MOST_STEPS, SEPARATED_LOGIT, LogisticFit, expit, fit_logistic
from models.propensity import Design, Score, fit_score

Floats = NDArray[np.float64]

Balanced = Literal["overlap", "all", "treated"]

BALANCED_TO = 1e-9  # weighted difference left in any term, in SD: terms are of unit SD
SMALLEST_STEP = 1e-10


@dataclass(frozen=True, slots=True)
class BalancingScore(Score):
    """A score that solves the balance conditions of `balanced`; `fit.information` is the derivative of the conditions, negative.

    `leverage` (n,): by how much a lesion's own row moves the coefficients, q x' J^-1 x with q its part of that derivative J.
    """

    balanced: Balanced

    def residual(self, treated: Floats) -> Floats:
        """What each lesion adds to the balance conditions, per unit of its row, (n,)."""
        odds = self.probability / (1.0 - self.probability)
        if self.balanced == "all":
            return np.where(treated == 1, 1.0 + 1.0 / odds, -1.0 - odds)
        return np.where(treated == 1, 1.0, -odds)


def fit_balancing_score(design: Design, treated: Floats, balanced: Balanced) -> Score:
    """The covariate-balancing score of a population; `design` of p terms, constant first, of like scale, `treated` (n,) of 0 and 1.

    `fit.failed_because` says so when no weights can make the groups alike in every term (one group's means lie outside what the other can reach) or
    when terms depend on each other. For "overlap" it is the score by maximum likelihood.
    """
    if balanced == "overlap":
        return fit_score(design, treated)
    fit = _solve(design.matrix, treated, balanced)
    leverage = np.zeros(len(treated))
    if fit.failed_because is None:
        root = np.linalg.inv(np.linalg.cholesky(fit.information))
        curve = _curve(fit.coefficients @ design.matrix, treated, balanced)[2]
        for start in range(0, len(treated), CHUNK_ROWS):
            part = slice(start, start + CHUNK_ROWS)
            leverage[part] = curve[part] * ((root @ design.matrix[:, part]) ** 2).sum(axis=0)
    return BalancingScore(design, fit, leverage, balanced)


def _solve(matrix: Floats, treated: Floats, balanced: Balanced) -> LogisticFit:
    start = fit_logistic(matrix, treated)
    beta = start.coefficients
    failed = start.failed_because
    loss, gradient, information = _derivatives(matrix, treated, beta, balanced)
    for _ in range(MOST_STEPS):
        if failed is not None:
            break
        try:
            step = -np.linalg.solve(information, gradient)
        except np.linalg.LinAlgError:
            failed = "the terms of the score model are not independent of each other"
            break
        size = 1.0
        slope = float(gradient @ step)
        while True:
            trial = beta + size * step
            new_loss, new_gradient, new_information = _derivatives(matrix, treated, trial, balanced)
            # Armijo's condition; at the optimum the loss no longer tells steps apart, the gradient does.
            settled = float(np.abs(new_gradient).max()) <= float(np.abs(gradient).max())
            if new_loss <= loss + 1e-4 * size * slope or (settled and new_loss <= loss + 1e-12 * abs(loss)):
                break
            size /= 2
            if size < SMALLEST_STEP:
                break
        if size < SMALLEST_STEP:
            break
        beta, loss, gradient, information = trial, new_loss, new_gradient, new_information
        if _unlike(gradient, treated, beta @ matrix, balanced) < BALANCED_TO:
            break
    logit = beta @ matrix
    if failed is None and (
        _unlike(gradient, treated, logit, balanced) > 1e3 * BALANCED_TO
        or float(np.max(np.abs(logit))) > SEPARATED_LOGIT
    ):
        failed = "no weights make the approaches alike in every term of the score model"
    return LogisticFit(beta, information, expit(logit), failed)


def _unlike(gradient: Floats, treated: Floats, logit: Floats, balanced: Balanced) -> float:
    """The largest weighted difference between the groups that is left, by the weight of the larger group."""
    pull = np.abs(_curve(logit, treated, balanced)[1])
    return float(np.abs(gradient).max() / max(pull[treated == 1].sum(), pull[treated == 0].sum(), 1.0))


def _curve(logit: Floats, treated: Floats, balanced: Balanced) -> tuple[Floats, Floats, Floats]:
    """Each lesion's part of the convex function, its first and its second derivative by the logit."""
    # Beyond this a step has overshot, and the line search takes it back: finite is all that is asked here.
    held = np.clip(logit, -300.0, 300.0)
    below = treated == 1
    if balanced == "all":
        grown = np.exp(np.where(below, -held, held))
        sign = np.where(below, -1.0, 1.0)
        return grown + sign * logit, sign * (grown + 1.0), grown
    grown = np.where(below, 0.0, np.exp(held))
    return grown - below * logit, grown - below, grown


def _derivatives(matrix: Floats, treated: Floats, beta: Floats, balanced: Balanced) -> tuple[float, Floats, Floats]:
    terms, rows = matrix.shape
    loss, gradient, information = 0.0, np.zeros(terms), np.zeros((terms, terms))
    for start in range(0, rows, CHUNK_ROWS):
        x = matrix[:, start : start + CHUNK_ROWS]
        value, slope, curve = _curve(beta @ x, treated[start : start + CHUNK_ROWS], balanced)
        loss += float(value.sum())
        gradient += x @ slope
        information += (x * curve) @ x.T
    return loss, gradient, information
