"""Packed exports: read in memory, told apart, and refused in one line where they are damaged, locked or a trap."""

from __future__ import annotations

import gzip
import hashlib
import io
import os
import tempfile
import zipfile
from pathlib import Path

import pytest
from export_files import csv_bytes, gzipped, write_csvs, zipped
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.faults import NeedsMending
from pipeline.mapping import load_mapping
from pipeline.read import read_export
from pipeline.reading.packed_files import ALWAYS_ALLOWED, MOST_MEMBERS, open_archive, unpacked
from synthetic_data.rows import valid_tables

SERVICE = valid_tables()
OTHERS = {name: frame for name, frame in SERVICE.items() if name != "patients"}
PATIENTS = csv_bytes(SERVICE["patients"])


def export(folder: Path, name: str, data: bytes, mapping: str = "") -> tuple[int, str, str]:
    """Rows, name and hash of patients as read from a folder that holds them in the one file given, the others as CSV."""
    write_csvs(folder, OTHERS)
    (folder / name).write_bytes(data)
    (folder / "mapping.toml").write_text(mapping, encoding="utf-8")
    source = read_export(folder, load_mapping(folder / "mapping.toml")).sources[0]
    return source.rows, source.name, source.sha256


def fault(folder: Path, name: str, data: bytes, mapping: str = "") -> str:
    with pytest.raises(NeedsMending) as caught:
        export(folder, name, data, mapping)
    (line,) = caught.value.lines
    assert "\n" not in line
    return line


def patched(archive: bytes, *, flag: int = 0, method: int | None = None) -> bytes:
    """A zip archive in whose every header flags are set, or the method of compression is another."""
    data = bytearray(archive)
    for signature, at in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        start = data.find(signature)
        while start >= 0:
            data[start + at] |= flag
            if method is not None:
                data[start + at + 2] = method
            start = data.find(signature, start + 4)
    return bytes(data)


# What is read


@pytest.mark.parametrize("name", ["patients.csv.gz", "Patients.CSV.GZ", "patients.tsv.gz", "patients.txt.gz"])
def test_a_gz_of_a_csv_is_the_table_of_its_name(tmp_path: Path, name: str) -> None:
    packed = gzipped(PATIENTS)
    assert export(tmp_path, name, packed) == (1, name, hashlib.sha256(packed).hexdigest())


@pytest.mark.parametrize("name", ["patients.csv.zip", "patients.zip", "everything.zip"])
@pytest.mark.parametrize("member", ["patients.csv", "2025/Patients.CSV", "a\\b\\patients.txt"])
def test_a_zip_gives_the_table_of_its_members_name(tmp_path: Path, name: str, member: str) -> None:
    packed = zipped({member: PATIENTS})
    rows, told, sha256 = export(tmp_path, name, packed)
    assert (rows, sha256) == (1, hashlib.sha256(packed).hexdigest())
    assert told.startswith(f"{name}/")


def test_a_zip_named_after_the_table_may_hold_it_under_any_name(tmp_path: Path) -> None:
    assert (
        export(tmp_path, "patients.csv.zip", zipped({"extract_7.csv": PATIENTS}))[1] == "patients.csv.zip/extract_7.csv"
    )


def test_gz_files_put_one_behind_the_other_are_one_file(tmp_path: Path) -> None:
    header, row = PATIENTS.splitlines(keepends=True)
    more = row.replace(b"patients-1", b"patients-2")
    assert export(tmp_path, "patients.csv.gz", gzipped(header + row) + gzipped(more) + b"\0" * 512)[0] == 2


@pytest.mark.parametrize("member", ["__MACOSX/._patients.csv", ".patients.csv", "old/~$patients.xlsx", "read me.pdf"])
def test_leavings_in_an_archive_are_passed_over(tmp_path: Path, member: str) -> None:
    assert export(tmp_path, "all.zip", zipped({"patients.csv": PATIENTS, member: b"leaving"}))[0] == 1


@pytest.mark.parametrize("name", ["photos.zip", "budget.xlsx", "budget.xls", "notes.csv.gz"])
def test_a_damaged_file_that_has_nothing_to_do_with_it_does_not_matter(tmp_path: Path, name: str) -> None:
    write_csvs(tmp_path, {"patients": SERVICE["patients"]})
    (tmp_path / name).write_bytes(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1 damaged")
    assert export(tmp_path, "read me.txt", b"Invented.")[0] == 1
    (tmp_path / "complications.csv").unlink()
    if name != "notes.csv.gz":  # the complications may be in there
        with pytest.raises(NeedsMending, match=name):
            read_export(tmp_path, load_mapping(None))


@pytest.mark.parametrize(
    "stated", ['file = "all.zip/in/p_2024.csv"', 'file = "all.zip"', 'file = "all.zip/in/p_2024.csv"\nseparator = ","']
)
def test_the_mapping_names_a_file_inside_an_archive(tmp_path: Path, stated: str) -> None:
    packed = zipped({"in/p_2024.csv": PATIENTS})
    assert export(tmp_path, "all.zip", packed, f"[patients]\n{stated}\n")[1] == "all.zip/in/p_2024.csv"


def test_nothing_is_unpacked_to_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(scratch))
    export(tmp_path / "in", "patients.csv.gz", gzipped(PATIENTS))
    before = sorted(path.name for path in (tmp_path / "in").iterdir())
    (tmp_path / "in" / "patients.csv.gz").unlink()
    export(tmp_path / "in", "patients.zip", zipped({"patients.csv": PATIENTS}))
    after = sorted(path.name for path in (tmp_path / "in").iterdir())
    assert [name.replace("csv.gz", "zip") for name in before] == after
    assert not list(scratch.iterdir())


# What must be mended


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (gzipped(PATIENTS)[:-9], "damaged or cut short"),
        (gzipped(PATIENTS)[:30], "damaged or cut short"),
        (gzipped(PATIENTS)[:-8] + b"\0" * 8, "damaged or cut short"),  # checksum and length
        (gzipped(PATIENTS) + b"more", "damaged or cut short"),
        (PATIENTS, "damaged or cut short"),
        (b"", "the file is empty"),
        (gzipped(b""), "the file is empty"),
        (gzipped(gzipped(PATIENTS)), "packed with gzip"),
        (gzipped(zipped({"patients.csv": PATIENTS})), "a workbook or a zip archive"),
        (gzipped(bytes(ALWAYS_ALLOWED + 1)), "unpacks to far more than a table holds"),
    ],
)
def test_a_gz_that_cannot_be_read_whole_is_one_line(tmp_path: Path, data: bytes, told: str) -> None:
    line = fault(tmp_path, "patients.csv.gz", data)
    assert line.startswith("patients.csv.gz: ") and told in line


def damaged(archive: bytes) -> bytes:
    """One bit of what is packed is another, so that the checksum is wrong."""
    at = archive.index(b"patients.csv") + len(b"patients.csv") + 20
    return archive[:at] + bytes([archive[at] ^ 1]) + archive[at + 1 :]


STORED = io.BytesIO()
with zipfile.ZipFile(STORED, "w") as whole:
    whole.writestr("patients.csv", PATIENTS)


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (b"", "not a zip archive, or a damaged one"),
        (b"PK\x03\x04 and nothing more", "not a zip archive, or a damaged one"),
        (zipped({"patients.csv": PATIENTS})[:-10], "not a zip archive, or a damaged one"),
        (damaged(STORED.getvalue()), "all.zip/patients.csv: damaged"),
        (patched(zipped({"patients.csv": PATIENTS}), flag=1), "locked by a password"),
        (patched(zipped({"patients.csv": PATIENTS}), method=9), "packed in a way that is not read"),
        (zipped({"patients.csv": bytes(ALWAYS_ALLOWED + 1)}), "unpacks to far more than a table holds"),
        (zipped({"patients.csv.gz": gzipped(PATIENTS)}), "packed inside a packed file"),
        (zipped({"patients.zip": zipped({"patients.csv": PATIENTS})}), "packed inside a packed file"),
        (zipped({"2023/patients.csv": PATIENTS, "2024/patients.csv": PATIENTS}), "several files hold this table"),
        (zipped({"other.csv": PATIENTS}), "no file holds this table"),
        (zipped({}), "no file holds this table"),
        (zipped({f"{n}.csv": b"" for n in range(MOST_MEMBERS + 1)}), "holds more than 10000 files"),
    ],
)
def test_a_zip_that_cannot_be_read_is_one_line(tmp_path: Path, data: bytes, told: str) -> None:
    assert told in fault(tmp_path, "all.zip", data)


def test_two_members_under_one_name_are_not_guessed_at(tmp_path: Path) -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive, pytest.warns(UserWarning, match="Duplicate name"):
        archive.writestr("patients.csv", PATIENTS)
        archive.writestr("patients.csv", PATIENTS)
    assert "holds two files under one name" in fault(tmp_path, "all.zip", out.getvalue())


def test_several_files_in_a_zip_of_the_tables_name_ask_for_one(tmp_path: Path) -> None:
    packed = zipped({"a.csv": PATIENTS, "b.csv": PATIENTS})
    assert fault(tmp_path, "patients.zip", packed) == (
        'patients.zip: which of its 2 files holds patients? Say so in the mapping: [patients] file = "patients.zip/..."'
    )
    assert "which of its 2 files" in fault(tmp_path, "patients.zip", packed, '[patients]\nfile = "patients.zip"\n')
    assert export(tmp_path, "patients.zip", packed, '[patients]\nfile = "patients.zip/b.csv"\n')[0] == 1
    wrong = fault(tmp_path, "patients.zip", packed, '[patients]\nfile = "patients.zip/c.csv"\n')
    assert wrong.endswith("patients.zip holds no file of that name; mend it")


def test_a_table_beside_its_packed_copy_asks_for_one(tmp_path: Path) -> None:
    write_csvs(tmp_path, SERVICE)
    line = fault(tmp_path, "patients.csv.gz", gzipped(PATIENTS))
    assert line.startswith("patients: several files hold this table (patients.csv, patients.csv.gz)")
    (tmp_path / "patients.csv.gz").unlink()
    line = fault(tmp_path, "export.zip", zipped({"patients.csv": PATIENTS}))
    assert "(export.zip/patients.csv, patients.csv)" in line


@pytest.mark.parametrize("name", ["patients.rar", "patients.7z", "patients.tar.gz", "patients.xlsb", "patients.json"])
def test_a_table_of_a_kind_that_is_not_read_is_named(tmp_path: Path, name: str) -> None:
    assert f"{name} is of a kind that is not read" in fault(tmp_path, name, b"anything")


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (gzipped(PATIENTS), "packed with gzip; end its name in .gz"),
        (zipped({"patients.csv": PATIENTS}), "a workbook or a zip archive"),
        (b"%PDF-1.7 ...", "a PDF"),
        (b"<!DOCTYPE html><table>", "a web page or XML"),
        (b"\xef\xbb\xbf<?xml version='1.0'?>", "a web page or XML"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(100), "an old office file"),
        (b"PAR1" + bytes(100), "a Parquet file"),
        (b"7z\xbc\xaf\x27\x1c" + bytes(30), "packed with 7z"),
        (os.urandom(0) + bytes(range(256)) * 8, "neither UTF-8 nor Windows-1252"),
    ],
)
def test_what_only_bears_the_name_of_a_csv_is_told_for_what_it_is(tmp_path: Path, data: bytes, told: str) -> None:
    line = fault(tmp_path, "patients.csv", data)
    assert line.startswith("patients.csv: ") and told in line


def test_a_workbook_that_would_fill_the_memory_is_refused(tmp_path: Path) -> None:
    trap = zipped({"xl/workbook.xml": b"<workbook/>", "xl/worksheets/sheet1.xml": bytes(ALWAYS_ALLOWED + 1)})
    assert "unpacks to far more than a table holds" in fault(tmp_path, "patients.xlsx", trap)


def test_a_file_that_changes_while_it_is_read_is_not_used(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = Path.read_bytes

    def read_while_written(path: Path) -> bytes:
        data = whole(path)
        if path.name == "patients.csv":
            path.write_bytes(data + b"x")
        return data

    monkeypatch.setattr(Path, "read_bytes", read_while_written)
    assert fault(tmp_path, "patients.csv", PATIENTS) == (
        "patients.csv: the file changed while it was read; run again once the export is finished"
    )


def test_signs_in_a_members_name_cannot_write_to_the_terminal(tmp_path: Path) -> None:
    name = export(tmp_path, "patients.zip", zipped({"\x1b[31mred\n.csv": PATIENTS}))[1]
    assert name == "patients.zip/?[31mred?.csv"


GZ, ZIP = gzip.compress(PATIENTS * 40, mtime=0), zipped({"patients.csv": PATIENTS * 40})


@settings(max_examples=300, deadline=None, derandomize=True)
@given(st.data())
def test_no_damage_gives_other_bytes_than_were_packed(data: st.DataObject) -> None:
    at, bit = data.draw(st.integers(0, len(GZ) - 1)), data.draw(st.integers(0, 7))
    broken = GZ[:at] + bytes([GZ[at] ^ 1 << bit]) + GZ[at + 1 :]
    try:
        assert unpacked(broken, name="x.gz") == PATIENTS * 40  # a name or a time in the header may be another
    except NeedsMending as fault:
        assert len(fault.lines) == 1
    at = data.draw(st.integers(0, len(ZIP) - 1))
    broken = ZIP[:at] + bytes([ZIP[at] ^ 1 << bit]) + ZIP[at + 1 :]
    try:
        archive = open_archive(broken, name="x.zip")
        for member in archive.members:
            assert archive.content(member) == PATIENTS * 40
    except NeedsMending as fault:
        assert len(fault.lines) == 1
