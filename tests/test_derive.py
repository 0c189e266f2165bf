"""The approaches and ends of each lesion, and which lesions are compared. Definitions: pipeline.derive.Derived."""

import random
from collections.abc import Sequence
from datetime import date, timedelta

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal
from small_service import Case, tables

from pipeline.derive import derive
from pipeline.faults import NeedsMending
from pipeline.plan import Plan

Attempts = Sequence[tuple[str, bool]]
A, R = "antegrade", "retrograde"


def course(attempts: Attempts, **told: Sequence[float | None]) -> dict[str, object]:
    """What is derived of the one lesion with these attempts."""
    return derive(tables(Case(attempts, minutes=told.get("minutes"))), Plan()).lesions.row(0, named=True)


@pytest.mark.parametrize(
    ("attempts", "first", "first_crossed", "session_crossed", "then", "bailout"),
    [
        ([(A, True)], A, True, True, "none", False),
        ([(A, False)], A, False, False, "none", False),
        ([(A, False), (A, True)], A, False, True, "same", False),
        ([(A, False), (R, True)], A, False, True, "bailout", True),
        ([(A, False), (R, False)], A, False, False, "bailout", True),
        ([(R, False), (A, True)], R, False, True, "bailout", True),
        ([(A, False), (A, False), (R, True)], A, False, True, "bailout", True),
        ([(A, False), (R, False), (A, True)], A, False, True, "bailout", True),
        ([(R, True)], R, True, True, "none", False),
        # The other approach after a crossing is no bailout: nothing had failed.
        ([(A, True), (R, True)], A, True, True, "none", False),
        ([(A, True), (A, False), (R, True)], A, True, True, "none", True),
    ],
)
def test_the_course_on_the_table(
    attempts: Attempts, first: str, first_crossed: bool, session_crossed: bool, then: str, bailout: bool
) -> None:
    found = course(attempts)
    assert found["first_approach"] == first
    assert found["first_approach_crossed"] is first_crossed
    assert found["crossed_in_session"] is session_crossed
    assert found["then"] == then
    assert found["bailout"] is bailout
    assert found["attempts"] == len(attempts)


def test_the_first_approach_is_that_of_attempt_1_in_whatever_order_the_rows_come() -> None:
    case = Case([(R, True), (A, False)], attempt_numbers=[2, 1])
    found = derive(tables(case), Plan()).lesions.row(0, named=True)
    assert (found["first_approach"], found["first_approach_crossed"], found["crossed_in_session"]) == (A, False, True)


def test_minutes_are_those_of_all_attempts_and_unknown_when_one_is_missing() -> None:
    assert course([(A, False), (R, True)], minutes=[25.0, 10.0])["attempt_minutes"] == 35.0
    missing = course([(A, False), (R, True)], minutes=[25.0, None])
    assert missing["attempt_minutes"] is None
    assert missing["first_attempt_minutes"] == 25.0
    assert course([(A, True)], minutes=[None])["attempt_minutes"] is None


def test_one_limb_is_one_patient_and_side() -> None:
    shared = {"patient_id": "P"}
    cases = [Case(procedure={**shared, "side": side}) for side in ("left", "right", "left")]
    assert derive(tables(*cases), Plan()).lesions.get_column("limb_id").to_list() == ["P:left", "P:right", "P:left"]


@pytest.mark.parametrize(
    ("day", "quarter"),
    [(date(2025, 3, 31), "2025 Q1"), (date(2025, 4, 1), "2025 Q2"), (date(2024, 12, 31), "2024 Q4")],
)
def test_a_procedure_belongs_to_its_calendar_quarter(day: date, quarter: str) -> None:
    found = derive(tables(Case(procedure={"procedure_date": day})), Plan()).lesions
    assert found.get_column("quarter").item() == quarter


def in_session(session: str, attempts: Attempts, **lesion: object) -> Case:
    return Case(attempts, lesion={"procedure_id": session, **lesion}, procedure={"patient_id": f"of {session}"})


def test_a_session_has_one_first_approach_only_when_all_its_lesions_share_it() -> None:
    cases = [
        in_session("same", [(A, True)]),
        in_session("same", [(A, False), (R, True)]),
        in_session("mixed", [(A, True)]),
        in_session("mixed", [(R, True)]),
        in_session("unknown", [(R, True)]),
        in_session("unknown", []),
    ]
    found = derive(tables(*cases), Plan()).lesions
    shared = {(r["procedure_id"], r["session_first_approach"], r["lesions_in_procedure"]) for r in found.to_dicts()}
    assert shared == {("same", A, 2), ("mixed", None, 2), ("unknown", None, 2)}


def test_a_session_with_a_lesion_that_the_plan_leaves_out_is_still_judged_by_all_its_lesions() -> None:
    cases = [
        in_session("s", [(A, True)], segment="peroneal"),
        in_session("s", [(R, True)], segment="popliteal"),
    ]
    plan = Plan.model_validate({"eligibility": {"segments": ("peroneal",)}})
    found = derive(tables(*cases), plan).lesions.row(0, named=True)
    assert (found["session_first_approach"], found["lesions_in_procedure"]) == (None, 2)


def test_the_case_flow_counts_every_lesion_once_with_its_reason() -> None:
    early, late = {"procedure_date": date(2023, 12, 31)}, {"procedure_date": date(2026, 1, 1)}
    cases = [
        Case(),
        Case([]),
        Case([]),
        Case([(R, True)], attempt_numbers=[2]),
        Case([(A, False), (R, True)], attempt_numbers=[1, 1]),
        Case([(A, False), (R, True)], attempt_numbers=[1, 3]),
        Case([(A, False), (R, False), (A, True)], attempt_numbers=[1, 2, 2]),
        Case(procedure=early),
        Case(procedure=late),
        Case(procedure={"procedure_date": date(2024, 1, 1)}),
        Case(procedure={"procedure_date": date(2025, 12, 31)}),
        Case(lesion={"segment": "popliteal"}),
        Case(lesion={"lesion_id": "in doubt"}),
    ]
    plan = Plan.model_validate(
        {
            "eligibility": {
                "first_date": date(2024, 1, 1),
                "last_date": date(2025, 12, 31),
                "segments": ("anterior_tibial", "dorsalis_pedis"),
            }
        }
    )
    derived = derive(tables(*cases), plan, in_doubt=pl.Series(["in doubt", "not there"]))
    assert [(step.count, step.left_out, step.reason) for step in derived.flow] == [
        (13, 0, ""),
        (12, 1, "an attempt on the lesion was set aside at intake, so what happened on the table cannot be known"),
        (10, 2, "no attempt recorded"),
        (8, 2, "attempt number 1 is missing or recorded twice, so the first approach cannot be known"),
        (6, 2, "an attempt number is skipped or recorded twice, so what happened on the table cannot be known"),
        (5, 1, "before 2024-01-01"),
        (4, 1, "after 2025-12-31"),
        (3, 1, "not in anterior tibial, dorsalis pedis"),
    ]
    assert sorted(derived.lesions.get_column("lesion_id")) == ["L0", "L10", "L9"]


def test_a_lesion_whose_crossing_was_set_aside_is_not_counted_as_a_failure() -> None:
    failed_then_lost = Case([(A, False)], lesion={"lesion_id": "lost"})
    doubted = derive(tables(failed_then_lost, Case()), Plan(), in_doubt=pl.Series(["lost"])).lesions
    assert doubted.get_column("crossed_in_session").to_list() == [True]


def test_a_plan_without_limits_leaves_out_only_what_cannot_be_known() -> None:
    assert [step.label for step in derive(tables(Case()), Plan()).flow] == [
        "Lesions accepted at intake",
        "With no attempt set aside",
        "With an attempt recorded",
        "With one first attempt recorded",
        "With every attempt up to the last recorded",
    ]


def test_lesions_come_in_order_of_date_and_then_of_the_table_not_of_their_pseudonyms() -> None:
    days = [5, 1, 5, 1, 0]
    names = ["b", "z", "a", "y", "x"]
    cases = [
        Case(lesion={"lesion_id": name}, procedure={"procedure_date": date(2025, 1, 1) + timedelta(days=day)})
        for name, day in zip(names, days, strict=True)
    ]
    assert derive(tables(*cases), Plan()).lesions.get_column("lesion_id").to_list() == ["x", "z", "y", "b", "a"]


def test_other_pseudonyms_change_no_number() -> None:
    given_names = tables(*[Case([(A, False), (R, True)]), Case([(R, True)]), Case([(A, True)])])
    keys = ("patient_id", "procedure_id", "lesion_id", "attempt_id", "operator_id")
    renamed = {
        name: frame.with_columns(
            pl.format("{}-{}", pl.col(key).hash(1), pl.col(key)) for key in keys if key in frame.columns
        )
        for name, frame in given_names.items()
    }
    named = ("limb_id", *keys)
    before, after = (derive(t, Plan()).lesions.drop(named, strict=False) for t in (given_names, renamed))
    assert_frame_equal(before, after)


def drawn_case(attempts: Attempts, session: int) -> Case:
    """A lesion in one of a few sessions; what belongs to the session follows from its number."""
    return Case(
        attempts,
        lesion={"procedure_id": f"S{session}"},
        procedure={
            "procedure_date": date(2025, 1, 1 + session // 2),
            "operator_id": ("a", "b", None)[session % 3],
            "patient_id": f"P{session % 2}",
        },
    )


courses_drawn = st.lists(st.tuples(st.sampled_from([A, R]), st.booleans()), max_size=3)
cases_drawn = st.lists(st.builds(drawn_case, courses_drawn, st.integers(0, 6)), min_size=1, max_size=10)


@given(cases_drawn, st.randoms(use_true_random=False))
@settings(max_examples=50, deadline=None)
def test_the_order_of_the_input_rows_changes_no_value(cases: list[Case], chance: random.Random) -> None:
    given_order = tables(*cases)
    shuffled = {
        name: frame[chance.sample(range(frame.height), frame.height)] if frame.height else frame
        for name, frame in given_order.items()
    }
    first, second = derive(given_order, Plan()), derive(shuffled, Plan())
    assert first.flow == second.flow
    assert_frame_equal(first.lesions.sort("lesion_id"), second.lesions.sort("lesion_id"))


def test_no_lesion_at_all_gives_an_empty_frame_with_every_column() -> None:
    some, none = derive(tables(Case()), Plan()), derive(tables(), Plan())
    assert none.lesions.is_empty()
    assert none.lesions.schema == some.lesions.schema
    assert [step.count for step in none.flow] == [0, 0, 0, 0, 0]


def test_a_plan_that_names_what_is_not_known_stops_with_a_line_for_each_name() -> None:
    plan = Plan.model_validate(
        {
            "eligibility": {
                "segments": ("calf",),
                "first_date": date(2025, 1, 1),
                "last_date": date(2024, 1, 1),
            },
            "adjust_for": ("length",),
            "left_out": ("glass",),
            "profiles": ("moon",),
            "endpoints": ("first_approach_crossed", "luck"),
        }
    )
    with pytest.raises(NeedsMending) as stopped:
        derive(tables(Case()), plan)
    lines = stopped.value.lines
    assert [line.split(";")[0] for line in lines] == [
        "plan: adjust_for: 'length' is not a feature",
        "plan: left_out: 'glass' is not a feature",
        "plan: endpoints: 'luck' is not an endpoint",
        "plan: profiles: 'moon' is not a lesion profile",
        "plan: eligibility.segments: 'calf' is not a segment",
        "plan: eligibility: first_date is after last_date",
    ]
    assert all("\n" not in line for line in lines)


def test_each_attempt_knows_what_had_failed_before_it_and_how_long_that_took() -> None:
    case = Case([(A, False), (A, False), (R, True)], minutes=[20.0, 5.0, 12.0])
    found = derive(tables(case), Plan()).attempts
    assert found["attempt_no"].to_list() == [1, 2, 3]
    assert found["attempts_on_lesion"].to_list() == [3, 3, 3]
    assert found["failed_above_before"].to_list() == [0, 1, 2]
    assert found["failed_below_before"].to_list() == [0, 0, 0]
    assert found["minutes_before"].to_list() == [0.0, 20.0, 25.0]
    assert found["bailout"].to_list() == [False, False, True]
    assert found["crossed_before"].to_list() == [False, False, False]


def test_minutes_before_an_attempt_are_unknown_once_an_earlier_attempts_are() -> None:
    found = derive(tables(Case([(A, False), (R, False), (A, True)], minutes=[None, 5.0, 1.0])), Plan()).attempts
    assert found["minutes_before"].to_list() == [0.0, None, None]
    assert found["failed_below_before"].to_list() == [0, 0, 1]
    assert found["bailout"].to_list() == [False, True, False]


def test_the_attempts_are_those_of_the_lesions_compared_whatever_the_order_of_the_rows() -> None:
    made = tables(Case([(A, False), (R, True)]), Case([(R, False), (A, False)]), Case([(A, True)]))
    there = derive(made, Plan())
    turned = derive({**made, "attempts": made["attempts"].reverse()}, Plan())
    assert_frame_equal(there.attempts, turned.attempts)
    assert there.attempts.height == there.lesions["attempts"].sum() == 5
    ends = there.attempts.group_by("lesion_id", maintain_order=True).agg(
        pl.col("bailout").any(), pl.col("crossed").any()
    )
    assert ends["bailout"].to_list() == there.lesions["bailout"].to_list()
    assert ends["crossed"].to_list() == there.lesions["crossed_in_session"].to_list()
