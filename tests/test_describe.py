"""Plain counts, medians and missing shares. Expected values counted by hand from the cases written out."""

from datetime import date

import polars as pl
import pytest
from small_service import Case, tables

from models.results import QuarterCount, SequenceCount
from pipeline.derive import derive
from pipeline.describe import missing_shares, prices, quarter_counts, sequence_counts
from pipeline.plan import Plan

A, R = "antegrade", "retrograde"


def lesions(*cases: Case) -> pl.DataFrame:
    return derive(tables(*cases), Plan()).lesions


def test_each_course_on_the_table_is_counted_once() -> None:
    found = sequence_counts(
        lesions(
            Case([(R, True)]),
            Case([(A, True)]),
            Case([(A, False), (R, True)]),
            Case([(A, False), (R, True)]),
            Case([(A, False), (R, False)]),
            Case([(A, False), (A, True)]),
            Case([(A, False)]),
        )
    )
    assert found == (
        SequenceCount("antegrade", True, "none", True, 1),
        SequenceCount("antegrade", False, "none", False, 1),
        SequenceCount("antegrade", False, "same", True, 1),
        SequenceCount("antegrade", False, "bailout", True, 2),
        SequenceCount("antegrade", False, "bailout", False, 1),
        SequenceCount("retrograde", True, "none", True, 1),
    )


def test_quarters_run_without_a_gap_over_the_turn_of_the_year() -> None:
    def on(year: int, month: int) -> dict[str, object]:
        return {"procedure_date": date(year, month, 15)}

    found = quarter_counts(
        lesions(
            Case([(R, True)], procedure=on(2025, 4)),
            Case([(A, False), (R, True)], procedure=on(2024, 10)),
            Case([(A, False)], procedure=on(2024, 12)),
        )
    )
    assert found == (
        QuarterCount("2024 Q4", lesions=2, retrograde_first=0, first_approach_crossed=0, crossed_in_session=1),
        QuarterCount("2025 Q1", lesions=0, retrograde_first=0, first_approach_crossed=0, crossed_in_session=0),
        QuarterCount("2025 Q2", lesions=1, retrograde_first=1, first_approach_crossed=1, crossed_in_session=1),
    )


def test_a_price_is_counted_once_a_session_and_only_where_all_its_lesions_were_started_the_same_way() -> None:
    def lesion(session: str, approach: str, minutes: float | None) -> Case:
        return Case(
            [(approach, True)],
            lesion={"procedure_id": session},
            procedure={"duration_min": minutes, "patient_id": session},
        )

    found = prices(
        lesions(
            lesion("two lesions", A, 60.0),
            lesion("two lesions", A, 60.0),
            lesion("one lesion", A, 90.0),
            lesion("another", A, 100.0),
            lesion("mixed", A, 500.0),
            lesion("mixed", R, 500.0),
            lesion("not recorded", A, None),
            lesion("below", R, 80.0),
        )
    )
    by_approach = {p.approach: p for p in found if p.name == "duration_min"}
    above, below = by_approach["antegrade"], by_approach["retrograde"]
    # 60, 90, 100: quartiles by linear interpolation
    assert (above.n, above.lower_quartile, above.median, above.upper_quartile) == (3, 75.0, 90.0, 95.0)
    assert (below.n, below.lower_quartile, below.median, below.upper_quartile) == (1, 80.0, 80.0, 80.0)
    assert above.unit == "min"
    assert "started the same way" in above.label


def test_a_price_that_no_session_recorded_is_left_out() -> None:
    assert {p.name for p in prices(lesions(Case()))} == {"duration_min"}


def test_the_share_missing_is_of_the_lesions() -> None:
    graded = {"calcium_scale": "parc", "calcium_grade": "focal"}
    found = {m.feature: m for m in missing_shares(lesions(Case(lesion=graded), Case(), Case(), Case()))}
    assert found["calcium"].share == pytest.approx(0.75)
    assert found["calcium"].label == "calcium"
    assert found["length_mm"].share == 0.0
    assert found["proximal_cap"].share == 1.0


def test_what_follows_from_another_feature_is_not_reported_missing_twice() -> None:
    found = {m.feature for m in missing_shares(lesions(Case()))}
    assert {"length_mm", "age_years", "glass_stage"} <= found
    assert not {"length_band", "age_band", "direct", "tissue_loss"} & found


def test_no_lesion_gives_no_line() -> None:
    none = lesions()
    assert (sequence_counts(none), quarter_counts(none), prices(none), missing_shares(none)) == ((), (), (), ())
