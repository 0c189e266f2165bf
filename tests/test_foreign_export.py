"""The worked foreign export: the committed files are what the generator makes, and every fault in them is a known one."""

from __future__ import annotations

import csv
import json
import tomllib
from typing import Any

import polars as pl
import pytest

from pipeline.case_tables import TABLES, Table
from synthetic_data.foreign import FOLDER, foreign_files, foreign_service
from synthetic_data.foreign_faults import BAD_ROWS, BAD_VALUES
from synthetic_data.foreign_layout import CONSTANTS, DROPPED

LARGEST_FOLDER = 200_000  # bytes


@pytest.fixture(scope="module")
def mapping() -> dict[str, Any]:
    return tomllib.loads((FOLDER / "mapping.toml").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def expected() -> dict[str, Any]:
    return dict(json.loads((FOLDER / "expected_faults.json").read_text(encoding="utf-8")))


def written(mapping: dict[str, Any], table: Table) -> tuple[list[str], list[list[str]]]:
    part = mapping[table.name]
    with (FOLDER / part["file"]).open(encoding=part["encoding"], newline="") as file:
        lines = list(csv.reader(file, delimiter=part["separator"]))
    return lines[0], lines[1:]


def test_the_committed_files_are_what_the_generator_makes() -> None:
    made = foreign_files()
    assert sorted(path.name for path in FOLDER.iterdir()) == sorted(made)
    for name, content in made.items():
        assert (FOLDER / name).read_bytes() == content, f"{name}: run python -m synthetic_data.foreign"
    assert sum(map(len, made.values())) < LARGEST_FOLDER


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
def test_every_header_is_mapped_or_dropped_and_every_code_is_the_dictionarys(
    mapping: dict[str, Any], table: Table
) -> None:
    part = mapping[table.name]
    headers, _ = written(mapping, table)
    assert set(headers) == set(part["columns"].values()) | set(part.get("drop", []))
    assert part.get("drop", []) == list(DROPPED.get(table.name, {}))
    mapped = set(part["columns"]) | set(part.get("constants", {}))
    assert {column.name for column in table.columns if column.needed} <= mapped <= set(table.column_names)
    assert part.get("constants", {}) == CONSTANTS.get(table.name, {})
    for name, codes in part.get("codes", {}).items():
        column = table.column(name)
        assert set(codes.values()) == set(column.codes or ("true", "false"))


def test_the_files_are_in_the_sites_own_code_page(mapping: dict[str, Any]) -> None:
    for table in TABLES:
        raw = (FOLDER / mapping[table.name]["file"]).read_bytes()
        assert raw.count(b"\r\n") == raw.count(b"\n")
        if table.name in ("patients", "procedures", "lesions", "attempts"):
            with pytest.raises(UnicodeDecodeError):
                raw.decode("utf-8")


def test_lengths_are_written_in_centimeters_with_a_comma(mapping: dict[str, Any]) -> None:
    lesions = next(table for table in TABLES if table.name == "lesions")
    headers, lines = written(mapping, lesions)
    key, length = headers.index(mapping["lesions"]["columns"]["lesion_id"]), headers.index("Länge (cm)")
    ours = dict(foreign_service().tables["lesions"].select("lesion_id", "length_mm").iter_rows())
    planted = {value.value for value in BAD_VALUES if value.column == "length_mm"}
    compared = 0
    for line in lines:
        if line[length] and line[length] not in planted:
            assert float(line[length].replace(",", ".")) * 10 == pytest.approx(ours[line[key]], abs=1e-6)
            compared += "," in line[length]
    assert compared > 150


def test_dropped_columns_hold_nothing_but_placeholders(mapping: dict[str, Any]) -> None:
    for table in TABLES:
        headers, lines = written(mapping, table)
        for header, pattern in DROPPED.get(table.name, {}).items():
            start = pattern.split("{")[0]
            assert all(line[headers.index(header)].startswith(start) for line in lines)


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
def test_the_expected_counts_add_up(mapping: dict[str, Any], expected: dict[str, Any], table: Table) -> None:
    _, lines = written(mapping, table)
    told = expected[table.name]
    assert told["rows_read"] == len(lines) == told["rows_used"] + told["rows_set_aside"]
    assert 0 <= told["of_these_with_their_parent"] < told["rows_set_aside"]
    planted = {value.column for value in BAD_VALUES if value.table == table.name}
    assert planted <= set(told["values_blanked"])


def test_a_row_goes_with_its_parent(expected: dict[str, Any]) -> None:
    for child in ("procedures", "lesions", "attempts", "follow_up"):
        assert expected[child]["of_these_with_their_parent"] > 0
    planted = (
        len(BAD_ROWS) + 3 + 1 + 2
    )  # one patient twice and one without a key; one lesion's line twice; two ragged lines
    alone = sum(part["rows_set_aside"] - part["of_these_with_their_parent"] for part in expected.values())
    assert alone == planted


def test_two_lines_of_the_attempts_are_ragged(mapping: dict[str, Any]) -> None:
    attempts = next(table for table in TABLES if table.name == "attempts")
    headers, lines = written(mapping, attempts)
    assert sorted(len(line) - len(headers) for line in lines if len(line) != len(headers)) == [-1, 1]


def test_the_sites_service_is_one_site_with_four_operators() -> None:
    procedures = foreign_service().tables["procedures"]
    assert procedures.select(pl.col("site_id").n_unique(), pl.col("operator_id").n_unique()).row(0) == (1, 4)
