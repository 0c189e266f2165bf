"""The rules across columns, rows and tables: who breaks them, and what becomes of the row."""

from datetime import date

import polars as pl
import pytest

from models.results import ReasonCount
from pipeline.case_tables import ATTEMPTS, LESIONS, TABLES, table
from pipeline.check import Accepted, check
from pipeline.result_tables import counts_table, set_aside_table
from pipeline.rules import Rule, across_columns
from pipeline.rules_across import ABOVE, ACROSS, BEYOND
from reports.strategy import strategy_page
from synthetic_data.foreign import foreign_service
from synthetic_data.rows import rows, valid_tables
from synthetic_data.service import invent
from tests.edition_example import edition
from tests.rule_cases import CASES, NO_EVENTS, Case

CALCIUM = ("calcium_grade has no calcium_scale to be read on", "calcium_grade is not a grade of its calcium_scale")


def every_rule() -> dict[str, Rule]:
    own = [rule for one in TABLES for rule in across_columns(one)]
    return {rule.sentence: rule for rule in (*own, *(rule for across in ACROSS for rule in across.rules))}


def in_rows(accepted: Accepted, where: str, reason: str) -> list[int]:
    """Row numbers that the reason is told of, whatever its effect."""
    listed = (accepted.set_aside, accepted.blanked.drop("column"), accepted.warned)
    told = pl.concat(listed).filter(pl.col("table") == where, pl.col("reason").str.split("; ").list.contains(reason))
    return sorted(told["row"])


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.rule)
def test_a_rule_is_broken_by_the_rows_that_break_it_and_by_no_neighbor(case: Case) -> None:
    rule = every_rule()[case.rule]
    accepted = check(valid_tables(**{**case.besides, case.table: case.given}))
    assert in_rows(accepted, case.table, case.rule) == list(case.break_it)
    (reason,) = [r for r in accepted.reasons if r.reason == case.rule]
    assert (reason.table, reason.what, reason.count) == (case.table, rule.effect, len(case.break_it))
    consequences = {r.reason for r in accepted.reasons if not r.reason.endswith("was set aside")}
    assert consequences - set(case.also) == {case.rule}
    used = accepted.frames[case.table]
    keys = [f"{case.table}-{number}" for number in case.break_it]
    stay = used[table(case.table).key].is_in(keys)
    if rule.effect == "row":
        assert not stay.any() and used.height == len(case.given) - len(keys)
    else:
        assert stay.sum() == len(keys) and used.height == len(case.given)
    if rule.column is not None:
        assert used.filter(stay)[rule.column].null_count() == len(keys)


def test_every_rule_across_columns_and_tables_has_a_case_of_its_own() -> None:
    assert {case.rule for case in CASES} | set(CALCIUM) == set(every_rule())


def test_a_rule_names_a_column_only_when_it_blanks_a_value() -> None:
    with pytest.raises(ValueError, match="names a column"):
        Rule("odd", pl.lit(value=True), "value")
    with pytest.raises(ValueError, match="names a column"):
        Rule("odd", pl.lit(value=True), "warning", "birth_year")


# What an attempt is compared by


def test_an_attempt_set_aside_for_another_reason_leaves_no_gap() -> None:
    accepted = check(valid_tables(attempts=[{"approach": None}, {}], complications=[]))
    assert in_rows(accepted, "attempts", "approach is missing") == [1]
    assert accepted.frames["attempts"]["attempt_no"].to_list() == [2]
    assert accepted.lesions_in_doubt.to_list() == ["lesions-1"]


def test_without_its_first_attempt_none_of_a_lesions_attempts_is_used() -> None:
    accepted = check(valid_tables(attempts=[{"attempt_no": 2}, {"attempt_no": 3}], complications=[]))
    assert in_rows(accepted, "attempts", "an attempt before it on its lesion is missing") == [1, 2]
    assert accepted.frames["attempts"].is_empty()
    assert accepted.lesions_in_doubt.to_list() == ["lesions-1"]


def test_a_lesion_with_an_attempt_after_the_one_that_crossed_is_in_doubt() -> None:
    accepted = check(valid_tables(attempts=[{"crossed": True}, {}], complications=[]))
    assert accepted.lesions_in_doubt.to_list() == ["lesions-1"]


def test_an_attempt_whose_outcome_contradicts_itself_is_not_taken_for_one_that_crossed() -> None:
    contradicting = {"crossed": True, "stopped_because": "puncture_failed", "access_gained": False}
    accepted = check(valid_tables(attempts=[contradicting, {}], complications=[]))
    assert set(accepted.set_aside["row"]) == {1} and accepted.frames["attempts"].height == 1
    assert accepted.lesions_in_doubt.to_list() == ["lesions-1"]


@pytest.mark.parametrize("segment", LESIONS.column("segment").codes)
def test_every_segment_can_be_reached_from_the_groin_from_above_and_from_the_foot_or_calf_from_below(
    segment: str,
) -> None:
    sites = set(ATTEMPTS.column("access_site").codes)
    assert {"common_femoral_ipsilateral", "common_femoral_contralateral"} <= set(ABOVE[segment]) <= sites
    assert set(BEYOND[segment]) <= sites - {"common_femoral_ipsilateral", "common_femoral_contralateral"}
    assert BEYOND[segment] and not {"radial", "brachial"} & set(BEYOND[segment])
    # Both ends are open at the level of the lesion itself, but for the trunk, which has no site of its own.
    assert (segment in sites) == (segment in ABOVE[segment]) == (segment in BEYOND[segment])


# Who is told


ODD = "crossed is true, but access_gained is false"


def listed(accepted: Accepted) -> list[tuple[object, ...]]:
    return set_aside_table(accepted).select("what", "table", "row", "column", "reason").rows()


def test_a_warning_is_listed_and_counted_beside_what_was_not_used() -> None:
    accepted = check(valid_tables(attempts=[{"crossed": True, "access_gained": False}]))
    assert listed(accepted) == [("warning", "attempts", 1, None, ODD)]
    counted = counts_table(edition(reasons=accepted.reasons)).filter(pl.col("reason") == ODD)
    assert counted.select("stage", "table", "label", "count").rows() == [("intake", "attempts", "rows warned of", 1)]


def test_a_row_that_is_set_aside_draws_no_warning_besides() -> None:
    accepted = check(valid_tables(attempts=[{}, {"attempt_no": 5, "crossed": True, "access_gained": False}]))
    assert listed(accepted) == [("row", "attempts", 2, None, "an attempt before it on its lesion is missing")]


def test_the_report_names_what_is_doubtful_among_the_data_quality() -> None:
    page = strategy_page(edition(reasons=(ReasonCount("attempts", "warning", "the route is odd", 12),)))
    assert "row kept, but doubtful" in page and "the route is odd" in page


# Follow-up


def test_a_procedure_set_aside_still_counts_as_the_first_one_for_follow_up() -> None:
    accepted = check(
        valid_tables(
            procedures=[{"side": None}, {"procedure_date": date(2024, 8, 1)}],
            lesions=[{"procedure_id": "procedures-2"}],
            complications=[],
            follow_up=[{"lesion_id": None, "event_date": date(2024, 7, 1)}],
        )
    )
    assert in_rows(accepted, "procedures", "side is missing") == [1]
    assert accepted.frames["follow_up"].height == 1


def test_a_death_dated_before_the_first_procedure_takes_no_other_row_with_it() -> None:
    wrong = {"lesion_id": None, "event": "death", "event_date": date(2023, 9, 1)}
    accepted = check(valid_tables(follow_up=[wrong, {}]))
    assert in_rows(accepted, "follow_up", "event_date is before the patient's first procedure") == [1]
    assert accepted.frames["follow_up"]["event"].to_list() == ["seen"]


def test_a_follow_up_that_loses_its_lesion_is_held_against_the_patients_first_procedure_alone() -> None:
    accepted = check(valid_tables(follow_up=[{"lesion_id": "elsewhere", "side": "right"}]))
    assert accepted.frames["follow_up"]["lesion_id"].to_list() == [None]
    assert accepted.set_aside.is_empty()


# Keys


def test_a_patient_with_two_birth_years_is_told_in_a_sentence_of_its_own() -> None:
    twice = [{"patient_id": "P", "birth_year": 1940}, {"patient_id": "P", "birth_year": 1941}]
    other = [{"patient_id": "Q", "birth_year": 1940}, {"patient_id": "Q", "birth_year": 1941, "sex": "male"}]
    accepted = check(valid_tables(patients=[*twice, *other], procedures=[], lesions=[], attempts=[], **NO_EVENTS))
    assert in_rows(accepted, "patients", "patient_id is on several rows that differ in birth_year alone") == [1, 2]
    assert in_rows(accepted, "patients", "patient_id is on several rows that differ") == [3, 4]


# The day on which the tables were received


RECEIVED = date(2024, 7, 1)


def test_dates_after_the_day_of_receipt_are_not_used() -> None:
    tables = valid_tables(
        procedures=[{"procedure_date": date(2024, 7, 2)}, {"procedure_date": RECEIVED}],
        lesions=[{"procedure_id": "procedures-2"}],
        complications=[
            {"procedure_id": "procedures-2", "complication_date": date(2024, 7, 2)},
            {"procedure_id": "procedures-2", "complication_date": RECEIVED},
        ],
        follow_up=[{"event_date": date(2024, 7, 2)}, {"event_date": RECEIVED}],
    )
    accepted = check(tables, received=RECEIVED)
    told = "{} is after the day on which the tables were received"
    for name, column in (
        ("procedures", "procedure_date"),
        ("complications", "complication_date"),
        ("follow_up", "event_date"),
    ):
        assert in_rows(accepted, name, told.format(column)) == [1]
    assert accepted.frames["complications"]["complication_date"].to_list() == [None, RECEIVED]
    assert {c.table: c.set_aside for c in accepted.counts if c.set_aside} == {"procedures": 1, "follow_up": 1}


def test_without_a_day_of_receipt_no_date_is_too_late() -> None:
    late = valid_tables(procedures=[{"procedure_date": date(2090, 1, 1)}], complications=[], follow_up=[])
    assert "received" not in " ".join(r.reason for r in check(late).reasons)


def test_an_invented_service_breaks_no_rule() -> None:
    # Large enough that a complication of the days after the procedure could meet an early death.
    assert check(invent(60_000, 2).tables, received=date(2025, 12, 31)).reasons == ()


def test_the_invented_german_site_breaks_no_rule_before_faults_are_planted_in_it() -> None:
    assert check(foreign_service().tables, received=date(2025, 12, 31)).reasons == ()


def test_the_rows_helper_gives_a_second_attempt_that_breaks_no_rule() -> None:
    assert check(valid_tables(attempts=[{}, {"approach": "retrograde"}])).reasons == ()
    assert rows("attempts", {}, {})["crossed"].to_list() == [False, True]
