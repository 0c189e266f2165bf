import csv
import io
import time
from datetime import date
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter
from export_files import csv_bytes, write_csvs, write_parquets, write_workbook
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal
from stdnum.gb import nhs

from pipeline.case_tables import TABLES
from pipeline.check import check
from pipeline.faults import NeedsMending
from pipeline.mapping import load_mapping
from pipeline.read import read_export, read_tables
from pipeline.reading.records import UNPAIRED
from pipeline.reading.source import Wanted
from pipeline.reading.text_files import open_text
from synthetic_data.rows import valid_tables

SERVICE = valid_tables(
    patients=[{"patient_id": "Pä-1"}],
    procedures=[{"patient_id": "Pä-1", "abi": 0.45, "toe_pressure_mmhg": None, "procedure_date": date(2024, 3, 28)}],
    lesions=[{"length_mm": 143.5}, {"length_mm": None, "in_stent": None}],
    attempts=[{}, {"crossed": False, "minutes": 7.25}],
    follow_up=[{"patient_id": "Pä-1"}],
)


def read_with(folder: Path, mapping: str) -> dict[str, pl.DataFrame]:
    (folder / "mapping.toml").write_text(mapping, encoding="utf-8")
    return read_tables(folder, folder / "mapping.toml")


def fault_lines(folder: Path, mapping: str = "") -> tuple[str, ...]:
    with pytest.raises(NeedsMending) as caught:
        read_with(folder, mapping)
    return caught.value.lines


def replace_in(path: Path, old: str, new: str) -> None:
    content = path.read_text(encoding="utf-8")
    assert old in content
    path.write_text(content.replace(old, new), encoding="utf-8", newline="")


# The same tables in every format


@pytest.mark.parametrize(
    ("encoding", "separator", "line_end", "told"),
    [
        ("utf-8", ",", "\n", "utf-8"),
        ("utf-8-sig", ";", "\r\n", "utf-8"),
        ("utf-16", "\t", "\r\n", "utf-16-le"),
        ("utf-16-le", ";", "\n", "utf-16-le"),
        ("utf-16-be", "|", "\n", "utf-16-be"),
        ("cp1252", ";", "\r\n", "cp1252 (assumed: it is not UTF-8)"),
        ("utf-8", "|", "\r", "utf-8"),
    ],
)
def test_the_same_tables_are_read_from_any_encoding_and_separator(
    tmp_path: Path, encoding: str, separator: str, line_end: str, told: str
) -> None:
    folder = write_csvs(tmp_path / "in", SERVICE, encoding=encoding, separator=separator, line_end=line_end)
    export = read_export(folder, load_mapping(None))
    assert {s.separator for s in export.sources} == {separator}
    assert export.sources[0].encoding == told
    read = check(export.frames)
    for name, frame in SERVICE.items():
        assert_frame_equal(read.frames[name], frame)


def test_the_same_tables_are_read_from_csv_parquet_and_workbooks(tmp_path: Path) -> None:
    folders = [
        write_csvs(tmp_path / "csv", SERVICE),
        write_parquets(tmp_path / "parquet", SERVICE),
        write_workbook(tmp_path / "book" / "export.xlsx", SERVICE),
    ]
    for name, frame in SERVICE.items():
        write_workbook(tmp_path / "books" / f"{name}.xlsx", {"Sheet1": frame})
    for folder in (*folders, tmp_path / "books"):
        read = check(read_tables(folder))
        for name, frame in SERVICE.items():
            assert_frame_equal(read.frames[name], frame)


def test_a_decimal_comma_and_day_first_dates_are_told_from_the_whole_file(tmp_path: Path) -> None:
    folder = write_csvs(tmp_path, SERVICE, separator=";", decimal=",", dates="%d/%m/%Y")
    # Nothing in these two tells day from month (3 June, 3 July): the mapping must.
    lines = fault_lines(folder)
    assert [line.split(":")[0] for line in lines] == ["complications.csv", "follow_up.csv"]
    assert all("could be day first or month first" in line for line in lines)
    stated = "".join(f'[{name}]\ndates = "%d/%m/%Y"\n' for name in ("complications", "follow_up"))
    (folder / "mapping.toml").write_text(stated, encoding="utf-8")
    export = read_export(folder, load_mapping(folder / "mapping.toml"))
    read = check(export.frames)
    for name, frame in SERVICE.items():
        assert_frame_equal(read.frames[name], frame)
    notes = {source.table: source.notes for source in export.sources}
    assert notes["procedures"] == ("numbers read with a decimal comma", "procedure_date read as %d/%m/%Y")


def test_a_workbook_date_kept_as_a_bare_serial_is_the_same_day(tmp_path: Path) -> None:
    # 45379 is 28 March 2024 in the 1900 date system (from memory; also 2024-03-28 minus 1899-12-30).
    tables = SERVICE | {"procedures": SERVICE["procedures"].with_columns(procedure_date=pl.lit(45379))}
    read = check(read_tables(write_workbook(tmp_path / "export.xlsx", tables)))
    assert read.frames["procedures"]["procedure_date"].to_list() == [date(2024, 3, 28)]


# Translation by the mapping


def lengths(folder: Path, mapping: str) -> list[float | None]:
    return check(read_with(folder, mapping)).frames["lesions"]["length_mm"].to_list()


def with_lengths(folder: Path, *written: str, separator: str = ";") -> Path:
    tables = valid_tables(lesions=[{"length_mm": 1.0} for _ in written])
    lesions = tables["lesions"].with_columns(length_mm=pl.Series(written))
    return write_csvs(folder, tables | {"lesions": lesions}, separator=separator)


def test_a_length_in_centimeters_becomes_millimeters(tmp_path: Path) -> None:
    folder = with_lengths(tmp_path, "14,35", "1,1", "0,7")
    assert lengths(folder, "[lesions]\ndecimal = ','\n[lesions.units]\nlength_mm = 'cm'\n") == [143.5, 11.0, 7.0]


def test_a_point_where_the_decimal_sign_is_a_comma_is_not_guessed_at(tmp_path: Path) -> None:
    folder = with_lengths(tmp_path, "1.500", "12,5")
    assert lengths(folder, "[lesions]\ndecimal = ','\n") == [None, 12.5]


def test_thousands_are_read_only_where_they_stand_in_threes(tmp_path: Path) -> None:
    folder = with_lengths(tmp_path, "0.123,5", "1.23,5", "100,0")
    assert lengths(folder, "[lesions]\ndecimal = ','\nthousands = '.'\n") == [123.5, None, 100.0]


def test_commas_that_could_be_thousands_are_not_taken_for_decimal_commas(tmp_path: Path) -> None:
    assert lengths(with_lengths(tmp_path, "1,500", "2,250"), "") == [None, None]


def test_codes_are_translated_whatever_their_capitals(tmp_path: Path) -> None:
    tables = valid_tables(lesions=[{}, {}, {}, {}])
    lesions = tables["lesions"].with_columns(
        prior_bypass=pl.Series(["0", "VERSCHLOSSEN", "9", "unheard of"]),
        segment=pl.Series(["Gefäß", "GEFÄß", "Gefa\u0308ß", "popliteal"]),
    )
    folder = write_csvs(tmp_path, tables | {"lesions": lesions})
    mapping = """
        [lesions.codes.prior_bypass]
        "0" = "none"
        "verschlossen" = "occluded"
        "9" = ""
        [lesions.codes.segment]
        "Gefäß" = "peroneal"
        """
    read = check(read_with(folder, mapping))
    assert read.frames["lesions"]["prior_bypass"].to_list() == ["none", "occluded", None, None]
    assert read.frames["lesions"]["segment"].to_list() == ["peroneal", "peroneal", "peroneal", "popliteal"]
    assert read.blanked["row"].to_list() == [5]  # "not recorded" is no fault, an unknown code is


def test_a_site_whose_one_means_no_is_not_read_as_yes(tmp_path: Path) -> None:
    tables = valid_tables(lesions=[{}, {}, {}])
    lesions = tables["lesions"].with_columns(in_stent=pl.Series(["1", "2", "0"]))
    folder = write_csvs(tmp_path, tables | {"lesions": lesions})
    read = check(read_with(folder, '[lesions.codes.in_stent]\n"1" = "false"\n"2" = "true"\n'))
    assert read.frames["lesions"]["in_stent"].to_list() == [False, True, None]


@pytest.mark.parametrize(
    ("column", "mapping", "written", "read"),
    [
        # The site counts from 2, and its "1" was forgotten: it is not our 1.
        ("calcium_grade", '"2" = "1"\n"3" = "2"', ["1", "2", "3", "1.0"], [None, "1", "2", None]),
        (
            "distal_cap",
            '"convex" = "concave"\n"vex" = "convex"',
            ["concave", "convex", "vex"],
            [None, "concave", "convex"],
        ),
        ("distal_cap", '"vex" = "convex"', ["concave", "convex", "vex"], ["concave", "convex", "convex"]),
    ],
)
def test_a_code_that_the_mapping_forgets_is_not_taken_for_the_one_it_gives_to_another(
    tmp_path: Path, column: str, mapping: str, written: list[str], read: list[str | None]
) -> None:
    tables = valid_tables(lesions=[{} for _ in written])
    tables["lesions"] = tables["lesions"].with_columns(pl.Series(column, written))
    accepted = check(read_with(write_csvs(tmp_path, tables), f"[lesions.codes.{column}]\n{mapping}\n"))
    assert accepted.frames["lesions"][column].to_list() == read
    assert accepted.blanked.height == read.count(None)


def test_a_column_that_the_site_does_not_export_is_filled_from_the_constants(tmp_path: Path) -> None:
    tables = SERVICE | {"lesions": SERVICE["lesions"].drop("calcium_scale")}
    read = check(read_with(write_csvs(tmp_path, tables), "[lesions.constants]\ncalcium_scale = 'pacss'\n"))
    assert read.frames["lesions"]["calcium_scale"].to_list() == ["pacss", "pacss"]


def test_one_damaged_letter_does_not_turn_the_others_into_wrong_ones(tmp_path: Path) -> None:
    folder = write_csvs(
        tmp_path, valid_tables(patients=[{"patient_id": "Pä"}, {"patient_id": "Pö"}, {"patient_id": "Pü"}])
    )
    path = folder / "patients.csv"
    path.write_bytes(path.read_bytes().replace("ö".encode(), b"\xc3"))
    export = read_export(folder, load_mapping(None))
    assert export.frames["patients"]["patient_id"].to_list() == ["Pä", "P\ufffd", "Pü"]
    assert export.sources[0].encoding == "utf-8 (1 damaged letter)"


@pytest.mark.parametrize("suffix", [".parquet", ".xlsx"])
def test_a_damaged_file_is_one_clear_line(tmp_path: Path, suffix: str) -> None:
    folder = write_csvs(tmp_path, {name: frame for name, frame in SERVICE.items() if name != "patients"})
    whole = folder / f"patients{suffix}"
    write_parquets(folder, {"patients": SERVICE["patients"]}) if suffix == ".parquet" else write_workbook(
        whole, {"patients": SERVICE["patients"]}
    )
    content = whole.read_bytes()
    for damaged in (content[: len(content) // 2], content[:30] + b"\xff" * (len(content) - 600) + content[-570:]):
        whole.write_bytes(damaged)
        (line,) = fault_lines(folder)
        assert line.startswith(f"patients{suffix}: ")


@pytest.mark.parametrize("written", ["", "  ", "NA", "n/a", "NULL", ".", "-"])
def test_a_word_for_not_recorded_is_no_fault(tmp_path: Path, written: str) -> None:
    accepted = check(read_tables(with_lengths(tmp_path, written, "10")))
    assert accepted.frames["lesions"]["length_mm"].to_list() == [None, 10.0]
    assert accepted.blanked.is_empty()


# Records


def records(body: bytes, fields: int = 3) -> list[tuple[object, ...]]:
    header = ";".join("abc"[:fields]).encode() + b"\n"
    wanted = Wanted(frozenset("abc"), frozenset("a"))
    source = open_text(header + body, name="x.csv", encoding=None, separator=None, wanted=wanted)
    return source.rows(range(fields)).rows()


def test_a_line_with_a_field_too_many_or_too_few_keeps_its_number_and_shifts_nothing() -> None:
    assert records(b"1;2;3\n4;5\n6;7;8;9\n\n;;\n1;2;3") == [
        (2, None, "1", "2", "3"),
        (3, "the line has 2 fields where the header has 3", None, None, None),
        (4, "the line has 4 fields where the header has 3", None, None, None),
        (7, None, "1", "2", "3"),
    ]


def test_a_field_too_many_and_one_too_few_do_not_make_up_for_each_other() -> None:
    assert [row[1] is None for row in records(b"1;2;3;4\n1;2\n")] == [False, False]


def test_a_quoted_line_end_counts_as_a_line_but_not_as_a_row() -> None:
    assert records(b'1;"x;y\r\nz";3\r\n4;5;"6"\r\n') == [(2, None, "1", "x;y\r\nz", "3"), (4, None, "4", "5", "6")]


def test_a_quotation_mark_that_is_never_closed_costs_its_own_line_only() -> None:
    rows = records(b'1;"x;3\n4;5;6\n7;8;9\n1;"q;3\n')
    assert [row[0] for row in rows] == [2, 3, 4, 5]
    assert [row[1] is None for row in rows] == [False, True, True, False]


def test_lines_torn_by_quotation_marks_are_each_told() -> None:
    rows = records(b'1;"x;3\n4;5"\n7;8;9\n')
    assert [(row[0], row[1] is None) for row in rows] == [(2, False), (3, False), (4, True)]


def test_two_unclosed_quotation_marks_do_not_swallow_the_rows_between() -> None:
    rows = records(b'1;"x;3\n4;5;6\n7;y";9\n8;8;8\n')
    assert [(row[0], row[2]) for row in rows if row[1] is None] == [(3, "4"), (4, "7"), (5, "8")]


@pytest.mark.parametrize(
    ("two", "second"),
    [
        ('1;"x;3\n4;"y;6\n', None),
        ('1;"x;3\n4;y";6\n', ("4", 'y"', "6")),
        ('"1;x;3\n4;y;6"\n', ("4", "y", '6"')),
        ('1;x;"3\n"4;y;6\n', None),
    ],
)
def test_a_stray_quotation_mark_in_each_of_two_lines_does_not_make_one_row_of_them(
    two: str, second: tuple[str, ...] | None
) -> None:
    first, *others, last = records(two.encode() + b"7;8;9\n")
    assert (first[0], first[1] is None) == (2, False) and last == (4, None, "7", "8", "9")
    assert [row[2:] if row[1] is None else None for row in others] == [second]


@pytest.mark.parametrize("second", ['4;"y";6', '4;"y, ""z""";6', '"4";"";6', '4;6" y;6', '"4";"y";"6"', '4;";";6'])
def test_an_unclosed_quotation_mark_does_not_take_the_next_row_whatever_marks_that_one_has(second: str) -> None:
    own = next(csv.reader([second], delimiter=";"))
    first, (row, fault, *values), last = records(f'1;"x;3\n{second}\n7;8;9\n'.encode())
    assert (first, last) == ((2, UNPAIRED, None, None, None), (4, None, "7", "8", "9"))
    assert (row, fault, [value or "" for value in values]) == (3, None, own)


QUOTED = st.text(alphabet='ab ;"', max_size=5).map(lambda value: '"' + value.replace('"', '""') + '"')
WRITTEN = st.one_of(st.text(alphabet="ab ", max_size=4), st.just('6" b'), QUOTED)


@settings(max_examples=600, deadline=None, derandomize=True)
@given(st.lists(st.tuples(WRITTEN, WRITTEN, st.integers(0, 3), st.integers(0, 40)), min_size=1, max_size=7))
def test_a_stray_quotation_mark_never_costs_a_row_other_than_its_own(table: list[tuple[str, str, int, int]]) -> None:
    """Each line is a record that starts with its own key; one in four gets a mark more at any place."""
    lines = [f"k{number};{a};{b}" for number, (a, b, *_) in enumerate(table)]
    damaged = [
        line[: at % (len(line) + 1)] + '"' + line[at % (len(line) + 1) :] if which == 0 else line
        for line, (*_, which, at) in zip(lines, table, strict=True)
    ]
    first, *others = records("\n".join(["1;2;3", *damaged]).encode())
    assert first == (2, None, "1", "2", "3")
    read = {row[0]: row[1:] for row in others}
    assert list(read) == list(range(3, len(lines) + 3))
    for number, (line, sent) in enumerate(zip(lines, damaged, strict=True), start=3):
        fault, *values = read[number]
        if line == sent:
            own = next(csv.reader([line], delimiter=";"))
            assert (fault, [value or "" for value in values]) == (None, own)
        elif fault is None:
            assert all((value or "").replace('"', "") in sent.replace('"', "") for value in values)


def test_a_stray_quotation_mark_in_every_line_takes_no_longer_than_the_file_is_long() -> None:
    def seconds(rows: int) -> float:
        body = "".join(f'{i};a;"b\n' if i % 2 else f'"{i};a;b\n' for i in range(rows)).encode()
        start = time.process_time()
        assert all(row[1] for row in records(body))
        return time.process_time() - start

    seconds(500)
    assert seconds(8000) < 16 * 8 * max(seconds(500), 0.01)  # sixteen times the lines, and eight times of leeway


def test_inches_written_with_a_quotation_mark_stay_in_their_field() -> None:
    assert records(b'1;6" balloon;3\n4;5;6\n') == [(2, None, "1", '6" balloon', "3"), (3, None, "4", "5", "6")]


def test_a_title_above_the_header_and_a_separator_line_are_passed_over(tmp_path: Path) -> None:
    folder = write_csvs(tmp_path, SERVICE, separator=";")
    for name, above in (("patients", b"Export of the ward;;\n\n"), ("lesions", b"sep=;\n")):
        path = folder / f"{name}.csv"
        path.write_bytes(above + path.read_bytes())
    frames = read_tables(folder)
    assert frames["patients"]["row"].to_list() == [4]
    assert frames["lesions"]["row"].to_list() == [3, 4]


FIELD = st.text(alphabet='ab1 ,;"\n\r\té', max_size=6)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(st.lists(st.tuples(FIELD, FIELD, FIELD), min_size=1, max_size=8), st.sampled_from(["\n", "\r\n"]))
def test_what_a_spreadsheet_writes_is_read_back_field_by_field(table: list[tuple[str, ...]], line_end: str) -> None:
    # A bare return inside a value is normalised by no program alike: left out. A first "k" keeps rows from being blank.
    table = [("k" + a.replace("\r", ""), b.replace("\r", ""), c.replace("\r", "")) for a, b, c in table]
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=";", lineterminator=line_end).writerows([("a", "b", "c"), *table])
    wanted = Wanted(frozenset("abc"), frozenset("abc"))
    source = open_text(out.getvalue().encode(), name="x.csv", encoding=None, separator=None, wanted=wanted)
    rows = source.rows(range(3))
    sound = rows.filter(pl.col("fault").is_null())
    # With separators and line ends inside quotes a row can look like several whole ones: it is set aside on purpose.
    if not any("\n" in field and ";" in field for record in table for field in record):
        assert [tuple(value or "" for value in row[2:]) for row in sound.rows()] == table


@settings(max_examples=300, deadline=None, derandomize=True)
@given(st.binary(max_size=300))
def test_no_bytes_whatever_break_the_reader(noise: bytes) -> None:
    wanted = Wanted(frozenset("abc"), frozenset("a"))
    try:
        source = open_text(b"a,b,c\n1,2,3\n" + noise, name="x.csv", encoding=None, separator=None, wanted=wanted)
    except NeedsMending:
        return
    if source.headers == ("a", "b", "c"):
        rows = source.rows(range(3))
        assert rows.row(0) == (2, None, "1", "2", "3")
        assert rows["row"].is_sorted() and rows["row"].is_unique().all()
        source.sample([0, 1])


# What must be mended


def test_tables_that_are_not_there_are_told_together_with_what_was_looked_for(tmp_path: Path) -> None:
    lines = fault_lines(tmp_path)
    assert [line.split(":")[0] for line in lines] == ["patients", "procedures", "lesions", "attempts"]
    assert "patients.csv, patients.parquet, patients.xlsx" in lines[0]


def test_complications_and_follow_up_may_be_absent_and_that_is_told(tmp_path: Path) -> None:
    folder = write_csvs(tmp_path, {name: SERVICE[name] for name in ("patients", "procedures", "lesions", "attempts")})
    export = read_export(folder, load_mapping(None))
    assert [source.table for source in export.sources if source.absent] == ["complications", "follow_up"]
    assert export.frames["follow_up"].is_empty()
    assert check(export.frames).counts[5].read == 0


def test_a_needed_column_that_is_missing_is_told_with_the_line_to_write(tmp_path: Path) -> None:
    folder = write_csvs(tmp_path, SERVICE | {"lesions": SERVICE["lesions"].rename({"segment": "Segments"})})
    (line,) = fault_lines(folder)
    assert line.startswith("lesions.csv: no column segment, which is needed (did you mean 'segments'?)")
    assert '[lesions.columns] segment = "..."' in line


def test_a_file_without_a_header_line_does_not_show_its_first_patient(tmp_path: Path) -> None:
    folder = write_csvs(tmp_path, SERVICE)
    (folder / "patients.csv").write_text("Q77,1950,female\nQ78,1951,male\n", encoding="utf-8")
    (line,) = fault_lines(folder)
    assert "Q77" not in line and "1950" not in line


def test_two_files_for_one_table_ask_for_the_one_to_be_named(tmp_path: Path) -> None:
    folder = write_csvs(tmp_path, SERVICE)
    write_parquets(folder, {"patients": SERVICE["patients"]})
    (line,) = fault_lines(folder)
    assert "patients.csv, patients.parquet" in line and '[patients] file = "..."' in line
    assert read_with(folder, "[patients]\nfile = 'patients.parquet'\n")["patients"].height == 1


def test_a_header_that_stands_twice_is_not_guessed_at(tmp_path: Path) -> None:
    folder = write_csvs(tmp_path, SERVICE)
    replace_in(folder / "lesions.csv", "fp_grade", "length_mm")
    (line,) = fault_lines(folder)
    assert "the header 'length_mm' stands over 2 columns" in line


@pytest.mark.parametrize("name", ["patients.csv", "patients.parquet", "patients.xlsx"])
@pytest.mark.parametrize("content", [b"", b"\n\n", b"\x00\x01\x02junk\xff" * 40])
def test_a_file_that_is_no_table_is_one_clear_line(tmp_path: Path, name: str, content: bytes) -> None:
    folder = write_csvs(tmp_path, SERVICE)
    (folder / "patients.csv").unlink()
    (folder / name).write_bytes(content)
    (line, *_) = fault_lines(folder)
    assert line.startswith(name)


def test_a_workbook_of_several_sheets_asks_which_one(tmp_path: Path) -> None:
    folder = write_csvs(tmp_path, {name: frame for name, frame in SERVICE.items() if name != "patients"})
    write_workbook(folder / "patients.xlsx", {"Old": SERVICE["patients"], "New": SERVICE["patients"]})
    assert "which of its 2 sheets" in fault_lines(folder)[0]
    assert read_with(folder, "[patients]\nsheet = 'New'\n")["patients"].height == 1
    assert "has no sheet 'Newest'" in fault_lines(folder, "[patients]\nfile = 'patients.xlsx'\nsheet = 'Newest'\n")[0]


def test_a_sheet_named_for_a_file_that_has_no_sheets_is_told(tmp_path: Path) -> None:
    folder = write_csvs(tmp_path, SERVICE)
    assert fault_lines(folder, "[patients]\nsheet = 'New'\n") == (
        "mapping.toml: [patients] sheet is given, but patients.csv is not a workbook (.xlsx); "
        "leave sheet out, or name the workbook under file",
    )


def test_office_programs_lock_files_are_passed_over(tmp_path: Path) -> None:
    folder = write_csvs(tmp_path, SERVICE)
    (folder / "~$patients.xlsx").write_bytes(b"lock")
    (folder / ".patients.csv").write_bytes(b"lock")
    assert read_tables(folder)["patients"].height == 1


def test_a_mapped_column_that_the_file_lacks_is_told(tmp_path: Path) -> None:
    (line,) = fault_lines(write_csvs(tmp_path, SERVICE), "[lesions.columns]\nlength_mm = 'Laenge'\n")
    assert "no column 'Laenge', which the mapping gives for length_mm" in line


# Only the dictionary's columns


def test_columns_outside_the_dictionary_are_counted_and_never_kept(tmp_path: Path) -> None:
    wider = SERVICE["lesions"].with_columns(device=pl.lit("wire"), batch=pl.lit("x1"))
    export = read_export(write_csvs(tmp_path, SERVICE | {"lesions": wider}), load_mapping(None))
    lesions = next(t for t in TABLES if t.name == "lesions")
    assert export.frames["lesions"].columns == ["row", "fault", *lesions.column_names]
    assert [s.ignored_columns for s in export.sources] == [0, 0, 2, 0, 0, 0]


def test_a_column_of_names_stops_the_run_until_the_mapping_drops_it(tmp_path: Path) -> None:
    named = SERVICE["patients"].with_columns(Nachname=pl.lit("Invented"), Ort=pl.lit("Nowhere"))
    folder = write_csvs(tmp_path, SERVICE | {"patients": named})
    (line,) = fault_lines(folder)
    assert line == (
        "patients.csv: column 'Nachname' looks like a direct identifier (a name); "
        "list it under drop in the mapping or leave it out of the export"
    )
    assert read_with(folder, "[patients]\ndrop = ['Nachname']\n")["patients"].height == 1


def test_a_dropped_column_is_never_loaded_even_when_the_dictionary_has_it(tmp_path: Path) -> None:
    filled = SERVICE["procedures"].with_columns(site_id=pl.lit("S1"), operator_id=pl.lit("O1"))
    folder = write_csvs(tmp_path, SERVICE | {"procedures": filled})
    kept = read_tables(folder)["procedures"].select("site_id", "operator_id")
    assert kept.rows() == [("S1", "O1")]
    dropped = read_with(folder, "[procedures]\ndrop = ['site_id', 'Operator_ID']\n")["procedures"]
    assert dropped.select("site_id", "operator_id").rows() == [(None, None)]
    constant = "[procedures]\ndrop = ['site_id']\n[procedures.constants]\nsite_id = 'S2'\n"
    assert read_with(folder, constant)["procedures"]["site_id"].to_list() == ["S2"]


@pytest.mark.parametrize("format_name", ["csv", "parquet", "xlsx"])
def test_an_unnamed_column_of_e_mail_addresses_stops_the_run_in_every_format(tmp_path: Path, format_name: str) -> None:
    leaky = SERVICE["patients"].with_columns(x1=pl.lit("someone@example.org"))
    others = {name: frame for name, frame in SERVICE.items() if name != "patients"}
    folder = write_csvs(tmp_path, others)
    if format_name == "csv":
        (folder / "patients.csv").write_bytes(csv_bytes(leaky))
    elif format_name == "parquet":
        write_parquets(folder, {"patients": leaky})
    else:
        write_workbook(folder / "patients.xlsx", {"patients": leaky})
    (line,) = fault_lines(folder)
    assert "'x1' looks like a direct identifier (e-mail addresses)" in line
    assert "someone" not in line


@pytest.mark.parametrize(
    ("table", "ours", "theirs", "kind"),
    [
        ("procedures", "site_id", "Surname", "a name"),
        ("procedures", "site_id", "MRN", "a hospital or insurance number"),
        ("patients", "patient_id", "Date of birth", "a date of birth"),
        ("patients", "sex", "Postcode", "a postcode"),
        ("lesions", "calcium_grade", "Remarks", "free text"),
    ],
)
def test_a_mapping_does_not_lead_an_identifier_into_a_column_of_ours(
    tmp_path: Path, table: str, ours: str, theirs: str, kind: str
) -> None:
    folder = write_csvs(tmp_path, SERVICE | {table: SERVICE[table].rename({ours: theirs})})
    assert fault_lines(folder, f"[{table}.columns]\n{ours} = '{theirs}'\n") == (
        f"{table}.csv: column '{theirs}' is read as {ours} and looks like a direct identifier ({kind}); "
        f"mend the mapping of {ours}, or list the column under drop",
    )


@pytest.mark.parametrize(
    ("table", "ours", "value", "kind"),
    [
        ("procedures", "site_id", "wire would not pass, went from below after all", "free text"),
        ("procedures", "site_id", "+44 20 7946 0958", "telephone numbers"),
        ("follow_up", "event_date", "1938-04-05", "dates of birth"),
        ("patients", "sex", "someone@example.org", "e-mail addresses"),
    ],
)
def test_what_one_of_our_columns_holds_is_looked_at_too(
    tmp_path: Path, table: str, ours: str, value: str, kind: str
) -> None:
    leaky = SERVICE[table].with_columns(pl.lit(value).alias(ours))
    (line,) = fault_lines(write_csvs(tmp_path, SERVICE | {table: leaky}))
    assert f"is read as {ours} and looks like a direct identifier ({kind})" in line and value not in line


@pytest.mark.parametrize("header", ["Pat.-Nr.", "MRN", "Case number", "Fallnummer"])
def test_a_number_of_any_kind_may_be_the_key_that_a_pseudonym_replaces(tmp_path: Path, header: str) -> None:
    folder = write_csvs(tmp_path, SERVICE | {"patients": SERVICE["patients"].rename({"patient_id": header})})
    read = read_with(folder, f"[patients.columns]\npatient_id = '{header}'\n")
    assert read["patients"]["patient_id"].to_list() == ["Pä-1"]


def test_an_operator_may_be_named_and_a_patient_may_have_a_health_number_and_a_note_says_so(tmp_path: Path) -> None:
    # Ten numbers from 999, which are nobody's, with the check digit of the NHS Data Dictionary's rule.
    numbers = [n for n in (f"999{i:07d}" for i in range(200)) if nhs.is_valid(n)][:10]
    many = SERVICE | {
        "patients": pl.concat([SERVICE["patients"].with_columns(patient_id=pl.lit(n)) for n in numbers]),
        "procedures": SERVICE["procedures"].rename({"operator_id": "Operator name"}),
    }
    mapping = tmp_path / "mapping.toml"
    mapping.write_text("[procedures.columns]\noperator_id = 'Operator name'\n", encoding="utf-8")
    export = read_export(write_csvs(tmp_path / "export", many), load_mapping(mapping))
    patients, procedures = export.sources[:2]
    assert patients.notes == ("patient_id holds NHS numbers: give study keys in their place",)
    assert procedures.ignored_columns == 0


def test_every_row_of_a_site_is_looked_at_because_it_is_written_as_it_stands(tmp_path: Path) -> None:
    long = pl.concat([SERVICE["procedures"].with_columns(site_id=pl.lit("S1"))] * 2500)
    last = long.tail(1).with_columns(site_id=pl.lit("Dr. Grolink"))
    (line,) = fault_lines(write_csvs(tmp_path, SERVICE | {"procedures": pl.concat([long, last])}))
    assert "is read as site_id and looks like a direct identifier (names of persons)" in line and "Grolink" not in line


def test_a_sites_long_words_for_our_codes_are_no_free_text(tmp_path: Path) -> None:
    words = "the artery on the front of the shin bone"
    folder = write_csvs(tmp_path, SERVICE | {"lesions": SERVICE["lesions"].with_columns(segment=pl.lit(words))})
    read = read_with(folder, f"[lesions.codes.segment]\n'{words}' = 'anterior_tibial'\n")
    assert read["lesions"]["segment"].to_list() == ["anterior_tibial"] * 2


@pytest.mark.parametrize(
    "written", ["1938-04-05", "05.04.1938", "4/5/38", "5 Apr 1938", "5. April 1938", "19380405", "1938-04-05 00:00:00"]
)
def test_full_dates_of_birth_are_not_taken_where_a_year_is_asked_for(tmp_path: Path, written: str) -> None:
    dated = SERVICE["patients"].with_columns(birth_year=pl.lit(written))
    folder = write_csvs(tmp_path, SERVICE | {"patients": dated})
    (line,) = fault_lines(folder)
    assert line == (
        "patients.csv: column 'birth_year' is read as birth_year and looks like full dates of birth; "
        "export the year only"
    )
    write_csvs(tmp_path, {"patients": dated.rename({"birth_year": "Geburtsdatum"})})
    (line,) = fault_lines(folder, "[patients.columns]\nbirth_year = 'Geburtsdatum'\n")
    assert line.endswith("export the year only") and "1938" not in line


def test_e_mail_addresses_used_as_keys_stop_the_run(tmp_path: Path) -> None:
    keyed = SERVICE | {"patients": SERVICE["patients"].with_columns(patient_id=pl.lit("someone@example.org"))}
    (line,) = fault_lines(write_csvs(tmp_path, keyed))
    assert line == "patients.csv: patient_id holds e-mail addresses; write a study key in their place"


def test_a_sheet_that_starts_lower_down_keeps_the_row_numbers_of_the_spreadsheet(tmp_path: Path) -> None:
    folder = write_csvs(tmp_path, {name: frame for name, frame in SERVICE.items() if name != "patients"})
    book = xlsxwriter.Workbook(str(folder / "patients.xlsx"))
    sheet = book.add_worksheet("patients")
    sheet.write_row(2, 0, ["patient_id", "sex"])
    sheet.write_row(5, 0, ["Pä-1", "female"])
    book.close()
    assert read_tables(folder)["patients"].select("row", "patient_id", "sex").rows() == [(6, "Pä-1", "female")]
