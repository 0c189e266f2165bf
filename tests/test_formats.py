"""The same case tables, in every format and encoding that is read, give the same derived tables to the last byte.

The tables are those of `data/formats/tables`: an invented service of 150 lesions with letters beyond ASCII in its keys.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Mapping
from functools import cache
from pathlib import Path

import polars as pl
import pytest
from export_files import (
    csv_bytes,
    gzipped,
    short_names,
    write_csvs,
    write_ods,
    write_parquets,
    write_sas_transport,
    write_spss,
    write_stata,
    write_workbook,
    zipped,
)

from pipeline import Plan, analyze
from pipeline.case_tables import TABLES
from pipeline.check import check
from pipeline.derive import derive
from pipeline.mapping import load_mapping
from pipeline.read import read_tables, take_in
from pipeline.typed_values import POLARS_TYPES

DATA = Path(__file__).parent / "data" / "formats"
KEY = b"the key of these tests alone"


@cache
def service() -> dict[str, pl.DataFrame]:
    """The tables, typed."""
    return {
        table.name: pl.read_csv(
            DATA / "tables" / f"{table.name}.csv",
            schema={column.name: POLARS_TYPES[column.type] for column in table.columns},
        )
        for table in TABLES
    }


def derived(folder: Path, mapping: Path | None) -> dict[str, bytes]:
    """The derived tables of the export, each as the bytes of a CSV."""
    taken = take_in(folder, load_mapping(mapping), KEY)
    accepted = check(taken.tables)
    assert all(count.read == count.used + count.set_aside for count in accepted.counts)
    result = derive(accepted.frames, Plan(), in_doubt=accepted.lesions_in_doubt)
    frames = {"lesions": result.lesions, "attempts": result.attempts, "set_aside": accepted.set_aside}
    return {name: frame.write_csv().encode() for name, frame in frames.items()}


def results(folder: Path, mapping: Path | None) -> dict[str, bytes]:
    """The result tables of the whole analysis, as the bytes of the CSV files that a run writes."""
    found = analyze(read_tables(folder, mapping), Plan(), key=KEY)
    frames = {
        "lesions": found.lesions,
        "estimates": found.estimates,
        "counts": found.counts,
        "set_aside": found.set_aside,
    }
    return {name: frame.write_csv().encode() for name, frame in frames.items()}


@cache
def expected() -> tuple[dict[str, bytes], dict[str, bytes]]:
    return derived(DATA / "tables", None), results(DATA / "tables", None)


def test_the_tables_give_something_to_compare() -> None:
    assert set(service()) == {table.name for table in TABLES}
    tables, whole = expected()
    assert tables["lesions"].count(b"\n") == 151  # the header and one line a lesion of data/formats/tables
    assert whole["estimates"].count(b"\n") > 100


# One case a format: the whole analysis is compared


def _short_mapping() -> str:
    lines = []
    for name, frame in service().items():
        lines += [f"[{name}.columns]", *(f'{ours} = "{theirs}"' for ours, theirs in short_names(frame).items())]
    return "\n".join(lines)


def _packed_together(folder: Path, members: Mapping[str, bytes]) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "all tables.zip").write_bytes(zipped(members))
    return folder


def _csv_members(folder: str = "") -> dict[str, bytes]:
    return {f"{folder}{name}.csv": csv_bytes(frame) for name, frame in service().items()}


def _in_one_zip(path: Path) -> Path:
    return _packed_together(path, _csv_members())


def _in_a_folder_of_a_zip(path: Path) -> Path:
    return _packed_together(path, {**_csv_members("export/2025/"), "export/read me.txt": b"Invented."})


def _workbook_in_a_zip(path: Path) -> Path:
    write_workbook(path / "made" / "book.xlsx", service())
    return _packed_together(path, {"book.xlsx": (path / "made" / "book.xlsx").read_bytes()})


def _a_zip_a_table(path: Path) -> Path:
    path.mkdir(parents=True)
    for name, frame in service().items():
        (path / f"{name}.csv.zip").write_bytes(zipped({f"extract of {name}.csv": csv_bytes(frame)}))
    return path


def _a_workbook_a_table(path: Path) -> Path:
    for name, frame in service().items():
        write_workbook(path / f"{name}.xlsx", {"Sheet1": frame})
    return path


def _one_format_a_table(path: Path) -> Path:
    write_csvs(path, {"patients": service()["patients"]}, encoding="cp1252", separator=";", decimal=",")
    write_parquets(path, {"procedures": service()["procedures"]})
    write_workbook(path / "lesions.xlsx", {"lesions": service()["lesions"]}, system_1904=True)
    write_stata(path, {"attempts": service()["attempts"]})
    write_spss(path, {"complications": service()["complications"]})
    return write_csvs(path, {"follow_up": service()["follow_up"]}, suffix=".csv.gz", packed=gzipped)


def _committed(name: str) -> Callable[[Path], Path]:
    return lambda _: DATA / name


FORMATS: Mapping[str, tuple[Callable[[Path], Path], Callable[[], str]]] = {
    name: (write, mapping)
    for name, write, mapping in (
        ("csv", lambda path: write_csvs(path, service()), str),
        ("tsv", lambda path: write_csvs(path, service(), suffix=".tsv", separator="\t"), str),
        ("txt", lambda path: write_csvs(path, service(), suffix=".TXT", separator="|"), str),
        ("csv.gz", lambda path: write_csvs(path, service(), suffix=".csv.gz", packed=gzipped), str),
        ("tsv.gz", lambda path: write_csvs(path, service(), suffix=".tsv.gz", separator="\t", packed=gzipped), str),
        ("a zip a table", _a_zip_a_table, str),
        ("one zip", _in_one_zip, str),
        ("a folder of a zip", _in_a_folder_of_a_zip, str),
        ("a workbook in a zip", _workbook_in_a_zip, str),
        ("parquet", lambda path: write_parquets(path, service()), str),
        ("xlsx, one workbook", lambda path: write_workbook(path / "export.xlsx", service()), str),
        ("xlsx, one a table", _a_workbook_a_table, str),
        ("xlsx of 1904", lambda path: write_workbook(path / "export.xlsx", service(), system_1904=True), str),
        ("xlsx, bare serials", lambda path: write_workbook(path / "export.xlsx", service(), bare=True), str),
        (
            "xlsx of 1904, bare serials",
            lambda path: write_workbook(path / "export.xlsx", service(), system_1904=True, bare=True),
            str,
        ),
        ("xls", _committed("xls_1900"), str),
        ("xls of 1904, bare serials", _committed("xls_1904_bare"), str),
        ("ods", lambda path: write_ods(path / "export.ods", service()), str),
        ("sas7bdat", _committed("sas7bdat"), str),
        ("sas7bdat, compressed", _committed("sas7bdat_compressed"), str),
        ("xpt of version 8", lambda path: write_sas_transport(path, service()), str),
        ("xpt of version 5", lambda path: write_sas_transport(path, service(), version=5), _short_mapping),
        ("dta", lambda path: write_stata(path, service()), str),
        ("sav", lambda path: write_spss(path, service()), str),
        ("zsav", lambda path: write_spss(path, service(), packed=True), str),
        ("another format for each table", _one_format_a_table, str),
    )
}


def _mapping_file(folder: Path, content: str) -> Path | None:
    if not content:
        return None
    (folder / "mapping.toml").write_text(content, encoding="utf-8")
    return folder / "mapping.toml"


@pytest.mark.parametrize("name", FORMATS)
def test_every_format_gives_the_same_results_to_the_last_byte(tmp_path: Path, name: str) -> None:
    write, mapping = FORMATS[name]
    folder, stated = write(tmp_path / "in"), _mapping_file(tmp_path, mapping())
    assert derived(folder, stated) == expected()[0]
    assert results(folder, stated) == expected()[1]


# CSV: encodings, separators, decimal signs and the rest, every pair of choices at least once

CHOICES: Mapping[str, tuple[str, ...]] = {
    "encoding": (
        *("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "cp1252", "latin-1"),
        *("cp850", "cp437", "mac_roman"),
    ),
    "separator": (",", ";", "\t", "|"),
    "decimal": (".", ","),
    "dates": ("%Y-%m-%d", "%d/%m/%Y", "%m/%d/%Y", "%d.%m.%Y"),
    "line_end": ("\n", "\r\n", "\r"),
    "above": ("", "sep", "quoted sep", "two titles"),
    "quoted": ("", "all"),
    "trailing": ("", "a separator at the end"),
    "packed": ("", ".gz"),
}
STATED = ("cp850", "cp437", "mac_roman")  # what cannot be told from the bytes: the mapping says it


def every_pair() -> Iterator[dict[str, str]]:
    """Few cases in which every choice meets every choice of each other kind: the next case takes the most pairs still due."""
    names = list(CHOICES)
    due = {((a, x), (b, y)) for a, b in itertools.combinations(names, 2) for x in CHOICES[a] for y in CHOICES[b]}
    while due:
        case: dict[str, str] = dict(min(due))
        for name in names:
            if name not in case:
                case[name] = max(CHOICES[name], key=lambda choice: len(_pairs({**case, name: choice}, names) & due))
        due -= _pairs(case, names)
        yield {name: case[name] for name in names}


def _pairs(case: Mapping[str, str], names: list[str]) -> set[tuple[tuple[str, str], tuple[str, str]]]:
    there = [(name, case[name]) for name in names if name in case]
    return set(itertools.combinations(there, 2))


CASES = list(every_pair())


def test_every_pair_of_choices_is_among_the_cases() -> None:
    names = list(CHOICES)
    for a, b in itertools.combinations(names, 2):
        assert {(case[a], case[b]) for case in CASES} == set(itertools.product(CHOICES[a], CHOICES[b]))


@pytest.mark.parametrize("case", CASES, ids=lambda case: " ".join(map(repr, case.values())))
def test_every_way_of_writing_a_csv_gives_the_same_tables(tmp_path: Path, case: dict[str, str]) -> None:
    sign, end = case["separator"], case["line_end"]
    above = {
        "": "",
        "sep": f"sep={sign}{end}",
        "quoted sep": f'"sep={sign}"{end}',
        "two titles": f"Export of the ward in Süd{sign} all cases{sign}{end}{end}as of today{end}",
    }[case["above"]]
    folder = write_csvs(
        tmp_path / "in",
        service(),
        suffix=".csv" + case["packed"],
        packed=gzipped if case["packed"] else lambda data: data,
        encoding=case["encoding"],
        separator=sign,
        decimal=case["decimal"],
        dates=case["dates"],
        line_end=end,
        above=above,
        quoted=bool(case["quoted"]),
        trailing=bool(case["trailing"]),
    )
    stated = case["encoding"] in STATED
    mapping = "".join(f'[{name}]\nencoding = "{case["encoding"]}"\n' for name in service()) if stated else ""
    assert derived(folder, _mapping_file(tmp_path, mapping)) == expected()[0]
