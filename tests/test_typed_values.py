"""From text to typed values: what a column cannot hold is listed and then gone, for it may be anything, a name too."""

from datetime import date

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.case_tables import TABLES, table
from pipeline.typed_values import as_text, settle
from synthetic_data.rows import valid_tables

WHOLE = valid_tables(lesions=[{}, {}], attempts=[{}, {"crossed": False}])


def as_written(name: str) -> pl.DataFrame:
    return WHOLE[name].select(
        pl.int_range(pl.len()).alias("row") + 2,
        pl.lit(None, dtype=pl.String).alias("fault"),
        *(as_text(WHOLE[name][column]) for column in table(name).column_names),
    )


@pytest.mark.parametrize("name", [one.name for one in TABLES])
def test_sound_tables_come_back_typed_as_they_were_and_nothing_is_bad(name: str) -> None:
    settled = settle(table(name), as_written(name))
    typed = WHOLE[name].select(table(name).column_names)
    assert_frame_equal(settled.rows.drop("row"), typed, check_dtypes=False, categorical_as_str=True)
    assert settled.bad.is_empty() and settled.unread.is_empty()


@pytest.mark.parametrize("name", [one.name for one in TABLES])
def test_a_name_typed_into_any_column_with_a_type_is_told_and_gone(name: str) -> None:
    frame = as_written(name)
    told = [c.name for c in table(name).columns if c.type != "text" or c.name == "calcium_grade"]
    settled = settle(table(name), frame.with_columns(pl.lit("Invented, Ida").alias(column) for column in told))
    assert settled.rows.height == frame.height
    assert all(settled.rows[column].is_null().all() for column in told)
    assert sorted(settled.bad["column"].unique()) == sorted(told)
    assert settled.bad.height == len(told) * frame.height
    assert not any("Ida" in reason for reason in settled.bad["reason"])


@pytest.mark.parametrize(
    ("name", "column", "value", "held"),
    [
        ("patients", "sex", " Female", "female"),
        ("patients", "birth_year", "1938", 1938),
        ("patients", "birth_year", "19380405", None),
        ("procedures", "procedure_date", "1938-04-05", None),
        ("procedures", "contrast_ml", "02079460958", None),
        ("procedures", "abi", "0.45 ?", None),
        ("lesions", "calcium_grade", "Severe", "severe"),
        ("attempts", "crossed", "yes", True),
    ],
)
def test_a_value_is_kept_only_where_its_column_can_hold_it(name: str, column: str, value: str, held: object) -> None:
    settled = settle(table(name), as_written(name).with_columns(pl.lit(value).alias(column)))
    assert set(settled.rows[column]) == {held}
    assert settled.bad["column"].unique().to_list() == ([] if held is not None else [column])


def test_a_line_that_could_not_be_taken_apart_holds_nothing_and_keeps_its_row_number() -> None:
    frame = as_written("patients")
    torn = pl.DataFrame({"row": [9], "fault": ["the line has 2 fields where the header has 9"]})
    settled = settle(table("patients"), pl.concat([frame, torn], how="diagonal"))
    assert settled.unread.rows() == [(9, "the line has 2 fields where the header has 9")]
    assert settled.rows.height == frame.height and settled.read == frame.height + 1


def test_values_that_are_typed_already_are_held_to_the_same_limits() -> None:
    typed = WHOLE["patients"].select(
        pl.lit(2, dtype=pl.Int64).alias("row"),
        pl.lit(None, dtype=pl.String).alias("fault"),
        *table("patients").column_names,
    )
    out_of_limits = settle(table("patients"), typed.with_columns(birth_year=pl.lit(19380405, dtype=pl.Int64)))
    assert out_of_limits.rows["birth_year"].to_list() == [None] * typed.height
    assert set(out_of_limits.bad["reason"]) == {"birth_year is outside 1900 to 2030"}
    dated = WHOLE["procedures"].with_columns(procedure_date=pl.lit(date(2024, 3, 28)))
    frame = dated.select(
        pl.lit(2).alias("row"), pl.lit(None, dtype=pl.String).alias("fault"), *table("procedures").column_names
    )
    assert set(settle(table("procedures"), frame).rows["procedure_date"]) == {date(2024, 3, 28)}
