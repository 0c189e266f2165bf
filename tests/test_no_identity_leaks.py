"""No identity of a patient is left behind: not on the screen, not in a file, not in a database, not in a temporary file.

Made-up identities are planted wherever an export can hold them (planted_export.py), the commands are run as a user runs them, in
folders of their own, and everything there is afterwards, and was there meanwhile, is searched in every form (leak_search.py).
What is the site's own is told as it stands, and so is planted nowhere: names of files and sheets, the words of a mapping or a
plan, headers, and `site_id`.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import duckdb
import polars as pl
import pytest
from leak_search import files_below, found_in, found_in_file, needles, secret, watching
from planted_export import (
    ACCENTED,
    BIRTH,
    DROPPED,
    LATIN,
    PARTS,
    PLANTED,
    SENTENCE,
    WRITING,
    Rows,
    mapping_text,
    planted_rows,
    write_planted_csvs,
)

ROOT = Path(__file__).parent.parent
KEY = "5f0c9a61d2b74e8893aa10c7be64d3f2"
WANTED = (*needles(*PARTS, *PLANTED.values()), *secret(KEY))
# While a command runs, the words that everything planted goes with: a look has to be quick.
WANTED_MEANWHILE = (*needles(*PARTS), *secret(KEY))
KEY_FILE = "pseudonym.key"


@dataclass(slots=True)
class Place:
    """A user's folders, and all that has leaked in them so far. `told` is what the last command printed."""

    folder: Path
    leaks: list[str] = field(default_factory=list)
    told: str = ""
    searched_at: dict[Path, tuple[int, int]] = field(default_factory=dict)

    @property
    def out(self) -> Path:
        return self.folder / "out"

    @property
    def searched(self) -> tuple[Path, ...]:
        """Every folder that a command may write to."""
        return tuple(self.folder / name for name in ("home", "tmp", "cwd", "out", "config", "cache", "data", "state"))

    def tables(self, name: str = "tables") -> Path:
        """The export: beside the folders that are searched, because it is what is kept from them."""
        return self.folder / name

    def run(self, *words: str | Path, key: str | None = KEY, code: str = "", **variables: str) -> int:
        """A command in a process of its own, watched, with everything searched afterwards; gives its exit status.

        `code` is Python that goes before the command in the same process.
        """
        for folder in self.searched[:3]:
            folder.mkdir(parents=True, exist_ok=True)
        kept = {n: v for n, v in os.environ.items() if not n.startswith(("PREFECT", "CROSSWISE", "XDG"))}
        environment = kept | {
            "HOME": str(self.folder / "home"),
            "TMPDIR": str(self.folder / "tmp"),
            "XDG_CONFIG_HOME": str(self.folder / "config"),
            "XDG_CACHE_HOME": str(self.folder / "cache"),
            "XDG_DATA_HOME": str(self.folder / "data"),
            "XDG_STATE_HOME": str(self.folder / "state"),
            "PYTHONPATH": str(ROOT),
            "PYTHONDONTWRITEBYTECODE": "1",
        }
        environment |= ({"CROSSWISE_KEY": key} if key is not None else {}) | variables
        start = f"import sys\nsys.argv[0] = 'crosswise'\n{code}\nfrom pipeline.__main__ import main\nmain()\n"
        with watching(self.searched, WANTED_MEANWHILE) as watched:
            done = subprocess.run(
                [sys.executable, "-c", start, *map(str, words)],
                capture_output=True,
                env=environment,
                cwd=self.folder / "cwd",
                timeout=300,
                check=False,
            )
        self.leaks += watched.leaks
        self.leaks += found_in(done.stdout, WANTED, "standard output") + found_in(done.stderr, WANTED, "error output")
        self.search()
        self.told = (done.stdout + done.stderr).decode()
        return done.returncode

    def search(self) -> None:
        """Every file in every folder that is new or changed, but for the one that holds the key."""
        for path in files_below(*(f for f in self.searched if f.exists())):
            now = (path.stat().st_mtime_ns, path.stat().st_size)
            if path.name != KEY_FILE and self.searched_at.get(path) != now:
                self.searched_at[path] = now
                self.leaks += found_in_file(path, WANTED)


@pytest.fixture
def place(tmp_path: Path) -> Place:
    return Place(tmp_path)


@pytest.fixture(scope="module")
def rows() -> Rows:
    return planted_rows()


def laid_out(place: Place, rows: Rows, write: Callable[[Path, Rows], None] = write_planted_csvs) -> list[str | Path]:
    """The export written and its mapping; the words that name both to a command."""
    write(place.tables(), rows)
    (place.folder / "mapping.toml").write_text(mapping_text(), encoding="utf-8")
    return ["--tables", place.tables(), "--mapping", place.folder / "mapping.toml"]


def without_leaks(place: Place) -> None:
    assert sorted(set(place.leaks)) == []


# Runs that succeed


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory, rows: Rows) -> Place:
    """A check and a run of the planted CSV export."""
    place = Place(tmp_path_factory.mktemp("finished"))
    words = laid_out(place, rows)
    assert place.run("check", *words) == 0, place.told
    assert place.run("run", *words, "--out", place.out) == 0, place.told
    return place


def test_a_run_on_an_export_full_of_identities_leaves_none_behind(finished: Place) -> None:
    without_leaks(finished)


def test_the_planted_identities_were_met_as_bad_values_and_as_lines_that_cannot_be_read(finished: Place) -> None:
    aside = pl.read_csv(finished.out / "results" / "set_aside.csv")
    values = aside.filter(what="value").select("table", "column").unique()
    whole = aside.filter(what="row")
    # Optional columns of the dictionary: each was given a word that it cannot hold.
    assert values.height >= 35
    assert (
        whole.filter(pl.col("reason").str.contains("fields")).height >= 12
    )  # one too short, one too long in each table
    assert whole.filter(pl.col("reason").str.contains("quot")).height >= 6
    assert aside["key"].drop_nulls().str.contains(r"^[a-z]+_[0-9a-f]{16}$").all()


def test_a_workbook_leaves_none_behind_either(place: Place, rows: Rows) -> None:
    words = laid_out(place, rows, WRITING["xlsx"])
    assert place.run("run", *words, "--out", place.out) == 0, place.told
    without_leaks(place)


def test_a_later_delivery_that_corrects_and_withdraws_rows_leaves_none_behind(finished: Place, rows: Rows) -> None:
    later = {name: [dict(row) for row in listed] for name, listed in rows.items()}
    later["patients"][20]["smoking"] = "current" if later["patients"][20]["smoking"] != "current" else "never"
    later["lesions"].append(later["lesions"][-1] | {"lesion_id": f"{LATIN}-new"})
    del later["follow_up"][100]
    write_planted_csvs(finished.tables("later"), later)
    words = ["--tables", finished.tables("later"), "--mapping", finished.folder / "mapping.toml", "--out", finished.out]
    assert finished.run("run", *words) == 1, finished.told  # rows are gone, and no plan says what becomes of them
    plan = finished.folder / "plan.toml"
    plan.write_text('withdrawn_rows = "drop"\n', encoding="utf-8")
    assert finished.run("run", *words, "--plan", plan) == 0, finished.told
    assert finished.run("run", "--as-of", "1", "--plan", plan, "--out", finished.out) == 0, finished.told
    without_leaks(finished)


def test_a_draft_of_a_mapping_names_headers_and_codes_and_no_patient(place: Place, rows: Rows) -> None:
    laid_out(place, rows)
    if place.run("draft-mapping", "--help") != 0:
        pytest.skip("there is no such command in this version")
    assert place.run("draft-mapping", "--tables", place.tables()) == 0, place.told
    without_leaks(place)


# The key


def test_a_key_that_is_made_on_first_use_is_in_its_file_and_nowhere_else(place: Place, rows: Rows) -> None:
    words = laid_out(place, rows, WRITING["parquet"])
    assert place.run("run", *words, "--out", place.out, key=None) == 0, place.told
    without_leaks(place)
    (path,) = [path for path in files_below(place.folder / "config") if path.name == KEY_FILE]
    made = secret(path.read_text(encoding="ascii").strip())
    leaks = found_in(place.told.encode(), made, "output")
    for other in files_below(*(f for f in place.searched if f.exists())):
        leaks += found_in_file(other, made) if other != path else []
    assert leaks == []
    assert len(made) > 5


# Runs that fail


def spoiled(rows: Rows, table: str, change: Callable[[dict[str, str]], dict[str, str]]) -> Rows:
    return rows | {table: [change(dict(row)) for row in rows[table]]}


def renamed(rows: Rows, table: str, header: str, to: str) -> Rows:
    return spoiled(rows, table, lambda row: {to if name == header else name: value for name, value in row.items()})


def numbers(rows: Rows) -> Rows:
    from stdnum.gb import nhs

    valid = (f"999{n:07d}" for n in range(10**7) if nhs.is_valid(f"999{n:07d}"))
    return spoiled(rows, "patients", lambda row: row | {"sex": next(valid)})


FAILING: dict[str, Callable[[Rows], Rows]] = {
    "looks like a direct identifier (a name)": lambda r: renamed(r, "patients", "Surname", "Nachname"),
    "looks like a direct identifier (NHS numbers)": numbers,
    "looks like a direct identifier (e-mail addresses)": lambda r: spoiled(
        r, "lesions", lambda row: row | {"x1": f"{LATIN}@example.org"}
    ),
    "patient_id holds e-mail addresses": lambda r: spoiled(
        r, "patients", lambda row: row | {"patient_id": f"{row['patient_id']}@example.org"}
    ),
    "looks like full dates of birth": lambda r: spoiled(r, "patients", lambda row: row | {"birth_year": BIRTH}),
    "looks like a direct identifier (free text)": lambda r: spoiled(
        r, "lesions", lambda row: row | {"calcium_grade": f"{SENTENCE} {row['lesion_id']}"}
    ),
    "looks like a direct identifier (dates of birth)": lambda r: spoiled(
        r, "follow_up", lambda row: row | {"event_date": BIRTH}
    ),
    "no column side": lambda r: renamed(r, "procedures", "side", f"{LATIN} {ACCENTED}"),
    "stands over 2 columns": lambda r: renamed(
        renamed(r, "lesions", "length_mm", "Length_mm"), "lesions", "device", "LENGTH_MM"
    ),
}


@pytest.mark.parametrize("says", FAILING)
def test_a_message_says_what_to_mend_and_names_nobody(place: Place, rows: Rows, says: str) -> None:
    words = laid_out(place, FAILING[says](rows))
    assert place.run("check", *words) == 1, place.told
    assert says in place.told
    without_leaks(place)


def test_a_file_without_a_header_line_is_not_quoted_for_its_likeness_to_a_header(place: Place, rows: Rows) -> None:
    words = laid_out(place, rows)
    (place.tables() / "patients.csv").write_text(f"{LATIN}7,1931,female\n{LATIN}8,1940,male\n", encoding="utf-8")
    with (place.folder / "mapping.toml").open("a", encoding="utf-8") as mapping:
        mapping.write(f'[patients.columns]\npatient_id = "{LATIN}9"\n')
    assert place.run("check", *words) == 1, place.told
    assert "patients.csv" in place.told and f"{LATIN}7".lower() not in place.told.lower()


IDENTITY = f"{LATIN},{ACCENTED},{BIRTH}\n"
# Files that cannot be read at all, each holding an identity. The first has no header line: it starts with a patient.
BROKEN: dict[str, dict[str, bytes]] = {
    "text": {
        "patients.csv": IDENTITY.encode() * 3,
        "attempts.csv": b"\xff\xfe" + IDENTITY.encode("utf-16-le") + b"\x00",
        "complications.csv": b"\x00\x01\x02" + IDENTITY.encode("latin-1"),
        "follow_up.csv": f"Export of {IDENTITY}".encode(),
    },
    "parquet": {"lesions.parquet": b"PAR1" + IDENTITY.encode() + b"PAR1"},
    "workbook": {"procedures.xlsx": IDENTITY.encode()},
}


@pytest.mark.parametrize("kind", BROKEN)
def test_a_file_that_cannot_be_read_is_named_without_what_it_holds(place: Place, rows: Rows, kind: str) -> None:
    words = laid_out(place, rows)
    for name, content in BROKEN[kind].items():
        (place.tables() / name).with_suffix(".csv").unlink()
        (place.tables() / name).write_bytes(content)
    assert place.run("check", *words) == 1, place.told
    for name in BROKEN[kind]:
        assert name in place.told
    without_leaks(place)


# A step that breaks with a patient's values in the exception's own words, as libraries do.
CRASH = """
import pipeline.flow as flow
from dataclasses import replace
def breaks(work):
    words = open({path!r}, encoding="utf-8").read()
    raise ValueError(words[:2000])
flow.STEPS = tuple(replace(step, run=breaks) if step.name == {step!r} else step for step in flow.STEPS)
"""


@pytest.mark.parametrize("step", ["read", "publish"])
def test_a_fault_of_the_tool_is_told_by_kind_and_place_alone(place: Place, rows: Rows, step: str) -> None:
    words = laid_out(place, rows)
    code = CRASH.format(path=str(place.tables() / "patients.csv"), step=step)
    assert place.run("run", *words, "--out", place.out, code=code) == 3, place.told
    assert "ValueError" in place.told and "Traceback" not in place.told
    without_leaks(place)


# Prefect


@pytest.mark.engine
def test_prefect_keeps_no_identity_of_steps_that_went_well_nor_of_one_that_broke(place: Place, rows: Rows) -> None:
    words = laid_out(place, rows)
    code = CRASH.format(path=str(place.tables() / "patients.csv"), step="publish")
    assert place.run("run", *words, "--out", place.out, "--engine", "prefect", code=code) == 3, place.told
    assert [path for path in files_below(place.out) if path.read_bytes()[:15] == b"SQLite format 3"]
    without_leaks(place)


# Dates, ages and years of birth


def test_no_day_of_a_patient_is_told_outside_the_duckdb_file(finished: Place, rows: Rows) -> None:
    columns = {"procedures": "procedure_date", "complications": "complication_date", "follow_up": "event_date"}
    days = {row[column] for table, column in columns.items() for row in rows[table]}
    days = {day for day in days if re.fullmatch(r"\d{4}-\d{2}-\d{2}", day)}
    assert len(days) > 200
    plan = json.loads((finished.out / "manifest.json").read_text())["plan"]["eligibility"]
    days -= {plan["first_date"], plan["last_date"]}
    for path in files_below(finished.out):
        if path.suffix in (".html", ".json", ".csv"):
            told = set(re.findall(r"\d{4}-\d{2}-\d{2}", path.read_text(encoding="utf-8")))
            assert told & days == set(), path.name
        elif path.suffix == ".parquet":
            columns_read = pl.read_parquet(path).cast(pl.String).get_columns()
            assert not {value for column in columns_read for value in column} & days, path.name


@pytest.fixture(scope="module")
def revealing(tmp_path_factory: pytest.TempPathFactory, rows: Rows) -> Place:
    """A run of an export whose patients are all older than 90, and whose site is named after one of them."""
    place = Place(tmp_path_factory.mktemp("revealing"))
    told = spoiled(rows, "patients", lambda row: row | {"birth_year": "1913"})
    told = spoiled(told, "procedures", lambda row: row | {"site_id": f"{LATIN} House"})
    assert place.run("run", *laid_out(place, told), "--out", place.out) == 0, place.told
    return place


def test_the_oldest_patients_are_told_as_one_group(revealing: Place) -> None:
    with duckdb.connect(str(revealing.out / "service.duckdb"), read_only=True) as store:
        assert store.sql("SELECT min(age_years), max(age_years) FROM derived.lesions").fetchall() == [(90, 90)]
        held = store.sql(
            "SELECT table_schema FROM information_schema.columns WHERE column_name = 'birth_year'"
        ).fetchall()
    assert "derived" not in {schema for (schema,) in held}
    for path in files_below(revealing.out):
        if path.suffix in (".csv", ".json", ".html"):
            # The year of birth, and the ages that a patient of that year would have had in these tables.
            told = re.findall(
                r"(?<![\w.,#-])1913(?![\w.])|\b(?:10[4-9]|11[0-9]) years", path.read_text(encoding="utf-8")
            )
            assert told == [], path.name


# That the search can fail


@pytest.mark.parametrize("word", PARTS)
def test_a_word_is_found_in_every_form_in_which_a_file_may_keep_it(tmp_path: Path, word: str) -> None:
    import base64
    import gzip
    import sqlite3

    whole = f"x{word}y"
    kept: dict[str, bytes] = {
        encoding: whole.encode(encoding) for encoding in ("utf-8", "utf-16", "utf-16-be", "latin-1")
    }
    kept |= {f"base64-{n}": base64.b64encode(b"-" * n + whole.encode() + b"-") for n in range(3)}
    kept |= {
        "hex": whole.encode().hex().upper().encode(),
        "capitals": whole.upper().encode(),
        "gz": gzip.compress(whole.encode()),
    }
    kept["json"] = json.dumps(whole).encode()
    for name, content in kept.items():
        (tmp_path / name).write_bytes(b"before " + content + b" after" if name != "gz" else content)
    frame = pl.DataFrame({"column": [whole] * 5000})
    frame.write_parquet(tmp_path / "parquet")
    with duckdb.connect(str(tmp_path / "duckdb")) as store:
        store.sql("CREATE TABLE held AS FROM frame")
    with sqlite3.connect(tmp_path / "sqlite") as records:
        records.execute("CREATE TABLE held (column BLOB)")
        records.execute("INSERT INTO held VALUES (?)", (whole.encode(),))
    records.close()
    hidden = tmp_path / ".hidden" / ".file"
    hidden.parent.mkdir()
    hidden.write_text(whole, encoding="utf-8")
    missed = [path.name for path in files_below(tmp_path) if not found_in_file(path, needles(word))]
    assert missed == []
    assert len(files_below(tmp_path)) == len(kept) + 4


def test_a_temporary_file_that_is_gone_at_the_end_is_found_all_the_same(place: Place) -> None:
    code = f"""
import os, tempfile, time
handle, name = tempfile.mkstemp()
os.write(handle, {LATIN!r}.encode()); os.close(handle)
time.sleep(0.5)
os.unlink(name)
sys.exit(0)
"""
    assert place.run("check", code=code) == 0
    assert len(place.leaks) == 1 and "while it was there" in place.leaks[0]


def test_what_is_written_as_it_stands_is_found_so_the_search_sees_into_the_outputs(revealing: Place) -> None:
    # site_id is the one column of the dictionary that is not replaced: an identity there has to be found in the DuckDB file.
    assert any("inside service.duckdb" in leak for leak in revealing.leaks)


def test_the_dropped_columns_really_hold_what_is_looked_for(rows: Rows) -> None:
    for table, columns in DROPPED.items():
        for header in columns:
            assert found_in(rows[table][0][header].encode(), WANTED, header), header
