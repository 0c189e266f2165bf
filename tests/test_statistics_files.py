"""Files of SAS, Stata and SPSS: labels, missing values, dates and times as each program keeps them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date, datetime
from pathlib import Path
from typing import Any

import polars as pl
import pyreadstat
import pytest
from export_files import write_csvs, write_sas_transport, write_spss, write_stata
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.case_tables import table
from pipeline.check import Accepted, check
from pipeline.faults import NeedsMending
from pipeline.mapping import TableMapping, load_mapping
from pipeline.read import read_export
from pipeline.reading.statistics_files import open_statistics
from synthetic_data.rows import valid_tables

TABLES = valid_tables(
    patients=[{}] * 4, procedures=[{}] * 4, lesions=[{}] * 4, attempts=[], complications=[], follow_up=[]
)
WRITERS: Mapping[str, Callable[..., None]] = {
    ".dta": pyreadstat.write_dta,
    ".sav": pyreadstat.write_sav,
    ".xpt": pyreadstat.write_xport,
}
LABELLED = [".dta", ".sav"]  # a SAS file keeps its labels elsewhere


def put(folder: Path, name: str, suffix: str, columns: Mapping[str, list[Any]], **how: object) -> Path:
    """The service as CSVs, and the named table in a statistics file with these columns in place of its own."""
    write_csvs(folder, {other: frame for other, frame in TABLES.items() if other != name})
    frame = TABLES[name].with_columns(pl.Series(column, values) for column, values in columns.items())
    WRITERS[suffix](frame, str(folder / f"{name}{suffix}"), **how)
    return folder


def accepted(folder: Path, mapping: str = "") -> Accepted:
    (folder / "mapping.toml").write_text(mapping, encoding="utf-8")
    return check(read_export(folder, load_mapping(folder / "mapping.toml")).frames)


def as_read(
    folder: Path, name: str, suffix: str, column: str, values: list[Any], mapping: str = "", **how: object
) -> tuple[list[Any], int]:
    """The column's values as accepted, and how many were blanked and listed."""
    found = accepted(put(folder, name, suffix, {column: values}, **how), mapping)
    return found.frames[name][column].to_list(), found.blanked.filter(pl.col("column") == column).height


def labels(column: str, **words: str) -> dict[str, dict[str, dict[int, str]]]:
    """Value labels: `labels("sex", _1="female")`."""
    return {"variable_value_labels": {column: {int(key[1:]): word for key, word in words.items()}}}


# Value labels


@pytest.mark.parametrize("suffix", LABELLED)
def test_a_label_that_is_one_of_our_codes_is_that_code(tmp_path: Path, suffix: str) -> None:
    words = labels("segment", _1="Anterior tibial", _2="POPLITEAL", _3="dorsalis-pedis")
    read = as_read(tmp_path, "lesions", suffix, "segment", [1, 2, 3, 1], **words)
    assert read == (["anterior_tibial", "popliteal", "dorsalis_pedis", "anterior_tibial"], 0)


@pytest.mark.parametrize("suffix", LABELLED)
def test_a_one_that_is_labelled_no_is_not_read_as_yes(tmp_path: Path, suffix: str) -> None:
    read = as_read(tmp_path, "lesions", suffix, "in_stent", [1, 2, 1, None], **labels("in_stent", _1="No", _2="Yes"))
    assert read == ([False, True, False, None], 0)


@pytest.mark.parametrize("suffix", LABELLED)
def test_labels_in_other_words_are_not_read_as_their_numbers_until_they_are_mapped(tmp_path: Path, suffix: str) -> None:
    words = labels("in_stent", _0="ja", _1="nein")
    values = [0, 1, 1, None]
    assert as_read(tmp_path, "lesions", suffix, "in_stent", values, **words) == ([None] * 4, 3)
    by_label = '[lesions.codes.in_stent]\n"ja" = "true"\n"nein" = "false"\n'
    by_code = '[lesions.codes.in_stent]\n"0" = "true"\n"1" = "false"\n'
    for mapping in (by_label, by_code):
        read = as_read(tmp_path, "lesions", suffix, "in_stent", values, mapping, **words)
        assert read == ([True, False, False, None], 0)


@pytest.mark.parametrize("suffix", LABELLED)
def test_a_mapped_code_goes_before_its_label(tmp_path: Path, suffix: str) -> None:
    mapping = '[patients.codes.sex]\n"1" = "male"\n"2" = "female"\n'
    words = labels("sex", _1="female", _2="männlich", _3="other")
    assert as_read(tmp_path, "patients", suffix, "sex", [1, 2, 3, 1], mapping, **words)[0] == [
        *("male", "female", "other", "male")
    ]


@pytest.mark.parametrize("suffix", LABELLED)
@pytest.mark.parametrize("label", ["not measured", "Unknown", "keine Angabe", "non renseigné", "onbekend", "No consta"])
def test_a_number_labelled_as_not_known_is_nothing_recorded(tmp_path: Path, suffix: str, label: str) -> None:
    # 9 is within the limits of minutes and of length, and would pass for a measurement.
    read = as_read(tmp_path, "lesions", suffix, "length_mm", [75.5, 9.0, 9.0, 80.0], **labels("length_mm", _9=label))
    assert read == ([75.5, None, None, 80.0], 0)


@pytest.mark.parametrize("suffix", LABELLED)
@pytest.mark.parametrize(
    "label",
    [
        "not assessed",
        "Nicht beurteilbar",
        "non évalué",
        "no valorado",
        "non valutato",
        "niet beoordeeld",
        "não avaliado",
    ],
)
def test_a_grade_labelled_as_not_assessed_is_no_grade_0(tmp_path: Path, suffix: str, label: str) -> None:
    words = labels("rutherford", _0=label, _4="Category 4", _5="Category 5")
    assert as_read(tmp_path, "procedures", suffix, "rutherford", [0, 4, 5, 4], **words) == ([None, 4, 5, 4], 0)


@pytest.mark.parametrize("suffix", LABELLED)
def test_a_special_value_among_measurements_is_listed_and_not_read_as_one(tmp_path: Path, suffix: str) -> None:
    words = labels("length_mm", _9="see the operation record")
    assert as_read(tmp_path, "lesions", suffix, "length_mm", [75.5, 9.0, 9.0, 80.0], **words) == (
        *([75.5, None, None, 80.0], 2),
    )


@pytest.mark.parametrize("suffix", LABELLED)
@pytest.mark.parametrize(
    ("words", "values", "read", "blanked"),
    [
        ({"_5": "Category 5", "_6": "6: major tissue loss"}, [5, 6, 5, 4], [5, 6, 5, 4], 0),
        (
            {"_1": "0", "_2": "1", "_6": "5"},
            [1, 2, 6, 1],
            [0, 1, 5, 0],
            0,
        ),  # counted from 1 where the category is from 0
        ({"_1": "Rutherford 0", "_2": "Rutherford 1"}, [1, 2, 3, 3], [None, None, 3, 3], 2),
        ({"_0": "none", "_1": "claudication"}, [0, 1, 1, 2], [0, 1, 1, 2], 0),
        ({"_1": "none", "_2": "mild"}, [1, 2, 2, 2], [None, 2, 2, 2], 1),
    ],
)
def test_a_grade_keeps_its_number_unless_its_label_says_another(
    tmp_path: Path, suffix: str, words: dict[str, str], values: list[int], read: list[int | None], blanked: int
) -> None:
    assert as_read(tmp_path, "procedures", suffix, "rutherford", values, **labels("rutherford", **words)) == (
        *(read, blanked),
    )


@pytest.mark.parametrize("suffix", LABELLED)
def test_names_behind_the_codes_of_sites_and_operators_are_never_loaded(tmp_path: Path, suffix: str) -> None:
    words = labels("operator_id", _1="Dr. Invented", _2="Dr. Made-Up")
    put(tmp_path, "procedures", suffix, {"operator_id": [1, 2, 1, 1]}, **words)
    assert read_export(tmp_path, load_mapping(None)).frames["procedures"]["operator_id"].to_list() == [
        "1",
        "2",
        "1",
        "1",
    ]


# Missing values


def test_every_kind_of_missing_value_is_nothing_recorded(tmp_path: Path) -> None:
    ranges = {"missing_ranges": {"length_mm": [{"lo": 900, "hi": 999}, -1.0]}}
    assert as_read(tmp_path, "lesions", ".sav", "length_mm", [75.5, 950.0, -1.0, None], **ranges) == (
        *([75.5, None, None, None], 0),
    )
    words = {"missing_ranges": {"proximal_cap": ["unknown"]}}
    assert as_read(tmp_path / "2", "lesions", ".sav", "proximal_cap", ["convex", "unknown", "", None], **words) == (
        *(["convex", None, None, None], 0),
    )
    special = {"missing_user_values": {"runoff_vessels": ["a", "z"]}}
    values = pl.Series([2, "a", "z", None], dtype=pl.Object).to_list()
    frame = TABLES["lesions"].with_columns(pl.Series("runoff_vessels", values, dtype=pl.Object))
    write_csvs(tmp_path / "3", {name: other for name, other in TABLES.items() if name != "lesions"})
    pyreadstat.write_dta(frame, str(tmp_path / "3" / "lesions.dta"), **special)
    found = accepted(tmp_path / "3")
    assert found.frames["lesions"]["runoff_vessels"].to_list() == [2, None, None, None] and found.blanked.is_empty()


# Numbers, dates and times


def test_a_single_float_shows_the_figures_that_it_was_written_with(tmp_path: Path) -> None:
    frame = TABLES["lesions"].with_columns(pl.Series("length_mm", [14.3, 0.1, 75.0, None], dtype=pl.Float32))
    write_csvs(tmp_path, {name: other for name, other in TABLES.items() if name != "lesions"})
    frame.to_pandas().to_stata(tmp_path / "lesions.dta", write_index=False)  # pyreadstat writes no single floats
    source = open_statistics(
        (tmp_path / "lesions.dta").read_bytes(), name="x", suffix=".dta", table=table("lesions"), mapping=TableMapping()
    )
    at = source.headers.index("length_mm")
    assert source.storage[at] == "float"
    assert source.rows([at])[str(at)].to_list() == ["14.3", "0.1", "75", None]


def test_keys_kept_as_numbers_are_whole_to_the_last_digit(tmp_path: Path) -> None:
    keys = [1.0, 123456789012.0, 9007199254740991.0, 20.0]
    for suffix in (".dta", ".sav"):
        put(tmp_path / suffix, "patients", suffix, {"patient_id": keys})
        frame = read_export(tmp_path / suffix, load_mapping(None)).frames["patients"]
        assert frame["patient_id"].to_list() == ["1", "123456789012", "9007199254740991", "20"]


DAY, MOMENT = date(2024, 3, 28), datetime(2024, 3, 28, 23, 59, 59)


@pytest.mark.parametrize(
    ("suffix", "value", "shown_as"),
    [
        *((".dta", DAY, shown) for shown in (None, "%td", "%tdCCYY-NN-DD", "%tdDD/NN/YY", "%d")),
        *((".dta", MOMENT, shown) for shown in (None, "%tc", "%tcDDmonCCYY_HH:MM:SS")),
        *((".sav", DAY, shown) for shown in (None, "ADATE10", "EDATE10", "SDATE10", "JDATE7")),
        *((".sav", MOMENT, shown) for shown in (None, "DATETIME20", "YMDHMS19")),
        *((".xpt", DAY, shown) for shown in (None, "DATE9", "DDMMYY10", "YYMMDDD10", "E8601DA10", "WEEKDATE29")),
        *((".xpt", DAY, shown) for shown in ("EURDFDD10", "NLDATE20", "JULIAN7")),
        *((".xpt", MOMENT, shown) for shown in (None, "DATETIME20", "E8601DT19", "DTDATE9")),
    ],
)
def test_a_day_is_read_under_every_format_of_its_program(
    tmp_path: Path, suffix: str, value: date, shown_as: str | None
) -> None:
    how = {} if shown_as is None else {"variable_format": {"procedure_date": shown_as}}
    put(tmp_path, "procedures", suffix, {"procedure_date": [value] * 4}, **how)
    frame = read_export(tmp_path, load_mapping(None)).frames["procedures"]
    assert frame["procedure_date"].to_list() == ["2024-03-28"] * 4


@pytest.mark.parametrize("suffix", [".dta", ".xpt"])
def test_a_day_without_a_format_counts_from_1960(tmp_path: Path, suffix: str) -> None:
    days = float((DAY - date(1960, 1, 1)).days)
    put(tmp_path, "procedures", suffix, {"procedure_date": [days] * 4})
    assert accepted(tmp_path).frames["procedures"]["procedure_date"].to_list() == [DAY] * 4


def test_seconds_without_a_format_are_no_days(tmp_path: Path) -> None:
    put(
        tmp_path, "procedures", ".sav", {"procedure_date": [23463.0] * 4}
    )  # in SAS it would be a day; SPSS counts seconds
    found = accepted(tmp_path)
    assert found.frames["procedures"].is_empty()


@pytest.mark.parametrize(
    ("suffix", "shown_as", "value"),
    [
        (".sav", "TIME8", 600.0),
        (".sav", "DTIME12", 600.0),
        (".xpt", "TIME8", 600.0),
        (".xpt", "HHMM5", 600.0),
        (".dta", "%tcHH:MM:SS", 600_000.0),
    ],
)
def test_a_time_of_ten_minutes_is_not_read_as_six_hundred(
    tmp_path: Path, suffix: str, shown_as: str, value: float
) -> None:
    how = {"variable_format": {"duration_min": shown_as}}
    assert as_read(tmp_path, "procedures", suffix, "duration_min", [value] * 4, **how) == ([None] * 4, 4)


def test_a_moment_that_counts_leap_seconds_is_not_read_as_a_day(tmp_path: Path) -> None:
    how = {"variable_format": {"procedure_date": "%tC"}}
    put(tmp_path, "procedures", ".dta", {"procedure_date": [2.027e12] * 4}, **how)
    assert accepted(tmp_path).frames["procedures"].is_empty()


# Files that are damaged


def test_a_damaged_or_mistaken_file_is_one_line(tmp_path: Path) -> None:
    for suffix, write in ((".dta", write_stata), (".sav", write_spss), (".xpt", write_sas_transport)):
        write_csvs(tmp_path / suffix, {name: frame for name, frame in TABLES.items() if name != "lesions"})
        write(tmp_path / suffix, {"lesions": TABLES["lesions"]})
        path = tmp_path / suffix / f"lesions{suffix}"
        whole = path.read_bytes()
        for broken in (
            b"",
            b"lesion_id;segment\n",
            whole[: len(whole) // 2 + 1],
            whole[: len(whole) // 4 * 3 + 1],
            b"\xff" * 999,
        ):
            path.write_bytes(broken)
            with pytest.raises(NeedsMending) as caught:
                read_export(tmp_path / suffix, load_mapping(None))
            (line,) = caught.value.lines
            assert line.startswith(f"lesions{suffix}: ") and "\n" not in line


SAS = (Path(__file__).parent / "data" / "formats" / "sas7bdat" / "complications.sas7bdat").read_bytes()


@settings(max_examples=250, deadline=None, derandomize=True)
@given(
    st.lists(st.tuples(st.integers(0, len(SAS) - 1), st.integers(0, 255)), min_size=1, max_size=9), st.integers(0, 9)
)
def test_no_damage_to_a_sas_file_is_a_traceback(places: list[tuple[int, int]], cut: int) -> None:
    broken = bytearray(SAS)
    for at, byte in places:
        broken[at] = byte
    data = bytes(broken[: len(broken) - (len(broken) * cut // 10 if cut > 5 else 0)])
    try:
        source = open_statistics(
            data, name="x", suffix=".sas7bdat", table=table("complications"), mapping=TableMapping()
        )
        rows = source.rows(range(len(source.headers)))
    except NeedsMending as fault:
        assert len(fault.lines) == 1
    else:
        assert rows["row"].to_list() == list(range(2, rows.height + 2))
