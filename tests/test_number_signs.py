"""Which sign a number is written with, told alike in every format: a factor of a thousand in a dose is never guessed at."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from export_files import write_csvs, write_parquets, write_workbook

from pipeline.mapping import load_mapping
from pipeline.read import take_in
from synthetic_data.rows import valid_tables

KEY = b"a key of twenty bytes"
FORMATS = ["csv", "xlsx", "parquet"]
DOUBT = "numbers such as 1.500 could be thousands or fractions"
THREE_DECIMALS = 'air_kerma_mgy: every number has three decimals; read as fractions; state thousands = "." in the mapping if they are thousands'


def doses(
    folder: Path, suffix: str, kerma: list[object], fluoroscopy: list[object] | None = None, mapping: str = ""
) -> tuple[list[float | None], tuple[str, ...]]:
    """The air kerma as read, in mGy, and the notes on the table. Values are written as they are given, text as text."""
    count = len(kerma)
    tables = valid_tables(
        patients=[{} for _ in kerma], procedures=[{"patient_id": f"patients-{number + 1}"} for number in range(count)]
    )
    columns = {"air_kerma_mgy": kerma, **({} if fluoroscopy is None else {"fluoroscopy_min": fluoroscopy})}
    tables["procedures"] = tables["procedures"].with_columns(pl.Series(name, held) for name, held in columns.items())
    if suffix == "csv":
        write_csvs(folder, tables, separator=";")
    elif suffix == "xlsx":
        write_workbook(folder / "export.xlsx", tables)
    else:
        write_parquets(folder, tables)
    (folder.parent / "site.toml").write_text(mapping)
    intake = take_in(folder, load_mapping(folder.parent / "site.toml"), KEY)
    (source,) = (one for one in intake.sources if one.table == "procedures")
    return intake.tables["procedures"].rows.sort("row")["air_kerma_mgy"].to_list(), source.notes


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "export"
    made.mkdir()
    return made


@pytest.mark.parametrize("suffix", FORMATS)
@pytest.mark.parametrize("fluoroscopy", [["12,5", "8,5", "9,5", "7,5"], None])
def test_a_dose_as_text_that_could_be_thousands_is_not_read_in_any_format(
    folder: Path, suffix: str, fluoroscopy: list[object] | None
) -> None:
    read, notes = doses(folder, suffix, ["1.250", "2.340", "850", "1.100"], fluoroscopy)
    assert read == [None, None, 850.0, None]
    assert any(note.startswith("air_kerma_mgy: ") and DOUBT in note for note in notes)


@pytest.mark.parametrize("suffix", ["xlsx", "parquet"])
def test_without_a_nought_at_the_end_a_decimal_comma_elsewhere_shows_that_the_cells_are_text(
    folder: Path, suffix: str
) -> None:
    assert doses(folder, suffix, ["1.251", "850"], ["12,5", "8,5"])[0] == [None, 850.0]


@pytest.mark.parametrize("suffix", ["xlsx", "parquet"])
def test_numbers_held_as_such_keep_their_point_whatever_is_text_beside_them(folder: Path, suffix: str) -> None:
    assert doses(folder, suffix, [1.125, 850.0, 12.5])[0] == [1.125, 850.0, 12.5]
    assert doses(folder, suffix, [1.125, 850.0, 12.5], ["12,5", "8,5", "9,5"])[0] == [1.125, 850.0, 12.5]


@pytest.mark.parametrize("suffix", FORMATS)
def test_three_decimals_in_every_number_are_read_and_told(folder: Path, suffix: str) -> None:
    assert doses(folder, suffix, ["1.250", "2.340", "3.111"]) == ([1.25, 2.34, 3.111], (THREE_DECIMALS,))


def test_three_decimals_that_the_mapping_calls_thousands_are_thousands(folder: Path) -> None:
    read, notes = doses(folder, "csv", ["1.250", "2.340"], mapping="[procedures]\ndecimal = ','\nthousands = '.'\n")
    assert (read, notes) == ([1250.0, 2340.0], ())


@pytest.mark.parametrize("kerma", [["1.250", "0.850"], ["1.25", "2.340"], ["12.5", "8.0"]])
def test_fractions_that_cannot_be_thousands_need_no_note(folder: Path, kerma: list[object]) -> None:
    assert doses(folder, "csv", kerma) == ([float(str(one)) for one in kerma], ())
