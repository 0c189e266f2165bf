"""Writing the data-quality summary: private files, each put in its place whole."""

from __future__ import annotations

import os
import shutil
import tempfile
import time
from collections.abc import Mapping
from pathlib import Path

import polars as pl

from pipeline.faults import NeedsMending

PAGE = "quality.html"
# How each of our files begins: by this a file of the user's own under the same name is told, and left alone.
BEGINNINGS: Mapping[str, bytes] = {
    "quality.csv": b"section,table,column,site,",
    "not_used.csv": b"what,table,file,row,key,column,",
    PAGE: b"<!DOCTYPE html>",
}
_STAGING = ".next-"
_LEFT_BEHIND = 3600.0  # seconds after which a folder of unfinished files is of a run that was killed


def write_quality(out: Path, page: str, tables: Mapping[str, pl.DataFrame]) -> None:
    """Write `page` as quality.html and each of `tables` as CSV under its name into `out`, which is made if absent.

    All are written beside their places first and then moved in, the page last, so that no reader meets half a file. Files are
    private (0600, the folder 0700). Raises NeedsMending when the folder cannot be written or holds a file of that name that
    is not ours.
    """
    try:
        out.mkdir(parents=True, exist_ok=True, mode=0o700)
        for name in BEGINNINGS:
            _refuse_what_is_not_ours(out / name)
        _clear_away(out)
        staging = Path(tempfile.mkdtemp(prefix=_STAGING, dir=out))  # mkdtemp makes it 0700
        try:
            for name, table in tables.items():
                _write(staging / f"{name}.csv", table.write_csv().encode())
            _write(staging / PAGE, page.encode())
            for name in BEGINNINGS:
                (staging / name).replace(out / name)
        finally:
            shutil.rmtree(staging, ignore_errors=True)
    except OSError as error:
        raise NeedsMending(
            f"{out}: cannot be written ({error.strerror or 'unknown reason'}); choose another --out"
        ) from None


def _write(path: Path, content: bytes) -> None:
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def _refuse_what_is_not_ours(path: Path) -> None:
    if not path.exists():
        return
    with path.open("rb") as file:
        begins = file.read(len(BEGINNINGS[path.name]))
    if begins != BEGINNINGS[path.name]:
        raise NeedsMending(
            f"{path.parent}: {path.name} was not written by Crosswise and would be replaced; move it, or choose another --out"
        )


def _clear_away(out: Path) -> None:
    """Remove what a run that was killed left unfinished."""
    for folder in out.glob(f"{_STAGING}*"):
        if time.time() - folder.stat().st_mtime > _LEFT_BEHIND:
            shutil.rmtree(folder, ignore_errors=True)
