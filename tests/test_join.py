"""The join step on tables built by hand: what is kept of a delivery, and what stops a run."""

from __future__ import annotations

from datetime import date

import polars as pl
import pytest

from pipeline.case_tables import PSEUDONYM_COLUMNS, TABLES
from pipeline.deliveries.history import Delivery, Missing
from pipeline.deliveries.join import WithdrawnRows, data_sha256, files_sha256, in_key_order, join, laid_on
from pipeline.faults import NeedsMending
from pipeline.identity import key_text
from pipeline.read import SourceFile
from pipeline.table_rows import TableRows
from pipeline.typed_values import settle
from synthetic_data.rows import rows


def numbered(first_row: int, step: int, **keys: list[int]) -> dict[str, TableRows]:
    """Tables with rows under these keys, numbered from `first_row`."""
    found = {}
    for one in TABLES:
        wanted = keys.get(one.name, [])
        frame = rows(one.name, *({one.key: str(key)} for key in wanted)).with_columns(
            row=pl.Series([first_row + step * i for i in range(len(wanted))], dtype=pl.Int64),
            fault=pl.lit(None, pl.String),
        )
        settled = settle(one, frame)
        names = [pl.col(c).cast(pl.UInt64, strict=False) for c in one.column_names if c in PSEUDONYM_COLUMNS]
        found[one.name] = TableRows(settled.rows.with_columns(names), settled.unread, settled.bad)
    return found


def missing(known: int, **keys: list[int]) -> Missing:
    tables = numbered(-1, -1, **keys)
    return Missing(
        tables,
        {one.name: tables[one.name].rows[one.key] for one in TABLES},
        {one.name: known if one.name in keys else 0 for one in TABLES},
    )


def test_rows_that_are_kept_follow_in_order_of_their_keys_with_the_marks_that_they_carry() -> None:
    gone = missing(3, lesions=[2, 9])
    marked = pl.DataFrame({"row": [-2], "column": ["length_mm"], "reason": ["length_mm is not a number"]})
    gone.tables["lesions"] = TableRows(gone.tables["lesions"].rows, gone.tables["lesions"].unread, marked)  # type: ignore[index]
    joined = join(numbered(2, 1, lesions=[7, 5]), gone, "keep", place="out", last=4)
    lesions = joined.tables["lesions"]
    assert lesions.rows.select("lesion_id", "row").rows() == [(2, -1), (5, 3), (7, 2), (9, -2)]
    assert lesions.bad.rows() == [(-2, "length_mm", "length_mm is not a number")]
    assert joined.withdrawn_list().rows() == [
        ("lesions", key_text("lesion_id", pl.Series([key], dtype=pl.UInt64))[0], "kept") for key in (2, 9)
    ]


def test_rows_that_are_dropped_are_listed_and_not_checked() -> None:
    joined = join(numbered(2, 1, lesions=[7]), missing(2, lesions=[3]), "drop", place="out", last=1)
    assert joined.tables["lesions"].rows["lesion_id"].to_list() == [7]
    assert joined.withdrawn_list()["what"].to_list() == ["dropped"]


@pytest.mark.parametrize("said", ["ask", "keep", "drop"])
def test_an_export_that_holds_all_rows_asks_nothing_of_the_plan(said: WithdrawnRows) -> None:
    for nothing in (None, missing(2)):
        joined = join(numbered(2, 1, lesions=[7]), nothing, said, place="out", last=1)
        assert joined.withdrawn_rows is None and joined.withdrawn_list().is_empty()


def test_the_question_names_each_table_with_its_counts_and_both_answers() -> None:
    with pytest.raises(NeedsMending) as fault:
        join(numbered(2, 1), missing(5, patients=[1], attempts=[1, 2, 3]), "ask", place="my_report", last=4)
    assert fault.value.lines == (
        "my_report: rows of delivery 4 are not in this export (1 of 5 patients, 3 of 5 attempts): write in the plan "
        'withdrawn_rows = "keep" if an export holds only what is new, or "drop" if each export is the whole history',
    )


@pytest.mark.parametrize("said", ["ask", "drop"])
def test_an_export_with_nothing_in_common_is_not_taken_for_a_withdrawal_of_everything(said: WithdrawnRows) -> None:
    with pytest.raises(NeedsMending, match="no row of delivery 4 is in this export"):
        join(numbered(2, 1, lesions=[7]), missing(2, lesions=[1, 2]), said, place="out", last=4)


def test_rows_of_one_key_stay_in_the_order_of_the_file() -> None:
    lesions = in_key_order("lesions", numbered(2, 1, lesions=[5, 3, 5, 3])["lesions"])
    assert lesions.rows.select("lesion_id", "row").rows() == [(3, 3), (3, 5), (5, 2), (5, 4)]


def delivery(number: int, on: int, files: str) -> Delivery:
    return Delivery(number, on, date(2026, 1, number), files, "", "", None, "", "[]", "")


def test_an_export_is_laid_on_the_latest_delivery_and_the_latests_own_files_on_what_they_were_laid_on() -> None:
    past = (delivery(1, 0, "a"), delivery(2, 1, "b"), delivery(3, 1, "b"))
    assert laid_on((), "a", place="out") == 0
    assert laid_on(past, "c", place="out") == 3
    assert laid_on(past, "b", place="out") == 1
    with pytest.raises(NeedsMending, match="this is the export of delivery 1, and delivery 3 came after it"):
        laid_on(past, "a", place="out")


def test_the_hash_of_the_files_depends_on_neither_their_order_nor_their_names() -> None:
    one, two = (
        SourceFile(name, f"{name}.csv", digit * 64, "", "", 1, 0)
        for name, digit in (("lesions", "1"), ("patients", "2"))
    )
    renamed = SourceFile("lesions", "other.csv", "1" * 64, "", "", 1, 0)
    assert files_sha256([one, two]) == files_sha256([two, one]) == files_sha256([renamed, two])
    assert files_sha256([one, two]) != files_sha256([one])


def test_the_hash_of_the_data_tells_apart_whatever_the_rows_came_from() -> None:
    told = [
        data_sha256(*given)
        for given in (
            ("", "files", "", None),
            ("", "files", "mapping", None),
            ("before", "files", "", None),
            ("before", "files", "", "keep"),
            ("before", "files", "", "drop"),
        )
    ]
    assert len(set(told)) == len(told)
    assert told[0] == "files"
