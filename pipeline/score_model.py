"""The service's propensity model: as rich as the number of lesions allows, and saying so when it had to be made simpler."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.propensity import Covariate, Design, Score, build_design, fit_score
from pipeline.covariates import adjusted_features, covariate, covariates, score_interactions
from pipeline.features import feature
from pipeline.plan import Plan

Floats = NDArray[np.float64]

# Lesions by the less common approach for each term of the score: below five, estimates and intervals go wrong
# (Vittinghoff & McCulloch 2007, Am J Epidemiol 165:710-718).
LESIONS_PER_TERM = 5


@dataclass(frozen=True, slots=True)
class ScoreModel:
    """The fitted score, and remarks in words: levels pooled, what was left out and why."""

    score: Score
    remarks: tuple[str, ...]
    simplified: bool
    left_out: float  # share (0-1) of the adjustment set's features that are not in the score


def fit_score_model(lesions: pl.DataFrame, plan: Plan, treated: Floats) -> ScoreModel:
    """The richest model that the less common approach can carry.

    Full: the plan's adjustment set, numbers as splines, interactions. If that asks for more than one term to every
    LESIONS_PER_TERM lesions of the less common approach: straight lines and no interactions, features taken in the order of the
    adjustment set for as long as there is room. What is left out is watched in the balance. `treated` (n,) of 0 and 1.
    """
    features = adjusted_features(plan)
    candidates = covariates(lesions, plan, features)
    room = int(min(treated.sum(), (1 - treated).sum())) // LESIONS_PER_TERM
    full = build_design(
        candidates,
        treated,
        score_interactions(plan),
        only_in_pairs=(covariate(lesions, plan, feature("below_knee")),),
    )
    if len(full.terms) - 1 <= room:
        return ScoreModel(fit_score(full, treated), full.pooled, simplified=False, left_out=0.0)
    design = _simple(candidates, treated, room)
    kept = {term.of for term in design.terms}
    out = [c.label for c in candidates if c.name not in kept]
    left = ", ".join(out)
    remark = "few lesions for a full model: numbers as straight lines, no combinations" + (
        f", not fitted: {left}" if left else ""
    )
    return ScoreModel(fit_score(design, treated), (remark, *design.pooled), True, len(out) / len(candidates))


def _simple(candidates: tuple[Covariate, ...], treated: Floats, room: int) -> Design:
    chosen: list[Covariate] = []
    design = build_design((), treated)
    for candidate in candidates:
        trial = build_design((*chosen, replace(candidate, straight=True)), treated)
        if len(trial.terms) - 1 <= room:
            chosen.append(replace(candidate, straight=True))
            design = trial
    return design
