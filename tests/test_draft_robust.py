"""Drafts of exports that are not as tidy as a dictionary: careless headings, missing columns, workbooks, several files of one table."""

from __future__ import annotations

import csv
import io
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import polars as pl
import pyreadstat
import pytest

from pipeline.case_tables import TABLES
from pipeline.draft import Draft, draft_export, in_short, written
from pipeline.mapping import load_mapping
from pipeline.read import read_export
from pipeline.typed_values import settle
from synthetic_data.service import Service, invent
from tests import clerks
from tests.clerks import Clerk
from tests.export_files import csv_bytes, write_csvs, write_workbook

SOME = ("german_2", "english_1", "spanish_1", "portuguese_2")


@pytest.fixture(scope="module")
def service() -> Service:
    return invent(150, 7)


def without_vowels(header: str) -> str:
    return re.sub(r"(?i)(?<=\w)[aeiouäöüéèêáâàíóôõúãç](?=\w)", "", header)


def cut_short(header: str) -> str:
    return re.sub(r"[^\W\d_]+", lambda word: word[0][:4], header)


def in_capitals(header: str) -> str:
    return header.upper().replace(" ", "_")[:10]


def wrong_columns(draft: Draft, by: Clerk, header: Callable[[str], str] = str) -> tuple[dict[str, str], int, int]:
    """What was taken for another (our column: how sure), how many columns are right, and how many there are."""
    true = {(table, ours): header(theirs) for table, headers in by.headers.items() for ours, theirs in headers.items()}
    found = {(table.table.name, line.column.name): line for table in draft.tables for line in table.columns}
    wrong = {place[1]: line.confidence for place, line in found.items() if true.get(place) != line.header}
    return wrong, len(found) - len(wrong), len(true)


@pytest.mark.parametrize("name", SOME)
@pytest.mark.parametrize(("careless", "least"), [(cut_short, 0.9), (without_vowels, 0.4), (in_capitals, 0.9)])
def test_a_careless_hand_makes_headings_unknown_and_never_wrong(
    service: Service, tmp_path: Path, name: str, careless: Callable[[str], str], least: float
) -> None:
    by = clerks.clerk(name)
    draft = draft_export(clerks.write(by, service.tables, tmp_path, header=careless))
    wrong, right, all_of_them = wrong_columns(draft, by, careless)
    assert [column for column, confidence in wrong.items() if confidence != "guess"] == []
    # The shares are what was measured, rounded down. Of short headings hardly anything is left without vowels.
    assert right >= least * all_of_them, right / all_of_them


@pytest.mark.parametrize("name", SOME)
def test_a_column_that_is_not_exported_is_not_found_in_another(service: Service, tmp_path: Path, name: str) -> None:
    by = clerks.clerk(name)
    for first in (0, 1):
        # Every other column is left out, keys apart: what remains must not be taken for it.
        headers: Mapping[str, Mapping[str, str]] = {
            table: {
                ours: theirs for at, (ours, theirs) in enumerate(of.items()) if ours.endswith("_id") or at % 2 == first
            }
            for table, of in by.headers.items()
        }
        fewer = replace(by, headers=headers)
        wrong, right, all_of_them = wrong_columns(draft_export(clerks.write(fewer, service.tables, tmp_path)), fewer)
        assert [column for column, confidence in wrong.items() if confidence != "guess"] == []
        assert right >= 0.95 * all_of_them


def test_sheets_of_one_workbook_are_told_apart_by_what_they_hold(service: Service, tmp_path: Path) -> None:
    sheets = {f"Sheet{number}": service.tables[table.name] for number, table in enumerate(reversed(TABLES), start=1)}
    write_workbook(tmp_path / "all.xlsx", sheets)
    mapping = tomllib.loads(written(draft_export(tmp_path)))
    assert {name: (part["file"], part["sheet"]) for name, part in mapping.items()} == {
        table.name: ("all.xlsx", f"Sheet{number}") for number, table in enumerate(reversed(TABLES), start=1)
    }


def test_a_workbook_reads_the_same_through_its_draft(service: Service, tmp_path: Path) -> None:
    write_workbook(tmp_path / "all.xlsx", {f"T{number}": service.tables[t.name] for number, t in enumerate(TABLES)})
    path = tmp_path / "mapping.toml"
    path.write_text(written(draft_export(tmp_path)), encoding="utf-8")
    frames = read_export(tmp_path, load_mapping(path)).frames
    for table in TABLES:
        rows = settle(table, frames[table.name]).rows
        assert rows.select(table.column_names).equals(service.tables[table.name].select(table.column_names))


def test_titles_above_the_headings_and_blank_columns_do_no_harm(service: Service, tmp_path: Path) -> None:
    by = clerks.clerk("german_1")
    clerks.write(by, service.tables, tmp_path)
    for name in by.files.values():
        old = (tmp_path / name).read_text(encoding="utf-8-sig")
        (tmp_path / name).write_text(f"Auszug für die Auswertung;;\n\n{old}", encoding="utf-8")
    wrong, right, all_of_them = wrong_columns(draft_export(tmp_path), by)
    assert wrong == {} and right == all_of_them


def test_value_labels_of_a_statistics_program_are_read_in_place_of_its_numbers(
    service: Service, tmp_path: Path
) -> None:
    write_csvs(tmp_path, {name: frame for name, frame in service.tables.items() if name != "patients"})
    patients = service.tables["patients"].select(
        pl.col("patient_id").alias("PatNr"),
        pl.col("birth_year").alias("GebJahr"),
        pl.col("sex").replace_strict({"female": 1.0, "male": 2.0}, default=None, return_dtype=pl.Float64).alias("Geschlecht"),
        pl.col("smoking").replace_strict({"never": 0.0, "former": 1.0, "current": 2.0}, default=None, return_dtype=pl.Float64).alias("Raucher"),
    )  # fmt: skip
    pyreadstat.write_sav(
        patients.to_pandas(),
        str(tmp_path / "stamm.sav"),
        variable_value_labels={
            "Geschlecht": {1: "weiblich", 2: "männlich"},
            "Raucher": {0: "nie", 1: "früher", 2: "aktuell"},
        },
    )
    part = tomllib.loads(written(draft_export(tmp_path)))["patients"]
    assert part["codes"]["sex"] == {"männlich": "male", "weiblich": "female"}
    assert part["codes"]["smoking"] == {"früher": "former", "nie": "never", "aktuell": "current"}


def test_a_table_in_two_files_is_told(service: Service, tmp_path: Path) -> None:
    tables = {name: frame for name, frame in service.tables.items() if name != "attempts"}
    folder = write_csvs(tmp_path, tables)
    half = service.tables["attempts"].height // 2
    for name, part in (
        ("attempts 2023", service.tables["attempts"][:half]),
        ("attempts 2024", service.tables["attempts"][half:]),
    ):
        (folder / f"{name}.csv").write_bytes(csv_bytes(part))
    text = written(draft_export(folder))
    assert re.search(r"note: attempts 202[34]\.csv looks like attempts too", text)


def test_one_file_for_several_tables_is_told(service: Service, tmp_path: Path) -> None:
    tables = {name: frame for name, frame in service.tables.items() if name != "procedures"}
    tables["lesions"] = service.tables["lesions"].join(service.tables["procedures"], on="procedure_id", how="left")
    text = written(draft_export(write_csvs(tmp_path, tables)))
    assert "No file was found for procedures" in text
    assert "lesions.csv has columns of procedures too; one row a session" in text


def test_a_table_that_is_hardly_like_ours_is_not_used_undecided(service: Service, tmp_path: Path) -> None:
    tables = {name: frame for name, frame in service.tables.items() if name != "follow_up"}
    folder = write_csvs(tmp_path, tables)
    laboratory = service.tables["patients"].select(
        "patient_id", pl.lit("2024-03-28").alias("date"), pl.lit(7.1).alias("HbA1c"), pl.lit("left").alias("side")
    )
    (folder / "laboratory.csv").write_bytes(csv_bytes(laboratory))
    assert "follow_up" not in tomllib.loads(written(draft_export(folder)))


def test_a_heading_that_stands_over_two_columns_is_not_mapped(service: Service, tmp_path: Path) -> None:
    folder = write_csvs(tmp_path, service.tables)
    rows = list(csv.reader(io.StringIO((folder / "lesions.csv").read_text(encoding="utf-8"))))
    rows = [[*row[:3], row[3], row[3], *row[4:]] for row in rows]
    rows[0][3] = rows[0][4] = "occlusion length (mm)"
    out = io.StringIO(newline="")
    csv.writer(out).writerows(rows)
    (folder / "lesions.csv").write_text(out.getvalue(), encoding="utf-8")
    text = written(draft_export(folder))
    assert 'length_mm = "occlusion' not in text and "# Ours that were not found: length_mm" in text


def with_another_heading(service: Service, folder: Path, heading: str, *tables: str) -> Path:
    """The export in French of a clerk whose patient key stands under `heading` in the named tables."""
    by = clerks.clerk("french_1")
    headers = {
        table: {ours: heading if ours == "patient_id" and table in tables else theirs for ours, theirs in names.items()}
        for table, names in by.headers.items()
    }
    return clerks.write(replace(by, headers=headers), service.tables, folder)


def test_a_key_under_a_heading_that_says_nothing_is_proposed_and_never_used(service: Service, tmp_path: Path) -> None:
    folder = with_another_heading(service, tmp_path, "N° étude", "patients", "procedures", "follow_up")
    draft = draft_export(folder)
    text = written(draft)
    proposed = '# decide: patient_id = "N° étude"  # guess: different on every row; its values recur in procedures'
    assert proposed in text.split("# ---- procedures")[0]
    patients = next(table for table in draft.tables if table.table.name == "patients")
    assert "N° étude" not in patients.unused and all(column.name != "patient_id" for column in patients.missing)
    # Decided, the proposal is right: the columns of the tables that refer to it are found by its values.
    decided = text.replace("# decide: patient_id", "patient_id")
    assert all(
        tomllib.loads(decided)[name]["columns"]["patient_id"] == "N° étude" for name in ("patients", "procedures")
    )


def test_a_column_that_recurs_nowhere_is_not_proposed_as_the_key(service: Service, tmp_path: Path) -> None:
    by = clerks.clerk("french_1")
    folder = with_another_heading(service, tmp_path, "N° étude", "patients")
    file = folder / by.files["patients"]
    head, *rows = file.read_bytes().decode(by.encoding).splitlines()
    at = head.split(by.separator).index("N° étude")
    cells = [row.split(by.separator) for row in rows]
    other = [by.separator.join([*c[:at], f"Z{number:04}", *c[at + 1 :]]) for number, c in enumerate(cells)]
    file.write_bytes("\r\n".join([head, *other, ""]).encode(by.encoding))
    draft = draft_export(folder)
    assert "patient_id = " not in written(draft).split("# ---- procedures")[0]
    assert in_short(draft).endswith("; needed and not found: patients.patient_id")


def test_the_closing_line_counts_the_lines_that_say_decide(service: Service, tmp_path: Path) -> None:
    draft = draft_export(with_another_heading(service, tmp_path, "N° étude", "patients"))
    lines = written(draft).splitlines()
    decide = sum(line.startswith("# decide: ") for line in lines)
    codes = sum(line.startswith('# "') and ' = "?"' in line for line in lines)
    assert decide > 0
    told = in_short(draft).split("; ")
    assert told[1] == ("1 line waits for your decision" if decide == 1 else f"{decide} lines wait for your decision")
    assert [part.split()[0] for part in told[2:] if "known" in part] == ([str(codes)] if codes else [])
