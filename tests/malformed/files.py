"""Whole files: what is there, what is not, and what only bears the name of a table."""

from __future__ import annotations

import os
from pathlib import Path

from tests.malformed.case import Case, Family
from tests.malformed.changes import copied, data, file, mapping, on_disk, renamed, without
from tests.malformed.draft import Change, Draft, Stage

HTML = b"<html><body><table><tr><td>patient_id</td></tr><tr><td>pat-01</td></tr></table></body></html>"
NO_FILE = "patients: no file holds this table"


def _instead(table: str, content: bytes, name: str | None = None) -> Change:
    return data(table, lambda _: content, name=name)


def _link(name: str, target: str) -> Change:
    def make(folder: Path) -> None:
        (folder / name).unlink(missing_ok=True)
        (folder / name).symlink_to(target)

    return on_disk(make)


def _pipe(name: str) -> Change:
    def make(folder: Path) -> None:
        (folder / name).unlink(missing_ok=True)
        os.mkfifo(folder / name)

    return on_disk(make)


def _folder(name: str) -> Change:
    def make(folder: Path) -> None:
        (folder / name).unlink(missing_ok=True)
        (folder / name).mkdir()

    return on_disk(make)


def _unreadable(name: str) -> Change:
    # Permissions do not stop a test that is run as root: a link to the memory of the process, which nobody may read from its
    # beginning, does.
    return _link(name, "/proc/self/mem")


def _below(table: str, other: str) -> Change:
    """The other table's text behind the table's own."""

    def make(draft: Draft) -> None:
        draft.texts[table] += draft.texts[other]

    return Change(Stage.TEXT, make)


FILES = Family(
    "Whole files",
    (
        Case("an empty file", (_instead("patients", b""),), stops=("patients.csv: the file is empty",)),
        Case("a file of one byte", (_instead("patients", b"p"),), stops=("patients.csv: no column patient_id",)),
        Case("a file of one line end", (_instead("patients", b"\n"),), stops=("patients.csv: the file is empty",)),
        Case("a file of spaces", (_instead("patients", b" " * 5000),), stops=("patients.csv: the file is empty",)),
        Case(
            "a file of separators",
            (_instead("patients", b",,,,\n" * 50),),
            stops=("patients.csv: no column patient_id",),
        ),
        Case(
            "a byte order mark alone",
            (_instead("patients", b"\xef\xbb\xbf"),),
            stops=("patients.csv: the file is empty",),
        ),
        Case("half a byte order mark", (_instead("patients", b"\xff"),), stops=("patients.csv",)),
        Case("no file at all for a needed table", (without("patients"),), stops=(NO_FILE,)),
        Case(
            "no file at all for a table that may be absent",
            (without("complications"),),
            records={"complications": 0},
            untold={"complications: rows lost": "an absent table is told as absent"},
        ),
        Case(
            "an empty folder",
            tuple(
                without(table)
                for table in ("patients", "procedures", "lesions", "attempts", "complications", "follow_up")
            ),
            stops=(
                NO_FILE,
                "procedures: no file holds this table",
                "lesions: no file holds this table",
                "attempts: no file holds this table",
            ),
        ),
        Case(
            "a folder of that name in place of the file",
            (without("patients"), _folder("patients.csv")),
            stops=(NO_FILE,),
        ),
        Case(
            "a link that leads to itself",
            (without("patients"), _link("patients.csv", "patients.csv")),
            stops=(NO_FILE,),
        ),
        Case("a link that leads nowhere", (without("patients"), _link("patients.csv", "gone.csv")), stops=(NO_FILE,)),
        Case("a link to a file beside it", (renamed("patients.csv", "p2024.bin"), _link("patients.csv", "p2024.bin"))),
        Case("a pipe that nobody writes to", (without("patients"), _pipe("patients.csv")), stops=(NO_FILE,)),
        Case(
            "a pipe that nobody writes to, named in the mapping",
            (without("patients"), _pipe("p.csv"), mapping('[patients]\nfile = "p.csv"\n')),
            stops=("[patients] file 'p.csv' is not in the folder of tables",),
        ),
        Case(
            "a device that never ends, named in the mapping",
            (without("patients"), _link("p.csv", "/dev/zero"), mapping('[patients]\nfile = "p.csv"\n')),
            stops=("[patients] file 'p.csv' is not in the folder of tables",),
        ),
        Case(
            "a file that may not be read",
            (without("patients"), _unreadable("patients.csv")),
            stops=("patients.csv: the file cannot be read",),
        ),
        Case(
            "a link into the system's own tables, whose size is not told",
            (without("patients"), _link("patients.csv", "/proc/self/status")),
            stops=("patients.csv",),
        ),
        Case(
            "a web page under the name of a CSV file",
            (_instead("patients", HTML),),
            stops=("patients.csv: a web page or XML, not a table",),
        ),
        Case(
            "a web page under the name of an old workbook",
            (_instead("patients", HTML, "patients.xls"),),
            stops=("patients.xls: a web page or XML, not a table",),
        ),
        Case(
            "a page that says that one must log in",
            (_instead("patients", b"<!DOCTYPE html>\n<title>Login</title>"),),
            stops=("patients.csv: a web page or XML",),
        ),
        Case(
            "text with tabs under the name of an old workbook",
            (data("patients", lambda content: content.replace(b",", b"\t"), name="patients.xls"),),
        ),
        Case(
            "XML under the name of a CSV file",
            (_instead("patients", b"<?xml version='1.0'?><rows><row/></rows>"),),
            stops=("patients.csv: a web page or XML",),
        ),
        Case(
            "JSON under the name of a CSV file",
            (_instead("patients", b'[{"patient_id": "pat-01", "sex": "male"}]'),),
            stops=("patients.csv: no column patient_id",),
        ),
        Case(
            "JSON, a line a row, under the name of a CSV file",
            (
                _instead(
                    "patients", b'{"patient_id": "pat-01", "sex": "male"}\n{"patient_id": "pat-02", "sex": "male"}\n'
                ),
            ),
            stops=("patients.csv: no column patient_id",),
        ),
        Case(
            "SQL under the name of a CSV file",
            (_instead("patients", b"INSERT INTO patients VALUES ('pat-01', 1938);\n"),),
            stops=("patients.csv: no column patient_id",),
        ),
        Case(
            "a PDF under the name of a CSV file",
            (_instead("patients", b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n1 0 obj"),),
            stops=("patients.csv: not text but a PDF",),
        ),
        Case(
            "a document under the name of a CSV file",
            (_instead("patients", b"{\\rtf1\\ansi patient_id}"),),
            stops=("patients.csv: not text but a document",),
        ),
        Case(
            "a picture under the name of a CSV file",
            (_instead("patients", b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 4),),
            stops=("patients.csv",),
        ),
        Case(
            "a program under the name of a CSV file",
            (_instead("patients", b"\x7fELF\x02\x01\x01" + bytes(400)),),
            stops=("patients.csv: no column patient_id",),
        ),
        Case(
            "a database under the name of a CSV file",
            (_instead("patients", b"SQLite format 3\x00" + bytes(200)),),
            stops=("patients.csv: not text but a database",),
        ),
        Case(
            "a CSV file under the name of a workbook",
            (data("patients", lambda content: content, name="patients.xlsx"),),
            stops=("patients.xlsx: not a workbook that can be opened",),
        ),
        Case(
            "a CSV file under the name of a Parquet file",
            (data("patients", lambda content: content, name="patients.parquet"),),
            stops=("patients.parquet: not a Parquet file",),
        ),
        Case(
            "a table of another kind under the name (.json)",
            (data("patients", lambda content: content, name="patients.json"),),
            stops=("patients.json is of a kind that is not read",),
        ),
        Case(
            "two files for one table",
            (copied("patients.csv", "patients.txt"),),
            stops=("patients: several files hold this table (patients.csv, patients.txt)",),
        ),
        Case(
            "two files for one table, one of them named in the mapping",
            (copied("patients.csv", "patients.txt"), mapping('[patients]\nfile = "patients.csv"\n')),
        ),
        Case(
            "two files whose names differ in capitals",
            (copied("patients.csv", "PATIENTS.CSV"),),
            stops=("patients: several files hold this table (PATIENTS.CSV, patients.csv)",),
        ),
        Case("a name in capitals", (renamed("patients.csv", "PATIENTS.CSV"),)),
        Case("a name with a space in it", (renamed("patients.csv", "patients .csv"),), stops=(NO_FILE,)),
        Case("a copy with a number behind its name", (copied("patients.csv", "patients (1).csv"),)),
        Case(
            "the lock file of an office program beside it",
            (file("~$patients.csv", b"someone"), file(".~lock.patients.csv#", b"someone")),
        ),
        Case(
            "hidden files and leavings of systems beside it",
            (
                file(".DS_Store", bytes(100)),
                file("._patients.csv", bytes(100)),
                file("Thumbs.db", bytes(100)),
                file("desktop.ini", b""),
            ),
        ),
        Case(
            "a file named in the mapping that is not there",
            (mapping('[patients]\nfile = "persons.csv"\n'),),
            stops=("[patients] file 'persons.csv' is not in the folder of tables",),
        ),
        Case(
            "one table's file a copy of another's",
            (without("lesions"), copied("procedures.csv", "lesions.csv")),
            stops=("lesions.csv: no column lesion_id", "lesions.csv: no column segment"),
        ),
        Case(
            "two tables' files under each other's names",
            (renamed("lesions.csv", "spare"), renamed("attempts.csv", "lesions.csv"), renamed("spare", "attempts.csv")),
            stops=(
                "lesions.csv: no column procedure_id",
                "lesions.csv: no column segment",
                "attempts.csv: no column attempt_id",
                "attempts.csv: no column attempt_no",
                "attempts.csv: no column approach",
                "attempts.csv: no column crossed",
            ),
        ),
        Case(
            "all tables one below the other in one file",
            (_below("patients", "complications"),),
            aside={"patients": {"the line has 6 fields where the header has 9": (8, 9, 10, 11)}},
            records={"patients": 10},
        ),
        Case(
            "a file cut short in the middle of a line",
            (data("patients", lambda content: content[:-25]),),
            aside={
                "patients": {"the line has 5 fields where the header has 9": (7,)},
                "procedures": {"its patient is not in the patients table": (9,)},
            },
        ),
        Case(
            "a file cut short at a line end",
            (data("attempts", lambda content: content[: content.index(b"att-11")]),),
            untold={
                "attempts: rows lost": "a file that ends at a line end looks whole: compare the row counts with the hospital's system"
            },
            records={"attempts": 10},
        ),
    ),
)
