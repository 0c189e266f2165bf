"""The sensitivity analyses of a run on invented services: what they say, what they say when there is no answer, and what they must not tell."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import polars as pl
import pytest

from models.augmented import augmented_risks
from models.negative_control import NegativeControl
from models.sensitivity_results import LookSeries, TippingCell
from models.simulated_outcomes import Replicate
from pipeline.derive import derive
from pipeline.estimate import Estimates, estimate
from pipeline.methods_hidden import EFFECTS, GAPS, hidden_confounding
from pipeline.methods_looks import look_series
from pipeline.methods_missing import tipping_cells
from pipeline.methods_primary import made_again, primaries, restricted
from pipeline.methods_self_check import checked, estimator, held_back
from pipeline.methods_sensitivity import PARTS, EarlierLook, Sensitivity, sensitivity
from pipeline.negative_controls import controls_of, next_start
from pipeline.plan import Plan
from pipeline.plan_parts import Gates, HiddenBias, Imputation, Looks, SelfCheck
from synthetic_data.scenario import DEMO
from synthetic_data.service import invent

SMALL = Plan(imputation=Imputation(tipping_deltas=(-1.0, 1.0)), self_check=SelfCheck(replicates=30))
EARLIER = (EarlierLook("2025 Q2", 500), EarlierLook("2025 Q3", 600))
FIRST = "first_approach_crossed"


def lesions(count: int, seed: int, plan: Plan = SMALL, **scenario: float) -> pl.DataFrame:
    return derive(invent(count, seed, replace(DEMO, **scenario)).tables, plan).lesions


@cache
def service() -> tuple[Estimates, Sensitivity]:
    found = estimate(lesions(700, 4), SMALL)
    return found, sensitivity(found, EARLIER)


def test_every_part_is_there_for_every_endpoint_or_has_a_reason() -> None:
    found, told = service()
    names = list(found.study.plan.endpoints)
    assert [h.endpoint for h in told.hidden] == names
    assert [i.endpoint for i in told.influence] == names
    assert [s.endpoint for s in told.looks] == names
    assert [c.endpoint for c in told.self_checks] == names
    assert told.missing is not None
    assert told.missing.tipping
    assert told.absent == ()


def test_the_same_service_gets_the_same_answers_to_the_last_bit() -> None:
    found, told = service()
    assert repr(sensitivity(found, EARLIER)) == repr(told)


def test_a_withheld_answer_empties_every_part_and_each_says_why() -> None:
    plan = SMALL.model_copy(update={"gates": Gates(fewest_in_arm=600)})
    found = estimate(lesions(700, 4), plan)
    told = sensitivity(found)
    assert (told.missing, told.hidden, told.influence, told.looks, told.self_checks) == (None, (), (), (), ())
    assert {a.part for a in told.absent} == set(PARTS)
    assert {a.reason for a in told.absent} == {"Fewer than 600 lesions were started by one of the approaches."}


def test_where_a_gate_holds_the_service_back_nothing_is_told_of_its_answer() -> None:
    frame = lesions(700, 3)
    decided = frame.with_columns(
        first_approach=pl.when(pl.col("length_mm").fill_null(0) > 150)
        .then(pl.lit("retrograde"))
        .otherwise(pl.lit("antegrade"))
    )
    told = sensitivity(estimate(decided, SMALL))
    assert told.hidden == ()
    assert {a.part for a in told.absent} == set(PARTS)


def test_a_small_service_is_answered_too() -> None:
    told = sensitivity(estimate(lesions(260, 6), SMALL))
    assert len(told.hidden) == 2 or told.absent


def test_a_service_with_every_trait_recorded_is_told_that_nothing_was_drawn() -> None:
    found = estimate(lesions(700, 4, missing=0.0), SMALL)
    told = sensitivity(found)
    assert told.missing is not None
    assert (told.missing.traits, told.missing.patterns, told.missing.tipping, told.missing.datasets) == ((), (), (), 0)
    assert {a.part for a in told.absent} == {"imputation", "traces", "tipping"}


def test_gaps_are_those_of_the_lesions_compared() -> None:
    found, told = service()
    assert told.missing is not None
    frame = found.study.lesions
    by_label = {t.label: t for t in told.missing.traits}
    assert (
        by_label["calcium"].missing_retrograde + by_label["calcium"].missing_antegrade == frame["calcium"].null_count()
    )
    assert sum(p.count for p in told.missing.patterns) == frame.height


def test_the_variance_of_the_answer_is_that_within_and_between_the_data_sets() -> None:
    found, told = service()
    assert told.missing is not None
    for one in told.missing.pooled:
        pooled = primaries(found)[0][one.endpoint].pooled
        total = one.within + (1 + 1 / pooled.data_sets) * one.between
        assert total == pytest.approx(pooled.difference.variance, rel=1e-12)


def tipping(imputation: Imputation) -> tuple[TippingCell, ...] | str:
    found, _ = service()
    study = replace(found.study, plan=SMALL.model_copy(update={"imputation": imputation}))
    assert study.model is not None
    return tipping_cells(study, study.model, {FIRST: primaries(found)[0][FIRST]})


def test_unrecorded_values_shifted_by_nothing_leave_the_answer_where_it_is() -> None:
    found, _ = service()
    made = tipping(Imputation(tipping_deltas=(0.0, 1.0), tipping_feature="length_mm"))
    assert not isinstance(made, str)
    cells = {(c.shift_retrograde, c.shift_antegrade): c for c in made}
    assert {c.trait for c in made} == {"occlusion length"}
    assert cells[0.0, 0.0].estimate == pytest.approx(primaries(found)[0][FIRST].difference.estimate, abs=1e-12)
    # A longer occlusion is harder to cross: were those from below longer than thought, a start from below did better than it seemed.
    assert cells[1.0, 0.0].estimate > cells[0.0, 0.0].estimate > cells[0.0, 1.0].estimate


def test_a_trait_to_shift_that_has_no_gaps_gives_no_table_but_a_reason() -> None:
    assert (
        tipping(Imputation(tipping_feature="segment"))
        == "segment is recorded in all lesions, or too often missing to be drawn."
    )


def test_the_surface_holds_the_answer_itself_where_the_hidden_trait_does_nothing() -> None:
    found, told = service()
    for hidden in told.hidden:
        main = primaries(found)[0][hidden.endpoint].difference
        assert hidden.surface is not None
        cell = hidden.surface.cells[GAPS.index(0.0)][EFFECTS.index(0.0)]
        assert (cell.estimate, cell.lower, cell.upper) == (main.estimate, main.lower, main.upper)


def test_a_trait_left_out_of_the_tables_counts_for_more_the_stronger_it_is_supposed() -> None:
    found, told = service()
    plan = SMALL.model_copy(update={"hidden_bias": HiddenBias(strength=2.0)})
    stronger = primaries(replace(found, study=replace(found.study, plan=plan)))[0]
    for one, (two, _) in zip(told.hidden, hidden_confounding(stronger), strict=True):
        main = primaries(found)[0][one.endpoint].difference
        assert one.bounded is not None
        assert two.bounded is not None
        assert two.bounded.lower < one.bounded.lower < main.lower
        assert two.bounded.upper > one.bounded.upper > main.upper
        assert two.bounded_because.startswith("2 times as strong as ")


def test_e_values_are_at_least_one_and_one_where_the_interval_holds_no_difference() -> None:
    found, told = service()
    for hidden in told.hidden:
        main = primaries(found)[0][hidden.endpoint].difference
        lines = {line.measure: line for line in hidden.e_values}
        assert set(lines) == {"risk_difference", "risk_ratio", "odds_ratio"}
        assert all(line.point is not None and line.point >= 1 for line in hidden.e_values)
        if main.lower < 0 < main.upper:
            assert lines["risk_difference"].limit == 1.0


# These look at traits out of balance, which a service's own plan would have withheld.
LOOSE = SMALL.model_copy(update={"gates": Gates(caution_imbalance=2.0, largest_imbalance=2.0)})


def controls(frame: pl.DataFrame, plan: Plan) -> dict[str, NegativeControl]:
    return {c.name: c for c in controls_of([primaries(estimate(frame, plan))[0][FIRST]])[FIRST]}


def test_a_planted_hidden_trait_that_goes_with_a_control_is_found_by_it() -> None:
    """Heart failure made commoner by 25 in 100 among lesions started from below, as if a hidden trait sent both there: invented."""
    frame = lesions(1200, 4)
    chance = pl.Series(np.random.default_rng(5).random(frame.height))
    planted = frame.with_columns(
        heart_failure=pl.when(pl.col("first_approach") == "retrograde").then(chance < 0.5).otherwise(chance < 0.25)
    )
    clean, faulty = controls(frame, LOOSE), controls(planted, LOOSE)
    assert clean["heart failure"].verdict != "bias found"
    assert faulty["heart failure"].verdict == "bias found"
    assert faulty["heart failure"].estimate == pytest.approx(0.25, abs=0.1)
    assert "belongs in the adjustment set" in faulty["heart failure"].sentence


def test_a_trait_that_the_plan_adjusts_for_is_no_negative_control() -> None:
    named = ("length_mm", "calcium", "proximal_cap", "segment", "heart_failure", "operator_id")
    plan = LOOSE.model_copy(update={"adjust_for": named})
    found = controls(lesions(700, 4), plan)
    assert "heart failure" not in found
    assert "coronary disease" in found


def test_the_operators_next_start_is_that_of_the_next_day_with_somebody_else() -> None:
    treated = np.array([0.0, 1.0, 0.0, 1.0, 0.0])
    operator = np.array([0, 0, 0, 1, -1])
    patient = np.array([0, 0, 1, 2, 3])
    day = np.array([1, 2, 3, 1, 2])
    found = next_start(treated, operator, patient, day)
    # Day 2 of operator 0 is the same patient's: the next is day 3, from above. Operator 1 has no next, and the last is unknown.
    assert found[:2].tolist() == [0.0, 0.0]
    assert np.isnan(found[2:]).all()


def test_leaving_out_nobody_gives_the_answer_and_leaving_out_some_is_a_fit_to_the_rest() -> None:
    found, _ = service()
    primary = primaries(found)[0][FIRST]
    whole = restricted(found.study, found.study.everyone, 100)
    assert not isinstance(whole, str)
    assert made_again(*whole)[FIRST].difference.value == pytest.approx(primary.pooled.difference.value, abs=1e-10)
    kept = found.study.operator != found.study.operator[0]
    part = restricted(found.study, kept, 1)
    assert not isinstance(part, str)
    study, model = part
    models = model.first
    direct = augmented_risks(
        study.treated, study.outcome(FIRST), study.patient, "overlap", models.score, models.outcomes[FIRST]
    )
    assert made_again(study, model)[FIRST].difference.value == pytest.approx(direct.risk_1 - direct.risk_0, abs=1e-12)
    assert len(study.treated) == kept.sum()


def test_each_operator_is_left_out_once_and_none_is_named() -> None:
    found, told = service()
    sizes = sorted(np.bincount(found.study.operator[found.study.operator >= 0]).tolist())
    names = found.study.lesions["operator_id"].drop_nulls().unique().to_list()
    for one in told.influence:
        assert sorted(o.lesions for o in one.operators) == sizes
        assert [o.number for o in one.operators] == list(range(1, len(sizes) + 1))
        assert not any(str(name) in repr(one) for name in names)


def test_a_few_patients_together_move_the_answer_farther_than_one() -> None:
    _, told = service()
    for one in told.influence:
        assert one.patient_shift is not None
        assert one.few_shift is not None
        assert 0 < abs(one.patient_shift) < abs(one.few_shift)


def test_intervals_over_looks_are_wider_than_those_of_a_single_look_and_name_each_report() -> None:
    found, told = service()
    for series in told.looks:
        assert [line.name for line in series.lines] == ["2025 Q2", "2025 Q3", found.study.lesions["quarter"].max()]
        today = series.lines[-1].interval
        main = primaries(found)[0][series.endpoint]
        assert today.estimate == main.pooled.difference.value
        assert today.lower < today.fixed_lower < today.fixed_upper < today.upper
        assert series.planned is None


def series(looks: Looks, earlier: tuple[EarlierLook, ...]) -> LookSeries:
    found, _ = service()
    plan = SMALL.model_copy(update={"looks": looks})
    made = look_series(primaries(replace(found, study=replace(found.study, plan=plan)))[0][FIRST], "today", earlier)
    assert not isinstance(made, str)
    return made


def test_a_plan_whose_looks_are_used_up_claims_nothing_more_unless_it_counts_anew() -> None:
    before = (EarlierLook("2025 Q3", 600),)
    spent = Looks(method="pocock", planned=1)  # the first look may spend all of the error
    assert series(spent, before).lines[-1].interval.upper is None
    alone = series(spent, ()).lines[-1].interval
    assert alone.upper is not None
    anew = series(Looks(method="pocock", planned=1, earlier=0), before)
    assert [line.interval for line in anew.lines] == [alone]
    assert anew.planned == 1


def test_looks_that_left_no_trace_are_spread_before_the_first_that_did() -> None:
    made = series(Looks(earlier=4), EARLIER)
    names = ["earlier look 1", "earlier look 2", "2025 Q2", "2025 Q3", "today"]
    assert [(line.number, line.name) for line in made.lines] == list(enumerate(names, start=1))
    sizes = [line.interval.n for line in made.lines]
    assert sizes == sorted(sizes)
    assert sizes[2:4] == [500, 600]


def test_the_self_check_asks_the_very_method_that_the_report_uses() -> None:
    """On the service's own outcome the checked method gives the first completed data set's answer."""
    found, _ = service()
    primary = primaries(found)[0][FIRST]
    study, models = primary.study, primary.model.first
    outcome = study.outcome(FIRST)
    answer = estimator(study, models)(Replicate(0, study.treated, outcome))
    direct = augmented_risks(study.treated, outcome, study.patient, "overlap", models.score, models.outcomes[FIRST])
    assert answer is not None
    assert answer.estimate == pytest.approx(direct.risk_1 - direct.risk_0, abs=1e-10)


def test_a_sound_service_passes_its_self_check_and_a_failing_check_holds_the_verdict_back() -> None:
    _, told = service()
    for one in told.self_checks:
        assert one.check.answered >= 0.9 * one.check.replicates
        assert one.check.coverage is not None
        assert one.check.coverage > 0.8
        assert one.held_back == (one.check.verdict == "withhold")
        assert held_back(replace(one.check, verdict="withhold"))
    found, _ = service()
    plan = SMALL.model_copy(update={"self_check": SelfCheck(replicates=0)})
    primary = primaries(replace(found, study=replace(found.study, plan=plan)))[0][FIRST]
    assert checked(primary, None) == "The plan asks for fewer than 15 simulated services."


def test_the_plain_weighting_as_primary_method_is_looked_through_in_the_same_way() -> None:
    plan = SMALL.model_copy(update={"primary_method": "weighting"})
    found = estimate(lesions(700, 4), plan)
    told = sensitivity(found)
    assert len(told.hidden) == len(told.influence) == len(told.looks) == len(told.self_checks) == 2
    assert all(i.patient_shift is not None for i in told.influence)


def test_in_all_lesions_the_bound_of_the_overlap_population_is_not_given() -> None:
    plan = SMALL.model_copy(update={"primary_population": "all"})
    for hidden, reasons in hidden_confounding(primaries(estimate(lesions(700, 4), plan))[0]):
        assert hidden.bounded is None
        assert reasons["bounded"].startswith("The bound is that of the overlap population")
