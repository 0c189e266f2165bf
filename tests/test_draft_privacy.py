"""What a draft may show of an export: headers, and codes that stand on many rows; and that it loads whatever the export holds."""

from __future__ import annotations

import csv
import io
import stat
import tempfile
import tomllib
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.__main__ import DONE, NEEDS_MENDING, _status
from pipeline.case_tables import TABLES
from pipeline.draft import draft_export, written
from pipeline.draft.phrasebook import column_book
from pipeline.draft.written import quoted
from pipeline.faults import NeedsMending
from pipeline.mapping import load_mapping
from synthetic_data.service import Service, invent
from tests.export_files import csv_bytes, write_csvs

A_NAME = "Musterfrau"
SITE = Path(__file__).parent.parent / "synthetic_data" / "foreign_site"


@pytest.fixture(scope="module")
def service() -> Service:
    return invent(120, 3)


def export(service: Service, folder: Path, **changed: pl.DataFrame) -> Path:
    return write_csvs(folder, {**service.tables, **changed})


def text_of(folder: Path) -> str:
    return written(draft_export(folder))


def with_values(frame: pl.DataFrame, column: str, values: list[str]) -> pl.DataFrame:
    """The frame with `values` put into the first rows of a column."""
    old = [None if value is None else str(value) for value in frame[column]]
    return frame.with_columns(pl.Series(column, [*values, *old[len(values) :]]))


def test_a_value_met_on_few_rows_is_not_shown(service: Service, tmp_path: Path) -> None:
    attempts = with_values(service.tables["attempts"], "access_site", [A_NAME] * 4 + ["left wrist"] * 6)
    text = text_of(export(service, tmp_path, attempts=attempts))
    assert A_NAME not in text
    assert '# "left wrist" = "?"  # (6 rows)' in text and "1 value is not shown" in text


def test_a_name_that_stands_on_many_rows_is_not_shown(service: Service, tmp_path: Path) -> None:
    names = ["Müller", "Schmidt", "Schneider", "Fischer", "Weber", "Meyer", "Wagner", "Becker"]
    attempts = with_values(service.tables["attempts"], "guidance", names * 12)
    text = text_of(export(service, tmp_path, attempts=attempts))
    assert not any(name in text for name in names)


def test_long_values_and_more_than_thirty_are_not_shown(service: Service, tmp_path: Path) -> None:
    long = "a route that is told in far more words than a code would ever have"
    many = [f"way {letter}" for letter in "abcdefghijklmnopqrstuvwxyzabcdefghijklmnopqrstuvwxyz"[:26]]
    attempts = with_values(service.tables["attempts"], "route", [long] * 6)
    text = text_of(export(service, tmp_path, attempts=attempts))
    assert long not in text
    height = service.tables["attempts"].height
    values = (many * (height // len(many) + 1))[:height]
    attempts = with_values(service.tables["attempts"], "access_site", values)
    assert (
        sum(line.startswith('# "way') for line in text_of(export(service, tmp_path, attempts=attempts)).splitlines())
        <= 30
    )


def test_no_value_of_a_column_that_identifies_is_shown(service: Service, tmp_path: Path) -> None:
    patients = service.tables["patients"].with_columns(
        pl.lit(A_NAME).alias("surname"),
        pl.lit(f"{A_NAME}@example.org").alias("contact"),
        pl.lit(A_NAME).alias("nickname"),
    )
    text = text_of(export(service, tmp_path, patients=patients))
    assert A_NAME not in text and "P00001" not in text
    drops = tomllib.loads(text)["patients"]["drop"]
    assert "surname" in drops and "contact" in drops


def test_full_dates_of_birth_are_dropped_and_the_year_asked_for(service: Service, tmp_path: Path) -> None:
    patients = (
        service.tables["patients"]
        .with_columns(pl.concat_str(pl.col("birth_year"), pl.lit("-03-28")).alias("date of birth"))
        .drop("birth_year")
    )
    text = text_of(export(service, tmp_path, patients=patients))
    assert tomllib.loads(text)["patients"] == {"drop": ["date of birth"]}
    assert "add a column with the year alone" in text
    assert "-03-28" not in text


def test_a_first_line_that_is_a_patients_is_not_shown(service: Service, tmp_path: Path) -> None:
    folder = export(service, tmp_path)
    patients = service.tables["patients"].with_columns(pl.lit(A_NAME).alias("nickname"))
    headless = csv_bytes(patients).split(b"\n", 1)[1]
    (folder / "patients.csv").write_bytes(headless)
    (folder / "notes.csv").write_bytes(f"{A_NAME},Ulm,blue\nother,Bonn,red\n".encode())
    text = text_of(folder)
    assert A_NAME not in text and "P00001" not in text
    assert "patients.csv: its first line does not look like headings" in text


@pytest.mark.parametrize(
    "header",
    [
        "P00001",
        "28.03.1950",
        "a header far too long to be one, such as a sentence that stands in a first row by mistake",
    ],
)
def test_a_header_that_may_be_a_value_is_not_listed(service: Service, tmp_path: Path, header: str) -> None:
    lesions = service.tables["lesions"].with_columns(pl.lit("1").alias(header), pl.lit("1").alias("wire"))
    text = text_of(export(service, tmp_path, lesions=lesions))
    assert '# Theirs that are not used: "wire"\n# 1 more column is not used' in text
    assert header not in text


def test_a_column_of_our_own_name_in_another_unit_is_not_read_unless_it_is_decided(
    service: Service, tmp_path: Path
) -> None:
    lesions = service.tables["lesions"].with_columns(pl.col("length_mm") / 10)
    text = text_of(export(service, tmp_path, lesions=lesions))
    assert tomllib.loads(text)["lesions"]["drop"] == ["length_mm"]
    assert '# decide: length_mm = "cm"' in text


def test_a_column_in_a_unit_that_cannot_be_told_is_not_read_unless_it_is_decided(
    service: Service, tmp_path: Path
) -> None:
    lengths = pl.Series("lesion length", [25.0 + number % 20 for number in range(service.tables["lesions"].height)])
    lesions = service.tables["lesions"].drop("length_mm").with_columns(lengths)
    text = text_of(export(service, tmp_path, lesions=lesions))
    assert "lesions" not in tomllib.loads(text) or "length_mm" not in tomllib.loads(text)["lesions"]["columns"]
    assert '# decide: length_mm = "lesion length"' in text and "could be mm or cm" in text


def test_a_truth_column_in_numbers_of_its_own_reads_nothing_until_it_is_decided(
    service: Service, tmp_path: Path
) -> None:
    attempts = service.tables["attempts"].with_columns(
        pl.when("crossed").then(pl.lit("2")).otherwise(pl.lit("1")).alias("crossed")
    )
    text = text_of(export(service, tmp_path, attempts=attempts))
    # An empty list of codes: without it, 1 would be read as true.
    assert tomllib.loads(text)["attempts"]["codes"]["crossed"] == {}
    assert '# "1" = "?"' in text and '# "2" = "?"' in text


# Signs that have a meaning in TOML or end a line somewhere, and words of the trade, so that columns are paired at all.
SIGNS = st.text(
    alphabet=st.sampled_from("ab \"'\\#=[]{}\n\r\t\x00\x07\x1f\x7f\x85\u2028\ufeffäß漢😀.,;:-_%"), max_size=12
)
WORDS = st.sampled_from(sorted(column_book().known_headings)[::7])
CELLS = st.one_of(
    st.sampled_from(["", "1", "2", "12,5", "2024-03-28", "ja", "nein", "left", "NA", "AFS", '"', "\\", "#"]), SIGNS
)


@st.composite
def tables_of_anything(draw: st.DrawFn) -> list[bytes]:
    files = []
    for _ in range(draw(st.integers(1, 3))):
        headers = draw(
            st.lists(
                st.one_of(WORDS, SIGNS, WORDS.flatmap(lambda w: SIGNS.map(lambda s: w + s))), min_size=1, max_size=9
            )
        )
        rows = draw(st.lists(st.lists(CELLS, min_size=len(headers), max_size=len(headers)), max_size=4))
        out = io.StringIO(newline="")
        writer = csv.writer(out, delimiter=draw(st.sampled_from(";,\t|")))
        writer.writerow(headers)
        writer.writerows(rows * draw(st.integers(1, 6)))
        files.append(out.getvalue().encode())
    return files


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(files=tables_of_anything())
def test_a_draft_loads_whatever_the_headers_and_values_are(files: list[bytes]) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "export"
        folder.mkdir()
        for number, content in enumerate(files):
            (folder / f"table {number} #\"'.csv").write_bytes(content)
        try:
            text = text_of(folder)
        except NeedsMending:
            return  # nothing in it is like a table
        mapping = Path(name) / "mapping.toml"
        lines = text.splitlines()
        # As it stands, and with any one line decided as it is proposed.
        undecided = [at for at, line in enumerate(lines) if line.startswith("# decide: ")]
        whole = any(lines[at].startswith("# decide: [") for at in undecided)  # a table in doubt is decided as a whole
        for decided in (None, *([] if whole else undecided)):
            taken = [line.removeprefix("# decide: ") if at == decided else line for at, line in enumerate(lines)]
            mapping.write_bytes("\n".join(taken).encode())
            assert set(load_mapping(mapping).tables) <= {table.name for table in TABLES}


@given(text=st.text(max_size=30))
def test_any_text_is_the_same_once_it_is_quoted_and_read(text: str) -> None:
    assert tomllib.loads(f"{quoted(text)} = {quoted(text)} # {quoted(text)}") == {text: text}


def test_the_draft_goes_to_the_screen_or_to_a_new_file_of_its_owners(
    tmp_path: Path, capsysbinary: pytest.CaptureFixture[bytes]
) -> None:
    assert _status(["draft-mapping", "--tables", str(SITE)]) == DONE
    shown = capsysbinary.readouterr().out.decode()
    kept = tmp_path / "draft.toml"
    assert _status(["draft-mapping", "--tables", str(SITE), "--out", str(kept)]) == DONE
    assert kept.read_text(encoding="utf-8") == shown
    assert stat.S_IMODE(kept.stat().st_mode) == 0o600
    said = capsysbinary.readouterr().out.decode().splitlines()
    assert said[0].startswith("6 of 6 tables and 64 of 69 columns found") and said[-1] == str(kept)


def test_a_file_that_is_there_is_never_written_over(tmp_path: Path, capsysbinary: pytest.CaptureFixture[bytes]) -> None:
    kept = tmp_path / "draft.toml"
    kept.write_text("mine", encoding="utf-8")
    assert _status(["draft-mapping", "--tables", str(SITE), "--out", str(kept)]) == NEEDS_MENDING
    assert kept.read_text(encoding="utf-8") == "mine"
    assert b"is not written over" in capsysbinary.readouterr().err


def test_a_folder_with_nothing_like_a_table_is_told_in_one_line(tmp_path: Path) -> None:
    (tmp_path / "menu.csv").write_text("dish,price\nsoup,3\n", encoding="utf-8")
    with pytest.raises(NeedsMending, match="no file looks like one of the tables"):
        draft_export(tmp_path)
