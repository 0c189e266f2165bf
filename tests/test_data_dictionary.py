import pytest

from pipeline.case_tables import PSEUDONYM_COLUMNS, TABLES
from pipeline.dictionary_page import PAGE, data_dictionary_markdown
from pipeline.identity import PREFIXES
from pipeline.mapping import UNIT_FACTORS
from pipeline.rules import CALCIUM_GRADES, OPTIONAL_REFERENCES


def test_the_committed_page_is_what_the_dictionary_gives() -> None:
    assert PAGE.read_text(encoding="utf-8") == data_dictionary_markdown(), "run: python -m pipeline.dictionary_page"


@pytest.mark.parametrize("table", TABLES, ids=lambda t: t.name)
def test_every_column_stands_on_the_page_once_under_its_table(table) -> None:
    section = data_dictionary_markdown().split(f"\n## {table.name}\n")[1].split("\n## ")[0]
    named = [line.split("`")[1] for line in section.splitlines() if line.startswith("| `")]
    assert named == list(table.column_names)


def test_keys_and_references_lead_to_tables_that_are_checked_before() -> None:
    place = {table.name: i for i, table in enumerate(TABLES)}
    for table in TABLES:
        assert table.column(table.key).needed
        for column, parent in table.refers.items():
            assert table.column(column).needed and place[parent] < place[table.name]
    for name, column, parent in OPTIONAL_REFERENCES:
        assert column in TABLES[place[name]].column_names and place[parent] < place[name]


def test_every_key_column_is_replaced_by_a_pseudonym_of_its_own_kind() -> None:
    keys = {table.key for table in TABLES} | {column for table in TABLES for column in table.refers}
    assert keys <= set(PSEUDONYM_COLUMNS) == set(PREFIXES)
    assert len(set(PREFIXES.values())) == len(PREFIXES)


def test_every_measured_column_has_a_unit_that_a_mapping_can_convert() -> None:
    measured = {c.unit for t in TABLES for c in t.columns if c.type == "real" and c.unit}
    assert measured == set(UNIT_FACTORS)


def test_the_calcium_scales_of_the_rules_are_those_of_the_dictionary() -> None:
    lesions = next(table for table in TABLES if table.name == "lesions")
    assert tuple(CALCIUM_GRADES) == lesions.column("calcium_scale").codes
