"""Rows to start a test from are valid, and refuse what the dictionary does not know."""

from __future__ import annotations

import pytest

from pipeline.case_tables import PATIENTS, TABLES, Table
from synthetic_data.rows import rows, valid_tables


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
def test_a_plain_row_of_any_table_is_valid(table: Table) -> None:
    frame = rows(table.name, {}, {})
    assert frame.height == 2
    assert frame[table.key].is_unique().all()
    for column in table.columns:
        values = frame[column.name]
        assert values.null_count() == 0, column.name
        if column.codes:
            assert set(values) <= set(column.codes), column.name
        if column.limits:
            assert values.is_between(*column.limits).all(), column.name


def test_a_row_takes_the_values_named_and_refuses_columns_that_do_not_exist() -> None:
    given = rows("lesions", {"length_mm": 400.0}, {"length_mm": None})
    assert given["length_mm"].to_list() == [400.0, None]
    with pytest.raises(ValueError, match="lesions has no column lenght_mm"):
        rows("lesions", {"lenght_mm": 400.0})
    with pytest.raises(KeyError):
        rows("lesion", {})


def test_valid_tables_hang_together() -> None:
    tables = valid_tables(
        lesions=[{}, {}],
        attempts=[{}, {"approach": "retrograde"}, {"lesion_id": "lesions-2"}],
        complications=[],
    )
    assert tables["attempts"]["attempt_no"].to_list() == [1, 2, 1]
    assert tables["attempts"]["crossed"].to_list() == [False, True, True]
    assert tables["attempts"]["stopped_because"].to_list() == ["would_not_cross", "crossed", "crossed"]
    assert tables["attempts"]["access_site"][1] == "dorsalis_pedis"
    assert tables["complications"].height == 0
    for table in TABLES:
        for column, parent in table.refers.items():
            assert tables[table.name][column].is_in(tables[parent][column].implode()).all()
    with pytest.raises(KeyError):
        valid_tables(lesion=[{}])
    assert tables["patients"].columns == list(PATIENTS.column_names)
