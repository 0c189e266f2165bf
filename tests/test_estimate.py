"""The comparison step on invented services: what is compared, what is withheld, and what it does with few lesions."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest

from models.gates import Thresholds, imbalance_gate
from models.results import Comparison
from pipeline.covariates import adjusted_features
from pipeline.derive import derive
from pipeline.estimate import Estimates, estimate
from pipeline.plan import Gates, Plan
from synthetic_data.scenario import DEMO
from synthetic_data.service import invent

PLAN = Plan()


def lesions(count: int, seed: int, **scenario: float) -> pl.DataFrame:
    return derive(invent(count, seed, replace(DEMO, **scenario)).tables, PLAN).lesions


def main(found: Estimates, method: str = "doubly_robust", population: str = "overlap") -> Comparison:
    return next(c for c in found.comparisons if (c.method, c.population, c.profile) == (method, population, "all"))


def test_complete_cases_are_the_main_answer_of_the_lesions_with_every_trait_recorded() -> None:
    frame = lesions(1200, 4)
    complete = frame.drop_nulls([f.name for f in adjusted_features(PLAN)])
    assert 0 < complete.height < frame.height
    beside = main(estimate(frame, PLAN), "complete_case")
    alone = main(estimate(complete, PLAN))
    assert beside.n == complete.height
    for ours, theirs in zip(beside.effects, alone.effects, strict=True):
        assert (ours.estimate, ours.lower, ours.upper) == pytest.approx(
            (theirs.estimate, theirs.lower, theirs.upper), abs=1e-12
        )


def test_where_every_trait_is_recorded_no_complete_cases_stand_beside_the_main_answer() -> None:
    found = estimate(lesions(600, 4, missing=0.0), PLAN)
    assert not [c for c in found.comparisons if c.method == "complete_case"]


def test_a_small_service_gets_a_simpler_score_and_is_told_so() -> None:
    small, large = estimate(lesions(260, 6), PLAN), estimate(lesions(2000, 6), PLAN)
    assert any("few lesions for a full model" in remark for remark in small.remarks)
    assert not any("few lesions for a full model" in remark for remark in large.remarks)
    verdicts = {g.name: g.verdict for g in small.diagnostics.gates}
    assert verdicts["score_model"] == "caution"
    assert {g.name: g.verdict for g in large.diagnostics.gates}["score_model"] == "pass"
    assert "few lesions" in main(small).note
    assert "few lesions" not in main(large).note


def test_an_arm_below_the_plans_fewest_withholds_every_estimate_and_says_why() -> None:
    found = estimate(lesions(400, 2), Plan(gates=Gates(fewest_in_arm=300)))
    assert found.diagnostics is None
    for c in found.comparisons:
        assert c.effects == ()
        assert c.withheld_because == "fewer than 300 lesions were started by one of the approaches"


def test_a_service_that_only_ever_starts_one_way_is_told_that_nothing_can_be_compared() -> None:
    frame = lesions(400, 2).with_columns(first_approach=pl.lit("antegrade"))
    for c in estimate(frame, PLAN).comparisons:
        assert c.withheld_because is not None
        assert c.retrograde.n == 0


def test_a_trait_that_decides_the_approach_withholds_the_answer_rather_than_giving_a_wide_one() -> None:
    frame = lesions(1000, 3)
    decided = frame.with_columns(
        first_approach=pl.when(pl.col("length_mm").fill_null(0) > 150)
        .then(pl.lit("retrograde"))
        .otherwise(pl.lit("antegrade"))
    )
    answer = main(estimate(decided, PLAN))
    assert answer.withheld_because is not None
    assert answer.effects == ()


def test_a_trait_left_out_of_the_plan_that_stays_unlike_withholds_the_answer() -> None:
    found = estimate(lesions(2000, 1), Plan(adjust_for=("sex",), left_out=("length_mm", "calcium")))
    assert main(found).withheld_because == "the groups stay unlike after weighting"
    assert {g.name: g.verdict for g in found.diagnostics.gates}["imbalance"] == "withhold"


def test_every_one_way_profile_has_a_crude_and_an_adjusted_comparison_for_each_endpoint() -> None:
    found = estimate(lesions(600, 1), PLAN)
    for endpoint in PLAN.endpoints:
        for label in found.profile_labels:
            methods = [c.method for c in found.comparisons if (c.endpoint, c.profile) == (endpoint, label.profile)]
            assert methods == ["crude", "doubly_robust"]


@pytest.mark.parametrize("level", [0.8, 0.99])
def test_a_higher_level_widens_every_interval(level: float) -> None:
    frame = lesions(900, 1)
    usual, asked = (estimate(frame, plan) for plan in (Plan(), Plan(level=level)))
    for a, b in zip(usual.comparisons, asked.comparisons, strict=True):
        for effect, other in zip(a.effects, b.effects, strict=True):
            if effect.estimate is None:  # a method that has an odds ratio alone
                assert other.estimate is None
                continue
            assert (other.upper - other.lower > effect.upper - effect.lower) == (level > 0.95)


def test_a_difference_that_chance_could_give_still_asks_for_caution_when_it_is_large() -> None:
    limits = Thresholds(0.1, 0.25, 20, 10)
    excused = imbalance_gate([0.4, 0.1], 50, 120, limits)
    told = imbalance_gate([0.4, 0.1], 50, 120, limits, caution_ceiling=limits.largest_imbalance)
    worse = imbalance_gate([0.9, 0.1], 50, 120, limits, caution_ceiling=limits.largest_imbalance)
    assert (excused.verdict, told.verdict, worse.verdict) == ("caution", "caution", "withhold")
    many = [0.4] + [0.0] * 150
    assert imbalance_gate(many, 50, 120, limits).verdict == "pass"
    assert imbalance_gate(many, 50, 120, limits, caution_ceiling=limits.largest_imbalance).verdict == "caution"


OPTIONAL = ("in_stent", "rutherford", "renal", "distal_cap", "operator_id", "age_years", "runoff_vessels", "sex")


@pytest.mark.parametrize("name", OPTIONAL)
def test_a_trait_that_a_service_never_records_is_named_and_does_not_stop_the_run(name: str) -> None:
    frame = lesions(900, 4)
    without = frame.with_columns(pl.lit(None, dtype=frame[name].dtype).alias(name))
    found = estimate(without, PLAN)
    verdicts = {g.name: g.verdict for g in found.diagnostics.gates}
    assert verdicts["score_model"] == "caution"
    assert any("not in the score" in remark or "never recorded" in remark for remark in found.remarks)
    complete = main(found, "complete_case")
    assert complete.n > 500


def test_without_most_of_what_decides_the_approach_there_is_no_answer() -> None:
    frame = lesions(2000, 1)
    bare = frame.with_columns(
        pl.lit(None, dtype=frame[n].dtype).alias(n) for n in ("length_mm", "length_band", "calcium")
    )
    assert main(estimate(bare, PLAN)).withheld_because is not None
    one = frame.with_columns(pl.lit(None, dtype=pl.String).alias("proximal_cap"))
    found = estimate(one, PLAN)
    assert main(found).withheld_because is None
    assert {g.name: g.verdict for g in found.diagnostics.gates}["key_traits"] == "caution"


def test_a_trait_recorded_after_one_approach_only_withholds_the_answer() -> None:
    frame = lesions(2000, 5)
    lost = frame.with_columns(length_mm=pl.when(pl.col("first_approach") == "antegrade").then(pl.col("length_mm")))
    assert main(estimate(lost, PLAN)).withheld_because is not None


def test_no_lesion_at_all_gives_an_empty_answer_with_its_reason() -> None:
    for c in estimate(lesions(300, 2).clear(), PLAN).comparisons:
        assert c.n == 0
        assert c.withheld_because is not None


ALONE = Plan(methods=("crude",))  # the primary method is always made


def test_the_plans_seed_makes_the_draws_and_nothing_else_does() -> None:
    frame = lesions(700, 8)
    first, again, other = (main(estimate(frame, ALONE.model_copy(update={"seed": seed}))) for seed in (1, 1, 2))
    assert first == again
    assert first.effects[0].estimate != other.effects[0].estimate
    assert abs(first.effects[0].estimate - other.effects[0].estimate) < 0.02


def test_a_trait_missing_in_most_lesions_is_marked_and_not_drawn() -> None:
    frame = lesions(900, 8)
    thin = frame.with_columns(calcium=pl.when(pl.int_range(pl.len()) % 10 < 3).then(pl.col("calcium")))
    told = " ".join(estimate(thin, ALONE).remarks)
    assert "proximal cap (" in told
    assert "calcium (" not in told


def test_traits_recorded_less_often_after_one_start_ask_for_a_caution_and_withhold_nothing() -> None:
    found = estimate(lesions(1500, 1, missing_at_random=0.25), ALONE)
    verdicts = {gate.name: gate.verdict for gate in found.diagnostics.gates}
    assert verdicts["recording"] == "caution"
    assert main(found).withheld_because is None
