"""Every other method beside the primary one: each row asks what it says it asks, pooled, gated, and with a reason where it has no answer."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from models.balancing_score import fit_balancing_score
from models.comparison import compare_risks, weighted_risks
from models.conditional import conditional_odds_ratio
from models.intervals import z_value
from models.matched_effects import compare_matched
from models.matching import caliper_width, logit_of, match_nearest
from models.perfect_terms import LEFT_OUT, fittable
from models.propensity import Covariate, build_design
from models.results import Comparison
from models.standardization import standardized_risks
from models.weights import stabilized_weights, truncate
from pipeline import other_methods as others
from pipeline.derive import derive
from pipeline.estimate import estimate, studied
from pipeline.other_methods import DATA_SETS, all_other_methods, other_methods
from pipeline.plan import Plan
from pipeline.plan_parts import Imputation, Matching
from pipeline.studied import Study
from synthetic_data.scenario import EFFECT
from synthetic_data.service import invent

FIRST = "first_approach_crossed"
ODDS_RATIO_ONLY = ("conditional", "estimating_equations", "random_intercept", "firth")
EVERY_ROW = {
    ("truncated_weighting", "all"),
    ("covariate_balancing", "all"),
    ("covariate_balancing", "treated"),
    ("matching", "treated"),
    ("matching_with_replacement", "treated"),
    ("standardization", "overlap"),
    ("standardization", "all"),
    ("standardization", "treated"),
    ("learners", "overlap"),
    *((method, "observed") for method in ODDS_RATIO_ONLY),
}


def service(lesions: int, plan: Plan, missing: float = 0.0, seed: int = 3) -> Study:
    frame = derive(invent(lesions, seed, replace(EFFECT, missing=missing)).tables, plan).lesions
    return studied(frame, plan)[0]


@cache
def complete() -> Study:
    """Nothing missing: one data set, so that a row is what its method says of it."""
    return service(900, Plan())


@cache
def rows() -> dict[tuple[str, str, str], Comparison]:
    found = all_other_methods(complete())
    return {(c.endpoint, c.method, c.population): c for many in found.comparisons.values() for c in many}


def same_effects(row: Comparison, effects, *, rel: float = 1e-9) -> None:
    for ours, theirs in zip(row.effects, effects, strict=True):
        assert (ours.estimate, ours.lower, ours.upper) == pytest.approx(
            (theirs.estimate, theirs.lower, theirs.upper), rel=rel
        ), ours.measure


def test_every_method_of_the_plan_has_its_row_on_every_endpoint() -> None:
    assert set(rows()) == {(name, *row) for name in Plan().endpoints for row in EVERY_ROW}
    for row in rows().values():
        assert row.profile == "all"
        assert "assumes" in row.note or row.method in ("firth", "matching_with_replacement"), row.note
        assert row.withheld_because is None, (row.method, row.withheld_because)


def test_truncated_weighting_is_inverse_probability_weighting_with_stabilized_weights_cut_at_the_plans_quantiles() -> (
    None
):
    study = complete()
    score = study.model.first.plain
    cut = truncate(stabilized_weights(score.probability, study.treated), 0.01, 0.99)
    assert cut.cut.sum() > 0
    outcome = study.outcome(FIRST)
    alone = compare_risks(study.treated, outcome, study.patient, "all", score, 0.95, 5.0, weights=cut.weights)
    same_effects(rows()[FIRST, "truncated_weighting", "all"], alone.effects)


@pytest.mark.parametrize("population", ["all", "treated"])
def test_covariate_balancing_weights_by_the_score_that_makes_the_groups_alike(population: str) -> None:
    study = complete()
    score = fit_balancing_score(study.model.first.plain.design, study.treated, population)
    alone = compare_risks(study.treated, study.outcome(FIRST), study.patient, population, score, 0.95, 5.0)
    same_effects(rows()[FIRST, "covariate_balancing", population], alone.effects)


@pytest.mark.parametrize(("method", "replacement"), [("matching", False), ("matching_with_replacement", True)])
def test_the_matched_rows_are_the_matched_comparison_of_the_models(method: str, replacement: bool) -> None:
    study = complete()
    logit = logit_of(study.model.first.plain.probability)
    matched = match_nearest(
        logit, study.treated, caliper=caliper_width(logit, study.treated, 0.2), replacement=replacement
    )
    alone = compare_matched(matched, study.outcome(FIRST), study.patient, 0.95, 5.0).estimated
    row = rows()[FIRST, method, "treated"]
    same_effects(row, alone.effects)
    for ours, theirs in ((row.retrograde, alone.retrograde), (row.antegrade, alone.antegrade)):
        assert (ours.risk, ours.lower, ours.upper) == pytest.approx((theirs.risk, theirs.lower, theirs.upper))
        assert ours.effective_n is None, "it would tell how many found no match"


@pytest.mark.parametrize("population", ["overlap", "all", "treated"])
def test_standardization_averages_the_outcome_model_over_its_population(population: str) -> None:
    study = complete()
    design, score = study.model.first.plain.design, study.model.first.plain
    outcome = study.outcome(FIRST)
    terms = fittable(design, study.treated, outcome).rows
    alone = standardized_risks(
        design.matrix[terms], study.treated, outcome, study.patient, population, 0.95, score=score
    )
    row = rows()[FIRST, "standardization", population]
    difference = row.effect("risk_difference")
    assert difference.estimate == pytest.approx(alone.estimates[0].value)
    error = (difference.upper - difference.lower) / 2 / z_value(0.95)
    assert error == pytest.approx(alone.estimates[0].standard_error, rel=1e-9)
    assert row.retrograde.risk == pytest.approx(alone.retrograde.risk)


def test_methods_of_the_odds_ratio_alone_have_no_difference_and_no_risk_and_are_not_withheld() -> None:
    study = complete()
    for method in ODDS_RATIO_ONLY:
        row = rows()[FIRST, method, "observed"]
        assert row.withheld_because is None
        assert row.effect("risk_difference").estimate is None
        assert row.effect("risk_ratio").estimate is None
        assert row.retrograde.risk is None
        assert row.retrograde.n == int(study.treated.sum())
        effect = row.effect("odds_ratio")
        assert effect.lower < effect.estimate < effect.upper


def test_the_conditional_row_is_the_logistic_regression_with_clustered_errors() -> None:
    study = complete()
    design, outcome = study.model.first.plain.design, study.outcome(FIRST)
    terms = fittable(design, study.treated, outcome).rows
    alone = conditional_odds_ratio(design.matrix[terms], study.treated, outcome, study.patient)
    ours, theirs = rows()[FIRST, "conditional", "observed"].effect("odds_ratio"), alone.estimate.effect(0.95)
    assert (ours.estimate, ours.lower, ours.upper) == pytest.approx((theirs.estimate, theirs.lower, theirs.upper))


def test_rows_are_pooled_over_the_first_completed_data_sets_and_say_so() -> None:
    study = service(700, Plan(methods=("truncated_weighting", "conditional"), imputation=Imputation(datasets=7)), 1.0)
    assert study.model.data_sets > DATA_SETS
    found = {c.method: c for c in other_methods(study)[FIRST]}
    outcome, differences = study.outcome(FIRST), []
    for _, models in zip(range(DATA_SETS), study.model.each(), strict=False):
        cut = truncate(stabilized_weights(models.plain.probability, study.treated), 0.01, 0.99)
        one = weighted_risks(study.treated, outcome, study.patient, "all", models.plain, weights=cut.weights)
        differences.append(one.risk_1 - one.risk_0)
    assert np.ptp(differences) > 0
    effect = found["truncated_weighting"].effect("risk_difference")
    assert effect.estimate == pytest.approx(np.mean(differences))
    assert all(f"{DATA_SETS} completed data sets" in c.note for c in found.values())


def test_only_the_methods_and_populations_of_the_plan_are_made() -> None:
    plan = Plan(methods=("standardization", "firth"), populations=("overlap", "treated"))
    study = replace(complete(), plan=plan)
    found = {(c.method, c.population) for c in other_methods(study)[FIRST]}
    assert found == {("standardization", "overlap"), ("standardization", "treated"), ("firth", "observed")}
    assert all_other_methods(study).learners == ()


def test_a_plan_that_matches_with_replacement_has_that_one_row() -> None:
    study = replace(complete(), plan=Plan(methods=("matching",), matching=Matching(replacement=True)))
    assert [c.method for c in other_methods(study)[FIRST]] == ["matching_with_replacement"]


def test_what_each_learner_counts_for_adds_up_to_one_in_the_score_and_in_each_outcome() -> None:
    by: dict[str, float] = {}
    for share in all_other_methods(replace(complete(), plan=Plan(methods=("learners",)))).learners:
        by[share.nuisance] = by.get(share.nuisance, 0.0) + share.weight
    assert set(by) == {"first approach from below", *Plan().endpoints}
    assert list(by.values()) == pytest.approx([1.0] * 3)


def test_above_its_limit_a_slow_method_is_left_out_with_its_reason(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(others, "MOST_FOR_LEARNERS", 500)
    found = other_methods(replace(complete(), plan=Plan(methods=("learners",))))[FIRST][0]
    assert "not made above 500 lesions" in found.withheld_because
    assert found.effects == ()


def test_where_the_service_has_no_answer_every_row_has_the_reason_and_its_counts() -> None:
    study = service(60, Plan())
    assert study.withheld_because is not None
    found = other_methods(study)
    assert {(c.method, c.population) for c in found[FIRST]} == EVERY_ROW
    for one in (c for many in found.values() for c in many):
        assert one.withheld_because == study.withheld_because
        assert one.effects == ()
        assert one.n == len(study.treated)


@pytest.mark.parametrize("seed", range(4))
def test_a_small_service_gives_numbers_or_reasons_and_never_a_crash(seed: int) -> None:
    study = service(150, Plan(), 1.0, seed)
    for one in (c for many in other_methods(study).values() for c in many):
        effect = one.effects[-1] if one.effects else None
        assert (one.withheld_because is None) == (effect is not None)
        if effect is not None:
            assert effect.estimate is not None
            assert all(np.isfinite(x) for x in (effect.estimate, effect.lower, effect.upper)), one


def test_a_level_in_which_every_wire_crossed_is_left_out_of_the_outcome_model_and_said() -> None:
    rng = np.random.default_rng(2)
    level = rng.integers(0, 3, 600).astype(float)
    treated, outcome = (rng.random((2, 600)) < 0.4).astype(float)
    outcome[level == 2] = 1.0
    design = build_design((Covariate("who", "who", "category", level, ("a", "b", "c")),), treated)
    found = fittable(design, treated, outcome)
    assert found.remark == LEFT_OUT
    assert [design.terms[j].name for j in range(len(design.terms)) if j not in found.rows] == ["who=c"]
    assert fittable(design, treated, treated * 0 + (rng.random(600) < 0.5)).remark == ""


def test_the_estimates_of_a_run_hold_every_row_before_the_profiles() -> None:
    frame = derive(invent(500, 3, replace(EFFECT, missing=0.0)).tables, Plan()).lesions
    found = [c for c in estimate(frame, Plan()).comparisons if c.endpoint == FIRST]
    whole = [c for c in found if c.profile == "all"]
    assert found[: len(whole)] == whole
    assert {(c.method, c.population) for c in whole} >= EVERY_ROW
