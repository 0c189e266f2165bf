"""What the bytes of a CSV say: its letters, where its table begins, and which of its lines are no rows."""

from __future__ import annotations

import codecs
from pathlib import Path

import polars as pl
import pytest
from export_files import csv_bytes, write_csvs
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.check import check
from pipeline.faults import NeedsMending
from pipeline.mapping import load_mapping
from pipeline.read import read_export
from pipeline.reading.header_line import find_header
from pipeline.reading.source import Wanted
from pipeline.reading.stray_lines import HEADER_AGAIN, TOTAL
from pipeline.reading.text_encoding import as_utf8
from synthetic_data.rows import valid_tables

SERVICE = valid_tables(patients=[{"patient_id": "Pä-1"}, {"patient_id": "Pß-2"}])
WANTED = Wanted(known=frozenset({"key", "sex", "length (mm)"}), needed=frozenset({"key"}))
NOTHING = Wanted(known=frozenset(), needed=frozenset())


def read(folder: Path, data: bytes, mapping: str = "") -> pl.DataFrame:
    """The patients as text, from a file of these bytes."""
    write_csvs(folder, {name: frame for name, frame in SERVICE.items() if name != "patients"})
    (folder / "patients.csv").write_bytes(data)
    (folder / "mapping.toml").write_text(mapping, encoding="utf-8")
    return read_export(folder, load_mapping(folder / "mapping.toml")).frames["patients"]


def decoded(data: bytes, stated: str | None = None) -> tuple[str, str]:
    text, told = as_utf8(data, name="x.csv", stated=stated)
    return text.decode(), told


# Letters


@pytest.mark.parametrize(
    ("written", "encoding", "told"),
    [
        ("Größe ÄÖÜ \u2013 \u201eFuß\u201c 80 €", "utf-8", "utf-8"),
        ("Größe", "utf-8-sig", "utf-8"),
        ("Größe", "utf-16", "utf-16-le"),
        ("Größe und Länge", "utf-16-le", "utf-16-le"),
        ("Größe und Länge", "utf-16-be", "utf-16-be"),
        ("Größe", "utf-32", "utf-32-le"),
        ("Größe ÄÖÜ \u2013 \u201eFuß\u201c 80 €", "cp1252", "cp1252 (assumed: it is not UTF-8)"),
        ("l\u2019artère Œuvre ÀÉ NÃO SÃO 3º ½ Žižek ŠKODA", "cp1252", "cp1252 (assumed: it is not UTF-8)"),
        ("año día ação canção", "latin-1", "cp1252 (assumed: it is not UTF-8)"),
        ("plain", "ascii", "utf-8"),
    ],
)
def test_letters_are_told_from_the_whole_file(written: str, encoding: str, told: str) -> None:
    assert decoded(written.encode(encoding)) == (written, told)
    late = "x;y\n" * 50_000 + written  # nothing beyond ASCII in the first 200,000 bytes
    assert decoded(late.encode(encoding)) == (late, told)


@pytest.mark.parametrize(
    ("written", "encoding"),
    [
        *(("Männer", "cp850"), ("für", "cp850"), ("Größe", "cp437"), ("año", "cp850"), ("ação", "cp850")),
        *(("café", "cp437"), ("Straße", "mac_roman"), ("Männer", "mac_roman"), ("très", "mac_roman")),
    ],
)
def test_letters_of_an_old_code_page_are_asked_for_and_read_when_they_are_stated(written: str, encoding: str) -> None:
    with pytest.raises(NeedsMending, match="neither UTF-8 nor Windows-1252"):
        decoded(written.encode(encoding))
    assert decoded(written.encode(encoding), encoding) == (written, encoding)


def test_every_byte_has_a_letter_where_latin_1_is_stated() -> None:
    data = b"\n" + bytes(range(0x20, 0x100))
    assert decoded(data, "latin-1") == (data.decode("latin-1"), "latin-1")
    with pytest.raises(NeedsMending, match="cannot be decoded as cp1252"):
        decoded(data, "cp1252")  # five bytes are none of its letters


@pytest.mark.parametrize(
    ("data", "text", "told"),
    [
        ("ä1\nä2\nä3".encode() + b"\nP\xc3\n", "ä1\nä2\nä3\nP\ufffd\n", "utf-8 (1 damaged letter)"),
        ("ä1\n".encode() + b"P\xc3\nQ\xa4\n", "ä1\nP\ufffd\nQ\ufffd\n", "utf-8 (2 damaged letters)"),
        ("ä1\n".encode() + "ö2;Ü\n".encode("cp1252"), "ä1\nö2;Ü\n", "utf-8 (2 letters read as cp1252)"),
        (codecs.BOM_UTF8 + "ö2\n".encode("cp1252"), "ö2\n", "utf-8 (1 letter read as cp1252)"),
    ],
)
def test_torn_letters_and_an_old_export_behind_a_new_one_do_not_spoil_the_rest(
    data: bytes, text: str, told: str
) -> None:
    assert decoded(data) == (text, told)


@pytest.mark.parametrize(
    ("data", "text"),
    [
        (b"a;b\r1;2\r", "a;b\n1;2\n"),
        (b"a;b\r\n1;2\r3;4\n", "a;b\r\n1;2\n3;4\n"),
        (b"a;b\n1;2\n\x1a", "a;b\n1;2"),
        (b"a;b\n1;2\r\n\x1a\r\n", "a;b\n1;2"),
        (b"a;b\n1;2\n" + bytes(500), "a;b\n1;2"),
        (b"key;sex\nP1;female\x00\x00\nP2;male\x00\x00\x00\x00\n", "key;sex\nP1;female\nP2;male"),
        (b"key;sex\nP\x001;female\n" + b"P2;male\n" * 9, "key;sex\nP\ufffd1;female\n" + "P2;male\n" * 9),
        ("a;b\n1;2\n\x1a".encode("utf-16-le") + bytes(64), "a;b\n1;2"),
    ],
)
def test_line_ends_and_padding_of_old_programs_are_taken_as_meant(data: bytes, text: str) -> None:
    assert decoded(data)[0] == text


@pytest.mark.parametrize(
    "data", [bytes(range(1, 9)) * 40 + bytes(400) + b"x", "ab".encode("utf-32-le") * 9, b"\xff\xfea"]
)
def test_what_is_no_text_is_one_line(data: bytes) -> None:
    with pytest.raises(NeedsMending) as caught:
        decoded(data)
    assert len(caught.value.lines) == 1 and caught.value.lines[0].startswith("x.csv: ")


@settings(max_examples=300, deadline=None, derandomize=True)
@given(
    st.text(
        alphabet=st.characters(min_codepoint=32, max_codepoint=0x2FFF, exclude_categories=["Cs", "Cc"]), max_size=60
    ),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-32"]),
)
def test_text_with_a_mark_or_in_utf_8_is_read_letter_for_letter(written: str, encoding: str) -> None:
    if written.lstrip().startswith("<") or written.startswith(("%PDF", "{\\rtf", "PAR1", "BZh")):
        return
    try:
        text, _ = decoded(written.encode(encoding))
    except NeedsMending:
        assert encoding == "utf-8"  # a short text may look like UTF-16 that is broken
    else:
        assert text == written or encoding == "utf-8"


@settings(max_examples=400, deadline=None, derandomize=True)
@given(st.binary(max_size=200), st.sampled_from([None, "cp1252", "latin-1", "utf-16", "cp850"]))
def test_no_bytes_whatever_are_a_traceback(noise: bytes, stated: str | None) -> None:
    try:
        text, _ = as_utf8(noise, name="x.csv", stated=stated)
    except NeedsMending as fault:
        assert len(fault.lines) == 1
        return
    text.decode()
    find_header(text, stated=None, wanted=WANTED)
    find_header(text, stated=None, wanted=NOTHING)


# Where the table begins


@pytest.mark.parametrize(
    ("above", "separator", "line"),
    [
        ("", ";", 1),
        ("Export of the ward\n", ";", 2),
        ("Export;of;the;ward\nmade;on;a;Monday\n\n", ";", 4),
        ("Export, of, the, ward, of, all, cases\n", ";", 2),
        ("\n\n\n\n\n", "\t", 6),
        ('"a title\nover two lines"\n', "|", 3),
        ("sep=;\n", ";", 2),
        ("SEP=;\r\n", ";", 2),
        ('"sep=;"\n', ";", 2),
        ("sep=;;;\n", ";", 2),
        ("sep=|\nA title\n", "|", 3),
        ("sep=\t\n", "\t", 2),
        ("sep=^\n", "^", 2),
        ("sep=,\n", ";", 2),  # says one thing and does another
    ],
)
def test_the_header_is_found_below_titles_and_the_separator_line(above: str, separator: str, line: int) -> None:
    table = separator.join(("Key", "Sex", "x")) + "\n" + separator.join(("P1", "f", "1")) + "\n"
    text = (above + table).encode()
    begins = find_header(text, stated=None, wanted=WANTED)
    assert (begins.headers, begins.separator, begins.line) == (("Key", "Sex", "x"), separator, line)
    assert text[begins.start :].decode() == table.split("\n", 1)[1]


def test_a_header_over_two_lines_in_quotation_marks_is_one_header() -> None:
    begins = find_header(b'Key;"Length\n(mm)";x\nP1;1;2\n', stated=None, wanted=WANTED)
    assert begins.headers == ("Key", "Length\n(mm)", "x") and begins.line == 2


@pytest.mark.parametrize(
    ("text", "headers", "separator"),
    [
        ("Fallnr;Seite;Laenge\n1;li;1,5\n2;re;2,5\n", ("Fallnr", "Seite", "Laenge"), ";"),
        ("A title, with, commas\nFallnr;Seite\n1;li\n2;re\n", ("Fallnr", "Seite"), ";"),
        ("A title;;\nFallnr;Seite;Laenge\n1;li;3\n", ("Fallnr", "Seite", "Laenge"), ";"),
        ("Fallnr\n1\n2\n", ("Fallnr",), ";"),
    ],
)
def test_unknown_headers_are_found_by_how_evenly_the_lines_are_cut(
    text: str, headers: tuple[str, ...], separator: str
) -> None:
    begins = find_header(text.encode(), stated=None, wanted=NOTHING)
    assert (begins.headers, begins.separator) == (headers, separator)


@pytest.mark.parametrize(
    ("text", "headers"),
    [
        ("key;sex;\nP1;f;\nP2;m;\n", ("key", "sex", "")),  # a separator at the end of every line
        ("key;sex\nP1;f;\nP2;m;\n", ("key", "sex", "")),  # of every line but the header
        ("key;sex;\nP1;f\nP2;m\n", ("key", "sex")),  # of the header alone
        ("key;sex;;\nP1;f\nP2;m\n", ("key", "sex")),
        ("key;sex\nP1;f;\nP2;m\n", ("key", "sex")),  # of one line: that line is set aside
        ("key;sex\nP1;f;x\nP2;m;x\n", ("key", "sex")),  # something stands there: nothing is passed over
    ],
)
def test_separators_at_the_ends_of_lines_shift_nothing(text: str, headers: tuple[str, ...]) -> None:
    assert find_header(text.encode(), stated=None, wanted=WANTED).headers == headers


# Lines that are no rows


def test_the_header_again_in_the_middle_is_set_aside_as_such(tmp_path: Path) -> None:
    one, two = (csv_bytes(SERVICE["patients"].slice(at, 1)) for at in (0, 1))
    frame = read(tmp_path, one + two)
    assert frame.select("row", "fault").rows() == [(2, None), (3, HEADER_AGAIN), (4, None)]
    assert frame["patient_id"].to_list() == ["Pä-1", None, "Pß-2"]
    accepted = check({**read_export(tmp_path, load_mapping(None)).frames})
    assert (3, HEADER_AGAIN) in accepted.set_aside.select("row", "reason").rows()


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("Total: 2,,,,,,,,", TOTAL),
        ("TOTAL,,,,,,,,", TOTAL),
        ("Summe,,,,,,,,2", TOTAL),
        ("Gesamt: 2,,,,,,,,", TOTAL),
        ("(2 rows affected),,,,,,,,", TOTAL),
        ("2 lignes,,,,,,,,", TOTAL),
        ("Total: 2", "the line has 1 field where the header has 9"),
        ("Total,2", "the line has 2 fields where the header has 9"),
    ],
)
def test_a_line_of_totals_is_set_aside_and_no_patient(tmp_path: Path, line: str, reason: str) -> None:
    frame = read(tmp_path, csv_bytes(SERVICE["patients"]) + line.encode() + b"\n")
    assert frame.select("row", "fault").rows()[2:] == [(4, reason)]
    assert frame["patient_id"].to_list() == ["Pä-1", "Pß-2", None]


@pytest.mark.parametrize("key", ["Total-1", "Totals of ward", "S1", "1", "P total"])
def test_a_key_with_such_a_word_in_it_stays_a_key(tmp_path: Path, key: str) -> None:
    frame = read(tmp_path, csv_bytes(SERVICE["patients"]) + f"{key},,,,,,,,\n".encode())
    assert frame["patient_id"].to_list() == ["Pä-1", "Pß-2", key]


def test_every_row_of_a_file_with_all_of_this_is_read_once(tmp_path: Path) -> None:
    body = csv_bytes(SERVICE["patients"], encoding="cp1252", separator=";", line_end="\r\n", trailing=True)
    again = body.replace("Pä".encode("cp1252"), b"Q").replace("Pß".encode("cp1252"), b"R")
    frame = read(tmp_path, b'"sep=;"\r\nWard 7;;\r\n\r\n' + body + again + b"Total: 4;;;;;;;;;\r\n\x1a")
    assert frame["row"].to_list() == [5, 6, 7, 8, 9, 10]
    assert frame["patient_id"].to_list() == ["Pä-1", "Pß-2", None, "Q-1", "R-2", None]
    assert frame["fault"].to_list() == [None, None, HEADER_AGAIN, None, None, TOTAL]
