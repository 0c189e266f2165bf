"""Damage of every random kind: the intake stops with lines that show no value, or reads what is left without losing a row or changing
a value. It never ends in a trace, never hangs, and no library beneath it writes to the terminal.

How many examples are tried stands in tests/malformed/fuzzing.py; the long ones are run by `make validate`.
"""

from __future__ import annotations

import csv
import gzip
import io
import re
import resource
import signal
import zipfile
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from pathlib import Path
from types import FrameType

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.case_tables import FALSE_WORDS, TABLES, TRUE_WORDS, table
from pipeline.faults import NeedsMending
from pipeline.identity import key_text, pseudonyms
from tests.malformed.built_typed_files import arrow, same_table, statistics
from tests.malformed.built_workbooks import every_table, lesions_book, plain, rezipped
from tests.malformed.changes import cell, data, from_cells, line_before, mapping, text, written
from tests.malformed.draft import Change, Draft, Stage
from tests.malformed.fuzzing import (
    LONG,
    SHORT,
    Cut,
    Damage,
    Examples,
    Moved,
    damaged,
    damages,
    flips,
    read,
    shows_a_key,
    told_beneath,
)
from tests.malformed.intake import KEY, Read, differences
from tests.malformed.sound import sound_cells

# Minutes either way: the short ones show quickly, before a release, what the long ones would.
SIZES = [
    pytest.param(SHORT, id="short", marks=pytest.mark.long),
    pytest.param(LONG, id="long", marks=pytest.mark.long),
]
LONGEST_SECONDS = 60  # for one example, on a busy machine; most take a third of a second
MOST_MEMORY_KB = 1_500_000  # that all examples of a property may add
FROZEN = Path(__file__).parent / "data" / "formats"  # files that no library of the project writes
NAMES = tuple(each.name for each in TABLES)
Done = Sequence[Damage | Moved | Cut]


@pytest.fixture(autouse=True)
def _neither_slow_nor_large() -> Iterator[None]:
    """No example may hang, and all together may not fill the memory."""

    def too_slow(number: int, frame: FrameType | None) -> None:
        raise AssertionError("an example took too long")

    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    handler = signal.signal(signal.SIGALRM, too_slow)
    yield
    signal.alarm(0)
    signal.signal(signal.SIGALRM, handler)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < MOST_MEMORY_KB


@pytest.fixture(scope="module")
def sound() -> Read:
    return read(())


def taken_in(*changes: Change) -> Read | None:
    """What the intake makes of the export with `changes`; None where it stops, as it should: in plain lines."""
    signal.alarm(LONGEST_SECONDS)
    with told_beneath() as beneath:
        try:
            found = read(changes)
        except NeedsMending as fault:
            assert fault.lines and not any("\n" in line or "\r" in line for line in fault.lines)
            assert not shows_a_key(fault.lines)
            found = None
        assert beneath.read_text(errors="replace") == ""
    signal.alarm(0)
    if found is not None:
        for one in found.accepted.counts:
            assert one.read == one.used + one.set_aside
            assert one.read == found.intake.tables[one.table].read
        assert not shows_a_key([one.reason for one in found.accepted.reasons])
    return found


def each(examples: int, *strategies: st.SearchStrategy[object]) -> Callable[[Callable[..., None]], None]:
    """Tries a property on so many examples, the same ones every time."""

    def run(holds: Callable[..., None]) -> None:
        settings(max_examples=examples, deadline=None, derandomize=True, database=None)(given(*strategies)(holds))()

    return run


# Text


def untouched(name: str, content: bytes) -> frozenset[str]:
    """The keys of the rows whose lines stand once, as they were, in a damaged file."""
    lines = content.split(b"\n")
    whole = written_lines()[name]
    return frozenset(key for key, line in whole.items() if lines.count(line) == 1)


def written_lines() -> Mapping[str, Mapping[str, bytes]]:
    return {name: {row[0]: ",".join(row).encode() for row in rows[1:]} for name, rows in sound_cells().items()}


def pseudonyms_of(name: str) -> dict[str, str]:
    """The pseudonym of each key of a table."""
    keys = [row[0] for row in sound_cells()[name][1:]]
    column = table(name).key
    return dict(zip(keys, key_text(column, pseudonyms(pl.Series(column, keys), column, KEY)), strict=True))


def changed_values(sound: Read, found: Read, name: str, spared: Collection[str]) -> set[str]:
    """Columns in which a row that was not touched says something else than before, or nothing without being listed.

    `spared` are the keys of those rows.
    """
    named = pseudonyms_of(name)
    right = sound.frame(name).filter(pl.col(table(name).key).is_in([named[key] for key in spared]))
    both = found.frame(name).join(right, on=table(name).key, suffix=" sound")
    listed = found.accepted.blanked.filter(table=name)
    wrong: set[str] = set()
    for column in found.frame(name).columns[1:]:
        blank = listed.filter(column=column)["key"].implode()
        other = both.filter(pl.col(column).ne_missing(pl.col(f"{column} sound")))
        if other.filter(pl.col(column).is_not_null() | ~pl.col(table(name).key).is_in(blank)).height:
            wrong.add(column)
    return wrong


@pytest.mark.parametrize("examples", SIZES)
def test_damage_to_the_bytes_of_a_csv_stays_where_it_is(examples: Examples, sound: Read) -> None:
    def holds(name: str, done: Done) -> None:
        contents: list[bytes] = []

        def spoil(content: bytes) -> bytes:
            contents[:] = [content, damaged(content, done)]
            return contents[1]

        found = taken_in(data(name, spoil))
        if found is None:
            return
        before, after = contents
        if after.split(b"\n")[0] != before.split(b"\n")[0]:
            return  # with other headers a column may be another, or none: told by what is missing
        note = next(source for source in found.intake.sources if source.table == name)
        wrong = changed_values(sound, found, name, untouched(name, after))
        # In a file that is no longer UTF-8 other letters are read, and that is told.
        assert wrong <= ({"site_id"} if note.encoding != "utf-8" else set())

    each(examples.csv, st.sampled_from(NAMES), damages())(holds)


ODD_TEXTS = st.one_of(
    st.sampled_from(
        (
            *(
                "1e5",
                "1E-400",
                "1e400",
                "inf",
                "-inf",
                "nan",
                "-0",
                "+5",
                "0x10",
                "1_000",
                "½",
                "٣",
                "\uff15",
                "12 mm",
                ">200",
            ),
            *(
                "100-150",
                "~120",
                "12.",
                ".5",
                "'12",
                "9223372036854775808",
                "1,5",
                "1,500",
                "1.500",
                "1 500",
                "1'500.5",
            ),
            *("1,500,000", "true", "Ja", "WAHR", "x", "0", "1", "2024-02-30", "0000-00-00", "01/02/2024", "31.12.2023"),
            *(
                "2023-12-31T10:00",
                "45000",
                "#REF!",
                "#N/A",
                "=1+1",
                "NULL",
                "\ufffd",
                "\u200b",
                "a\nb",
                'a"b',
                "a,b",
                "\x00",
            ),
        )
    ),
    st.text(max_size=12).filter(
        lambda written: max(written, default="") < "\ud800" or max(written, default="") > "\udfff"
    ),
    st.floats().map(str),
    st.integers().map(str),
    st.dates().map(str),
)


def could_mean(written: str, name: str, column: str) -> set[object]:
    """What a text may be read as in a column of numbers, codes or truth values; it may always be left unread."""
    plain = written.strip()
    kind = table(name).column(column).type
    if kind == "code":
        return {plain.casefold()}
    if kind == "bool":
        word = plain.casefold().removesuffix(".0")
        return {word in TRUE_WORDS} if word in (*TRUE_WORDS, *FALSE_WORDS) else set()
    ways = {plain, re.sub(r"[ ,'\u2019\u00a0\u202f\u2009]", "", plain)}
    if not re.fullmatch(r"[+-]?\d{1,3}([.,]\d{3})+", plain):
        ways.add(plain.replace(",", "."))  # a decimal comma; three figures behind it could be thousands
    ways.add(plain.replace(".", "").replace(",", "."))
    return {number for way in ways for number in _as_number(way)}


def _as_number(way: str) -> set[float]:
    # Python reads more as a number than any hospital means: figures of other scripts and underscores.
    if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", way, re.ASCII):
        return set()
    return {float(way)}


@pytest.mark.parametrize("examples", SIZES)
def test_any_text_in_a_cell_is_read_as_what_it_says_or_not_at_all(examples: Examples, sound: Read) -> None:
    places = [
        (name, row, column.name)
        for name in NAMES
        for row in range(2, len(sound_cells()[name]) + 1)
        for column in table(name).columns
        if column.type in ("real", "int", "code", "bool")
    ]

    def holds(chosen: dict[tuple[str, int, str], str]) -> None:
        found = taken_in(*(cell(*place, value) for place, value in chosen.items()))
        if found is None:
            return
        for name in NAMES:
            keys = [row[0] for row in sound_cells()[name][1:]]
            touched = {
                (keys[row - 2], column): value for (where, row, column), value in chosen.items() if where == name
            }
            assert changed_values(sound, found, name, set(keys) - {key for key, _ in touched}) == set()
            named = pseudonyms_of(name)
            used = {values[table(name).key]: values for values in found.frame(name).to_dicts()}
            for (key, column), value in touched.items():
                read_as = used.get(named[key], {}).get(column)
                assert read_as is None or read_as in could_mean(value, name, column), (column, value)

    each(examples.cells, st.dictionaries(st.sampled_from(places), ODD_TEXTS, min_size=1, max_size=5))(holds)


@pytest.mark.parametrize("examples", SIZES)
def test_however_a_program_writes_a_csv_it_is_read_to_the_last_value(examples: Examples, sound: Read) -> None:
    def holds(
        separator: str, line_end: str, encoding: str, quoting: int, titles: list[str], behind: str, blank: bool
    ) -> None:
        how = written(separator=separator, line_end=line_end, encoding=encoding, quoting=quoting)
        changes = [how]
        for name in NAMES:
            changes.append(line_before(name, 1, *titles))
            changes.append(text(name, lambda content: content.replace(line_end, line_end * 2) if blank else content))
            changes.append(text(name, lambda content: content + behind))
        found = taken_in(*changes)
        assert found is not None
        assert differences(sound, found) == ()
        assert found.accepted.set_aside.is_empty() and found.accepted.blanked.is_empty()

    each(
        examples.ways,
        st.sampled_from((",", ";", "\t", "|")),
        st.sampled_from(("\n", "\r\n", "\r")),
        st.sampled_from(("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "cp1252", "latin-1")),
        st.sampled_from((csv.QUOTE_MINIMAL, csv.QUOTE_ALL, csv.QUOTE_NONNUMERIC)),
        st.lists(st.sampled_from(("Export", "", "printed by the ward", "sep=")), max_size=3),
        st.sampled_from(("", "\n", "\n\n\n", "\x1a", "\x00\x00")),
        st.booleans(),
    )(holds)


# Packed and binary files


def _gz(content: bytes) -> bytes:
    return gzip.compress(content, mtime=0)


def _zip(content: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("patients.csv", content)
    return out.getvalue()


@pytest.mark.parametrize("examples", SIZES)
def test_a_packed_file_that_is_damaged_is_refused_or_read_to_the_last_value(examples: Examples, sound: Read) -> None:
    def holds(packed: str, done: Done) -> None:
        pack = {".csv.gz": _gz, ".zip": _zip}[packed]
        found = taken_in(data("patients", lambda content: damaged(pack(content), done), name=f"patients{packed}"))
        if found is not None:
            assert differences(sound, found) == ()

    each(examples.packed, st.sampled_from((".csv.gz", ".zip")), flips())(holds)


@pytest.mark.parametrize("examples", SIZES)
def test_a_workbook_that_is_damaged_is_refused_or_read_to_the_last_value(examples: Examples, sound: Read) -> None:
    def holds(one: bool, done: Done) -> None:
        book = _files(every_table() if one else lesions_book(plain))
        found = taken_in(*_in_place(book, lambda content: damaged(content, done), only=".xlsx"))
        if found is not None:
            assert differences(sound, found) == ()

    each(examples.workbooks // 2, st.booleans(), flips())(holds)


@pytest.mark.parametrize("examples", SIZES)
def test_a_workbook_whose_parts_are_damaged_inside_is_refused_or_counted(examples: Examples) -> None:
    def holds(part: str, done: Done) -> None:
        def spoil(content: bytes) -> bytes:
            return rezipped(content, lambda name, inside: damaged(inside, done) if part in name else inside)

        taken_in(*_in_place(_files(lesions_book(plain)), spoil, only=".xlsx"))

    each(
        examples.workbooks // 2,
        st.sampled_from(("sheet1", "sharedStrings", "workbook.xml", "styles", "[Content", ".rels")),
        st.one_of(damages(), flips()),
    )(holds)


@pytest.mark.parametrize("examples", SIZES)
def test_a_parquet_file_with_checksums_that_is_damaged_is_refused_or_read_to_the_last_value(
    examples: Examples, sound: Read
) -> None:
    def holds(done: Done) -> None:
        found = taken_in(
            arrow("lesions", same_table, spoil=lambda content: damaged(content, done), write_page_checksum=True)
        )
        if found is not None:
            assert differences(sound, found) == ()

    each(examples.parquet, flips())(holds)


@pytest.mark.parametrize("examples", SIZES)
def test_a_file_of_a_statistics_program_or_an_old_workbook_that_is_damaged_is_refused_or_counted(
    examples: Examples,
) -> None:
    # Such files have no checksums: a number that is another number by one bit is a number.
    def holds(suffix: str, done: Done) -> None:
        if suffix in (".sav", ".zsav", ".dta", ".xpt"):
            taken_in(statistics("lesions", suffix, spoil=lambda content: damaged(content, done)))
        else:
            content = damaged((FROZEN / suffix).read_bytes(), done)
            taken_in(from_cells("lesions", f"lesions{Path(suffix).suffix}", lambda rows: content))

    made = (".sav", ".zsav", ".dta", ".xpt")
    frozen = ("sas7bdat/lesions.sas7bdat", "sas7bdat_compressed/lesions.sas7bdat", "xls_1900/export.xls")
    each(examples.statistics, st.sampled_from((*made, *frozen)), flips())(holds)


def _files(change: Change) -> dict[str, bytes]:
    """The files that a change makes of the sound export, in place of those it takes away."""
    draft = Draft()
    draft.files = {f"{name}.csv": b"" for name in NAMES}
    change.make(draft)
    return draft.files


def _in_place(files: Mapping[str, bytes], spoil: Callable[[bytes], bytes], *, only: str) -> list[Change]:
    """Changes that put these files, those with the suffix `only` spoilt, in the place of the CSV files."""

    def make(draft: Draft) -> None:
        draft.files = {
            name: spoil(content) if name.endswith(only) else draft.files[name] for name, content in files.items()
        }

    return [Change(Stage.BYTES, make)]


# Mapping files

# Lines that may stand under each heading: sound ones, ones that contradict the file, and nonsense.
_UNDER: Mapping[str, tuple[str, ...]] = {
    "[lesions]": (
        *('file = "lesions.csv"', 'file = "../x.csv"', 'sheet = "S"', 'encoding = "cp1252"', 'encoding = "utf-16"'),
        *(
            'separator = ","',
            'separator = ";"',
            "separator = '\"'",
            'decimal = ","',
            'decimal = "."',
            'thousands = "."',
        ),
        *('thousands = " "', 'drop = ["length_mm"]', 'drop = "x"', "x = 1"),
    ),
    "[lesions.columns]": (
        'length_mm = "fp_grade"',
        'length_mm = "LENGTH_MM"',
        'segment = "Segment"',
        'x = "y"',
        "segment = 1",
    ),
    "[lesions.codes.in_stent]": ('"true" = "true"', '"false" = "true"', '"1" = "false"', '"true" = ""', "true = true"),
    "[lesions.units]": ('length_mm = "cm"', 'length_mm = "mm"', 'length_mm = "Gy"', 'fp_grade = "mm"'),
    "[lesions.constants]": ("length_mm = 12", 'calcium_scale = "pacss"', "x = 1", "in_stent = true"),
    "[procedures]": (
        'dates = "%d.%m.%Y"',
        'dates = "%m/%d/%Y"',
        'dates = "%Y-%m-%d"',
        'dates = "%Y-%d-%m"',
        'decimal = ","',
    ),
    "[lesion]": ('file = "x"',),
}


@pytest.mark.parametrize("examples", SIZES)
def test_a_mapping_of_any_fragments_is_refused_in_plain_lines_or_followed(examples: Examples) -> None:
    def holds(parts: dict[str, list[str]], noise: bytes) -> None:
        lines = [line for heading, under in parts.items() for line in (heading, *under)]
        taken_in(mapping("\n".join(lines).encode() + noise))

    parts = st.one_of(
        st.fixed_dictionaries(
            {}, optional={heading: st.lists(st.sampled_from(lines), max_size=2) for heading, lines in _UNDER.items()}
        ),
        st.sampled_from([(heading, line) for heading, lines in _UNDER.items() for line in lines]).map(
            lambda one: {one[0]: [one[1]]}
        ),
    )
    each(examples.mappings, parts, st.one_of(st.just(b""), st.binary(max_size=6)))(holds)
