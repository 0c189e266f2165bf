"""The folder of outputs: all of the old or all of the new, whenever a run is killed, and nobody else's files."""

from __future__ import annotations

import json
import os
import shutil
import stat
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
from outputs_example import build, sha256

from pipeline import editions, publish
from pipeline.editions import PARTS, put_in_place, writing
from pipeline.faults import NeedsMending

ROOT = Path(__file__).parent.parent

# Kills itself just before the nth thing that it would do to the disk, and says how many there are when n is 0.
KILLED = """
import os, signal, sys
from pathlib import Path
sys.path.insert(0, {root!r})
sys.path.insert(0, {tests!r})
from pipeline import editions
from outputs_example import build
out, word, stop, links = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]), sys.argv[4] == "links"
if not links:
    editions._can_link = lambda out, edition: False
seen = 0
def hook(event, args):
    global seen
    writes = event == "open" and isinstance(args[2], int) and args[2] & (os.O_WRONLY | os.O_RDWR | os.O_CREAT)
    if writes or event in ("os.rename", "os.link", "os.symlink", "os.remove", "os.rmdir", "os.mkdir", "fcntl.flock"):
        seen += 1
        if seen == stop:
            os.kill(os.getpid(), signal.SIGKILL)
sys.addaudithook(hook)
with editions.writing(out) as folder:
    build(folder, word)
    editions.put_in_place(folder, out)
print(seen)
"""


def word_of(out: Path) -> str | None:
    """What the outputs in `out` say, or None when there are none; they are whole, or this fails."""
    if not any((out / part).exists() for part in PARTS):
        return None
    manifest = json.loads((out / "manifest.json").read_text())
    assert len(manifest["files_sha256"]) == 4
    for name, expected in manifest["files_sha256"].items():
        assert sha256(out / name) == expected, name
    return str(manifest["word"])


def put(out: Path, word: str) -> None:
    with writing(out) as folder:
        build(folder, word)
        put_in_place(folder, out)


def nothing(out: Path) -> None:
    """A folder in which nothing was run."""


def by_links(out: Path) -> None:
    put(out, "old")


def as_earlier_releases_left_it(out: Path) -> None:
    out.mkdir(mode=0o700)
    build(out, "old")
    (out / ".writing").touch()


def copied_by_what_follows_links(out: Path) -> None:
    put(out.with_name("original"), "old")
    shutil.copytree(out.with_name("original"), out)


STANDING: list[Callable[[Path], None]] = [nothing, by_links, as_earlier_releases_left_it, copied_by_what_follows_links]


def killed(out: Path, stop: int, *, links: bool = True) -> int:
    """A run that is killed before its `stop`th act on the disk; how many acts there were, if it was not."""
    script = KILLED.format(root=str(ROOT), tests=str(ROOT / "tests"))
    words = [str(out), "new", str(stop), "links" if links else "no links"]
    done = subprocess.run([sys.executable, "-c", script, *words], capture_output=True, text=True, check=False)
    assert done.returncode == (0 if stop == 0 else -9), done.stderr
    return int(done.stdout) if stop == 0 else 0


@pytest.mark.parametrize("standing", STANDING, ids=lambda f: f.__name__)
def test_new_outputs_take_the_place_of_whatever_stood_there(standing: Callable[[Path], None], tmp_path: Path) -> None:
    out = tmp_path / "out"
    standing(out)
    assert word_of(out) == (None if standing is nothing else "old")
    put(out, "new")
    assert word_of(out) == "new"
    assert all((out / part).is_symlink() for part in PARTS)
    assert sorted(p.name for p in out.iterdir()) == sorted([".current", ".editions", ".writing", *PARTS])
    assert len(list((out / ".editions").iterdir())) == 1
    put(out, "newer")
    assert word_of(out) == "newer"
    assert len(list((out / ".editions").iterdir())) == 1


@pytest.mark.parametrize("standing", [nothing, by_links], ids=lambda f: f.__name__)
def test_a_run_killed_before_any_of_its_acts_leaves_the_old_outputs_or_the_new_and_the_next_run_works(
    standing: Callable[[Path], None], tmp_path: Path
) -> None:
    _killed_at_every_act(standing, tmp_path, whole_at_once=True)


@pytest.mark.long
@pytest.mark.parametrize("standing", STANDING[2:], ids=lambda f: f.__name__)
def test_a_run_killed_while_it_turns_plain_folders_into_links_loses_nothing(
    standing: Callable[[Path], None], tmp_path: Path
) -> None:
    # Between the moving away of a plain folder and the making of a link in its place that one is missing: the next run makes it.
    _killed_at_every_act(standing, tmp_path, whole_at_once=False)


@pytest.mark.long
@pytest.mark.parametrize("standing", [nothing, as_earlier_releases_left_it], ids=lambda f: f.__name__)
def test_a_run_killed_where_links_cannot_be_made_is_undone_or_finished_by_the_next(
    standing: Callable[[Path], None], tmp_path: Path
) -> None:
    _killed_at_every_act(standing, tmp_path, whole_at_once=False, links=False)


def _killed_at_every_act(
    standing: Callable[[Path], None], tmp_path: Path, *, whole_at_once: bool, links: bool = True
) -> None:
    (tmp_path / "0").mkdir()
    standing(tmp_path / "0" / "out")
    acts = killed(tmp_path / "0" / "out", 0, links=links)
    assert acts > 20
    expected = {None if standing is nothing else "old", "new"}
    found = set()
    for stop in range(1, acts + 1):
        out = tmp_path / str(stop) / "out"
        out.parent.mkdir()
        standing(out)
        killed(out, stop, links=links)
        if whole_at_once:
            found.add(word_of(out))
        with writing(out):  # the next run starts
            assert word_of(out) in expected, stop
            found.add(word_of(out))
        put(out, "newest")
        assert word_of(out) == "newest", stop
    assert found == expected


def test_where_links_cannot_be_made_the_parts_are_moved_one_by_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Path, "symlink_to", _refuse)
    out = tmp_path / "out"
    for word in ("old", "new"):
        put(out, word)
        assert word_of(out) == word
    assert not any((out / part).is_symlink() for part in PARTS)
    assert not (out / ".editions").exists()


def _refuse(*_args: object, **_more: object) -> None:
    raise OSError(1, "Operation not permitted")


def test_outputs_moved_one_by_one_are_put_back_when_one_cannot_be_moved(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Path, "symlink_to", _refuse)
    out = tmp_path / "out"
    put(out, "old")
    rename = Path.rename

    def stuck(path: Path, target: Path) -> Path:
        if path.name == "edition.json" and target.parent == out and path.read_text().startswith("new"):
            raise OSError(5, "Input/output error")
        return rename(path, target)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Path, "rename", stuck)
        with pytest.raises(OSError, match="Input/output"):
            put(out, "new")
    assert word_of(out) == "old"
    put(out, "new")
    assert word_of(out) == "new"


def test_a_failure_while_outputs_are_built_leaves_those_that_stand_and_nothing_else(tmp_path: Path) -> None:
    put(tmp_path, "old")
    with pytest.raises(ZeroDivisionError), writing(tmp_path) as folder:
        build(folder, "half")
        raise ZeroDivisionError
    assert word_of(tmp_path) == "old"
    assert len(list((tmp_path / ".editions").iterdir())) == 1


def test_a_second_writer_is_refused_at_once(tmp_path: Path) -> None:
    with writing(tmp_path), pytest.raises(NeedsMending, match="another run is writing there"), writing(tmp_path):
        pass
    put(tmp_path, "free again")
    assert word_of(tmp_path) == "free again"


@pytest.mark.parametrize("mask", [0o000, 0o022, 0o777])
def test_everything_is_private_to_the_user_whatever_the_umask(mask: int, tmp_path: Path) -> None:
    before = os.umask(mask)
    try:
        put(tmp_path / "out", "mine")
        assert os.umask(mask) == mask
    finally:
        os.umask(before)
    for path in (tmp_path / "out", *(tmp_path / "out").rglob("*")):
        assert stat.S_IMODE(path.stat().st_mode) == (0o700 if path.is_dir() else 0o600), path


@pytest.mark.parametrize("standing", STANDING, ids=lambda f: f.__name__)
@pytest.mark.parametrize("own", ["results/thesis.csv", "report/notes/mine.txt"])
def test_a_file_of_the_users_own_among_the_outputs_is_never_replaced(
    own: str, standing: Callable[[Path], None], tmp_path: Path
) -> None:
    out = tmp_path / "out"
    standing(out)
    (out / own).parent.mkdir(parents=True, exist_ok=True)
    (out / own).write_text("my work")
    with pytest.raises(NeedsMending, match=own), writing(out):
        pass
    assert (out / own).read_text() == "my work"


def test_a_folder_of_the_users_own_in_the_place_of_a_link_is_never_replaced(tmp_path: Path) -> None:
    put(tmp_path, "old")
    (tmp_path / "report").unlink()
    (tmp_path / "report").mkdir()
    (tmp_path / "report" / "thesis.txt").write_text("my work")
    with pytest.raises(NeedsMending, match=r"report/thesis\.txt"), writing(tmp_path):
        pass
    assert (tmp_path / "report" / "thesis.txt").read_text() == "my work"


@pytest.mark.parametrize("name", ["manifest.json", "edition.json", "service.duckdb", "report", "results"])
def test_a_file_of_the_users_own_under_the_name_of_an_output_is_never_replaced(name: str, tmp_path: Path) -> None:
    (tmp_path / name).write_text('{"name": "my work"}')
    with pytest.raises(NeedsMending, match=f"{name} was not written by Crosswise"), writing(tmp_path):
        pass
    assert (tmp_path / name).read_text() == '{"name": "my work"}'


@pytest.mark.parametrize("name", ["manifest.json", "results"])
def test_a_file_of_the_users_own_in_the_place_of_a_link_is_never_replaced(name: str, tmp_path: Path) -> None:
    put(tmp_path, "old")
    (tmp_path / name).unlink()
    (tmp_path / name).write_text("my work")
    with pytest.raises(NeedsMending, match=f"{name} was not written by Crosswise"), writing(tmp_path):
        pass
    assert (tmp_path / name).read_text() == "my work"


def test_a_link_of_the_users_own_in_the_place_of_an_output_is_never_replaced(tmp_path: Path) -> None:
    (tmp_path / "shared").mkdir()
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "report").symlink_to(tmp_path / "shared")
    with pytest.raises(NeedsMending, match="report was not written by Crosswise"), writing(tmp_path / "out"):
        pass
    assert (tmp_path / "out" / "report").is_symlink()


def test_a_folder_whose_name_only_begins_like_one_of_ours_is_left_alone(tmp_path: Path) -> None:
    for name in (".next-steps", ".next-abcd1234"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "thesis.txt").write_text("my work")
    left_by_a_killed_run = tmp_path / ".next-12345678"
    left_by_a_killed_run.mkdir()
    (left_by_a_killed_run / "edition.json").write_text("half")
    put(tmp_path, "new")
    assert (tmp_path / ".next-steps" / "thesis.txt").read_text() == "my work"
    assert (tmp_path / ".next-abcd1234" / "thesis.txt").read_text() == "my work"
    assert not left_by_a_killed_run.exists()


@pytest.mark.parametrize("name", [".DS_Store", "Thumbs.db", "desktop.ini", "~$counts.csv", ".~lock.counts.csv#"])
@pytest.mark.parametrize("standing", STANDING, ids=lambda f: f.__name__)
def test_what_programs_leave_in_a_folder_bars_no_run(
    standing: Callable[[Path], None], name: str, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    standing(out)
    (out / "results").mkdir(parents=True, exist_ok=True)
    (out / "results" / name).write_text("not ours")
    put(out, "new")
    assert word_of(out) == "new"


@pytest.mark.parametrize("copy", ["without hidden files", "without the editions"])
def test_lost_editions_are_asked_for_and_not_silently_begun_anew(copy: str, tmp_path: Path) -> None:
    put(tmp_path / "out", "old")
    hidden = (".editions", ".current", ".writing") if copy == "without hidden files" else (".editions",)
    shutil.copytree(tmp_path / "out", tmp_path / "copy", symlinks=True, ignore=lambda *_: hidden)
    with pytest.raises(NeedsMending, match=r"\.editions.*is missing"), writing(tmp_path / "copy"):
        pass
    assert (tmp_path / "copy" / "report").is_symlink()  # so that putting the folder back is enough
    shutil.copytree(tmp_path / "out" / ".editions", tmp_path / "copy" / ".editions")
    if not (tmp_path / "copy" / ".current").is_symlink():
        (tmp_path / "copy" / ".current").symlink_to((tmp_path / "out" / ".current").readlink())
    put(tmp_path / "copy", "new")
    assert word_of(tmp_path / "copy") == "new"


@pytest.mark.parametrize("part", PARTS)
def test_a_link_that_was_removed_is_made_again(part: str, tmp_path: Path) -> None:
    put(tmp_path, "old")
    (tmp_path / part).unlink()
    with writing(tmp_path):
        assert word_of(tmp_path) == "old"


def test_a_whole_folder_can_be_moved_and_its_outputs_still_stand(tmp_path: Path) -> None:
    put(tmp_path / "here", "old")
    (tmp_path / "here").rename(tmp_path / "there")
    assert word_of(tmp_path / "there") == "old"


@pytest.mark.parametrize(
    ("error", "says"),
    [
        (OSError(28, "No space left on device"), "No space left on device"),
        (OSError("No space left on device (os error 28)"), "No space left on device"),
        (
            pl.exceptions.ComputeError("parquet: underlying IO error: No space left on device (os error 28)"),
            "No space left on device",
        ),
        (OSError("odd"), "unknown reason"),
    ],
)
def test_outputs_that_cannot_be_written_are_told_in_one_line_without_a_path_of_theirs(
    error: Exception, says: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_args: object) -> None:
        raise error

    monkeypatch.setattr(publish, "_write_all", fail)
    with pytest.raises(NeedsMending) as fault:
        publish.publish(tmp_path, tmp_path / "next", None)  # type: ignore[arg-type]
    assert fault.value.lines == (f"{tmp_path}: cannot be written ({says}); the last outputs are untouched",)


def test_a_fault_of_ours_in_a_table_is_not_blamed_on_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_args: object) -> None:
        raise pl.exceptions.ComputeError("nested types cannot be written as CSV")

    monkeypatch.setattr(publish, "_write_all", fail)
    with pytest.raises(pl.exceptions.ComputeError):
        publish.publish(tmp_path, tmp_path / "next", None)  # type: ignore[arg-type]


def test_links_are_not_tried_on_windows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(editions.os, "name", "nt")
    assert not editions._can_link(tmp_path, tmp_path / "edition")
    assert list(tmp_path.iterdir()) == []
