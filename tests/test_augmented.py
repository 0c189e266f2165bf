"""Augmented weighting against R 4.2.2 and delicatessen-free identities, and by simulation where one of its two models is wrong."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from oracle import assert_agrees
from test_estimators_against_r import _lalonde, _nhefs

from models.augmented import augmented_risks, fit_outcome_by_arm
from models.comparison import effects_of

POPULATIONS = {"ATE": "all", "ATT": "treated"}
STUDIES = {
    "H10-nhefs-death": (lambda: _nhefs(pl.col("death") == 1), ()),
    "H11-nhefs-gain10": (lambda: _nhefs(pl.col("wt82_71") > 10), ()),
    "H12-lalonde": (_lalonde, ("hispan",)),  # left out of R's outcome models, which it separates
}


def _found(study: str, population: str):
    make, left_out = STUDIES[study]
    _, a, y, score = make()
    kept = [j for j, term in enumerate(score.design.terms) if term.name not in left_out]
    model = fit_outcome_by_arm(score.design.matrix[kept], a, y)
    return augmented_risks(a, y, np.arange(len(a)), population, score, model, small_sample="none")


def _as_recorded(found) -> dict[str, float]:
    effects = {e.measure: e for e in effects_of(found, 1.0, 0.95)}
    u1, u0, p1, p0 = found.influence_1, found.influence_0, found.risk_1, found.risk_0
    return {
        "p1": p1,
        "p0": p0,
        "se_p1": float(np.sqrt(u1 @ u1)),
        "se_p0": float(np.sqrt(u0 @ u0)),
        "rd": effects["risk_difference"].estimate,
        "se_rd": float(np.sqrt((u1 - u0) @ (u1 - u0))),
        "rd_lo": effects["risk_difference"].lower,
        "rd_hi": effects["risk_difference"].upper,
        "rr": effects["risk_ratio"].estimate,
        "rr_lo": effects["risk_ratio"].lower,
        "rr_hi": effects["risk_ratio"].upper,
        "or": effects["odds_ratio"].estimate,
        "or_lo": effects["odds_ratio"].lower,
        "or_hi": effects["odds_ratio"].upper,
    }


@pytest.mark.parametrize("study", STUDIES)
def test_the_augmented_overlap_difference_and_its_interval_are_those_of_r(study: str) -> None:
    assert_agrees(f"{study}-aow", _as_recorded(_found(study, "overlap")))


@pytest.mark.parametrize("study", STUDIES)
@pytest.mark.parametrize("estimand", ["ATE", "ATT"])
def test_the_augmented_differences_in_all_and_in_the_treated_are_those_of_r(study: str, estimand: str) -> None:
    assert_agrees(f"{study}-aipw-{estimand}", _as_recorded(_found(study, POPULATIONS[estimand])))
