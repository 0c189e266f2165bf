"""A constant difference between the approaches by g-estimation: the shift that leaves outcomes unrelated to the choice.

The structural nested mean model says that a first approach from below changes a lesion's mean outcome by psi. At the true psi the outcome less psi A no longer depends on the
choice A given the covariates, so sum of w (Y - psi A)(A - e) = 0 with e the fitted score (Robins, Mark & Newey 1992, Biometrics 48:479-495; Hernan & Robins,
Causal Inference: What If, section 14.5), which is solved by psi = sum w Y (A - e) / sum w A (A - e). No model of the outcome is needed. Where the
effect is not constant, psi is its mean weighted by e(1 - e): the overlap population's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.analysis_scale import t_quantile, two_sided
from models.logistic import SEPARATED_LOGIT, expit
from models.outcome_model import independent_terms

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

MOST_STEPS = 60
SETTLED = 1e-20  # squared distance to the maximum, in standard errors


@dataclass(frozen=True, slots=True)
class ConstantDifference:
    """psi, retrograde minus antegrade in the outcome's own unit, with its interval; None in all when `withheld_because` says why."""

    estimate: float | None
    variance: float | None
    lower: float | None
    upper: float | None
    p_value: float | None
    degrees_of_freedom: float | None
    withheld_because: str | None


def constant_difference(
    design: Floats, treated: Floats, outcome: Floats, cluster: Integers, level: float, weight: Floats | None = None
) -> ConstantDifference:
    """g-estimate of a constant difference, score and difference solved together, errors by patient.

    `design` (p, n) of the score, with its constant row; `treated` (n,) of 0 and 1; `outcome` (n,), a number or 0 and 1; `cluster` (n,)
    numbered from 0; `weight` (n,), such as inverse probabilities of having been followed, taken as known.
    """
    if not 0 < treated.sum() < len(treated):
        return _withheld("all lesions were started by one approach")
    clusters = int(np.count_nonzero(np.bincount(cluster)))
    if clusters < 2:
        return _withheld("there is one cluster only: nothing to tell how sure the difference is")
    w = np.ones(len(treated)) if weight is None else weight
    fitted = _weighted_score(design, treated, w)
    if fitted is None:
        return _withheld(
            "the score model cannot be fitted: some characteristic predicts the approach perfectly, or its terms are not independent of each other"
        )
    score, information = fitted
    left = treated - score
    down = float((w * treated) @ left)
    psi = float((w * outcome) @ left) / down
    rest = w * (outcome - psi * treated)
    moved = np.linalg.solve(information, design @ (rest * score * (1.0 - score)))
    influence = np.bincount(cluster, (rest - w * (moved @ design)) * left / down)
    variance = clusters / (clusters - 1) * float(influence @ influence)
    error = float(np.sqrt(variance))
    half = t_quantile(level, clusters - 1.0) * error
    p_value = two_sided(psi / error, clusters - 1.0) if error > 0 else None
    return ConstantDifference(psi, variance, psi - half, psi + half, p_value, clusters - 1.0, None)


def _weighted_score(design: Floats, treated: Floats, weight: Floats) -> tuple[Floats, Floats] | None:
    """Fitted probabilities (n,) and information (p, p) of a weighted logistic fit, by Newton's method; None when it does not settle."""
    if not independent_terms(design):
        return None
    beta = np.zeros(len(design))
    for _ in range(MOST_STEPS):
        score = expit(beta @ design)
        information = (design * (weight * score * (1.0 - score))) @ design.T
        gradient = design @ (weight * (treated - score))
        try:
            step = np.linalg.solve(information, gradient)
        except np.linalg.LinAlgError:
            return None
        decrement = float(step @ gradient)
        if not 0 <= decrement < np.inf:
            return None
        if decrement < SETTLED * max(1.0, float(weight.sum())):
            separated = float(np.max(np.abs(beta @ design))) > SEPARATED_LOGIT
            return None if separated else (score, np.asarray(information, dtype=np.float64))
        beta = beta + step / max(1.0, float(np.max(np.abs(step))) / 4.0)
    return None


def _withheld(reason: str) -> ConstantDifference:
    return ConstantDifference(None, None, None, None, None, None, reason)
