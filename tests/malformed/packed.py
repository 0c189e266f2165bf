"""Packed files: gzip and zip, whole, damaged and meant to harm."""

from __future__ import annotations

import gzip
import io
import zipfile

from tests.malformed.case import Case, Family
from tests.malformed.changes import all_in, data, file
from tests.malformed.draft import Written, as_csv
from tests.malformed.sound import Cells


def _zipped(cells: Cells) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, rows in cells.items():
            archive.writestr(f"{name}.csv", as_csv(rows, Written()))
    return out.getvalue()


def _zip(**members: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(f"{name}.csv", content)
    return out.getvalue()


def _locked(content: bytes) -> bytes:
    """The archive with the marks of a password in both places where they stand."""
    made = bytearray(content)
    for signature, at in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        made[made.index(signature) + at] |= 1
    return bytes(made)


def _gz(content: bytes) -> bytes:
    return gzip.compress(content, mtime=0)


def _spoilt(content: bytes) -> bytes:
    at = content.index(b"patients.csv") + 40
    return content[:at] + bytes([content[at] ^ 0xFF]) + content[at + 1 :]


def _archive(members: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return out.getvalue()


def _nested(content: bytes) -> bytes:
    return _archive({"patients.csv.zip": _zip(patients=content)})


def _in_folders(content: bytes) -> bytes:
    return _archive({"2023/patients.csv": content, "2024/patients.csv": content})


def _leading_out(content: bytes) -> bytes:
    return _archive({"../../patients.csv": content})


PACKED = Family(
    "Packed files",
    (
        Case("a file packed with gzip", (data("patients", _gz, name="patients.csv.gz"),)),
        Case(
            "two gzip files one behind the other",
            (data("patients", lambda content: _gz(content[:100]) + _gz(content[100:]), name="patients.csv.gz"),),
        ),
        Case(
            "a gzip file padded with NUL bytes",
            (data("patients", lambda content: _gz(content) + bytes(600), name="patients.csv.gz"),),
        ),
        Case(
            "a gzip file cut short",
            (data("patients", lambda content: _gz(content)[:-20], name="patients.csv.gz"),),
            stops=("patients.csv.gz: damaged or cut short",),
        ),
        Case(
            "a gzip file whose checksum is wrong",
            (data("patients", lambda content: _gz(content)[:-8] + bytes(8), name="patients.csv.gz"),),
            stops=("patients.csv.gz: damaged or cut short",),
        ),
        Case(
            "a gzip file with something behind it",
            (data("patients", lambda content: _gz(content) + b"x" * 30, name="patients.csv.gz"),),
            stops=("patients.csv.gz: damaged or cut short",),
        ),
        Case(
            "an empty gzip file",
            (data("patients", lambda content: b"", name="patients.csv.gz"),),
            stops=("patients.csv.gz",),
        ),
        Case(
            "a plain file under the name of a gzip file",
            (data("patients", lambda content: content, name="patients.csv.gz"),),
            stops=("patients.csv.gz: damaged or cut short",),
        ),
        Case(
            "a gzip file under a plain name",
            (data("patients", _gz),),
            stops=("patients.csv: not text but packed with gzip",),
        ),
        Case(
            "a gzip file in a gzip file",
            (data("patients", lambda content: _gz(_gz(content)), name="patients.csv.gz"),),
            stops=("patients.csv.gz: not text but packed with gzip",),
        ),
        Case(
            "a gzip file that unpacks to far more than a table holds",
            (data("patients", lambda content: _gz(bytes(80_000_000)), name="patients.csv.gz"),),
            stops=("patients.csv.gz: unpacks to far more than a table holds",),
        ),
        Case("all tables in one zip archive", (all_in("export.zip", _zipped),)),
        Case(
            "one table in a zip archive",
            (data("patients", lambda content: _zip(patients=content), name="patients.zip"),),
        ),
        Case(
            "a zip archive cut short",
            (data("patients", lambda content: _zip(patients=content)[:-30], name="patients.zip"),),
            stops=("patients.zip: not a zip archive, or a damaged one",),
        ),
        Case(
            "a zip archive with a damaged file in it",
            (data("patients", lambda content: _spoilt(_zip(patients=content)), name="patients.zip"),),
            stops=("patients.zip/patients.csv: damaged",),
        ),
        Case(
            "a zip archive locked by a password",
            (data("patients", lambda content: _locked(_zip(patients=content)), name="patients.zip"),),
            stops=("patients.zip/patients.csv: locked by a password",),
        ),
        Case(
            "a zip archive that unpacks to far more than a table holds",
            (data("patients", lambda content: _zip(patients=bytes(80_000_000)), name="patients.zip"),),
            stops=("patients.zip/patients.csv: unpacks to far more than a table holds",),
        ),
        Case(
            "a zip archive in a zip archive",
            (data("patients", lambda content: _nested(content), name="patients.zip"),),
            stops=("packed inside a packed file",),
        ),
        Case(
            "a zip archive with the table twice, in two folders",
            (data("patients", lambda content: _in_folders(content), name="export.zip"),),
            stops=(
                "patients: several files hold this table (export.zip/2023/patients.csv, export.zip/2024/patients.csv)",
            ),
        ),
        Case(
            "an empty zip archive",
            (data("patients", lambda content: _zip(), name="patients.zip"),),
            stops=("patients.zip: holds no table",),
        ),
        Case(
            "the table both plain and packed",
            (file("patients.zip", _zip(patients=b"patient_id\npat-99\n")),),
            stops=("patients: several files hold this table (patients.csv, patients.zip/patients.csv)",),
        ),
        Case(
            "a file packed with bzip2",
            (data("patients", lambda content: b"BZh91AY&SY" + content, name="patients.csv.bz2"),),
            stops=("patients: no file holds this table",),
        ),
        Case(
            "names in a zip archive that lead out of it",
            (data("patients", lambda content: _leading_out(content), name="patients.zip"),),
        ),
    ),
)
