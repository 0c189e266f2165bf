from datetime import date

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.case_tables import TABLES
from pipeline.raw_values import without_unreadable
from pipeline.typed_values import as_text
from synthetic_data.rows import valid_tables

WHOLE = valid_tables(lesions=[{}, {}], attempts=[{}, {"crossed": False}])


def as_written(tables: dict[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    return {
        name: frame.select(
            pl.int_range(pl.len()).alias("row") + 2,
            pl.lit(None, dtype=pl.String).alias("fault"),
            *(as_text(frame[column]) for column in frame.columns if column not in ("row", "fault")),
        )
        for name, frame in tables.items()
    }


def test_sound_tables_are_kept_as_they_were_written() -> None:
    written = as_written(WHOLE)
    kept = without_unreadable(written)
    assert list(kept) == list(written)
    for name, frame in written.items():
        assert_frame_equal(kept[name], frame)


@pytest.mark.parametrize("table", [table.name for table in TABLES])
def test_a_name_typed_into_any_column_with_a_type_is_not_kept(table: str) -> None:
    frame = as_written(WHOLE)[table]
    ours = next(t for t in TABLES if t.name == table)
    told = [c.name for c in ours.columns if c.type != "text" or c.name == "calcium_grade"]
    assert told
    leaky = frame.with_columns(pl.lit("Invented, Ida").alias(name) for name in told)
    kept = without_unreadable({table: leaky})[table]
    assert kept.height == frame.height
    assert all(kept[name].is_null().all() for name in told)
    others = [name for name in frame.columns if name not in told]
    assert_frame_equal(kept.select(others), frame.select(others))


@pytest.mark.parametrize(
    ("table", "column", "value", "kept"),
    [
        ("patients", "sex", " Female", True),
        ("patients", "birth_year", "1938", True),
        ("patients", "birth_year", "19380405", False),
        ("procedures", "procedure_date", "1938-04-05", False),
        ("procedures", "contrast_ml", "02079460958", False),
        ("procedures", "abi", "0.45 ?", False),
        ("lesions", "calcium_grade", "Severe", True),
        ("attempts", "crossed", "yes", True),
    ],
)
def test_a_value_is_kept_only_where_its_column_can_hold_it(table: str, column: str, value: str, kept: bool) -> None:
    frame = as_written(WHOLE)[table].with_columns(pl.lit(value).alias(column))
    held = without_unreadable({table: frame})[table][column]
    assert set(held) == {value if kept else None}


def test_keys_line_faults_and_empty_tables_stay_as_they_are() -> None:
    torn = pl.DataFrame(
        {"row": [2], "fault": ["the line has 2 fields where the header has 3"], "patient_id": ["p_1"], "sex": [None]},
        schema_overrides={"sex": pl.String},
    )
    empty = as_written(WHOLE)["follow_up"].clear()
    kept = without_unreadable({"patients": torn, "follow_up": empty})
    assert_frame_equal(kept["patients"], torn)
    assert_frame_equal(kept["follow_up"], empty)


def test_values_that_are_typed_already_keep_their_type() -> None:
    frame = pl.DataFrame({"patient_id": ["p_1", "p_2"], "birth_year": [1938, 19380405]})
    kept = without_unreadable({"patients": frame})["patients"]
    assert kept.rows() == [("p_1", 1938), ("p_2", None)]
    dated = pl.DataFrame({"procedure_date": [date(2024, 3, 28)]})
    assert_frame_equal(without_unreadable({"procedures": dated})["procedures"], dated)
