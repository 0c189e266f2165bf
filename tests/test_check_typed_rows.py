"""Checking typed rows as reading hands them on gives what checking frames gives."""

from collections.abc import Mapping
from dataclasses import replace

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.case_tables import PSEUDONYM_COLUMNS, TABLES
from pipeline.check import check
from pipeline.identity import key_text, pseudonyms
from pipeline.table_rows import TableRows
from pipeline.typed_values import settle
from synthetic_data.rows import valid_tables
from tests.rule_cases import CASES, Case


def numbered(tables: Mapping[str, pl.DataFrame]) -> dict[str, TableRows]:
    """Tables as typed rows under number pseudonyms, as reading gives them."""
    made = {}
    for one in TABLES:
        if one.name in tables:
            frame = tables[one.name].with_columns(fault=pl.lit(None, dtype=pl.String)).with_row_index("row", 1)
            read = settle(one, frame.with_columns(pl.col("row").cast(pl.Int64)))
            keys = [pseudonyms(read.rows[c], c, b"a key for tests") for c in PSEUDONYM_COLUMNS if c in frame.columns]
            made[one.name] = replace(read, rows=read.rows.with_columns(keys))
    return made


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.rule)
def test_typed_rows_under_number_keys_are_checked_like_frames(case: Case) -> None:
    tables = valid_tables(**{**case.besides, case.table: case.given})
    frames, typed_rows = check(tables), check(numbered(tables))
    assert typed_rows.reasons == frames.reasons and typed_rows.counts == frames.counts
    for told in ("set_aside", "blanked", "warned"):
        assert_frame_equal(getattr(typed_rows, told).drop("key"), getattr(frames, told).drop("key"))


def test_keys_are_written_as_pseudonyms_in_every_list() -> None:
    tables = numbered(valid_tables(attempts=[{"attempt_no": 2}], complications=[]))
    key = tables["attempts"].rows["attempt_id"]
    accepted = check(tables)
    assert accepted.set_aside["key"].to_list() == key_text("attempt_id", key).to_list()
    assert accepted.set_aside["key"][0].startswith("a_")


def test_tables_that_a_site_does_not_keep_may_be_absent_under_number_keys() -> None:
    tables = valid_tables()
    kept = {name: frame for name, frame in tables.items() if name not in ("complications", "follow_up")}
    assert [c.used for c in check(numbered(kept)).counts] == [1, 1, 1, 1, 0, 0]


def test_bad_values_and_lines_that_could_not_be_read_are_told_as_reading_found_them() -> None:
    tables = numbered(valid_tables(lesions=[{}, {"length_mm": None}, {"segment": None}]))
    bad = pl.DataFrame(
        [(2, "length_mm", "length_mm is not a number"), (3, "segment", "segment is not one of its codes")],
        schema=tables["lesions"].bad.schema,
        orient="row",
    )
    unread = pl.DataFrame({"row": [9], "fault": ["the line has 2 fields where the header has 15"]})
    accepted = check({**tables, "lesions": TableRows(tables["lesions"].rows, unread, bad)})
    assert accepted.blanked.select("row", "column", "reason").rows() == [(2, "length_mm", "length_mm is not a number")]
    assert accepted.set_aside.select("row", "reason").rows() == [
        (3, "segment is not one of its codes"),
        (9, "the line has 2 fields where the header has 15"),
    ]
    assert accepted.set_aside["key"].null_count() == 1
    assert [(c.read, c.used) for c in accepted.counts if c.table == "lesions"] == [(4, 2)]


def test_a_row_of_an_earlier_delivery_is_listed_without_a_row_number() -> None:
    tables = numbered(valid_tables(attempts=[{"attempt_no": 2}, {"attempt_no": 4}], complications=[]))
    carried = tables["attempts"].rows.with_columns(row=pl.Series([-1, 2]))
    accepted = check({**tables, "attempts": replace(tables["attempts"], rows=carried)})
    assert accepted.set_aside["row"].to_list() == [2, None]
