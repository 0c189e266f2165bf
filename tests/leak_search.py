"""Searches everything a command leaves behind for planted words, in every form in which a program may keep them.

Not only text: the rows of DuckDB and SQLite files are read through SQL and Parquet files through polars, because all three
compress; and folders are watched while a command runs, so that a file that is gone at its end is looked into too.
"""

from __future__ import annotations

import base64
import gzip
import json
import sqlite3
import threading
import unicodedata
import zipfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import quote

import duckdb
import polars as pl

_PAUSE_S = 0.02  # between two looks at the folders while a command runs


@dataclass(frozen=True, slots=True)
class Needle:
    """One planted word, looked for in one form. `folded`: whatever its capitals."""

    word: str
    form: str
    content: bytes
    folded: bool


def needles(*words: str) -> tuple[Needle, ...]:
    """Every form of every word: as text in five encodings, in hexadecimal, and in base64 at each of the three alignments."""
    found: list[Needle] = []
    for word in words:
        for written in dict.fromkeys((word, word.lower(), word.upper())):
            raw = written.encode()
            texts = {
                "utf-8": raw,
                "utf-8, letters in two parts": unicodedata.normalize("NFD", written).encode(),
                "utf-16-le": written.encode("utf-16-le"),
                "utf-16-be": written.encode("utf-16-be"),
                "latin-1": written.encode("latin-1"),
                "JSON": json.dumps(written)[1:-1].encode(),
                "escaped": written.encode("ascii", "backslashreplace"),
                "URL": quote(written).encode(),
            }
            found += [Needle(word, form, content.lower(), folded=True) for form, content in texts.items()]
            found.append(Needle(word, "hexadecimal", raw.hex().encode(), folded=True))
            found += [Needle(word, "base64", _in_base64(raw, shift), folded=False) for shift in range(3)]
    # The same bytes need one look only.
    return tuple({(n.content, n.folded): n for n in found}.values())


def secret(key: str) -> tuple[Needle, ...]:
    """The forms of a key: its text, and its bytes where the text is hexadecimal."""
    try:
        raw = (Needle("the key", "bytes", bytes.fromhex(key), folded=False),)
    except ValueError:
        raw = ()
    return (*needles(key), *raw)


def _in_base64(raw: bytes, shift: int) -> bytes:
    """What is left of `raw` in base64 when it stands `shift` bytes after a multiple of three: its whole signs."""
    encoded = base64.b64encode(b"\0" * shift + raw)
    first = -(-8 * shift // 6)
    last = 8 * (shift + len(raw)) // 6
    return encoded[first:last]


def found_in(content: bytes, wanted: Sequence[Needle], place: str) -> list[str]:
    """One line for each needle that `content` holds, with its place and form."""
    folded = content.lower()
    return [
        f"{place}: {needle.word!r} as {needle.form}"
        for needle in wanted
        if needle.content in (folded if needle.folded else content)
    ]


def found_in_file(path: Path, wanted: Sequence[Needle]) -> list[str]:
    """What a file's name, its bytes, and what it holds in compressed form give away. A file that is gone gives nothing."""
    try:
        content = path.read_bytes()
    except OSError:
        return []
    found = found_in(str(path).encode(), wanted, "the name of a file") + found_in(content, wanted, path.name)
    for text in _inside(path, content):
        found += found_in(text, wanted, f"inside {path.name}")
    return found


def files_below(*folders: Path) -> list[Path]:
    """Every file in the folders, hidden ones too."""
    found = []
    for folder in folders:
        found += [path for path in folder.rglob("*") if path.is_file()]
    return sorted(found)


def _inside(path: Path, content: bytes) -> Iterator[bytes]:
    try:
        if content[:4] == b"PAR1":
            yield _as_text(pl.read_parquet(path))
        elif content[8:12] == b"DUCK":
            with duckdb.connect(str(path), read_only=True) as connection:
                tables = connection.sql("SELECT table_schema, table_name FROM information_schema.tables").fetchall()
                for schema, table in tables:
                    yield f"{schema}.{table}".encode()
                    yield _as_text(connection.table(f'"{schema}"."{table}"').pl())
        elif content[:15] == b"SQLite format 3":
            yield from _in_sqlite(path)
        elif content[:2] == b"\x1f\x8b":
            yield gzip.decompress(content)
        elif content[:4] == b"PK\x03\x04":
            with zipfile.ZipFile(path) as archive:
                for name in archive.namelist():
                    yield name.encode()
                    yield archive.read(name)
    except (OSError, EOFError, duckdb.Error, sqlite3.Error, zipfile.BadZipFile, pl.exceptions.PolarsError):
        return  # half written: its bytes have been searched, and it is looked at again when it is whole


def _as_text(frame: pl.DataFrame) -> bytes:
    lines = [" ".join(frame.columns)]
    lines += [str(value) for column in frame.columns for value in frame[column].drop_nulls().unique().to_list()]
    return "\n".join(lines).encode()


def _in_sqlite(path: Path) -> Iterator[bytes]:
    connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    try:
        for (table,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall():
            for row in connection.execute(f'SELECT * FROM "{table}"'):
                for value in row:
                    yield value if isinstance(value, bytes) else str(value).encode()
    finally:
        connection.close()


@dataclass(slots=True)
class Watched:
    """What was seen while folders were watched: the `leaks` in their files."""

    leaks: list[str] = field(default_factory=list)


@contextmanager
def watching(folders: Sequence[Path], wanted: Sequence[Needle]) -> Iterator[Watched]:
    """Looks into every file of the folders as often as it changes, until the block is left."""
    seen: dict[Path, tuple[int, int]] = {}
    watched = Watched()
    over = threading.Event()

    def look() -> None:
        for path in files_below(*(folder for folder in folders if folder.exists())):
            try:
                now = path.stat()
            except OSError:
                continue
            if seen.get(path) != (now.st_mtime_ns, now.st_size):
                seen[path] = (now.st_mtime_ns, now.st_size)
                try:
                    watched.leaks += found_in(path.read_bytes(), wanted, f"{path.name}, while it was there")
                except OSError:
                    continue

    def keep_looking() -> None:
        while not over.wait(_PAUSE_S):
            try:
                look()
            except OSError:  # a folder that went away between listing and looking
                continue

    thread = threading.Thread(target=keep_looking)
    thread.start()
    try:
        yield watched
    finally:
        over.set()
        thread.join()
