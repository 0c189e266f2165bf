"""Whether a workbook can be opened at all: the library that reads it takes room for every cell up to the farthest one, and
ends the whole program where there is none left.

A space typed into the last cell of a sheet, or damage to an old workbook, is enough. So the extent of a sheet is looked up first;
that of an old workbook, which is not to be had so simply, is tried in a process of its own.
"""

from __future__ import annotations

import hashlib
import html
import io
import re
import subprocess
import sys
import zipfile
import zlib
from pathlib import Path

from pipeline.faults import NeedsMending

MOST_CELLS = 100_000_000  # some 3 GB in the library; a million rows of a hundred columns
_LAST_COLUMN = 16_384  # XFD, the last there is (ECMA-376)
_TRIAL = Path(__file__).with_name("workbook_trial.py")
_TRIAL_SECONDS = 600
_ROW_NUMBER = re.compile(rb'\br="(?:[A-Z]{1,3})?(\d+)"')
_SHEET = re.compile(r"<(?:\w+:)?sheet\b[^>]*>")
_RELATION = re.compile(r"<(?:\w+:)?Relationship\b[^>]*>")
_DAMAGED = (KeyError, zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError, EOFError, OSError, ValueError)

_tried: dict[bytes, bool] = {}  # whether it could be opened, by the hash of an old workbook


def refuse_far_cells(data: bytes, *, sheet: str, name: str) -> None:
    """Raises NeedsMending when a cell of an XLSX sheet stands so far out that the sheet cannot be held in memory."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as parts:
            path = _path_of(parts, sheet)
            if path is None:
                return
            rows, columns = _extent(parts.read(path))
    except _DAMAGED:
        return  # whoever opens the sheet says so
    if rows * columns > MOST_CELLS:
        raise NeedsMending(
            f"{name}: something stands far from the table (the sheet reaches to row {rows}); "
            "delete the rows and columns beyond the table, or export it as CSV"
        )


def opens(data: bytes) -> bool:
    """Whether an old workbook (XLS) can be opened, tried once in a process of its own with bounded memory."""
    digest = hashlib.sha256(data).digest()
    if digest not in _tried:
        _tried[digest] = _succeeds(data)
    return _tried[digest]


def _succeeds(data: bytes) -> bool:
    try:
        trial = subprocess.run(  # noqa: S603 - this interpreter and a file of ours
            [sys.executable, "-I", str(_TRIAL)],
            input=data,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            timeout=_TRIAL_SECONDS,
            check=False,
        )
    except (OSError, subprocess.TimeoutExpired):
        return False
    return trial.returncode == 0


def _path_of(parts: zipfile.ZipFile, sheet: str) -> str | None:
    """Where the named sheet stands in the package; None when it is not told in the usual way."""
    relation = None
    for tag in _SHEET.findall(parts.read("xl/workbook.xml").decode()):
        if _attribute(tag, "name") == sheet:
            relation = _attribute(tag, r"\w+:id")
    for tag in _RELATION.findall(parts.read("xl/_rels/workbook.xml.rels").decode()):
        if relation is not None and _attribute(tag, "Id") == relation:
            target = _attribute(tag, "Target") or ""
            return target.lstrip("/") if target.startswith("/") else f"xl/{target}"
    return None


def _attribute(tag: str, name: str) -> str | None:
    found = re.search(rf"\s{name}\s*=\s*[\"']([^\"']*)[\"']", tag)
    return html.unescape(found[1]) if found else None


def _extent(xml: bytes) -> tuple[int, int]:
    """The last row of a sheet, and a bound on its last column that is found without looking at every cell."""
    last = max((xml.rfind(mark) for mark in (b"<row ", b'<c r="')), default=-1)
    number = _ROW_NUMBER.search(xml, last) if last >= 0 else None
    rows = int(number[1]) if number else 0
    if rows * _LAST_COLUMN <= MOST_CELLS:
        return rows, _LAST_COLUMN
    if re.search(rb'<c r="[A-Z]{3}\d', xml):
        return rows, _LAST_COLUMN
    for first in range(26, 0, -1):
        if rows * (first + 1) * 26 <= MOST_CELLS:
            return rows, (first + 1) * 26
        if re.search(rb'<c r="' + bytes([64 + first]) + rb"[A-Z]\d", xml):
            return rows, (first + 1) * 26
    return rows, 26
