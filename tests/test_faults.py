"""Faults from outside: killed at any moment, a full disk, a file or folder that cannot be used, two runs at once.

Each run is the real command in a process of its own. After each the last good outputs stand, nothing of the history is lost, and the next
run works.
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from deliveries_example import KEEP, history, in_three, outputs

from pipeline.editions import PARTS
from synthetic_data.service import invent

ROOT = Path(__file__).parent.parent
SEED = 20260101
LESIONS = 90
AS_ROOT = hasattr(os, "geteuid") and os.geteuid() == 0
NOT_POSIX = os.name != "posix"


@dataclass(frozen=True)
class Standing:
    """A service with one delivery in `out`, its second export, and what its second delivery gives when nothing is in the way."""

    out: Path
    export: Path
    plan: Path
    old: dict[str, bytes]
    new: dict[str, bytes]
    old_history: dict[str, list[tuple[object, ...]]]
    new_history: dict[str, list[tuple[object, ...]]]
    seconds: float  # that the second run takes

    def words(self, out: Path) -> list[str]:
        return ["run", "--tables", str(self.export), "--plan", str(self.plan), "--out", str(out), "--engine", "direct"]

    def copy(self, folder: Path) -> Path:
        return Path(shutil.copytree(self.out, folder / "out", symlinks=True))


def environment() -> dict[str, str]:
    kept = {k: v for k, v in os.environ.items() if not k.startswith(("PREFECT", "CROSSWISE"))}
    return kept | {"CROSSWISE_KEY": "a key for tests, sixteen and more"}


def crosswise(*words: str, **more: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "pipeline", *words],
        capture_output=True,
        text=True,
        env=environment(),
        cwd=ROOT,
        timeout=240,
        check=False,
        **more,  # type: ignore[call-overload]
    )


@pytest.fixture(scope="module")
def standing(tmp_path_factory: pytest.TempPathFactory) -> Standing:
    folder = tmp_path_factory.mktemp("standing")
    plan = folder / "plan.toml"
    plan.write_text(KEEP)
    for number, tables in enumerate(in_three(invent(LESIONS, 8).tables)[:2]):
        (folder / str(number)).mkdir()
        for name, frame in tables.items():
            frame.write_csv(folder / str(number) / f"{name}.csv")
    first = Standing(folder / "out", folder / "0", plan, {}, {}, {}, {}, 0)
    done = crosswise(*first.words(first.out))
    assert done.returncode == 0, done.stderr
    old, old_history = outputs(first.out), history(first.out)
    second = Standing(folder / "out", folder / "1", plan, {}, {}, {}, {}, 0)
    after = second.copy(folder / "after")
    start = time.monotonic()
    done = crosswise(*second.words(after))
    assert done.returncode == 0, done.stderr
    seconds = time.monotonic() - start
    return Standing(first.out, second.export, plan, old, outputs(after), old_history, history(after), seconds)


def assert_whole(out: Path) -> None:
    """The outputs are there and every one of them is the one that the manifest was sealed with."""
    manifest = json.loads((out / "manifest.json").read_text())
    assert all((out / part).exists() for part in PARTS)
    assert len(manifest["files_sha256"]) > 10
    for name, expected in manifest["files_sha256"].items():
        assert hashlib.sha256((out / name).read_bytes()).hexdigest() == expected, name


def which(standing: Standing, out: Path) -> str:
    """Whether the old outputs stand in `out` or the new ones, whole either way; and the history that goes with them."""
    assert_whole(out)
    stands, kept = outputs(out), history(out)
    assert stands in (standing.old, standing.new)
    name = "old" if stands == standing.old else "new"
    assert kept == (standing.old_history if name == "old" else standing.new_history)
    return name


# Killed


def kill_times(count: int, seconds: float) -> Iterator[tuple[float, bool]]:
    """When to kill: three in five spread over the whole of a run, the others after its outputs have begun to be written."""
    rng = random.Random(SEED)  # noqa: S311
    spread = count * 3 // 5
    for number in range(spread):
        yield (number + rng.random()) / spread * seconds, False
    for _ in range(count - spread):
        yield rng.random() * 0.3, True


def kill_one(standing: Standing, out: Path, after: float, *, once_writing: bool) -> bool:
    """Start the second run, kill it (`kill -9`) and say whether it was still at work."""
    run = subprocess.Popen(
        [sys.executable, "-m", "pipeline", *standing.words(out)],
        env=environment(),
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    current = (out / ".current").readlink()
    if once_writing:
        while run.poll() is None and not any(path.parent != out / current for path in out.glob(".editions/*/results")):
            time.sleep(0.002)
    time.sleep(after)
    run.send_signal(signal.SIGKILL)
    return run.wait() == -signal.SIGKILL


def killed_runs(standing: Standing, folder: Path, count: int) -> list[str]:
    """Which outputs each of `count` runs left that were killed at work; the run after it works."""
    found = []
    for number, (after, once_writing) in enumerate(kill_times(count, standing.seconds)):
        while True:
            out = standing.copy(folder / str(number))
            if kill_one(standing, out, after, once_writing=once_writing):
                break
            shutil.rmtree(folder / str(number))  # it had finished before: earlier next time
            after *= 0.7
        found.append(which(standing, out))
        done = crosswise(*standing.words(out))
        assert done.returncode == 0, done.stderr
        assert which(standing, out) == "new"
        assert {path.name for path in out.iterdir()} == {".current", ".editions", ".writing", *PARTS}
        assert len(list((out / ".editions").iterdir())) == 1
        shutil.rmtree(folder / str(number))
    return found


@pytest.mark.skipif(NOT_POSIX, reason="kill -9 and links are of POSIX systems")
def test_a_run_killed_at_any_moment_loses_nothing_and_the_next_one_works(standing: Standing, tmp_path: Path) -> None:
    assert len(killed_runs(standing, tmp_path, 4)) == 4


@pytest.mark.long
@pytest.mark.skipif(NOT_POSIX, reason="kill -9 and links are of POSIX systems")
def test_of_fifty_runs_killed_all_over_their_course_none_loses_anything(standing: Standing, tmp_path: Path) -> None:
    found = killed_runs(standing, tmp_path, 50)
    print(
        f"\n{len(found)} runs killed at work: {found.count('old')} left the old outputs whole, {found.count('new')} the new; "
        "after each the next run gave the new outputs and the whole history"
    )
    assert len(found) == 50 and set(found) == {"old", "new"}


@pytest.mark.skipif(NOT_POSIX, reason="kill -9 and links are of POSIX systems")
def test_a_first_run_that_is_killed_leaves_no_half_outputs(standing: Standing, tmp_path: Path) -> None:
    run = subprocess.Popen(
        [sys.executable, "-m", "pipeline", *standing.words(tmp_path / "out")],
        env=environment(),
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    while run.poll() is None and not list(tmp_path.glob("out/.editions/*/results")):
        time.sleep(0.002)
    run.kill()
    run.wait()
    if any((tmp_path / "out" / part).exists() for part in PARTS):
        assert_whole(tmp_path / "out")
    assert crosswise(*standing.words(tmp_path / "out")).returncode == 0
    assert_whole(tmp_path / "out")


def test_a_run_that_is_interrupted_says_so_in_one_line(standing: Standing, tmp_path: Path) -> None:
    out = standing.copy(tmp_path)
    run = subprocess.Popen(
        [sys.executable, "-m", "pipeline", *standing.words(out)],
        env=environment(),
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert run.stderr is not None
    while "Checking" not in run.stderr.readline():
        pass
    run.send_signal(signal.SIGINT)
    told = run.communicate(timeout=120)[1]
    assert run.returncode == 3
    assert told.splitlines()[-1] == "crosswise: stopped; the last good outputs are untouched"
    assert which(standing, out) == "old"


# Two at once


@pytest.mark.skipif(NOT_POSIX, reason="the lock is another one there, which this test cannot see")
def test_of_two_runs_at_once_the_second_is_refused_at_once_and_the_first_works(
    standing: Standing, tmp_path: Path
) -> None:
    out = standing.copy(tmp_path)
    first = subprocess.Popen(
        [sys.executable, "-m", "pipeline", *standing.words(out)],
        env=environment(),
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert first.stderr is not None
    assert "Reading" in first.stderr.readline()
    second = crosswise(*standing.words(out))
    assert first.poll() is None, "the first run was done before the second began"
    assert second.returncode == 1
    assert second.stderr.splitlines() == [
        f"crosswise: {out}: another run is writing there; wait for it or choose another --out"
    ]
    assert first.communicate(timeout=240) is not None and first.returncode == 0
    assert which(standing, out) == "new"


# A full disk

# In a mount namespace of its own: nothing of it is seen outside, and it is gone with the process.
ON_A_SMALL_DISK = """
import os, subprocess, sys
from pathlib import Path
disk, standing, free, words = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]), sys.argv[4:]
subprocess.run(["mount", "-t", "tmpfs", "-o", "size=200m", "none", str(disk)], check=True)
subprocess.run(["cp", "-a", standing, str(disk / "out")], check=True)
left = os.statvfs(disk)
filler = disk / "filler"
with filler.open("wb") as file:
    file.write(b"x" * (left.f_bavail * left.f_frsize - free))
run = [sys.executable, "-m", "pipeline", *words]
full = subprocess.run(run, capture_output=True, text=True)
print(full.returncode)
print(full.stderr.strip().splitlines()[-1])
subprocess.run(["cp", "-a", str(disk / "out"), sys.argv[2] + ".after"], check=True)
filler.unlink()
print(subprocess.run(run, capture_output=True, text=True).returncode)
subprocess.run(["cp", "-a", str(disk / "out"), sys.argv[2] + ".next"], check=True)
"""


def can_mount() -> bool:
    """Whether this process may have a small disk of its own."""
    unshare = shutil.which("unshare")
    if unshare is None:
        return False
    with tempfile.TemporaryDirectory() as folder:
        tried = subprocess.run(
            [unshare, "-m", "mount", "-t", "tmpfs", "none", folder], capture_output=True, check=False
        )
    return tried.returncode == 0


@pytest.mark.skipif(not can_mount(), reason="a disk of a few megabytes needs the right to mount one")
@pytest.mark.parametrize("free_kilobytes", [0, 100, 4_500, 5_500])
def test_a_disk_that_fills_up_is_told_in_one_line_and_loses_nothing(
    free_kilobytes: int, standing: Standing, tmp_path: Path
) -> None:
    out = standing.copy(tmp_path)
    disk = tmp_path / "disk"
    disk.mkdir()
    arguments = [str(disk), str(out), str(free_kilobytes * 1024), *standing.words(disk / "out")]
    done = subprocess.run(
        ["unshare", "-m", sys.executable, "-c", ON_A_SMALL_DISK, *arguments],
        capture_output=True,
        text=True,
        env=environment(),
        cwd=ROOT,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    status, line, after = done.stdout.splitlines()
    assert (status, after) == ("1", "0"), done.stdout
    assert line.startswith("crosswise: ") and "No space left on device" in line, line
    assert which(standing, tmp_path / "out.after") == "old"
    assert which(standing, tmp_path / "out.next") == "new"


@pytest.mark.skipif(NOT_POSIX, reason="the limit is of POSIX systems")
@pytest.mark.parametrize("limit", [2_000, 200_000])
def test_a_file_that_may_not_grow_is_told_in_one_line_and_loses_nothing(
    limit: int, standing: Standing, tmp_path: Path
) -> None:
    import resource

    out = standing.copy(tmp_path)
    done = crosswise(*standing.words(out), preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit)))
    assert done.returncode == 1
    assert "File too large" in done.stderr.strip().splitlines()[-1]
    assert "Traceback" not in done.stderr
    assert which(standing, out) == "old"


# Folders and files that cannot be used

# As somebody who may not do everything: what is imported is imported before.
AS_ANOTHER_USER = """
import codecs, os, sys
import pipeline.__main__ as command
import pipeline.flow, duckdb, vl_convert
for name in ("ascii", "utf-8", "utf-8-sig", "utf-16", "cp1252", "latin-1"):
    codecs.lookup(name)
os.setgroups([]); os.setegid(65534); os.seteuid(65534)
sys.exit(command._status(sys.argv[1:]))
"""


@pytest.fixture
def of_anybody() -> Iterator[Path]:
    """A folder that everybody may enter: those of pytest are its user's own."""
    folder = Path(tempfile.mkdtemp())
    folder.chmod(0o755)
    yield folder
    shutil.rmtree(folder)


def as_another_user(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", AS_ANOTHER_USER, *words],
        capture_output=True,
        text=True,
        env=environment(),
        cwd=ROOT,
        timeout=240,
        check=False,
    )


@pytest.mark.skipif(not AS_ROOT, reason="only root can become another user; without it the next test does the same")
@pytest.mark.parametrize("what", ["tables", "a table", "out", "the database"])
def test_what_may_not_be_read_or_written_is_told_in_one_line(what: str, standing: Standing, of_anybody: Path) -> None:
    out, export, plan = of_anybody / "out", of_anybody / "export", of_anybody / "plan.toml"
    shutil.copytree(standing.out, out, symlinks=True)
    shutil.copytree(standing.export, export)
    shutil.copy(standing.plan, plan)
    for path in (of_anybody, *of_anybody.rglob("*")):
        os.chown(path, 65534, 65534, follow_symlinks=False)
    of_anybody.chmod(0o755)
    closed = {
        "tables": export,
        "a table": export / "lesions.csv",
        "out": out,
        "the database": (out / "service.duckdb").resolve(),
    }[what]
    closed.chmod(0o500 if what == "out" else 0)
    done = as_another_user("run", "--tables", str(export), "--plan", str(plan), "--out", str(out), "--engine", "direct")
    assert done.returncode == 1, done.stderr
    assert done.stderr.strip().splitlines()[-1].startswith("crosswise: ")
    assert "Traceback" not in done.stderr
    assert "ermission denied" in done.stderr
    closed.chmod(0o700)
    assert which(standing, out) == "old"


@pytest.mark.skipif(AS_ROOT or NOT_POSIX, reason="nothing is closed to root, and modes are of POSIX systems")
@pytest.mark.parametrize("what", ["tables", "out"])
def test_a_folder_that_is_closed_is_told_in_one_line(what: str, standing: Standing, tmp_path: Path) -> None:
    out = standing.copy(tmp_path)
    export = Path(shutil.copytree(standing.export, tmp_path / "export"))
    closed, mode = {"tables": (export, 0), "out": (out, 0o500)}[what]
    words = [str(export) if word == str(standing.export) else word for word in standing.words(out)]
    closed.chmod(mode)
    try:
        done = crosswise(*words)
    finally:
        closed.chmod(0o700)
    assert done.returncode == 1
    assert "ermission denied" in done.stderr.strip().splitlines()[-1]
    assert which(standing, out) == "old"


def test_a_database_that_another_program_writes_to_is_told_in_one_line(standing: Standing, tmp_path: Path) -> None:
    out = standing.copy(tmp_path)
    hold = f"import duckdb; c = duckdb.connect({str(out / 'service.duckdb')!r}); print('held', flush=True); input()"
    holder = subprocess.Popen([sys.executable, "-c", hold], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    try:
        assert holder.stdout is not None and holder.stdout.readline() == "held\n"
        done = crosswise(*standing.words(out))
    finally:
        holder.communicate("\n")
    assert done.returncode == 1
    assert done.stderr.splitlines() == [
        "crosswise: service.duckdb: the file is open for writing in another program; close it there and run again"
    ]
    assert outputs(out) == standing.old and history(out) == standing.old_history


def test_a_database_that_another_program_reads_from_is_in_nobodys_way(standing: Standing, tmp_path: Path) -> None:
    out = standing.copy(tmp_path)
    hold = (
        f"import duckdb; c = duckdb.connect({str(out / 'service.duckdb')!r}, read_only=True); print('held', flush=True); "
        "input(); print(c.sql('SELECT max(delivery) FROM history.deliveries').fetchall()[0][0])"
    )
    reader = subprocess.Popen([sys.executable, "-c", hold], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert reader.stdout is not None and reader.stdout.readline() == "held\n"
    done = crosswise(*standing.words(out))
    told = reader.communicate("\n")[0]
    assert done.returncode == 0, done.stderr
    assert which(standing, out) == "new"
    assert told.strip() == "1"  # it reads on in what it opened
