"""Keeps each step's tables in one DuckDB file, for SQL. The only SQL in the project."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path

import duckdb
import polars as pl

from pipeline.faults import NeedsMending

# Nothing is fetched, installed or read from elsewhere by the database.
_LOCKED_DOWN: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
    "enable_external_access": False,
}


def write_store(path: Path, schemas: Mapping[str, Mapping[str, pl.DataFrame]]) -> None:
    """Writes `schemas` (schema -> table -> frame) to a DuckDB file at `path`, readable by its owner only.

    The file is built beside its place, in a private folder, and renamed into it: whoever reads sees the old file or the
    new one, and a run that is killed leaves the old. Equal frames give equal tables; the bytes of the file may differ.
    Raises NeedsMending when the folder cannot be written to.
    """
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        folder = Path(tempfile.mkdtemp(prefix=f".{path.stem}-", dir=path.parent))
    except OSError as error:
        raise NeedsMending(
            f"{path.name}: the folder {path.parent} cannot be written to ({error.strerror}); check --out"
        ) from None
    try:
        built = folder / path.name
        _build(built, schemas)
        built.chmod(0o600)
        built.replace(path)
    except (OSError, duckdb.IOException) as error:
        reason = getattr(error, "strerror", None) or "disk full, or the file is held open elsewhere"
        raise NeedsMending(f"{path.name}: the database cannot be written ({reason})") from None
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def connect(path: Path) -> duckdb.DuckDBPyConnection:
    """A read-only connection to a database that `write_store` wrote. Raises NeedsMending when there is none."""
    if not path.is_file():
        raise NeedsMending(f"{path.name}: there is no such database; run the pipeline first")
    return duckdb.connect(os.fspath(path), read_only=True, config=_LOCKED_DOWN)


def _build(path: Path, schemas: Mapping[str, Mapping[str, pl.DataFrame]]) -> None:
    with duckdb.connect(os.fspath(path), config=_LOCKED_DOWN) as connection:
        for schema, frames in schemas.items():
            connection.execute(f"CREATE SCHEMA IF NOT EXISTS {_quoted(schema)}")
            for name, frame in frames.items():
                connection.register("frame", frame)
                connection.execute(f"CREATE TABLE {_quoted(schema)}.{_quoted(name)} AS FROM frame")
                connection.unregister("frame")


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'
