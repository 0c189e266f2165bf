"""Wrong exports through the command itself: its exit status, its lines, and that the last good outputs stay as they were."""

from __future__ import annotations

import gzip
import hashlib
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.malformed.case import Case
from tests.malformed.draft import OnDisk, written_out
from tests.malformed.families import FAMILIES
from tests.malformed.intake import outcome_of

ROOT = Path(__file__).parent.parent
DONE, NEEDS_MENDING = 0, 1
LONGEST_SECONDS = 120  # on a busy machine; a check takes two seconds, a run six
UNPACKED_MB = 500  # of the file that is a trap

# One or two of each family, by name.
CHECKED = (
    "an empty file",
    "a pipe that nobody writes to, named in the mapping",
    "a file that may not be read",
    "a web page under the name of an old workbook",
    "a gzip file that unpacks to far more than a table holds",
    "two exports put one behind the other: UTF-8, then Windows-1252",
    "all three kinds in one file",
    "a field too many on one line and one too few on the next",
    "two of them, with rows between",
    "the header line again in the middle, from files put one behind the other",
    "a workbook that counts days from 1904",
    "a sheet's part cut in the middle",
    "a Parquet file with a byte changed in its foot",
    "a Stata file whose codes have labels",
    "a line of 10 MB of separators",
    "decimal commas in all cells",
    "no day beyond the 12th, so that the order cannot be told",
    "1 for no stated, and a 0 that the mapping does not know",
    "leading zeros lost in one table, as spreadsheets do: 007 and 7",
    "a patient left out",
    "the numbers of two attempts exchanged",
    "a complication before its procedure",
    "a column of surnames",
    "two mistakes in one mapping file",
)
RUN = (
    "no file at all for a needed table",
    "a zip archive locked by a password",
    "a mapping that leads surnames into a column of ours",
    "a level out of its limits",
    "a segment that there is not",
)
RUN_ALL_THE_SAME = ("a key on two rows that differ", "no row in any table")


def named(name: str) -> Case:
    (case,) = [case for family in FAMILIES for case in family.cases if case.name == name]
    return case


def command(*words: str, home: Path) -> subprocess.CompletedProcess[str]:
    """`python -m pipeline` with words, in a home and with a key of its own."""
    environment = {
        **os.environ,
        "HOME": str(home),
        "XDG_CONFIG_HOME": str(home),
        "CROSSWISE_KEY": "a key for tests alone",
    }
    return subprocess.run(
        [sys.executable, "-m", "pipeline", *words],
        cwd=ROOT,
        env=environment,
        capture_output=True,
        text=True,
        timeout=LONGEST_SECONDS,
        check=False,
    )


def options(export: OnDisk, folder: Path) -> list[str]:
    given = ["--tables", str(folder)]
    given += ["--mapping", str(export.mapping)] if export.mapping else []
    return given + (["--plan", str(export.plan)] if export.plan else [])


def contents(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def assert_told_plainly(done: subprocess.CompletedProcess[str], stops: tuple[str, ...]) -> None:
    """The lines of the intake and no others, without a trace, without a word of the libraries beneath."""
    lines = done.stderr.splitlines()
    assert not any(word in done.stderr for word in ("Traceback", "a fault of the tool", "panicked", "Warning"))
    assert done.returncode == (NEEDS_MENDING if stops else DONE), done.stderr
    told = [line.removeprefix("crosswise: ") for line in lines if line.startswith("crosswise: ")]
    assert len(told) == len(stops)
    assert all(part in line for part, line in zip(stops, told, strict=True))
    assert all(line.startswith("crosswise: ") or line.endswith(" ...") for line in lines)


@pytest.mark.parametrize("name", CHECKED)
def test_check_says_in_one_line_each_what_stops_it_and_reads_the_rest(tmp_path: Path, name: str) -> None:
    case = named(name)
    export = written_out(case.changes, tmp_path / "tables")
    done = command("check", *options(export, tmp_path / "tables"), "--out", str(tmp_path / "quality"), home=tmp_path)
    assert_told_plainly(done, case.stops)
    if case.stops:
        assert not (tmp_path / "quality").exists()
        return
    outcome = outcome_of(case)
    table = [line.split() for line in done.stdout.splitlines()]
    for name_of_table, counts in outcome.counts.items():
        (row,) = [words for words in table if words[:1] == [name_of_table]]
        assert row[1:4] == [str(counts.read), str(counts.used), str(counts.set_aside)]
    assert sorted(path.name for path in (tmp_path / "quality").iterdir()) == [
        "not_used.csv",
        "quality.csv",
        "quality.html",
    ]


@pytest.fixture(scope="module")
def good_outputs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The outputs of a run on the sound export."""
    place = tmp_path_factory.mktemp("sound")
    export = written_out((), place / "tables")
    done = command("run", *options(export, place / "tables"), "--out", str(place / "out"), home=place)
    assert_told_plainly(done, ())
    return place / "out"


@pytest.mark.parametrize("name", RUN)
def test_a_run_that_stops_leaves_the_last_good_outputs_as_they_were(
    tmp_path: Path, good_outputs: Path, name: str
) -> None:
    case = named(name)
    export = written_out(case.changes, tmp_path / "tables")
    before = contents(good_outputs)
    done = command("run", *options(export, tmp_path / "tables"), "--out", str(good_outputs), home=tmp_path)
    assert_told_plainly(done, case.stops)
    assert contents(good_outputs) == before
    assert len(before) > 5


@pytest.mark.parametrize("name", RUN_ALL_THE_SAME)
def test_a_run_with_rows_set_aside_or_with_none_ends_in_a_report(tmp_path: Path, name: str) -> None:
    export = written_out(named(name).changes, tmp_path / "tables")
    done = command("run", *options(export, tmp_path / "tables"), "--out", str(tmp_path / "out"), home=tmp_path)
    assert_told_plainly(done, ())
    assert (tmp_path / "out" / "report" / "strategy.html").is_file()


# Starts the command from a process that holds next to nothing: on Linux a child's peak is at least what its parent held.
MEASURED = """
import resource, subprocess, sys
subprocess.call(sys.argv[1:], stderr=subprocess.DEVNULL)
print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)
"""


def peak_kb(tmp_path: Path, folder: Path) -> int:
    """The most memory that a check of the folder takes."""
    words = ["check", "--tables", str(folder), "--out", str(tmp_path / "quality")]
    environment = {**os.environ, "HOME": str(tmp_path), "CROSSWISE_KEY": "a key for tests alone"}
    told = subprocess.check_output(
        [sys.executable, "-c", MEASURED, sys.executable, "-m", "pipeline", *words],
        cwd=ROOT,
        env=environment,
        text=True,
        timeout=LONGEST_SECONDS,
    )
    return int(told.splitlines()[-1])


@pytest.mark.skipif(sys.platform != "linux", reason="the peak is counted in KB on Linux alone")
def test_a_file_that_would_unpack_to_far_more_than_a_table_holds_takes_no_memory(tmp_path: Path) -> None:
    written_out((), tmp_path / "sound")
    written_out((), tmp_path / "trap")
    with gzip.open(tmp_path / "trap" / "patients.csv.gz", "wb", compresslevel=1) as trap:
        for _ in range(UNPACKED_MB):
            trap.write(bytes(1_000_000))
    (tmp_path / "trap" / "patients.csv").unlink()
    # It is unpacked as far as a table may go (64 MB, and once more while it grows) and no further.
    assert peak_kb(tmp_path, tmp_path / "trap") < peak_kb(tmp_path, tmp_path / "sound") + 1000 * UNPACKED_MB // 2
