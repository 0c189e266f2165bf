import random
from collections.abc import Mapping
from datetime import date

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from models.results import ReasonCount
from pipeline.case_tables import TABLES, table
from pipeline.check import Accepted, check
from pipeline.faults import NeedsMending
from pipeline.rules import CALCIUM_GRADES
from synthetic_data.rows import rows, valid_tables


def as_text(tables: Mapping[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    return {name: frame.cast(pl.String) for name, frame in tables.items()}


def set_aside(accepted: Accepted, name: str) -> list[tuple[int, str | None, str]]:
    return accepted.set_aside.filter(table=name).select("row", "key", "reason").rows()


def blanked(accepted: Accepted, name: str) -> list[tuple[int, str, str]]:
    return accepted.blanked.filter(table=name).select("row", "column", "reason").rows()


def written(name: str, column: str, *values: str | None) -> dict[str, pl.DataFrame]:
    """Valid tables as text, one row of the named table for each way in which the column is written."""
    tables = as_text(valid_tables(**{name: [{}] * len(values)}))
    tables[name] = tables[name].with_columns(pl.Series(column, values, dtype=pl.String))
    return tables


def test_valid_rows_are_used_as_they_are() -> None:
    tables = valid_tables()
    accepted = check(tables)
    for name, frame in tables.items():
        assert_frame_equal(accepted.frames[name], frame)
    assert accepted.set_aside.is_empty() and accepted.blanked.is_empty() and accepted.warned.is_empty()
    assert accepted.reasons == ()


def test_text_and_typed_frames_give_the_same_tables() -> None:
    tables = valid_tables(lesions=[{"length_mm": None}, {"length_mm": 400.5}])
    typed, texts = check(tables), check(as_text(tables))
    for name in tables:
        assert_frame_equal(typed.frames[name], texts.frames[name])


# Needed values


@pytest.mark.parametrize(
    ("name", "column", "value", "reason"),
    [
        ("procedures", "procedure_date", None, "procedure_date is missing"),
        ("procedures", "procedure_date", "31.02.2024", "procedure_date is not a date (YYYY-MM-DD)"),
        ("procedures", "procedure_date", "2024-02-31", "procedure_date is not a date (YYYY-MM-DD)"),
        ("procedures", "procedure_date", "0024-02-01", "procedure_date is outside 1990 to 2100"),
        ("procedures", "side", "both", "side is not one of its codes"),
        ("lesions", "segment", "  ", "segment is missing"),
        ("attempts", "attempt_no", "1.5", "attempt_no is not a whole number"),
        ("attempts", "attempt_no", "0", "attempt_no is outside 1 to 20"),
        ("attempts", "crossed", "perhaps", "crossed is not a truth value (true or false)"),
        ("complications", "kind", "itch", "kind is not one of its codes"),
    ],
)
def test_a_row_without_a_usable_needed_value_is_set_aside(
    name: str, column: str, value: str | None, reason: str
) -> None:
    accepted = check(written(name, column, value))
    assert set_aside(accepted, name) == [(1, f"{name}-1", reason)]
    assert ReasonCount(name, "row", reason, 1) in accepted.reasons


def test_a_row_with_two_faults_is_one_row_set_aside_for_both_reasons() -> None:
    tables = written("procedures", "side", "both")
    tables["procedures"] = tables["procedures"].with_columns(procedure_date=pl.lit(None, dtype=pl.String))
    accepted = check(tables)
    assert set_aside(accepted, "procedures") == [
        (1, "procedures-1", "procedure_date is missing; side is not one of its codes")
    ]
    assert [(r.reason, r.count) for r in accepted.reasons if r.table == "procedures"] == [
        ("procedure_date is missing", 1),
        ("side is not one of its codes", 1),
    ]


def test_a_line_that_could_not_be_read_is_set_aside_with_its_fault_alone() -> None:
    tables = as_text(valid_tables())
    broken = tables["attempts"].with_columns(pl.lit(None, dtype=pl.String).alias(c) for c in tables["attempts"].columns)
    both = pl.concat([tables["attempts"], broken]).with_columns(
        row=pl.Series([2, 3]), fault=pl.Series([None, "the line has 2 fields where the header has 14"])
    )
    accepted = check(tables | {"attempts": both})
    assert set_aside(accepted, "attempts") == [(3, None, "the line has 2 fields where the header has 14")]


# Optional values


@pytest.mark.parametrize(
    ("name", "column", "value", "reason"),
    [
        ("lesions", "length_mm", "14 cm", "length_mm is not a number"),
        ("lesions", "length_mm", "1e999", "length_mm is not a number"),
        ("lesions", "length_mm", "nan", "length_mm is not a number"),
        ("lesions", "length_mm", "12,5", "length_mm is not a number"),
        ("lesions", "length_mm", "-20", "length_mm is outside 1 to 900 mm"),
        ("lesions", "length_mm", "0.999", "length_mm is outside 1 to 900 mm"),
        ("lesions", "in_stent", "2", "in_stent is not a truth value (true or false)"),
        ("lesions", "proximal_cap", "flat", "proximal_cap is not one of its codes"),
        ("patients", "birth_year", "50", "birth_year is outside 1900 to 2030"),
        ("patients", "birth_year", "1950-01-01", "birth_year is not a whole number"),
        ("complications", "complication_date", "1875-01-01", "complication_date is outside 1990 to 2100"),
    ],
)
def test_a_bad_optional_value_is_blanked_and_its_row_stays(name: str, column: str, value: str, reason: str) -> None:
    accepted = check(written(name, column, value))
    assert blanked(accepted, name) == [(1, column, reason)]
    assert accepted.frames[name][column].to_list() == [None]
    assert accepted.set_aside.is_empty()
    assert accepted.reasons == (ReasonCount(name, "value", reason, 1),)


def test_limits_are_inclusive() -> None:
    assert check(written("lesions", "length_mm", "1", "900")).frames["lesions"]["length_mm"].to_list() == [1.0, 900.0]


def test_truth_values_and_codes_are_read_in_any_capitals() -> None:
    used = check(written("lesions", "in_stent", "YES", "f", "True", "0", "1.0", " no ")).frames["lesions"]
    assert used["in_stent"].to_list() == [True, False, True, False, True, False]
    assert check(written("lesions", "prior_bypass", "Patent")).frames["lesions"]["prior_bypass"].to_list() == ["patent"]


def test_whole_numbers_written_with_a_fraction_of_zero_are_whole() -> None:
    assert check(written("lesions", "fp_grade", "3.0", "2.")).frames["lesions"]["fp_grade"].to_list() == [3, 2]


def test_an_infinite_measurement_is_blanked_and_a_nan_is_not_recorded() -> None:
    accepted = check(valid_tables(lesions=[{"length_mm": float("inf")}, {"length_mm": float("nan")}]))
    assert accepted.frames["lesions"]["length_mm"].to_list() == [None, None]
    assert blanked(accepted, "lesions") == [(1, "length_mm", "length_mm is not a number")]


@pytest.mark.parametrize("scale", CALCIUM_GRADES)
def test_every_grade_of_a_calcium_scale_is_read_on_it_and_on_no_other_where_it_is_absent(scale: str) -> None:
    every = sorted({grade for grades in CALCIUM_GRADES.values() for grade in grades})
    accepted = check(valid_tables(lesions=[{"calcium_scale": scale, "calcium_grade": grade} for grade in every]))
    kept = set(accepted.frames["lesions"]["calcium_grade"].drop_nulls())
    assert kept == set(CALCIUM_GRADES[scale])
    assert len(blanked(accepted, "lesions")) == len(every) - len(kept)


def test_a_calcium_grade_without_a_scale_is_blanked() -> None:
    accepted = check(written("lesions", "calcium_scale", None, "agatston"))
    assert blanked(accepted, "lesions") == [
        (1, "calcium_grade", "calcium_grade has no calcium_scale to be read on"),
        (2, "calcium_scale", "calcium_scale is not one of its codes"),
        (2, "calcium_grade", "calcium_grade has no calcium_scale to be read on"),
    ]


# Keys and references


def test_of_the_same_row_twice_the_first_is_used() -> None:
    tables = valid_tables(lesions=[{"lesion_id": "L"}, {"lesion_id": "L"}], attempts=[{"lesion_id": "L"}])
    accepted = check(tables)
    assert set_aside(accepted, "lesions") == [(2, "L", "the same row stands earlier in the table")]
    assert accepted.counts[2].used == 1 and accepted.counts[3].used == 1


def test_rows_that_share_their_key_and_differ_are_all_set_aside_with_all_that_hangs_on_them() -> None:
    accepted = check(
        valid_tables(
            lesions=[{"lesion_id": "L", "length_mm": 10.0}, {"lesion_id": "L", "length_mm": 20.0}],
            attempts=[{"lesion_id": "L"}],
            complications=[],
            follow_up=[{"lesion_id": "L"}],
        )
    )
    reason = "lesion_id is on several rows that differ"
    assert set_aside(accepted, "lesions") == [(1, "L", reason), (2, "L", reason)]
    assert set_aside(accepted, "attempts") == [(1, "attempts-1", "its lesion was set aside")]
    assert blanked(accepted, "follow_up") == [(1, "lesion_id", "its lesion was set aside")]


def test_a_row_whose_parent_is_absent_is_set_aside() -> None:
    accepted = check(valid_tables(lesions=[{}, {"procedure_id": "elsewhere"}]))
    assert set_aside(accepted, "lesions") == [(2, "lesions-2", "its procedure is not in the procedures table")]


def test_setting_a_patient_aside_takes_everything_below_along() -> None:
    accepted = check(valid_tables(patients=[{"patient_id": None}], procedures=[{"patient_id": "patients-1"}]))
    assert {c.table: c.used for c in accepted.counts} == dict.fromkeys((t.name for t in TABLES), 0)
    assert set_aside(accepted, "procedures")[0][2] == "its patient is not in the patients table"
    assert [set_aside(accepted, name)[0][2] for name in ("lesions", "attempts", "complications", "follow_up")] == [
        "its procedure was set aside",
        "its lesion was set aside",
        "its procedure was set aside",
        "its patient is not in the patients table",
    ]


def test_a_complication_tied_to_an_unknown_attempt_stays_without_the_tie() -> None:
    accepted = check(valid_tables(complications=[{"attempt_id": "elsewhere"}, {"attempt_id": None}]))
    assert blanked(accepted, "complications") == [(1, "attempt_id", "its attempt is not in the attempts table")]
    assert accepted.frames["complications"]["attempt_id"].to_list() == [None, None]


def test_two_attempts_on_one_lesion_with_the_same_number_are_both_set_aside() -> None:
    accepted = check(valid_tables(attempts=[{"attempt_no": 1}, {"attempt_no": 1}, {"attempt_no": 2}], complications=[]))
    reason = "another attempt on its lesion has the same attempt_no"
    assert [(row, why) for row, _, why in set_aside(accepted, "attempts")] == [(1, reason), (2, reason)]


def test_an_attempt_given_twice_does_not_make_its_number_a_double() -> None:
    twice = valid_tables(attempts=[{"attempt_id": "A", "attempt_no": 1}] * 2, complications=[])
    assert check(twice).counts[3].used == 1


# Layout


def test_optional_columns_may_be_absent_and_unknown_ones_are_left_out() -> None:
    tables = valid_tables()
    tables["lesions"] = tables["lesions"].drop("length_mm").with_columns(surgeon=pl.lit("nobody"))
    used = check(tables).frames["lesions"]
    assert used.columns == list(table("lesions").column_names)
    assert used["length_mm"].to_list() == [None]


def test_a_needed_column_or_table_that_is_absent_is_told() -> None:
    tables = valid_tables()
    with pytest.raises(NeedsMending, match="lesions: no column segment, which is needed"):
        check(tables | {"lesions": tables["lesions"].drop("segment")})
    with pytest.raises(NeedsMending, match="lesions: the table is not there"):
        check({name: frame for name, frame in tables.items() if name != "lesions"})


def test_whole_number_keys_match_whatever_their_type() -> None:
    tables = valid_tables(complications=[], follow_up=[])
    tables["patients"] = tables["patients"].with_columns(patient_id=pl.lit(7))
    tables["procedures"] = tables["procedures"].with_columns(patient_id=pl.lit(7.0))
    assert [c.used for c in check(tables).counts] == [1, 1, 1, 1, 0, 0]


def test_no_reason_holds_a_patients_value() -> None:
    accepted = check(written("lesions", "length_mm", "Q77-secret", "-987654"))
    told = " ".join([*accepted.blanked["reason"], *(r.reason for r in accepted.reasons)])
    assert "Q77" not in told and "987654" not in told


# Damage of every kind


DAMAGE = ("", " ", "x", "-1", "1e9", "nan", "2024-13-40", "patients-1", "lesions-1", "None", "ß", "0", "true", "1.5")


@settings(max_examples=60, deadline=None, derandomize=True)
@given(seed=st.integers(0, 2**32 - 1), share=st.sampled_from([0.02, 0.2, 0.7]))
def test_however_a_service_is_damaged_rows_read_are_rows_used_and_rows_set_aside(seed: int, share: float) -> None:
    chance = random.Random(seed)  # noqa: S311  damage, not secrets
    tables = {}
    for one in TABLES:
        size = chance.randrange(1, 12)
        frame = rows(one.name, *[{}] * size).cast(pl.String)
        damaged = [
            [chance.choice((*DAMAGE, None)) if chance.random() < share else value for value in row]
            for row in frame.rows()
        ]
        damaged += chance.choices(damaged, k=chance.randrange(3))
        tables[one.name] = pl.DataFrame(damaged, schema=frame.schema, orient="row")
    accepted = check(tables)
    for count in accepted.counts:
        aside = accepted.set_aside.filter(table=count.table)
        used = accepted.frames[count.table]
        assert count.read == tables[count.table].height == count.used + count.set_aside
        assert (used.height, aside.height) == (count.used, count.set_aside)
        assert aside["row"].is_unique().all() and (aside["reason"] != "").all()
        stays = set(range(1, count.read + 1)) - set(aside["row"])
        assert set(accepted.blanked.filter(table=count.table)["row"]) <= stays
        _holds_to_the_dictionary(count.table, used, accepted)


def _holds_to_the_dictionary(name: str, used: pl.DataFrame, accepted: Accepted) -> None:
    where = table(name)
    assert used[where.key].is_unique().all()
    for column in where.columns:
        values = used[column.name]
        assert not column.needed or values.null_count() == 0
        there = values.drop_nulls()
        if column.codes:
            assert set(there) <= set(column.codes)
        if column.limits is not None:
            assert all(column.limits[0] <= value <= column.limits[1] for value in there)
        if column.type == "date":
            assert all(date(1990, 1, 1) <= value <= date(2100, 12, 31) for value in there)
    for column_name, parent in where.refers.items():
        assert set(used[column_name]) <= set(accepted.frames[parent][table(parent).key])
