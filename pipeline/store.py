"""The DuckDB file: how it is opened, written and read. With the history (pipeline.deliveries.history, pipeline.deliveries.keep) the only SQL in the project."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import duckdb
import polars as pl

from pipeline.faults import NeedsMending
from pipeline.identity import written_out

Connection = duckdb.DuckDBPyConnection

# Nothing is fetched, installed or read from elsewhere by the database.
_LOCKED_DOWN: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
    "enable_external_access": False,
}
_MEMORY = "512MB"  # of DuckDB's own; what does not fit waits in the folder beside the file
_ROWS_AT_ONCE = 500_000  # pseudonyms are written out for so many rows at a time: as text they take ten times the memory


def connect(path: Path) -> Connection:
    """A read-only connection to a database that a run wrote. Raises NeedsMending when there is none, or it cannot be read."""
    if not path.is_file():
        raise NeedsMending(f"{path.name}: there is no such database; run the pipeline first")
    try:
        return duckdb.connect(os.fspath(path), read_only=True, config=_LOCKED_DOWN)
    except duckdb.Error as error:
        raise _told(path, error) from None


@contextmanager
def reading(path: Path) -> Iterator[Connection]:
    """A read-only connection; what DuckDB finds wrong with the file is told in one line (NeedsMending)."""
    with connect(path) as connection:
        try:
            yield connection
        except duckdb.Error as error:
            raise _told(path, error) from None


@contextmanager
def building(path: Path) -> Iterator[Connection]:
    """A connection to write the database at `path`, made if absent; at the end all of it is in that one file.

    Raises NeedsMending with one line when it cannot be written, or what is there is not a database that can be read.
    """
    waiting = path.with_name(f"{path.name}.tmp")
    config = _LOCKED_DOWN | {"memory_limit": _MEMORY, "temp_directory": os.fspath(waiting)}
    try:
        connection = duckdb.connect(os.fspath(path), config=config)
        try:
            yield connection
            connection.execute("CHECKPOINT")  # closing would do it too, but hold back that it failed
        finally:
            connection.close()
        path.chmod(0o600)
    except duckdb.Error as error:
        raise _told(path, error) from None
    finally:
        shutil.rmtree(waiting, ignore_errors=True)


def put_tables(path: Path, schema: str, frames: Mapping[str, pl.DataFrame]) -> None:
    """Write `frames` as the tables of `schema`, in place of all that the schema held. Raises NeedsMending as `building` does."""
    with building(path) as connection:
        connection.execute(f"DROP SCHEMA IF EXISTS {quoted(schema)} CASCADE")
        connection.execute(f"CREATE SCHEMA {quoted(schema)}")
        for name, frame in frames.items():
            create(connection, f"{quoted(schema)}.{quoted(name)}", frame)


def create(connection: Connection, table: str, frame: pl.DataFrame, *, temporary: bool = False) -> None:
    """Make `table` (quoted where it needs to be) of a frame: pseudonyms and codes as text, rows in their order."""
    kind = "TEMP TABLE" if temporary else "TABLE"
    _with_frame(connection, frame.clear(), f"CREATE {kind} {table} AS FROM frame")
    insert(connection, table, frame)


def insert(connection: Connection, table: str, frame: pl.DataFrame, more: str = "") -> None:
    """Add the rows of a frame to `table`, column by column of its name. `more`: SQL for further columns, each after a comma."""
    for part in frame.iter_slices(_ROWS_AT_ONCE):
        _with_frame(connection, part, f"INSERT INTO {table} BY NAME SELECT *{more} FROM frame")


def _with_frame(connection: Connection, frame: pl.DataFrame, statement: str) -> None:
    connection.register("frame", written_out(frame))
    try:
        connection.execute(statement)
    finally:
        connection.unregister("frame")


def quoted(name: str) -> str:
    """A name as SQL takes it, whatever it holds."""
    return '"' + name.replace('"', '""') + '"'


def _told(path: Path, error: duckdb.Error) -> Exception:
    """What DuckDB met, in one line; an error of ours in the SQL stays what it is. Its messages on files hold no value of a row."""
    text = str(error)
    if "lock on file" in text:
        return NeedsMending(
            f"{path.name}: the file is open for writing in another program; close it there and run again"
        )
    if "Permission denied" in text:
        return NeedsMending(
            f"{path.name}: cannot be opened (Permission denied); mend its permissions, or choose another --out"
        )
    full = re.search(r"No space left on device|File too large|Disk quota exceeded|Read-only file system", text)
    if full:
        return NeedsMending(f"{path.name}: cannot be written ({full[0]}); the last outputs are untouched")
    if isinstance(error, duckdb.OutOfMemoryException):
        return NeedsMending(
            f"{path.name}: cannot be written (no room for what does not fit into memory); make room on the disk of --out"
        )
    damaged = isinstance(error, duckdb.IOException | duckdb.SerializationException | duckdb.InternalException)
    if damaged or "Corrupt database file" in text:  # some errors come without their class
        return NeedsMending(
            f"{path.name}: the database that holds the earlier deliveries is damaged or not one; "
            "put back a copy of it, or choose another --out"
        )
    return error
