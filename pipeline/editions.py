"""The folder of outputs as a place: who may write there, where a run builds its outputs, and how they come to stand.

    out/.editions/<name>/     the outputs of one run, whole: report, results, service.duckdb, edition.json, manifest.json
    out/.current              a link to the edition that stands
    out/report, ...           links through .current, made once

So one rename, that of `.current`, puts all outputs in place at once: killed at any moment, a run leaves all of the old or all of
the new. Where links cannot be made (Windows without the right to, some shares) the parts are moved one by one instead, and a run
that was killed between two moves is undone when the next one starts.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from pipeline.faults import NeedsMending

# What a run replaces under --out, in the order in which it is moved where links cannot be made: the manifest last, as the seal.
PARTS = ("report", "results", "service.duckdb", "edition.json", "manifest.json")

EDITIONS = ".editions"
CURRENT = ".current"
LOCK = ".writing"
_NEW_LINK = ".current.next"
_REPLACED = "replaced"  # inside an edition that is being moved in part by part: what it takes the place of
_BEFORE_LINKS = re.compile(r"\.next-[a-z0-9_]{8}")  # where earlier releases built their outputs
# What file managers and programs leave in any folder that is looked at: nobody's work.
_LEFT_BY_PROGRAMS = re.compile(r"\..*|~\$.*|thumbs\.db|desktop\.ini", re.IGNORECASE | re.DOTALL)


@contextmanager
def writing(out: Path) -> Iterator[Path]:
    """A private, empty folder to build a run's outputs in, for as long as this process alone may write to `out`.

    Makes `out` if it is absent; clears away what a run that was killed left. At the end everything but the edition that stands is
    removed. Files made meanwhile are private to the user (0600, folders 0700) whatever the umask. Raises NeedsMending when the folder
    cannot be written, another run is writing there, what the outputs would replace was not written by a run, or the outputs that
    stood there are missing.
    """
    mask = os.umask(0o077)
    try:
        try:
            out.mkdir(parents=True, exist_ok=True, mode=0o700)
            lock = _locked(out)
        except OSError as error:
            raise _unwritable(out, error) from None
        try:
            try:
                _undo_moves(out)
                _ask_for_lost_editions(out)
                _refuse_what_is_not_ours(out)
                _tidy(out)
                edition = Path(tempfile.mkdtemp(dir=_private_folder(out / EDITIONS)))
            except OSError as error:
                raise _unwritable(out, error) from None
            try:
                yield edition
            finally:
                with suppress(OSError):  # what is left now is cleared away when the next run starts
                    _tidy(out)
        finally:
            os.close(lock)  # and with it the lock
    finally:
        os.umask(mask)


def put_in_place(edition: Path, out: Path) -> None:
    """Make the outputs built in `edition` (from `writing`) the ones that stand in `out`, all at once.

    Raises OSError when they cannot be put in place; the old ones then stand as they were.
    """
    _write_through(edition)
    if not _can_link(out, edition):
        _move_in(edition, out)
        return
    if not (out / CURRENT).is_symlink():
        _adopt(out)
    for part in PARTS:
        _link(out, part)
    _point(out, CURRENT, f"{EDITIONS}/{edition.name}")
    _write_through_folder(out)


def _locked(out: Path) -> int:
    """The handle of a lock that the system drops with the process, so that a killed run does not bar the next."""
    handle = os.open(out / LOCK, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        os.close(handle)
        if isinstance(error, BlockingIOError | PermissionError):
            raise NeedsMending(f"{out}: another run is writing there; wait for it or choose another --out") from None
        raise
    return handle


def _unwritable(out: Path, error: OSError) -> NeedsMending:
    return NeedsMending(f"{out}: cannot be written ({error.strerror or 'unknown reason'}); choose another --out")


def _private_folder(folder: Path) -> Path:
    folder.mkdir(exist_ok=True, mode=0o700)
    return folder


def _current(out: Path) -> Path | None:
    """The edition that stands, or None where none does or outputs do not stand by links."""
    link = out / CURRENT
    edition = out / EDITIONS / link.readlink().name if link.is_symlink() else None
    return edition if edition is not None and edition.is_dir() else None


def _ask_for_lost_editions(out: Path) -> None:
    """Links that lead nowhere mean that outputs once stood, and with them a history that must not be begun anew in silence.

    The exception is a first run that was killed: it makes its edition, then the links, and `.current` last.
    """
    linked = any(_is_our_link(out, part) for part in PARTS)
    first_run_was_killed = not os.path.lexists(out / CURRENT) and (out / EDITIONS).is_dir()
    if linked and _current(out) is None and not first_run_was_killed:
        raise NeedsMending(
            f"{out}: the outputs' folder {EDITIONS} is missing or not whole (was this copied without hidden files?); "
            "put it back, or choose another --out"
        )


def _is_our_link(out: Path, part: str) -> bool:
    place = out / part
    return place.is_symlink() and place.readlink() == Path(CURRENT) / part


def _refuse_what_is_not_ours(out: Path) -> None:
    written = _written(out)
    for part in reversed(PARTS):  # the manifest first: without it nothing else is known to be ours
        place = out / part
        if place.is_symlink():
            ours = _is_our_link(out, part)
        elif part in ("report", "results"):
            ours = place.is_dir() or not place.exists()
        elif part == "manifest.json":
            ours = written is not None or not place.exists()
        else:
            ours = not place.exists() or part in (written or ())
        if not ours:
            raise _not_ours(out, part)
        if place.is_dir():
            for path in sorted(place.rglob("*")):
                name = path.relative_to(out).as_posix()
                if path.is_file() and name not in (written or ()) and not _LEFT_BY_PROGRAMS.fullmatch(path.name):
                    raise _not_ours(out, name)


def _not_ours(out: Path, name: str) -> NeedsMending:
    return NeedsMending(
        f"{out}: {name} was not written by Crosswise and would be replaced; move it, or choose another --out"
    )


def _written(out: Path) -> frozenset[str] | None:
    """The files that the run wrote whose outputs stand, beside its manifest; None where there is no manifest of a run.

    A manifest that lies there as a file is looked at first: it may be another's. Where its link is missing, the edition's own tells.
    """
    current = _current(out)
    path = out / "manifest.json"
    if not os.path.lexists(path) and current is not None:
        path = current / "manifest.json"
    try:
        files = json.loads(path.read_text(encoding="utf-8"))["files_sha256"]
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return frozenset(files) if isinstance(files, dict) else None


def _undo_moves(out: Path) -> None:
    for begun in (
        *out.glob(f"{EDITIONS}/*/{_REPLACED}"),
        *(folder / _REPLACED for folder in _left_by_earlier_releases(out)),
    ):
        # The manifest is moved in last: where it still waits, the outputs that were to be replaced are put back.
        if begun.is_dir() and (begun.parent / "manifest.json").exists():
            _put_back(begun, out)


def _left_by_earlier_releases(out: Path) -> list[Path]:
    """Folders in which earlier releases built outputs: known by their names, and by holding nothing else."""
    return [
        path
        for path in out.iterdir()
        if _BEFORE_LINKS.fullmatch(path.name)
        and path.is_dir()
        and not path.is_symlink()
        and {inside.name for inside in path.iterdir()} <= {*PARTS, _REPLACED}
    ]


def _tidy(out: Path) -> None:
    """Finish or undo what a run that was killed had begun with links, so that only the outputs that stand are left."""
    links = [part for part in PARTS if (out / part).is_symlink()]
    if _current(out) is None or not links:
        # Links that lead nowhere: a first run was killed before its outputs stood. No link at all: it was killed before it made
        # one of them, or the folder was copied by something that follows links; the parts themselves are there.
        for part in links:
            (out / part).unlink()
        _remove(out / CURRENT)
    else:
        for (
            part
        ) in PARTS:  # some may be missing: a run was killed while it made links of what an earlier release had left
            _link(out, part)
    _remove_all_but_the_current(out)


def _remove_all_but_the_current(out: Path) -> None:
    current = _current(out)
    for path in (*out.glob(f"{EDITIONS}/*"), *_left_by_earlier_releases(out), out / _NEW_LINK):
        if path != current:
            _remove(path)
    if current is None:
        with suppress(OSError):  # not there, or something that could not be removed is still in it
            (out / EDITIONS).rmdir()


def _remove(path: Path) -> None:
    """What cannot be removed now is removed by a later run."""
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path, ignore_errors=True)
    else:
        try:
            path.unlink(missing_ok=True)
        except OSError:
            return


def _can_link(out: Path, edition: Path) -> bool:
    if os.name != "posix":  # on Windows links need a right that few have, and are of two kinds
        return False
    try:
        _make_link(out / _NEW_LINK, f"{EDITIONS}/{edition.name}")
    except OSError:
        return False
    return True


def _make_link(link: Path, target: str) -> None:
    link.unlink(missing_ok=True)
    link.symlink_to(target)


def _point(out: Path, name: str, target: str) -> None:
    """Make `name` a link to `target`, in one step where it is one already or a file."""
    _make_link(out / _NEW_LINK, target)
    (out / _NEW_LINK).replace(out / name)


def _link(out: Path, part: str) -> None:
    """Make `part` a link through `.current`, in place of the part itself where that stands (the same is then in the edition)."""
    place = out / part
    if place.is_symlink():
        return
    if place.is_dir():  # a link cannot be renamed over a folder
        place.rename(Path(tempfile.mkdtemp(dir=out / EDITIONS)) / part)
    _point(out, part, f"{CURRENT}/{part}")


def _adopt(out: Path) -> None:
    """Make an edition of outputs that stand as they are, not by links, and links of them."""
    parts = [part for part in PARTS if (out / part).exists()]
    if not parts:
        return
    edition = Path(tempfile.mkdtemp(dir=out / EDITIONS))
    for part in parts:
        if (out / part).is_dir():
            shutil.copytree(out / part, edition / part, copy_function=_twin)
        else:
            _twin(out / part, edition / part)
    _point(out, CURRENT, f"{EDITIONS}/{edition.name}")
    # Files first: the first link says that the edition is in use, should the run be killed here.
    for part in reversed(PARTS):
        _link(out, part)


def _twin(path: str | Path, other: str | Path) -> None:
    """The same file under a second name, or a copy where a file has one name only."""
    try:
        os.link(path, other)
    except OSError:
        shutil.copy2(path, other)


def _move_in(edition: Path, out: Path) -> None:
    """Move each part into place, keeping the one it replaces until all are; on a fault put the old ones back."""
    kept = edition / _REPLACED
    kept.mkdir()
    try:
        for part in PARTS:
            if os.path.lexists(out / part):
                (out / part).rename(kept / part)
            (edition / part).rename(out / part)
    except OSError:
        _put_back(kept, out)
        raise


def _put_back(kept: Path, out: Path) -> None:
    """Undo what `_move_in` has done. Killed in the midst of it, it can be done again."""
    for part in PARTS:
        waits = kept.parent / part
        if not os.path.lexists(waits) and os.path.lexists(out / part):
            (out / part).rename(waits)
        if os.path.lexists(kept / part):
            (kept / part).rename(out / part)


def _write_through(edition: Path) -> None:
    """Have the system write everything to the disk, so that a loss of power after the rename cannot leave empty files."""
    for path in (*edition.rglob("*"), edition):
        if path.is_dir():
            _write_through_folder(path)
        else:
            with path.open("r+b") as file:
                os.fsync(file.fileno())


def _write_through_folder(folder: Path) -> None:
    if os.name != "posix":  # elsewhere a folder cannot be opened
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
