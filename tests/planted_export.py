"""An invented export that holds made-up identities wherever an export can hold them, for the search of what is left behind.

Every planted word holds one of the two STEMS, which are no words of any language; numbers and dates are in PLANTED.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Mapping
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import xlsxwriter
from export_files import text

from pipeline.case_tables import PSEUDONYM_COLUMNS, TABLES, Table
from synthetic_data.service import invent

STEMS = ("Qvorlbek", "Zwürmqel")
LATIN, ACCENTED = STEMS
# What is looked for: a stem without its first and last letter, so that a word that was cut is found too.
PARTS = tuple(stem[1:-1] for stem in STEMS)
# From ranges that belong to nobody: NHS numbers from 999, a number that Ofcom keeps for films, the postcode for "not known".
PLANTED = {
    "a health number": "9990001234",
    "the same, spaced": "999 000 1234",
    "a telephone number": "+44 20 7946 0991",
    "a postcode": "ZZ99 3VZ",
    "a date of birth": "1931-02-17",
    "the same, day first": "17.02.1931",
    "the same, without separators": "19310217",
}
BIRTH = PLANTED["a date of birth"]
SENTENCE = f"{LATIN} lives alone, was born on {BIRTH} and can be called at {PLANTED['a telephone number']}"
DROPPED: Mapping[str, Mapping[str, str]] = {
    "patients": {
        "Surname": f"{LATIN}son",
        "Vorname": f"{ACCENTED}in",
        "NHS number": PLANTED["a health number"],
        "Date of birth": PLANTED["the same, day first"],
        "Postcode": PLANTED["a postcode"],
        "Telephone": PLANTED["a telephone number"],
    },
    "procedures": {"Notes": SENTENCE},
    "follow_up": {"Next of kin": f"{ACCENTED}, {LATIN}"},
}
# Columns outside the dictionary that no guard can tell: a few words, repeated.
PASSED: Mapping[str, Mapping[str, str]] = {
    "procedures": {"room": f"{LATIN} room"},
    "lesions": {"device": f"{ACCENTED} wire"},
    "attempts": {"x9": f"{LATIN.upper()}7"},
}
LESIONS, SEED = 180, 3

Rows = dict[str, list[dict[str, str]]]


def planted_rows() -> Rows:
    """The six tables as text, with identities in keys, in columns outside the dictionary, and as a bad value in every other column."""
    rows: Rows = {}
    for table in TABLES:
        frame = invent(LESIONS, SEED).tables[table.name]
        rows[table.name] = [{name: text(value) for name, value in row.items()} for row in frame.rows(named=True)]
        for row in rows[table.name]:
            for key in PSEUDONYM_COLUMNS:
                if row.get(key):
                    row[key] = f"{LATIN}{row[key]}{ACCENTED}"
            row.update(PASSED.get(table.name, {}))
            row.update(DROPPED.get(table.name, {}))
        _spoil(table, rows[table.name])
    return rows


def _spoil(table: Table, rows: list[dict[str, str]]) -> None:
    """One bad value in each column, each in a row of its own; references that lead nowhere; a key that stands twice."""
    values = (LATIN, SENTENCE, BIRTH, PLANTED["a health number"], ACCENTED, PLANTED["the same, without separators"])
    plain = [c for c in table.columns if c.name not in PSEUDONYM_COLUMNS and c.name != "site_id"]
    for number, column in enumerate(plain):
        if number < len(rows):
            rows[number][column.name] = f"{values[number % len(values)]}"
    last = rows[-1]
    for name in (*table.refers, "attempt_id", "lesion_id"):
        if name in last and name != table.key:
            rows.append(dict(last) | {table.key: f"{LATIN}-{name}", name: f"{ACCENTED} nobody"})
    rows.append(dict(rows[-1]) | {column.name: "" for column in plain if not column.needed})


def mapping_text() -> str:
    """The mapping that drops what has to be dropped, and translates a site's words that hold an identity."""
    parts = []
    for table, columns in DROPPED.items():
        listed = ", ".join(f'"{name}"' for name in columns)
        parts.append(f"[{table}]\ndrop = [{listed}]\n")
    parts.append(f'[procedures.codes.urgency]\n"{LATIN} urgency" = "urgent"\n"{ACCENTED}" = ""\n')
    return "\n".join(parts)


def write_planted_csvs(folder: Path, rows: Rows) -> None:
    """CSV files with a title line, lines with too few and too many fields, and a quotation mark that is never closed."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, listed in rows.items():
        headers = list(listed[0])
        out = io.StringIO(newline="")
        writer = csv.writer(out, lineterminator="\n")
        out.write(f"Export of {LATIN} and {ACCENTED} {BIRTH}\n")
        writer.writerow(headers)
        writer.writerows([row.get(header, "") for header in headers] for row in listed)
        writer.writerow([f"{LATIN} few", SENTENCE])
        writer.writerow([f"{ACCENTED} many"] * (len(headers) + 3))
        out.write(f'"{LATIN} open,{ACCENTED},{BIRTH}\n')
        (folder / f"{name}.csv").write_text(out.getvalue(), encoding="utf-8")


def write_planted_workbook(folder: Path, rows: Rows) -> None:
    """One workbook, with an identity in its properties and in the name and cells of a sheet that is no table."""
    folder.mkdir(parents=True, exist_ok=True)
    book = xlsxwriter.Workbook(str(folder / "export.xlsx"))
    book.set_properties({"author": LATIN, "title": SENTENCE, "comments": ACCENTED})
    for name, listed in rows.items():
        sheet = book.add_worksheet(name)
        headers = list(listed[0])
        sheet.write_row(0, 0, [f"Export of {LATIN}", BIRTH])
        sheet.write_row(1, 0, headers)
        for number, row in enumerate(listed, start=2):
            for place, header in enumerate(headers):
                if row.get(header):
                    sheet.write_string(number, place, row[header])
    other = book.add_worksheet(f"{LATIN} {ACCENTED}")
    other.write_row(0, 0, [SENTENCE, LATIN, ACCENTED])
    book.close()


def write_planted_parquets(folder: Path, rows: Rows) -> None:
    """Parquet files, with an identity in their metadata."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, listed in rows.items():
        headers = list(listed[0])
        frame = pl.DataFrame(
            {h: [row.get(h) or None for row in listed] for h in headers},
            schema_overrides=dict.fromkeys(headers, pl.String),
        )
        table = frame.to_arrow()
        pq.write_table(
            table.cast(pa.schema([(field.name, pa.string()) for field in table.schema])).replace_schema_metadata(
                {"author": LATIN, "patient": ACCENTED, "note": SENTENCE}
            ),
            folder / f"{name}.parquet",
        )


WRITING: Mapping[str, Callable[[Path, Rows], None]] = {
    "csv": write_planted_csvs,
    "xlsx": write_planted_workbook,
    "parquet": write_planted_parquets,
}
